"""Clients that mean no good: each is answered by a problem of a type that stays, nothing of what it sent
shows, and the door goes on.
"""

from __future__ import annotations

import hashlib
import json
import socket
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

import httpx
import numpy as np
import pytest
import zstandard
from stores import every_row

from dataset.canonical_text import canonical_json
from dataset.records import Scope
from dataset.store import Store
from dataset.store.exchange.packs import FORMAT, MAGIC
from dataset.store.team import clock
from doors import blobs_of, open_door
from innage.service.door import Settings
from innage.service.messages.wire import MOST_BLOB, MOST_GROUP, MOST_OTHER
from innage.service.problems import KINDS, MEDIA_TYPE, PREFIX

BLOBS = "/v1/blobs/"
OBJECTS = "/v1/objects"
WAIT_S = 30.0
DRAW = np.random.default_rng(6)
LIMITS = Settings(body_s=0.5, at_once=1_000_000)


@pytest.fixture(autouse=True)
def _no_long_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is left of a body that nobody wants is waited for a moment only."""
    monkeypatch.setattr("innage.service.middleware.DRAIN_S", 0.2)


@pytest.fixture
def url(team: Store) -> Iterator[str]:
    """The URL of the door of ``team``, where everybody may do everything, within half a second."""
    with open_door(team, LIMITS) as url:
        yield url


def is_problem(answer: httpx.Response, *kinds: str) -> dict[str, Any]:
    """Asserts that an answer is a problem of one of these kinds; its document."""
    assert answer.headers["content-type"] == MEDIA_TYPE, answer.text
    document: dict[str, Any] = answer.json()
    assert document["type"] in {PREFIX + kind for kind in kinds}, document
    kind = KINDS[document["type"].removeprefix(PREFIX)]
    assert (answer.status_code, document["status"]) == (kind.status, kind.status)
    return document


@contextmanager
def nothing_shows(team: Store, door: httpx.Client) -> Iterator[None]:
    """Asserts that the store stays as it is, but for what waits, and that the door goes on."""
    before = {table: rows for table, rows in every_row(team.path).items() if table != "staged_blob"}
    yield
    assert door.get("/readyz").json() == {"status": "ready"}
    after = every_row(team.path)
    assert {table: after[table] for table in before} == before


def raw(url: str, *pieces: bytes) -> httpx.Response:
    """What the door answers to these bytes; the connection stays open until it does."""
    parts = urlsplit(url)
    with socket.create_connection((parts.hostname or "", parts.port or 0), timeout=WAIT_S) as wire:
        for piece in pieces:
            wire.sendall(piece)
        answer = bytearray()
        while b"\r\n\r\n" not in answer or not _whole(bytes(answer)):
            piece = wire.recv(65536)
            if not piece:
                break
            answer += piece
    heading, _, body = bytes(answer).partition(b"\r\n\r\n")
    status, *lines = heading.decode("latin-1").split("\r\n")
    headers = [tuple(line.split(": ", 1)) for line in lines]
    return httpx.Response(int(status.split()[1]), headers=headers, content=body)  # type: ignore[arg-type]  # pairs


def _whole(answer: bytes) -> bool:
    heading, _, body = answer.partition(b"\r\n\r\n")
    for line in heading.lower().split(b"\r\n"):
        if line.startswith(b"content-length:"):
            return len(body) >= int(line.partition(b":")[2])
    return False


def heading(method: str, path: str, **headers: str) -> bytes:
    lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1"]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")


def name_of(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def staged(door: httpx.Client, content: bytes) -> str:
    name = name_of(content)
    assert door.put(BLOBS + name, content=content).status_code in (200, 201)
    return name


def group(document: str, *blobs: str) -> dict[str, Any]:
    return {"objects": [{"document": document, "blobs": list(blobs)}]}


@pytest.fixture
def session(rig: Store, door: httpx.Client) -> str:
    """The document of a session whose references are at the other end, and which is not there itself."""
    objects = list[dict[str, str]]()
    for parcel in rig.parcels(rig.objects()):
        if parcel.document.kind == "session":
            assert door.post(OBJECTS, json={"objects": objects}).json()["held"] == []
            return parcel.document.text
        objects.append({"document": parcel.document.text})
    raise AssertionError("no session")


@pytest.mark.longer
def test_slow_bodies(team: Store, url: str, door: httpx.Client) -> None:
    """A body that does not come in time, stated or in pieces, and one that stops within a piece."""
    path = BLOBS + name_of(b"slow")
    with nothing_shows(team, door):
        is_problem(raw(url, heading("PUT", path, Content_Length="4"), b"sl"), "too-slow")
        for piece in (b"", b"4\r\nsl", b"2\r\nsl\r\n"):
            answer = raw(url, heading("PUT", path, Transfer_Encoding="chunked"), piece)
            is_problem(answer, "too-slow")
            assert answer.headers["connection"] == "close"
    assert team.staged_names([name_of(b"slow")]) == frozenset()


@pytest.mark.longer
@pytest.mark.parametrize(
    ("method", "path", "most"),
    [
        ("PUT", BLOBS + "0" * 64, MOST_BLOB),
        ("POST", OBJECTS, MOST_GROUP),
        ("POST", OBJECTS + "/lacking", MOST_OTHER),
        ("POST", "/v1/tokens", MOST_OTHER),
        ("GET", "/v1", MOST_OTHER),
    ],
)
def test_bodies_without_end(
    method: str, path: str, most: int, team: Store, url: str, door: httpx.Client
) -> None:
    """One that says so is refused before it is sent; one that does not, when the limit is reached. What needs
    no body is answered without one.
    """
    with nothing_shows(team, door):
        for stated in (most + 1, 10**18):
            is_problem(raw(url, heading(method, path, Content_Length=str(stated))), "too-large")
        if method != "GET":
            piece = b"10000\r\n" + b" " * 65536 + b"\r\n"
            pieces = [piece] * (most // 65536 + 1)
            is_problem(raw(url, heading(method, path, Transfer_Encoding="chunked"), *pieces), "too-large")


def test_lengths_that_are_none(team: Store, url: str, door: httpx.Client) -> None:
    """Two lengths, a length beside pieces, one with a sign: the server in front of the routes refuses these,
    in words of its own.
    """
    path = BLOBS + name_of(b"ab")
    with nothing_shows(team, door):
        for headers in (
            b"Content-Length: 2\r\nContent-Length: 3\r\n",
            b"Content-Length: -1\r\n",
            b"Content-Length: +2\r\n",
            b"Content-Length: 2, 3\r\n",
            b"Content-Length: 0x2\r\n",
            b"Transfer-Encoding: chunked, gzip\r\n",
            b"Bad Header: 1\r\n",
        ):
            request = f"PUT {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n".encode() + headers + b"\r\nab"
            assert raw(url, request).status_code == 400, headers
        assert raw(url, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n").status_code == 400
    assert team.staged_names([name_of(b"ab")]) == frozenset()


@pytest.mark.longer
@pytest.mark.parametrize("path", [OBJECTS, OBJECTS + "/lacking", OBJECTS + "/chosen", "/v1/tokens"])
def test_json_that_is_none(path: str, team: Store, door: httpx.Client) -> None:
    bodies = [
        b"",
        b"{",
        b"\xff\xfe{}",
        b"\x00",
        b"[" * 100_000,
        b'{"objects":' * 50_000,
        b'{"objects":' + b"[" * 20_000 + b"]" * 20_000 + b"}",
        b'{"objects": NaN}',
        b'{"objects": 1e999999}',
        b'{"objects": [' + b"9" * 5000 + b"]}",
        b'{"unknown": 1}',
        b'"\\ud800"',
        b"null",
    ]
    with nothing_shows(team, door):
        for body in bodies:
            answer = door.post(path, content=body, headers={"content-type": "application/json"})
            is_problem(answer, "malformed", "invalid-request")


@pytest.mark.longer
def test_documents_that_are_none(session: str, team: Store, door: httpx.Client) -> None:
    """In a group of the right form: too deep, another writing of the same, halves of characters, huge
    numbers, kinds and names that there are not.
    """
    facts = json.loads(session)
    documents = [
        "",
        "[" * 9000,
        '{"a":' * 31 + "1" + "}" * 31,
        "[" * 31 + "]" * 31,
        json.dumps(facts, indent=1),
        session.replace("{", "{ ", 1),
        session + " ",
        session[:-1],
        session + session,
        '{"kind":"session"}',
        '{"format":1,"kind":"session","name":"' + "0" * 64 + '"}',
        canonical_json(facts | {"kind": "token"}),
        canonical_json(facts | {"kind": "../../etc"}),
        canonical_json(facts | {"more": 1}),
        "9" * 5000,
        '{"kind":' + "9" * 5000 + "}",
        "\x00",
    ]
    with nothing_shows(team, door):
        for document in documents:
            answer = door.post(OBJECTS, json=group(document))
            is_problem(answer, "refused", "held-back", "missing-blobs")
        half = '{"objects":[{"document":"\\ud800","blobs":[]}]}'
        answer = door.post(OBJECTS, content=half, headers={"content-type": "application/json"})
        is_problem(answer, "refused", "malformed", "invalid-request")


def pack(blocks: list[list[Any]], content: bytes, **more: Any) -> bytes:
    """A pack with this heading."""
    words = canonical_json({"format": FORMAT, "blocks": blocks} | more).encode()
    return MAGIC + len(words).to_bytes(4, "little") + words + content


@pytest.mark.longer
def test_packs_that_unpack_beyond_bounds(session: str, team: Store, door: httpx.Client) -> None:
    """Small packs that say or hold more than the session's document allows, and packs that are none."""
    bombs = [zstandard.compress(bytes(1 << 26)), zlib.compress(bytes(1 << 26)), DRAW.bytes(64)]
    packs = [
        pack([[format_, frames, len(bomb), len(bomb), 0]], bomb * 2)
        for bomb in bombs
        for format_ in (2, 3)
        for frames in (60, 1 << 62)
    ]
    packs += [
        b"",
        MAGIC,
        MAGIC + b"\xff\xff\xff\xff",
        MAGIC + b"\x02\x00\x00\x00[]",
        MAGIC + (60_000).to_bytes(4, "little") + b"[" * 60_000,
        pack([], b""),
        pack([[1, 60, -1, 1, 0]], b""),
        pack([[1, 60, 1 << 62, 1 << 62, 0]], b""),
        pack([[1, True, 0, 0, 0]], b""),
        pack([[1]], b""),
        pack([["a", "b", "c"]], b""),
        pack([[1, 1, 0, 0, 0]] * 2000, b""),
        pack([], b"", more=1),
    ]
    with nothing_shows(team, door):
        for one in packs:
            answer = door.post(OBJECTS, json=group(session, staged(door, one)))
            is_problem(answer, "refused")
        large = pack([[2, 60, (1 << 20) - 8, 4, 4]], DRAW.bytes(1 << 20))
        answer = door.post(OBJECTS, json=group(session, *[staged(door, large)] * 1000))
        assert is_problem(answer, "refused")["found"] == "256 MiB"  # of the 1000, which were not all read
        answer = door.post(OBJECTS, json=group(session, "0" * 64))
        assert is_problem(answer, "missing-blobs")["blobs"] == ["0" * 64]
        is_problem(door.post(OBJECTS, json=group(session)), "held-back")


def test_bytes_of_another_name(session: str, rig: Store, team: Store, door: httpx.Client) -> None:
    """A blob under another's name, and frames of another session under this one's document."""
    other = next(p for p in rig.parcels(rig.objects(("session",))) if p.document.text != session)
    with nothing_shows(team, door):
        answer = door.put(BLOBS + name_of(b"this"), content=b"that")
        assert is_problem(answer, "digest-mismatch")["digest"] == name_of(b"that")
        blobs = [staged(door, content) for content in blobs_of(rig, other)]
        is_problem(door.post(OBJECTS, json=group(session, *blobs)), "refused")
    assert team.staged_names([name_of(b"this"), name_of(b"that")]) == frozenset()


def test_paths_that_lead_elsewhere(team: Store, url: str, door: httpx.Client) -> None:
    """Names of files are no part of a path, however they are written."""
    tricks = (
        "../../../etc/passwd",
        "..%2f..%2fetc%2fpasswd",
        "%2e%2e/%2e%2e/etc/passwd",
        "..%5c..%5cboot.ini",
        "%00",
        "a" * 5000,
        "%ff%fe",
        "file:%2f%2f%2fetc%2fpasswd",
        "A" * 64,
        "0" * 63 + "%0a",
        "0" * 64 + "%0a",
        "http:%2f%2f127.0.0.1%2f",
    )
    with nothing_shows(team, door):
        for trick in tricks:
            for method, place in (
                ("GET", "/v1/bundles/{}"),
                ("GET", "/v1/bundles/{}/files/{}"),
                ("GET", "/v1/objects/session/{}"),
                ("GET", "/v1/objects/{}/{}"),
                ("GET", "/v1/sessions/{}/packs/{}"),
                ("GET", "/v1/channels/{}"),
                ("GET", "/{}"),
                ("GET", OBJECTS + "?after={}"),
                ("DELETE", "/v1/tokens/{}?reason=x"),
                ("PUT", BLOBS + "{}"),
            ):
                answer = raw(url, heading(method, place.replace("{}", trick), Content_Length="0"))
                kinds = ("not-found", "invalid-request", "refused", "method-not-allowed")
                is_problem(answer, *kinds)
                assert "root:" not in answer.text


def test_headers_that_would_be_the_answers(team: Store, url: str, door: httpx.Client) -> None:
    """What a client sends comes back in no header, and in no line of the log (which has no such part)."""
    with nothing_shows(team, door):
        for value in ("x%0d%0aSet-Cookie:%20a=b", "x\tSet-Cookie: a=b", "\u00e4\u00ff"):
            for path in (
                "/v1/objects?kind=session&after=" + value.split("\t")[0],
                "/v1/channels/" + value[:1],
            ):
                answer = raw(url, heading("GET", path, X_Other=value, If_None_Match=value, Range=value))
                assert "set-cookie" not in answer.headers
                assert answer.status_code < 500
        many = b"".join(b"X-%d: 1\r\n" % k for k in range(20_000))
        with suppress(ConnectionResetError):  # which it is while the rest is sent
            assert raw(url, b"GET /v1 HTTP/1.1\r\n" + many + b"\r\n").status_code == 400


@pytest.mark.longer
def test_tokens_of_other_days(team: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that has expired, one that was revoked and replayed, one with a character changed, and forms that
    are none: one sentence for all of them, and nothing written.
    """
    _, good = team.add_token("admin", [*Scope])
    row, revoked = team.add_token("rig", [Scope.PUSH])
    team.revoke_token(row.id, "lost")
    old, expired = team.add_token("old", [Scope.PUSH], days=1)
    changed = good[:-20] + ("a" if good[-20] != "a" else "b") + good[-19:]
    presented = [
        revoked,
        changed,
        good.upper(),
        good + good,
        good[:30],
        good.split("_")[1],
        "inn_" + "_" * 60,
        "' OR 1=1 --",
        "a" * 50_000,
        "\u00e9",
    ]
    content = b"replayed"
    with open_door(team, LIMITS, authorise=None) as url, httpx.Client(base_url=url) as door:
        answers = [
            door.put(
                BLOBS + name_of(content),
                content=content,
                headers=[(b"Authorization", f"Bearer {token}".encode("latin-1"))],
            )
            for token in presented
        ]
        answers += [
            door.put(BLOBS + name_of(content), content=content, headers={"Authorization": other})
            for other in (f"Basic {good}", good, f"Bearer{good}", "Bearer", "")
        ]
        answers.append(door.put(f"{BLOBS}{name_of(content)}?access_token={good}", content=content))
        ends = datetime.fromisoformat(old.expires)
        monkeypatch.setattr(clock, "now", lambda _orm: ends)
        answers.append(
            door.put(
                BLOBS + name_of(content), content=content, headers={"Authorization": f"Bearer {expired}"}
            )
        )
        assert len({is_problem(answer, "unauthorised")["detail"] for answer in answers}) <= 2
        assert door.get("/v1", headers={"Authorization": f"Bearer {good}"}).status_code == 200
    assert team.staged_names([name_of(content)]) == frozenset()
