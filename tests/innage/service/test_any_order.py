"""Two benches and a team's store in any order of acts: whatever was cut, the stores come to hold the same.

The model is a set of objects for each store, of which only its own acts, pushes and pulls make more.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from building import Bench, bench_store, make_frames
from dataset.errors import InputError, StoreError
from dataset.exchange.groups import subject_of
from dataset.exchange.objects import Offered
from dataset.records import Mark, Restatement
from dataset.store import Store
from doors import open_door
from innage.jobs.exchange.pull import pull
from innage.jobs.exchange.push import push
from innage.service.client.connection import Connection
from servers import Server

BENCHES = ("a" * 32, "b" * 32)
RIGS = st.integers(0, len(BENCHES) - 1)
ANY = st.integers(0, 999)  # of what there is, by the remainder
CUTS = st.integers(1, 12)  # requests


class Cut:
    """A line that breaks at its n-th request: before it is sent, or before its answer has come."""

    def __init__(self, connection: Connection, requests: int, *, answered: bool) -> None:
        self._connection, self._left, self._answered = connection, requests, answered

    def __getattr__(self, name: str) -> Any:
        value = getattr(self._connection, name)
        return self._cutting(value) if callable(value) else value

    def _cutting(self, ask: Callable[..., Any]) -> Callable[..., Any]:
        def asked(*arguments: Any) -> Any:
            self._left -= 1
            if self._left == 0 and not self._answered:
                raise StoreError("the line", "was cut")
            answer = ask(*arguments)
            if self._left == 0:
                raise StoreError("the line", "was cut")
            return answer

        return asked


class Exchange(RuleBasedStateMachine):
    """Acts of two benches, each with a rig, and one door."""

    def __init__(self, folder: Path, team: Callable[[], Store]) -> None:
        super().__init__()
        self.folder, self.make_team, self.numbers = folder, team, itertools.count(1)
        self.open = ExitStack()

    @initialize()
    def begin(self) -> None:
        self.team = self.open.enter_context(self.make_team())
        url = self.open.enter_context(open_door(self.team))
        self.connection = self.open.enter_context(Connection(url, sleep=lambda _s: None))
        self.rigs, self.benches = list[Store](), list[Bench]()
        for k, identity in enumerate(BENCHES):
            store = self.open.enter_context(Store.open(self.folder / f"rig{k}.db", bench=identity))
            self.benches.append(bench_store(store))
            self.rigs.append(store)
            store.add_sessions([self.benches[-1].session(1000 + k)])
        self.model = {store: set(store.objects()) for store in (self.team, *self.rigs)}

    @rule(rig=RIGS)
    def capture(self, rig: int) -> None:
        number = next(self.numbers)
        session = self.benches[rig].session(number, frames=make_frames(number))
        self._act(rig, "session", lambda store: store.add_sessions([session]))

    @rule(rig=RIGS, which=ANY)
    def void(self, rig: int, which: int) -> None:
        reason = f"reason {next(self.numbers)}"
        self._act(rig, "void", lambda store: store.void(self._session(store, which), reason))

    @rule(rig=RIGS, which=ANY)
    def take_back_void(self, rig: int, which: int) -> None:
        reason = f"reason {next(self.numbers)}"
        self._act(rig, "void", lambda store: store.take_back_void(self._session(store, which), reason))

    @rule(rig=RIGS, which=ANY)
    def amend(self, rig: int, which: int) -> None:
        number = next(self.numbers)
        to = Restatement(firmware=f"1.{number}")
        self._act(
            rig,
            "amendment",
            lambda s: s.amend_session(self._session(s, which), to, "A. Bench", "read wrongly"),
        )

    @rule(rig=RIGS, which=ANY)
    def amend_marks(self, rig: int, which: int) -> None:
        marks = (Mark(0, 5, 16.0 + next(self.numbers)),)
        self._act(
            rig,
            "mark revision",
            lambda s: s.amend_marks(self._session(s, which), marks, "A. Bench", "read wrongly"),
        )

    @rule(rig=RIGS)
    def push(self, rig: int) -> None:
        report = push(self.rigs[rig], self.connection)
        assert report.held == ()
        self.model[self.team] |= self.model[self.rigs[rig]]

    @rule(rig=RIGS)
    def pull(self, rig: int) -> None:
        report = pull(self.rigs[rig], self.connection, self.folder / f"fetched{rig}")
        assert report.held == ()
        self.model[self.rigs[rig]] |= self.model[self.team]

    @rule(rig=RIGS, requests=CUTS, answered=st.booleans())
    def cut_push(self, rig: int, requests: int, answered: bool) -> None:
        """What arrived is whole, and what is acknowledged has arrived."""
        store = self.rigs[rig]
        with suppress(StoreError):
            push(store, Cut(self.connection, requests, answered=answered))
        before, now = self.model[self.team], set(self.team.objects())
        assert before <= now <= before | self.model[store]
        there = {receipt.object_sha256 for receipt in store.receipts(self.connection.server)}
        assert there <= {one.key for one in now}
        for group in self._groups(store, self.model[store] - before):
            assert group <= now or not group & now
        self.model[self.team] = now

    @rule(rig=RIGS, requests=CUTS, answered=st.booleans())
    def cut_pull(self, rig: int, requests: int, answered: bool) -> None:
        """All of it or nothing."""
        store = self.rigs[rig]
        line = Cut(self.connection, requests, answered=answered)
        with suppress(StoreError):
            pull(store, line, self.folder / f"fetched{rig}")
            self.model[store] |= self.model[self.team]

    @invariant()
    def as_the_model(self) -> None:
        for store, objects in getattr(self, "model", {}).items():
            assert set(store.objects()) == objects

    def teardown(self) -> None:
        """Everybody pushes and pulls: each has the same documents, and frames that hash to their sessions."""
        try:
            if hasattr(self, "model"):
                for rig in (*range(len(self.rigs)), *range(len(self.rigs))):
                    self.push(rig)
                    self.pull(rig)
                documents = [self._documents(store) for store in (self.team, *self.rigs)]
                assert documents[0] == documents[1] == documents[2]
        finally:
            self.open.close()
            for path in self.folder.glob("*.db*"):
                path.unlink()

    def _act(self, rig: int, kind: str, act: Callable[[Store], Any]) -> None:
        """An act of a rig's: of the objects it makes one is of this kind, or it is refused and makes none."""
        store = self.rigs[rig]
        before = self.model[store]
        try:
            act(store)
        except InputError:
            assert kind != "session"
            return  # void already, or not void, or said in two ways: the invariant sees that nothing is new
        new = set(store.objects()) - before
        assert kind in {one.kind for one in new}
        self.model[store] = before | new

    @staticmethod
    def _session(store: Store, which: int) -> str:
        sessions = sorted(session.id for session in store.sessions())
        return sessions[which % len(sessions)]

    @staticmethod
    def _groups(store: Store, objects: set[Offered]) -> list[set[Offered]]:
        """Objects by the session that they are or are said of."""
        groups: dict[str, set[Offered]] = {}
        for parcel in store.parcels(objects):
            groups.setdefault(subject_of(parcel.document), set()).add(parcel.offered)
        return list(groups.values())

    @staticmethod
    def _documents(store: Store) -> dict[Offered, str]:
        assert all(len(store.frames(session, verify=True)) for session in store.sessions())
        return {parcel.offered: parcel.document.sha256 for parcel in store.parcels(store.objects())}


def run(folder: Path, team: Callable[[], Store], examples: int, steps: int) -> None:
    """So many sequences, the same each time."""
    run_state_machine_as_test(
        lambda: Exchange(folder, team),  # type: ignore[arg-type]  # a factory, as its documentation says
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            derandomize=True,
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            phases=(Phase.explicit, Phase.generate),
        ),
    )


@pytest.mark.slow
def test_any_order_of_acts(tmp_path: Path) -> None:
    run(tmp_path, lambda: Store.open(tmp_path / "team.db"), 4, 14)


@pytest.mark.slow
def test_any_order_of_acts_on_a_server(server: Server, tmp_path: Path) -> None:
    run(tmp_path, lambda: Store.open(server.store()), 4, 14)
