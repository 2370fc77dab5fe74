"""The exchange on the wire: what is asked and given, and every refusal of what somebody else could send."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import httpx
import pytest
import zstandard
from sending import is_problem, post, put, sent, sha256

from building import bench_store
from dataset.canonical_text import canonical_json
from dataset.documents import Document
from dataset.exchange.objects import KINDS, REGISTRY, Offered, Parcel
from dataset.store import Store
from doors import blobs_of, open_door
from innage.service.answers import digest_field
from innage.service.messages.wire import Group, Groups, SentObject, dashed
from innage.service.receiving import take_group, take_groups

REGISTERED = [kind for kind in KINDS if kind in REGISTRY]


@pytest.fixture(scope="module")
def parts() -> Iterator[tuple[Store, dict[str, list[Parcel]]]]:
    """A bench with one session, and its objects by kind."""
    with Store.in_memory() as store:
        bench = bench_store(store)
        (session,) = store.add_sessions([bench.session(1)])
        store.void(session.id, "a leak")
        by_kind: dict[str, list[Parcel]] = {}
        for parcel in store.parcels(store.objects()):
            by_kind.setdefault(parcel.document.kind, []).append(parcel)
        yield store, by_kind


@dataclass(frozen=True)
class Shared:
    """A door that is left as it was by whatever it refuses: its store has what is registered, no session."""

    door: httpx.Client
    team: Store
    session: Parcel
    void: Parcel
    pack: bytes


@pytest.fixture(scope="module")
def shared(
    parts: tuple[Store, dict[str, list[Parcel]]], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Shared]:
    store, by_kind = parts
    (session,), (void,) = by_kind["session"], by_kind["void"]
    (pack,) = blobs_of(store, session)
    with (
        Store.open(tmp_path_factory.mktemp("shared") / "team.db") as team,
        open_door(team) as url,
        httpx.Client(base_url=url) as door,
    ):
        post(door, *(sent(parcel) for kind in REGISTERED for parcel in by_kind.get(kind, [])))
        yield Shared(door, team, session, void, pack)


@pytest.fixture
def registered(door: httpx.Client, parts: tuple[Store, dict[str, list[Parcel]]]) -> dict[str, list[Parcel]]:
    """The objects of :func:`parts`; what is registered among them is at the door's store already."""
    first = [parcel for kind in REGISTERED for parcel in parts[1].get(kind, [])]
    assert post(door, *map(sent, first)).json()["held"] == []
    return parts[1]


@pytest.fixture
def session(
    door: httpx.Client, parts: tuple[Store, dict[str, list[Parcel]]], registered: dict[str, list[Parcel]]
) -> tuple[Parcel, bytes]:
    """A session that is to come, and its one pack."""
    (parcel,) = registered["session"]
    (pack,) = blobs_of(parts[0], parcel)
    return parcel, pack


def test_a_session_comes_in_once_its_pack_is_there(
    door: httpx.Client, team: Store, session: tuple[Parcel, bytes]
) -> None:
    """Named without its pack it is refused; after the pack taken; again nothing is new. The pack goes."""
    parcel, pack = session
    name = sha256(pack)
    refused = is_problem(post(door, sent(parcel, name)), "missing-blobs")
    assert refused["blobs"] == [name]
    assert door.post("/v1/blobs/missing", json={"blobs": [name]}).json() == {"blobs": [name]}
    assert put(door, pack).status_code == 201
    assert put(door, pack).status_code == 200
    assert door.post("/v1/blobs/missing", json={"blobs": [name]}).json() == {"blobs": []}
    taken = post(door, sent(parcel, name)).json()
    assert [one["new"] for one in taken["taken"]] == [1]
    (acknowledged,) = taken["acknowledged"]
    assert acknowledged["key"] == parcel.document.name
    assert acknowledged["digest"] == parcel.document.sha256
    assert acknowledged["audit_sha256"] == team.audit()[acknowledged["audit_number"] - 1].sha256
    again = post(door, sent(parcel)).json()
    assert [(one["new"], one["known"]) for one in again["taken"]] == [(0, 1)]
    assert again["acknowledged"] == taken["acknowledged"]
    assert team.staged_bytes() == 0


@pytest.mark.parametrize("together", [False, True])
def test_a_session_and_the_end_of_its_pack_are_one_transaction(
    team: Store, session: tuple[Parcel, bytes], monkeypatch: pytest.MonkeyPatch, together: bool
) -> None:
    """Where a server ends between the two, the session is not there and its pack waits on: what is here
    already is not named with its packs again, so that one left behind would wait for days.
    """
    parcel, pack = session
    team.stage_blob(sha256(pack), pack)
    group = Group(objects=[SentObject(document=parcel.document.text, blobs=[sha256(pack)])])

    def ended(*_: object) -> None:
        raise SystemExit("killed")

    def take() -> None:
        if together:
            take_groups(team, "ana", Groups(groups=[group]))
        else:
            take_group(team, "ana", group)

    with monkeypatch.context() as patch:
        patch.setattr("dataset.store.team.receipts.drop_staged", ended)
        with pytest.raises(SystemExit):
            take()
    assert (team.lacking([parcel.offered]), team.staged_bytes()) == ((parcel.offered,), len(pack))
    take()
    assert (team.lacking([parcel.offered]), team.staged_bytes()) == ((), 0)


@pytest.mark.longer
def test_objects_are_given_as_they_are(
    door: httpx.Client, team: Store, session: tuple[Parcel, bytes], registered: dict[str, list[Parcel]]
) -> None:
    """Documents and packs by their hashes: entity tags, digests, parts of them, and not again."""
    parcel, pack = session
    put(door, pack)
    post(door, sent(parcel, sha256(pack)))
    for one in team.objects():
        answer = door.get(f"/v1/objects/{dashed(one.kind)}/{one.key}")
        (here,) = team.parcels([one])
        assert answer.content == here.document.text.encode()
        tag = answer.headers["etag"]
        assert tag == f'"{sha256(answer.content)}"'
        assert answer.headers["content-digest"] == digest_field(answer.content)
        same = door.get(answer.url.path, headers={"if-none-match": f'"other", W/{tag}'})
        assert (same.status_code, same.content) == (304, b"")
    at = f"/v1/sessions/{parcel.document.name}/packs"
    assert door.get(at).json() == {"blobs": [sha256(pack)]}
    at += f"/{sha256(pack)}"
    assert door.get(at).content == pack
    first = door.get(at, headers={"range": "bytes=0-9"})
    assert (first.status_code, first.content) == (206, pack[:10])
    assert first.headers["content-range"] == f"bytes 0-9/{len(pack)}"
    assert first.headers["content-digest"] == digest_field(pack[:10])
    assert first.headers["repr-digest"] == digest_field(pack)
    assert door.get(at, headers={"range": "bytes=10-"}).content == pack[10:]
    assert door.get(at, headers={"range": "bytes=-7"}).content == pack[-7:]
    assert door.get(at, headers={"range": "bytes=0-9", "if-range": '"other"'}).content == pack
    for odd in ("bytes=-", "bytes=9-0", "bytes=a-b", "rows=1-2", "bytes=0-1,4-5", f"bytes={'9' * 5000}-"):
        assert door.get(at, headers={"range": odd}).status_code == 200, odd
    refused = door.get(at, headers={"range": f"bytes={len(pack)}-"})
    is_problem(refused, "range")
    assert refused.headers["content-range"] == f"bytes */{len(pack)}"
    is_problem(door.get(f"/v1/sessions/{'0' * 64}/packs"), "not-found")
    is_problem(door.get(f"/v1/sessions/{parcel.document.name}/packs/{'0' * 64}"), "not-found")
    is_problem(door.get(f"/v1/objects/tank/{'0' * 64}"), "not-found")


@pytest.mark.longer
def test_lists_go_on_page_by_page(
    door: httpx.Client, team: Store, registered: dict[str, list[Parcel]]
) -> None:
    """Every object once, in order of reference, whatever the length of a page; ``Link`` leads on."""
    every = [{"kind": one.kind, "key": one.key} for one in team.objects()]
    for limit in (1, 3, len(every), 1000):
        listed: list[Any] = []
        at = f"/v1/objects?limit={limit}"
        while at:
            answer = door.get(at)
            assert len(answer.json()["objects"]) <= limit
            listed += answer.json()["objects"]
            at = answer.links.get("next", {}).get("url", "")
        assert listed == every
    units = door.get("/v1/objects?kind=check-standard").json()["objects"]
    assert units == [one for one in every if one["kind"] == "check standard"]
    assert (
        door.get(
            "/v1/objects", headers={"if-none-match": door.get("/v1/objects").headers["etag"]}
        ).status_code
        == 304
    )
    is_problem(door.get("/v1/objects?kind=no"), "not-found")
    is_problem(door.get(f"/v1/objects?after=tank/{'0' * 64}"), "not-found")
    for odd in ("limit=0", "limit=5001", "limit=x", "after=" + "x" * 101):
        is_problem(door.get(f"/v1/objects?{odd}"), "invalid-request")


def test_what_is_lacking(door: httpx.Client, registered: dict[str, list[Parcel]]) -> None:
    """Of what is asked about, in that order."""
    tank = {"kind": "tank", "key": registered["tank"][0].offered.key}
    other = {"kind": "frozen set", "key": "0" * 64}
    answer = door.post("/v1/objects/lacking", json={"objects": [other, tank]})
    assert answer.json() == {"objects": [other]}
    is_problem(door.post("/v1/objects/lacking", json={"objects": [other] * 1001}), "invalid-request")
    for odd in (tank | {"kind": "no"}, tank | {"key": "0" * 63}, {"kind": "tank"}, tank | {"x": 1}):
        is_problem(door.post("/v1/objects/lacking", json={"objects": [odd]}), "invalid-request")


def with_facts(parcel: Parcel, **facts: Any) -> Parcel:
    """The parcel with facts that are others, under the name it had."""
    document = parcel.document
    return replace(parcel, document=Document(document.kind, document.name, document.facts | facts))


def renamed(parcel: Parcel) -> Parcel:
    """The same content under another name."""
    return replace(parcel, document=replace(parcel.document, name="0" * 64))


BROKEN_SESSIONS: dict[str, tuple[Callable[[Parcel], Parcel], str, str]] = {
    "another note": (lambda p: with_facts(p, note="x"), "held-back", "content hashes to"),
    "another name": (renamed, "held-back", "content hashes to"),
    "no unit": (lambda p: with_facts(p, unit="0" * 64), "held-back", "there already"),
    "no liquid": (lambda p: with_facts(p, liquid="1" * 64), "held-back", "there already"),
    "no mounting": (lambda p: with_facts(p, mounting="2" * 64), "held-back", "there already"),
    "more frames": (
        lambda p: with_facts(p, columns=[c | {"rows": c["rows"] + 1} for c in p.document.facts["columns"]]),
        "refused",
        "40 frames; expected 41",
    ),
    "frames without end": (
        lambda p: with_facts(p, columns=[c | {"rows": 1 << 40} for c in p.document.facts["columns"]]),
        "refused",
        "not as innage writes it",
    ),
    "frames beyond the door's memory": (
        lambda p: with_facts(p, columns=[c | {"rows": 1 << 24} for c in p.document.facts["columns"]]),
        "refused",
        "at most 256 MiB",
    ),
    "a giant": (lambda p: with_facts(p, note=1 << 70), "held-back", "at most 63 bits"),
    "a NUL": (lambda p: with_facts(p, note="a\0b"), "held-back", "without NUL"),
    "other columns": (
        lambda p: with_facts(p, columns=[c | {"sha256": "0" * 64} for c in p.document.facts["columns"]]),
        "held-back",
        "other columns",
    ),
}


@pytest.mark.longer
@pytest.mark.parametrize("change", BROKEN_SESSIONS)
def test_a_session_that_is_not_what_it_says_is_refused(change: str, shared: Shared) -> None:
    """By its references, its bytes and its frames; nothing of it shows, nor of what was said of it."""
    alter, kind, sentence = BROKEN_SESSIONS[change]
    put(shared.door, shared.pack)
    objects = (sent(alter(shared.session), sha256(shared.pack)), sent(shared.void))
    refused = is_problem(post(shared.door, *objects), kind)
    assert sentence in json.dumps(refused)
    assert shared.team.sessions() == ()


def test_a_session_does_not_show_without_what_was_said_of_it(shared: Shared) -> None:
    """Its void is another than its name says: the session, which is sound, stays out with it."""
    put(shared.door, shared.pack)
    objects = (sent(shared.session, sha256(shared.pack)), sent(with_facts(shared.void, reason="another")))
    refused = is_problem(post(shared.door, *objects), "held-back")
    assert [one["kind"] for one in refused["held"]] == ["void"]
    (together,) = shared.door.post("/v1/groups", json={"groups": [{"objects": objects}]}).json()["groups"]
    assert together["problem"]["held"] == refused["held"]
    assert shared.team.sessions() == ()


def packed(heading: dict[str, Any], body: bytes) -> bytes:
    """A pack."""
    text = canonical_json(heading).encode()
    return b"INFP" + len(text).to_bytes(4, "little") + text + body


BOMB = zstandard.compress(b"\0" * (1 << 26))
PACKS: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "nothing": (lambda _pack: b"", "no pack of frames"),
    "another magic": (lambda pack: b"INFQ" + pack[4:], "no pack of frames"),
    "cut short": (lambda pack: pack[:-1], "as its heading says"),
    "too long": (lambda pack: pack + b"\0", "as its heading says"),
    "a heading beyond its end": (lambda pack: pack[:4] + b"\xff\xff\0\0" + pack[8:], "not as innage"),
    "one bit": (lambda pack: pack[:-20] + bytes([pack[-20] ^ 1]) + pack[-19:], "damaged"),
    "a bomb": (
        lambda _pack: packed({"format": 1, "blocks": [[3, 40, len(BOMB), 0, 0]]}, BOMB),
        "frames of session",
    ),
    "frames without end": (
        lambda _pack: packed({"format": 1, "blocks": [[3, 1 << 50, 0, 0, 0]]}, b""),
        "as its document says",
    ),
    "less than none": (
        lambda _pack: packed({"format": 1, "blocks": [[3, 40, -1, 1, 0]]}, b""),
        "numbers that cannot be",
    ),
}


@pytest.mark.longer
@pytest.mark.parametrize("change", PACKS)
def test_packs_that_hold_something_else_are_refused(change: str, shared: Shared) -> None:
    alter, sentence = PACKS[change]
    content = alter(shared.pack)
    put(shared.door, content)
    answer = post(shared.door, sent(shared.session, sha256(content)))
    refused = is_problem(answer, "held-back" if sentence == "other columns" else "refused")
    assert sentence in refused["detail"]
    assert shared.team.sessions() == ()


DOCUMENTS: dict[str, tuple[Callable[[str], str], str]] = {
    "no JSON": (lambda text: text[:-1], "not as innage writes it"),
    "spaces": (lambda text: text.replace(":", ": ", 1), "not as innage writes it"),
    "another format": (lambda text: text.replace('"format":1', '"format":2'), "format 1"),
    "no kind": (lambda text: text.replace('"kind":"tank"', '"kind":"no"'), "is a 'no'"),
    "a number that is none": (lambda text: text.replace(":100.0", ":NaN"), "not as innage writes it"),
    "depth": (lambda _text: "[" * 100_000 + "]" * 100_000, "nested deeper"),
    "a list": (lambda _text: "[]", "other keys"),
    "nothing": (lambda _text: "", "not as innage writes it"),
}


@pytest.mark.longer
@pytest.mark.parametrize("change", DOCUMENTS)
def test_documents_of_another_form_are_refused(
    change: str, shared: Shared, parts: tuple[Store, dict[str, list[Parcel]]]
) -> None:
    text = parts[1]["tank"][0].document.text
    alter, sentence = DOCUMENTS[change]
    refused = is_problem(post(shared.door, {"document": alter(text)}), "refused")
    assert sentence in refused["detail"]
    assert refused["where"] == "object 1"


def test_what_is_registered_is_held_back_one_by_one(
    door: httpx.Client, team: Store, parts: tuple[Store, dict[str, list[Parcel]]]
) -> None:
    """A mounting without its tank is named, with the parts of its sentence; the sensor comes in."""
    (sensor,), (mounting,) = parts[1]["sensor"], parts[1]["mounting"]
    taken = post(door, sent(sensor), sent(mounting)).json()
    (held,) = taken["held"]
    assert (held["kind"], held["key"]) == tuple(mounting.offered)
    assert held["expected"] == "an object that is there already"
    assert [one["kind"] for one in taken["acknowledged"]] == ["sensor"]
    assert (len(team.sensors()), team.mountings()) == (1, ())


def test_groups_that_are_sent_together(
    door: httpx.Client, team: Store, session: tuple[Parcel, bytes], registered: dict[str, list[Parcel]]
) -> None:
    """What becomes of one changes nothing of the others; all that come in do so in one transaction."""
    parcel, pack = session
    put(door, pack)
    (void,) = registered["void"]
    whole = {"objects": [sent(parcel, sha256(pack)), sent(void)]}
    lost = {"objects": [sent(with_facts(parcel, unit="0" * 64), sha256(pack))]}
    odd = {"objects": [{"document": "[]"}]}
    first, second, third = door.post("/v1/groups", json={"groups": [lost, odd, whole]}).json()["groups"]
    assert first["problem"]["type"] == "/problems/held-back"
    assert second["problem"]["type"] == "/problems/refused"
    assert [one["new"] for one in third["taken"]["taken"]] == [1, 1]
    (there,) = team.sessions()
    assert there.void_reason == "a leak"
    assert team.staged_bytes() == 0
    again = door.post("/v1/groups", json={"groups": [whole]}).json()["groups"]
    assert again[0]["taken"]["acknowledged"] == third["taken"]["acknowledged"]
    assert [one["new"] for one in again[0]["taken"]["taken"]] == [0, 0]


def test_another_document_under_a_known_name_is_not_acknowledged(
    door: httpx.Client, team: Store, session: tuple[Parcel, bytes], registered: dict[str, list[Parcel]]
) -> None:
    """A receipt would vouch for bytes that the store never had. The same again is acknowledged as before."""
    parcel, pack = session
    put(door, pack)
    (void,) = registered["void"]
    assert post(door, sent(parcel, sha256(pack)), sent(void)).status_code == 200
    other = [sent(with_facts(void, reason="another"))]
    assert "is another than" in is_problem(post(door, *other), "refused")["detail"]
    (outcome,) = door.post("/v1/groups", json={"groups": [{"objects": other}]}).json()["groups"]
    assert outcome["problem"]["type"] == "/problems/refused"
    assert [one["digest"] for one in post(door, sent(void)).json()["acknowledged"]] == [void.document.sha256]
    assert team.sessions()[0].void_reason == "a leak"


def test_the_openapi_document_has_every_route(door: httpx.Client) -> None:
    """What fuzzers and other clients go by."""
    document = door.get("/v1/openapi.json").json()
    assert {"/v1/objects", "/v1/blobs/{sha256}", "/v1/objects/{kind}/{key}"} <= document["paths"].keys()
    group = document["components"]["schemas"]["SentObject"]["properties"]
    assert group["blobs"]["items"]["pattern"] == "^[0-9a-f]{64}$"


def test_one_group_brings_one_session_with_frames(
    door: httpx.Client, parts: tuple[Store, dict[str, list[Parcel]]], registered: dict[str, list[Parcel]]
) -> None:
    """What is unpacked at a time is bounded."""
    (parcel,) = registered["session"]
    other = replace(parcel, document=replace(parcel.document, name="1" * 64))
    refused = is_problem(post(door, sent(parcel, "0" * 64), sent(other, "0" * 64)), "too-large")
    assert refused["objects"] == 2


def test_chosen_sessions_with_what_they_lean_on(door: httpx.Client, team: Store) -> None:
    """Sessions of one unit of two, and what of the rest they need; a name that is not there is told."""
    bench = bench_store(team, unit=("one", "two"))
    first, second = team.add_sessions([bench.session(k, unit=u) for k, u in enumerate(bench.units)])
    team.void(first.id, "a leak")
    team.void(second.id, "a leak")
    answer = door.post("/v1/objects/chosen", json={"unit": ["one"]})
    chosen = {Offered(one["kind"], one["key"]) for one in answer.json()["objects"]}
    kinds = ["bench", "liquid", "mounting", "sensor", "session", "tank", "unit", "unit assignment", "void"]
    assert sorted(one.kind for one in chosen) == kinds
    assert Offered("session", first.sha256) in chosen
    assert Offered("session", second.sha256) not in chosen
    is_problem(door.post("/v1/objects/chosen", json={"unit": ["three"]}), "not-found")
    is_problem(door.post("/v1/objects/chosen", json={"since": "2026-13-45"}), "invalid-request")
    is_problem(door.post("/v1/objects/chosen", json={"colour": ["red"]}), "invalid-request")
    assert is_problem(door.post("/v1/objects/chosen", json={"tag": ["none"]}), "refused")["found"]
