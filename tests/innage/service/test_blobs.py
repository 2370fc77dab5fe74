"""Blobs on their way in: every body that is not taken, and how many wait for how long."""

from __future__ import annotations

import hashlib
import socket
from collections.abc import Iterator
from urllib.parse import urlsplit

import httpx
import pytest
from sending import is_problem, put, sha256

from dataset.records import Scope
from dataset.store import Store
from doors import open_door
from innage.service.door import Settings


@pytest.mark.longer
def test_bodies_that_are_not_taken(door: httpx.Client, team: Store) -> None:
    """Too long by what they say and by what they are, of another type, under another name, no JSON."""
    blob = b"x" * ((8 << 20) + 1)
    assert is_problem(put(door, blob), "too-large")["most_bytes"] == 8 << 20
    refused = is_problem(put(door, b"x", "0" * 64), "digest-mismatch")
    assert refused["digest"] == sha256(b"x")

    def endless() -> Iterator[bytes]:
        for _ in range(9):
            yield bytes(1 << 20)

    chunked = door.put(
        f"/v1/blobs/{'0' * 64}", content=endless(), headers={"content-type": "application/octet-stream"}
    )
    is_problem(chunked, "too-large")
    is_problem(put(door, b"x", **{"content-type": "text/html"}), "media-type")
    for name in ("0" * 63, "0" * 65, "Z" * 64, "..%2f" + "0" * 59, "0" * 63 + "%0a", "A" * 64):
        answer = put(door, b"x", name)
        assert answer.status_code in (404, 422), name
    json_headers = {"content-type": "application/json"}
    is_problem(door.post("/v1/objects", content=b"{", headers=json_headers), "malformed")
    deep = b"[" * 200_000
    assert door.post("/v1/objects", content=deep, headers=json_headers).status_code in (400, 422)
    is_problem(door.post("/v1/objects", content=b"[]", headers=json_headers), "invalid-request")
    is_problem(door.post("/v1/objects", json={"objects": []}), "invalid-request")
    is_problem(door.post("/v1/objects", json={"objects": [{"document": 7}]}), "invalid-request")
    is_problem(door.post("/v1/blobs/missing", content=bytes(2 << 20), headers=json_headers), "too-large")
    assert team.staged_bytes() == 0


def together(*blobs: bytes) -> bytes:
    """Several blobs in one body."""
    return b"".join(hashlib.sha256(b).digest() + len(b).to_bytes(4, "little") + b for b in blobs)


@pytest.mark.longer
def test_several_blobs_in_one_body(team: Store) -> None:
    """All of them or none: one that hashes to another name, or is cut, keeps the others away."""
    stated = {"content-type": "application/octet-stream"}
    with open_door(team, Settings(staged_bytes=20)) as url, httpx.Client(base_url=url) as door:

        def sent(body: bytes) -> httpx.Response:
            return door.post("/v1/blobs", content=body, headers=stated)

        is_problem(sent(together(b"one", b"two")[:-1]), "malformed")
        is_problem(sent(together(b"one", b"two")[:-1] + b"0"), "digest-mismatch")
        is_problem(sent(together(b"one") + b"\0" * 32 + b"\xff" * 4), "malformed")
        is_problem(sent(together(b"one", bytes(20))), "quota")
        assert team.staged_bytes() == 0
        put(door, b"one")
        assert sent(together(b"one", b"two", b"")).json() == {"blobs": [sha256(b"two"), sha256(b"")]}
        assert team.staged_names([sha256(b"one"), sha256(b"two"), sha256(b"")]) == {
            sha256(b"one"),
            sha256(b"two"),
            sha256(b""),
        }


def test_no_more_blobs_wait_than_there_is_room_for(team: Store) -> None:
    with open_door(team, Settings(staged_bytes=10)) as url, httpx.Client(base_url=url) as door:
        assert put(door, b"123456").status_code == 201
        is_problem(put(door, b"abcdef"), "quota")


@pytest.mark.longer
def test_one_token_does_not_hold_up_another(team: Store) -> None:
    """Each has room of its own for blobs that wait."""
    one, other = (team.add_token(name, [Scope.PUSH])[1] for name in ("one", "other"))
    with open_door(team, Settings(staged_bytes=10), authorise=None) as url:
        doors = [httpx.Client(base_url=url, headers={"authorization": f"Bearer {t}"}) for t in (one, other)]
        with doors[0] as first, doors[1] as second:
            assert put(first, b"123456").status_code == 201
            is_problem(put(first, b"abcdef"), "quota")
            assert put(second, b"abcdef").status_code == 201
            is_problem(put(second, b"uvwxyz"), "quota")


@pytest.mark.longer
def test_blobs_that_nobody_names_go(team: Store) -> None:
    """Those that waited too long go when the next one comes to a door that has not looked lately."""
    with open_door(team) as url, httpx.Client(base_url=url) as door:
        put(door, b"old")
    with open_door(team, Settings(staged_hours=0)) as url, httpx.Client(base_url=url) as door:
        put(door, b"new")
    assert team.staged_names([sha256(b"old"), sha256(b"new")]) == {sha256(b"new")}


def test_bodies_do_not_fill_the_memory(team: Store) -> None:
    """All that is under way is counted together; what was answered is counted no longer."""
    with open_door(team, Settings(bodies_bytes=1000)) as url, httpx.Client(base_url=url) as door:
        refused = put(door, b"x" * 1001)
        is_problem(refused, "busy")
        assert refused.headers["retry-after"]
        for content in (b"x", b"y", b"z"):
            answers = (put(door, content * 900).status_code for _ in range(100))
            # an answered body is let go of a moment after the answer
            assert next(code for code in answers if code != 503) == 201


@pytest.mark.longer
def test_a_body_that_does_not_arrive_in_time(team: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("innage.service.middleware.DRAIN_S", 0.1)
    with (
        open_door(team, Settings(body_s=0.2)) as url,
        socket.create_connection(("127.0.0.1", urlsplit(url).port or 0)) as line,
    ):
        line.sendall(
            b"PUT /v1/blobs/" + b"0" * 64 + b" HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n"
            b"Content-Type: application/octet-stream\r\n\r\nx"
        )
        line.settimeout(30)
        assert b" 408 " in line.recv(4096)
