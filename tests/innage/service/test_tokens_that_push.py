"""What a token may push: of its scopes, of its bench, and no longer than it is good; nothing half shows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest

from dataset.errors import NotAllowedError
from dataset.exchange.objects import REGISTRY, Offered
from dataset.records import Liquid, Scope, Token
from dataset.store import Store
from dataset.store.team import clock
from doors import open_door
from innage.jobs.exchange.peer import Answered, Sent
from innage.jobs.exchange.push import Pushed, push
from innage.service.client.connection import Connection, ProblemError

NORTH, SOUTH = "a" * 32, "b" * 32
SHARED = {"operator", "tank", "liquid", "sensor", "mounting", "mapping", "unit assignment"}
OF_A_BENCH = {"unit", "instrument", "check standard", "check measurement", "trim"}
OF_SESSIONS = {"session", "void", "tag", "amendment", "mark revision"}
EVERYTHING = [*Scope]


@contextmanager
def connected(
    store: Store, scopes: Sequence[Scope], bench: str | None = None
) -> Iterator[tuple[Connection, Token]]:
    """A connection to the door of a store, with a new token."""
    token, shown = store.add_token("rig", scopes, bench=bench)
    with open_door(store, authorise=None) as url, Connection(url, shown, sleep=lambda _s: None) as connection:
        yield connection, token


def kinds(store: Store) -> Counter[str]:
    """How many objects of each kind there are, but the benches."""
    return Counter(one.kind for one in store.objects() if one.kind != "bench")


def held(pushed: Pushed) -> set[str]:
    return {one.kind for one in pushed.held}


@pytest.mark.longer
def test_everything_by_who_may_everything(rig: Store, guarded: Store) -> None:
    """Each object's receipt names the row of the chain that tells of it; the chain is sound by them."""
    with connected(guarded, EVERYTHING) as (connection, token):
        assert push(rig, connection).held == ()
    assert kinds(guarded) == kinds(rig)
    rows = {row.number: row for row in guarded.audit()}
    receipts = rig.receipts()
    assert {(one.kind, one.object_sha256) for one in receipts} == {tuple(one) for one in rig.objects()}
    for one in receipts:
        if one.audit_number is not None:
            row = rows[one.audit_number]
            assert (row.sha256, row.object_sha256, row.token) == (
                one.audit_sha256,
                one.object_sha256,
                token.id,
            )
    assert [one.kind for one in receipts if one.audit_number is None] in ([], ["bench"])
    assert guarded.audit_faults(receipts) == ()


@pytest.mark.longer
def test_of_its_own_bench_alone(rig: Store, guarded: Store) -> None:
    """A token for the rig's bench: sessions with all that was said of them, what is of that bench, and what
    these stand on. What is of no bench or of another is held back by itself, and named.
    """
    with connected(guarded, EVERYTHING, NORTH) as (connection, _):
        done = push(rig, connection)
    assert set(kinds(guarded)) == SHARED | OF_A_BENCH | OF_SESSIONS
    assert guarded.sessions() != ()
    here, there = kinds(guarded), kinds(rig)
    assert all(here[kind] == there[kind] for kind in SHARED | OF_SESSIONS | {"instrument", "trim"})
    assert {"budget", "limits", "sign-off", "retirement", "unit union", "frozen set", "model"} <= held(done)
    sentences = [str(one.error) for one in done.held if one.kind == "budget"]
    assert ["is of no bench, and the token is for bench aaaaaaaaaaaa alone" in one for one in sentences] == [
        True
    ]
    assert {row.bench for row in guarded.audit()[2:]} == {NORTH}


@pytest.mark.longer
def test_of_another_bench(rig: Store, guarded: Store) -> None:
    """Nothing of the rig's: neither a session nor anything said of one, be all that they stand on there
    already.
    """
    with connected(guarded, EVERYTHING) as (connection, _), pytest.raises(InterruptedError):
        push(rig, _Cut(connection, 2, _interrupt))
    before = guarded.objects()
    assert {one.kind for one in before} >= OF_A_BENCH - {"trim"}
    with connected(guarded, EVERYTHING, SOUTH) as (connection, _):
        done = push(rig, connection)
    assert guarded.objects() == before
    assert held(done) >= OF_SESSIONS | {"trim"}
    of_another = "is of bench aaaaaaaaaaaa, and the token is for bench bbbbbbbbbbbb alone"
    told = [one.kind for one in done.held if of_another in str(one.error)]
    assert {"session", "trim"} <= set(told)


def _interrupt() -> None:
    raise InterruptedError


@pytest.mark.longer
def test_without_the_scope_to_amend(rig: Store, guarded: Store) -> None:
    """A session goes in with what was said of it, or not at all: those that were voided or amended stay
    out, with what leans on them; the others come in.
    """
    with connected(guarded, [Scope.READ, Scope.PUSH]) as (connection, token):
        done = push(rig, connection)
        with pytest.raises(NotAllowedError, match="the token does not allow it"):
            guarded.acting_as(token.actor).accept(rig, whole=True)
    assert [s.sha256 for s in guarded.sessions()] == [rig.sessions()[0].sha256]
    assert not {"void", "amendment", "mark revision", "retirement", "unit union", "sign-off"} & set(
        kinds(guarded)
    )
    assert {"session", "void", "amendment", "sign-off", "frozen set", "model"} <= held(done)
    assert kinds(guarded)["budget"] == kinds(rig)["budget"]
    rows = guarded.audit()
    assert {row.kind for row in rows} - {"token"} <= {
        *REGISTRY,
        "session",
        "tag",
        "tag removed",
        "trim",
        "unit assignment",
    }


@pytest.mark.longer
def test_without_the_scope_to_push(rig: Store, guarded: Store) -> None:
    """Nothing, and it is said once."""
    before = len(guarded.audit())
    others = [scope for scope in Scope if scope is not Scope.PUSH]
    with (
        connected(guarded, others) as (connection, _),
        pytest.raises(ProblemError, match="the token has not the scope push") as told,
    ):
        push(rig, connection)
    assert told.value.kind == "not-allowed"
    assert (kinds(guarded), len(guarded.audit()), guarded.staged_bytes()) == ({}, before + 1, 0)


@pytest.mark.longer
def test_who_may_amend_alone_sends_what_was_said_of_sessions(rig: Store, guarded: Store) -> None:
    """A rig that voids and amends what is there already needs no more; a session beside that is too much, and
    it is said once.
    """
    with connected(guarded, EVERYTHING) as (connection, _):
        push(rig, connection)
    there = next(s for s in rig.sessions() if s.void_reason is None)
    rig.void(there.id, "the hose slipped")
    before = len(guarded.audit())
    with connected(guarded, [Scope.AMEND]) as (connection, _):
        done = push(rig, connection)
        assert (done.new, done.held) == (1, ())
        assert guarded.session(there.id).void_reason == "the hose slipped"
        rig.add_liquid(Liquid("brine", 70.0))
        with pytest.raises(ProblemError, match="the token has not the scope push"):
            push(rig, connection)
    assert [row.kind for row in guarded.audit()[before:]] == ["token", "void"]


class _Cut:
    """A connection on which something happens before the n-th blob or group."""

    def __init__(self, connection: Connection, at: int, happens: Callable[[], object]) -> None:
        self._connection, self._left, self._happens = connection, at, happens
        self.server, self.name = connection.server, connection.name

    def lacking(self, offered: Sequence[Offered]) -> tuple[Offered, ...]:
        return self._connection.lacking(offered)

    def blobs_missing(self, names: Sequence[str]) -> tuple[str, ...]:
        return self._connection.blobs_missing(names)

    def send_blobs(self, blobs: Sequence[tuple[str, bytes]]) -> None:
        self._count()
        self._connection.send_blobs(blobs)

    def send(self, groups: Sequence[Sequence[Sent]]) -> tuple[Answered, ...]:
        self._count()
        return self._connection.send(groups)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def _count(self) -> None:
        self._left -= 1
        if self._left == 0:
            self._happens()


@pytest.mark.longer
@pytest.mark.parametrize(("ending", "at"), [("revoked", 1), ("expired", 3), ("revoked", 4)])
def test_a_token_that_ends_on_the_way(
    rig: Store, guarded: Store, ending: str, at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the registry, between two blobs, between a blob and its document: refused at the next request.
    What came in before is whole; a further token goes on where it was.
    """
    monkeypatch.setattr("innage.jobs.exchange.push.AT_ONCE", 1)
    real = clock.now
    with connected(guarded, EVERYTHING) as (connection, token):

        def end() -> None:
            if ending == "revoked":
                guarded.revoke_token(token.id, "its card was lost")
            else:
                monkeypatch.setattr(clock, "now", lambda orm: real(orm) + timedelta(days=91))

        with pytest.raises(ProblemError) as told:
            push(rig, _Cut(connection, at, end))
    monkeypatch.setattr(clock, "now", real)
    assert told.value.kind == "unauthorised"
    sent = guarded.sessions()
    assert len(sent) < len(rig.sessions())
    assert all(len(guarded.frames(session, verify=True)) for session in sent)
    assert {s.void_reason for s in sent} <= {s.void_reason for s in rig.sessions()}
    assert guarded.audit_faults(rig.receipts()) == ()
    acknowledged = {one.object_sha256 for one in rig.receipts()}
    with connected(guarded, EVERYTHING) as (connection, _):
        done = push(rig, connection)
    assert done.held == ()
    assert kinds(guarded) == kinds(rig)
    assert acknowledged < {one.object_sha256 for one in rig.receipts()}
    assert guarded.staged_bytes() == 0
