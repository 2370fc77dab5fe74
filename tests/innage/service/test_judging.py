"""A push that is tried says what the push would: what goes, what is refused and why. Nothing is left."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from building import WATER, bench_store
from dataset.exchange.objects import Parcel
from dataset.records import Budget, GroupBy, Limit, Limits, Model, Restatement, Role, Scope
from dataset.store import Store
from doors import open_door
from innage.jobs.exchange import judging
from innage.jobs.exchange.push import Pushed, push
from innage.service.client.connection import Connection, ProblemError

NORTH, SOUTH = "a" * 32, "b" * 32
BUDGET = Budget("small", "cortex-m0plus", 1, 1, 2, 3, 4)
TEXTS = ('{"seed":1}', '{"numpy":"2"}', "{}", '{"format":1}')


@contextmanager
def connected(
    store: Store, scopes: Sequence[Scope] = (*Scope,), bench: str | None = None
) -> Iterator[Connection]:
    """A connection to the door of a store, with a new token."""
    _, shown = store.add_token("rig", scopes, bench=bench)
    with open_door(store, authorise=None) as url, Connection(url, shown, sleep=lambda _s: None) as connection:
        yield connection


def told(done: Pushed) -> dict[tuple[str, str], str]:
    """What was held back, with the sentence."""
    return {(one.kind, one.key): str(one.error) for one in done.held}


def tried_and_pushed(rig: Store, team: Store, connection: Connection) -> Pushed:
    """What a push does, after a try that said the same and left nothing."""
    before, chain = team.objects(), team.audit()
    tried = push(rig, connection, dry_run=True)
    assert (team.objects(), team.audit(), team.staged_bytes(), rig.receipts()) == (before, chain, 0, ())
    done = push(rig, connection)
    assert told(tried) == told(done)
    assert (tried.taken, tried.new) == (done.taken, done.new)
    assert (set(tried.remarks), tried.sent_bytes) == (set(done.remarks), 0)
    return done


def nothing(team: Store, _rig: Store) -> None:
    """There is nothing there that contradicts it."""


def a_budget(team: Store, _rig: Store) -> None:
    team.add_budget(BUDGET)


def a_liquid(team: Store, _rig: Store) -> None:
    """On which every session stands, and with these every set and model."""
    team.add_liquid(replace(WATER, permittivity=70.0))


def a_set(team: Store, _rig: Store) -> None:
    (session,) = team.add_sessions([bench_store(team, unit="another").session(77)])
    team.freeze("set1", [session], GroupBy.SESSION, {session.id: Role.FIT})


def a_model(team: Store, _rig: Store) -> None:
    (session,) = team.add_sessions([bench_store(team, unit="another").session(77)])
    frozen = team.freeze("another", [session], GroupBy.SESSION, {session.id: Role.FIT})
    limits = team.add_limits(Limits("rmse", 0, (Limit("rmse_mm", 9.0),), "why", signer="A. Owner"))
    team.add_model(Model("m1", "a" * 64, frozen, limits, *TEXTS, b"\x08\x0a"))


def a_recording(team: Store, rig: Store) -> None:
    """One of the rig's by its counts, under another label and logged by another clock."""
    session = next(one for one in rig.sessions() if one.void_reason is None)
    frames = rig.frames(session)
    later = replace(frames, t_ms=frames.t_ms + 7)
    team.add_sessions([replace(bench_store(team).session(1), frames=later, note="twin")])


@pytest.mark.longer
@pytest.mark.parametrize(
    ("there", "kinds"),
    [
        (nothing, set()),
        (a_budget, {"budget"}),
        (a_liquid, {"liquid", "session", "frozen set", "model", "bundle", "void"}),
        (a_set, {"frozen set", "opening", "model", "status", "bundle"}),
        (a_model, {"model", "status", "bundle"}),
        (a_recording, {"session", "frozen set", "model"}),
    ],
)
def test_a_try_says_what_the_push_says(
    there: Callable[[Store, Store], None], kinds: set[str], rig: Store, guarded: Store
) -> None:
    there(guarded, rig)
    with connected(guarded) as connection:
        done = tried_and_pushed(rig, guarded, connection)
    assert {one.kind for one in done.held} >= kinds
    assert bool(done.held) == bool(kinds)


@pytest.mark.longer
@pytest.mark.parametrize(
    ("scopes", "bench"),
    [((Scope.PUSH,), None), ((Scope.PUSH, Scope.AMEND), None), ((*Scope,), NORTH), ((*Scope,), SOUTH)],
)
def test_a_try_says_what_a_token_does_not_allow(
    scopes: Sequence[Scope], bench: str | None, rig: Store, guarded: Store
) -> None:
    with connected(guarded, scopes, bench) as connection:
        done = tried_and_pushed(rig, guarded, connection)
    assert {"sign-off"} <= {one.kind for one in done.held}


@pytest.mark.longer
def test_whoever_may_not_push_may_not_try(rig: Store, team: Store) -> None:
    with connected(team, [Scope.READ]) as connection, pytest.raises(ProblemError, match="push"):
        push(rig, connection, dry_run=True)
    with connected(team, [Scope.AMEND]) as connection:
        with pytest.raises(ProblemError, match="push") as tried:
            push(rig, connection, dry_run=True)
        with pytest.raises(ProblemError) as pushed:
            push(rig, connection)
    assert str(tried.value) == str(pushed.value)


@pytest.mark.longer
@pytest.mark.parametrize("at_once", [1, 2])
def test_what_goes_in_several_requests_leans_on_what_went_before(
    at_once: int, rig: Store, team: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each request brings along what its documents lean on, since what was judged before was undone."""
    monkeypatch.setattr(judging, "AT_ONCE", at_once)
    monkeypatch.setattr(judging, "MOST_OBJECTS", 40)
    team.add_budget(BUDGET)
    with connected(team) as connection:
        done = tried_and_pushed(rig, team, connection)
    assert {one.kind for one in done.held} == {"budget"}


@pytest.mark.longer
def test_what_leans_on_too_much_is_said_not_to_be_judged(
    rig: Store, team: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    team.add_budget(BUDGET)
    with connected(team) as connection:
        said = push(rig, connection, dry_run=True)
        assert said.not_judged == (
            "not judged, since a dry run does not send it: the frames of 3 sessions and the ONNX of 2 models",
        )
        # enough for sessions with what is registered; a set, and with it the models, leans on more
        monkeypatch.setattr(judging, "MOST_BESIDE", 28)
        some = push(rig, connection, dry_run=True)
        monkeypatch.setattr(judging, "MOST_TEXT", 1)
        none = push(rig, connection, dry_run=True)
    for cut, kinds in ((some, "1 frozen set, 2 models"), (none, "3 sessions")):
        assert (told(cut), cut.taken) == (told(said), said.taken)
        sentence, _ = cut.not_judged
        assert sentence.startswith("not judged, since too much that is new there stands behind: ")
        assert kinds in sentence
    assert "session" not in some.not_judged[0]


@pytest.mark.longer
def test_a_session_that_was_amended_and_voided_since(team: Store, tmp_path: Path) -> None:
    """What is said of a session that is there, and of one that is not, is judged alike."""
    with Store.open(tmp_path / "rig.db", bench=NORTH) as rig, connected(team) as connection:
        bench = bench_store(rig)
        first, second = rig.add_sessions([bench.session(1), bench.session(2)])
        push(rig, connection)
        (third,) = rig.add_sessions([bench.session(3)])
        for session in (first, third):
            rig.amend_session(session.id, Restatement(firmware="1.4"), "A. Bench", "read off the board")
        rig.void(second.id, "a leak")
        said = push(rig, connection, dry_run=True)
        done = push(rig, connection)
    assert (said.held, said.taken) == (done.held, done.taken) == ((), done.taken)
    assert {one.kind: one.new for one in said.taken} == {
        "session": 1,
        "void": 1,
        "amendment": 2,
        "unit assignment": 1,
    }


def test_a_server_that_does_not_judge(rig: Store, team: Store, url: str) -> None:
    """One of a minor version before is not asked, and what nobody knows then is said."""
    team.add_budget(BUDGET)
    asked: list[str] = []

    class Older(httpx.BaseTransport):
        def handle_request(self, request: httpx.Request) -> httpx.Response:
            asked.append(request.url.path)
            if request.url.path == "/v1":
                said = {"protocol": "1.0", "innage": "0.2.0", "store": NORTH, "limits": {}}
                return httpx.Response(200, json=said)
            with httpx.HTTPTransport() as line:
                answer = line.handle_request(request)
                return httpx.Response(answer.status_code, headers=answer.headers, content=answer.read())

    with Connection(url) as connection:
        connection._client = httpx.Client(base_url=url, transport=Older())
        said = push(rig, connection, dry_run=True)
    assert (said.held, set(asked)) == ((), {"/v1", "/v1/objects/lacking"})
    (sentence,) = said.not_judged
    assert "older" in sentence
    assert said.new > 0


def group(*texts: str) -> dict[str, Any]:
    return {"objects": [{"document": text} for text in texts]}


def test_documents_that_are_none(door: httpx.Client, rig: Store, team: Store) -> None:
    """Each group by itself, as when they are sent: one that cannot be read, one with more frames than are
    taken, one that leans on what nobody sent, and one that would be taken.
    """
    of_kind: dict[str, Parcel] = {one.document.kind: one for one in rig.parcels(rig.objects())}
    session, tank = of_kind["session"].document, of_kind["tank"].document
    rows = '"rows":' + str(session.facts["columns"][0]["rows"])
    long = group(session.text.replace(rows, '"rows":99999999'))
    body = {"groups": [group("{}"), long, group(session.text), group(tank.text)]}
    answer = door.post("/v1/groups/judged", json=body)
    assert answer.status_code == 200
    odd, much, lost, good = answer.json()["groups"]
    assert odd["problem"]["type"] == "/problems/refused"
    assert "MiB" in much["problem"]["detail"] or "as innage writes it" in much["problem"]["detail"]
    assert lost["problem"]["type"] == "/problems/held-back"
    assert (good["taken"]["acknowledged"], good["taken"]["held"]) == ([], [])
    assert [one["new"] for one in good["taken"]["taken"]] == [1]
    assert team.objects(("tank", "session")) == ()
