"""What is kept of every session between two questions: always what reading all of it anew gives, whatever was
done meanwhile, and no more is read than that touches.
"""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from stores import fill_lists

from building import MARKS, Bench, bench_store, make_frames
from dataset.records import Conditions, Mark, NewSession, Restatement, Session, Stretch, Unit
from dataset.store import Store
from dataset.store.listing import SessionLine
from dataset.store.standing import Standing
from dataset.words import Wall

AUTHOR, REASON = "A. Tester", "as the log of the day says"
FILM = (Stretch(0, 20, Conditions(wall=(Wall.FILM,))),)


@dataclass
class Doing:
    """Two stores and what is done to the first: each act says which of its sessions it may touch, as they
    stand before it; None is any.
    """

    north: Store
    south: Store
    bench: Bench
    there: Bench
    seed: int = 100
    united: bool = False

    def of_south(self) -> NewSession:
        self.seed += 1
        return self.there.session(self.seed)

    def log(self) -> set[str]:
        self.seed += 1
        self.north.add_sessions([self.bench.session(self.seed, frames=make_frames(self.seed, warm=True))])
        return set()

    def log_on_a_new_unit(self) -> set[str]:
        self.seed += 1
        unit = Unit(f"new-{self.seed}")
        self.north.add_unit(unit)
        self.north.add_sessions([self.bench.session(self.seed, unit=self.north.unit(unit.name))])
        return set()

    def void(self) -> set[str]:
        usable = [s for s in self.north.sessions() if s.void_reason is None]
        if not usable:
            return set()
        self.north.void(usable[0].id, REASON)
        return {usable[0].id}

    def take_back(self) -> set[str]:
        void = [s for s in self.north.sessions() if s.void_reason is not None]
        if not void:
            return self.void()
        self.north.take_back_void(void[-1].id, REASON)
        return {void[-1].id}

    def mark(self) -> set[str]:
        usable = [s for s in self.north.sessions() if s.void_reason is None]
        if not usable:
            return set()
        marks: tuple[Mark, ...] = (Mark(0, 3 + len(usable[-1].marks), 20.0, 0.5),)
        marks = MARKS if usable[-1].marks == marks else marks
        self.north.amend_marks(usable[-1].id, marks, AUTHOR, REASON)
        return {usable[-1].id}

    def amend(self) -> set[str]:
        usable = [s for s in self.north.sessions() if s.void_reason is None]
        if not usable:
            return set()
        self.seed += 1
        stated = Restatement(firmware=str(self.seed), stretches=FILM)
        self.north.amend_session(usable[0].id, stated, AUTHOR, REASON)
        return {usable[0].id}

    def amend_unit(self) -> set[str]:
        usable = [s for s in self.north.sessions() if s.void_reason is None]
        if not usable:
            return set()
        other = next(unit for unit in self.north.units() if unit.name != usable[-1].unit.name)
        self.north.amend_session(usable[-1].id, Restatement(unit=other), AUTHOR, REASON)
        return {usable[-1].id}

    def tag(self) -> set[str]:
        self.seed += 1
        (tagged,) = self.north.tag([self.north.sessions()[0].id], [f"day-{self.seed}"])
        return {tagged.id}

    def untag(self) -> set[str]:
        tagged = [s for s in self.north.sessions() if s.tags]
        if not tagged:
            return self.tag()
        self.north.untag([tagged[0].id], tagged[0].tags[:1])
        return {tagged[0].id}

    def retire(self) -> set[str]:
        in_use = [unit for unit in self.north.units() if unit.name not in self.north.retired("unit")]
        if in_use:
            self.north.retire("unit", in_use[-1].name, REASON)
        return set()

    def merge(self) -> None:
        """New sessions, events of earlier ones, and units of names that are taken."""
        self.south.add_sessions([self.of_south()])
        if self.south.sessions()[0].void_reason is None:
            self.south.void(self.south.sessions()[0].id, REASON)
        else:
            self.south.take_back_void(self.south.sessions()[0].id, REASON)
        self.north.merge(self.south.path)

    def unite(self) -> None:
        """A unit's name is another, and so it is in each of its sessions."""
        if self.united:
            self.north.part_units("unit1", f"unit1@{'b' * 6}", REASON)
        else:
            self.north.merge(self.south.path)
            self.north.unite_units("unit1", f"unit1@{'b' * 6}", REASON)
        self.united = not self.united


ACTS = {
    name: getattr(Doing, name)
    for name in (
        *("log", "log_on_a_new_unit", "void", "take_back", "mark", "amend", "amend_unit", "tag", "untag"),
        *("retire", "merge", "unite"),
    )
}


def bench_of(store: Store) -> Bench:
    """The bench that is registered there already."""
    mounting = store.mounting("m1")
    return Bench(mounting.tank, store.liquids()[0], mounting.sensor, mounting, (store.unit("unit1"),))


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The stores of two benches, with sessions in both."""
    folder = tmp_path_factory.mktemp("filled")
    with Store.open(folder / "north.db", bench="a" * 32) as north:
        fill_lists(north)
    with Store.open(folder / "south.db", bench="b" * 32) as south:
        bench = bench_store(south)
        south.add_sessions([bench.session(50), bench.session(51)])
    return folder / "north.db", folder / "south.db"


@pytest.fixture
def two_benches(tmp_path: Path, filled: tuple[Path, Path]) -> Iterator[Callable[[], Doing]]:
    """Gives copies of both."""
    with ExitStack() as stack:
        count = itertools.count()

        def make() -> Doing:
            (folder := tmp_path / str(next(count))).mkdir()
            north, south = (
                stack.enter_context(Store.open(shutil.copy(path, folder / path.name))) for path in filled
            )
            return Doing(north, south, bench_of(north), bench_of(south))

        yield make


def held_against_anew(
    store: Store, lines: Standing[SessionLine] | None, sessions: Standing[Session] | None
) -> tuple[Standing[SessionLine], Standing[Session]]:
    """What is kept, asked again: the same as all of it read anew."""
    now = store.standing_lines(lines), store.standing_sessions(sessions)
    assert now[0].items == store.page_of_session_lines(limit=1000).items
    assert now[1].items == store.sessions()
    assert list(now[0].of_rows) == list(now[1].of_rows) == sorted(now[0].of_rows)
    return now


@pytest.mark.parametrize("act", ACTS)
def test_what_is_kept_is_what_reading_anew_gives(two_benches: Callable[[], Doing], act: str) -> None:
    """After each kind of act, done twice; the records of sessions that it does not touch stay the same."""
    doing = two_benches()
    lines, sessions = held_against_anew(doing.north, None, None)
    for _ in range(2):
        before, is_of = sessions, {line.id: line for line in lines.items}
        touched = ACTS[act](doing)
        lines, sessions = held_against_anew(doing.north, lines, sessions)
        assert sessions is not before
        if touched is None:
            continue
        there = {session.id: session for session in sessions.items}
        assert {session.id for session in before.items if there[session.id] is not session} == touched
        assert {line.id for line in lines.items if is_of.get(line.id) is line} == {*is_of} - touched


def test_nothing_is_read_where_nothing_came_in(two_benches: Callable[[], Doing]) -> None:
    doing = two_benches()
    lines, sessions = held_against_anew(doing.north, None, None)
    again = held_against_anew(doing.north, lines, sessions)
    assert (again[0] is lines, again[1] is sessions) == (True, True)


@settings(max_examples=12, deadline=None, database=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.sampled_from([*ACTS]), st.booleans()), min_size=2, max_size=9))
def test_in_any_order(two_benches: Callable[[], Doing], acts: list[tuple[str, bool]]) -> None:
    """Acts in any order, of which some come several at a time between two questions."""
    doing = two_benches()
    lines, sessions = held_against_anew(doing.north, None, None)
    for act, asked in acts:
        ACTS[act](doing)
        if asked:
            lines, sessions = held_against_anew(doing.north, lines, sessions)
    held_against_anew(doing.north, lines, sessions)


def test_on_each_database(store: Store) -> None:
    """More sessions than one statement takes are read in parts; the same on a server as in a file."""
    fill_lists(store)
    lines, sessions = held_against_anew(store, None, None)
    bench = bench_of(store)
    store.add_sessions([bench.session(seed, frames=make_frames(seed, n=32)) for seed in range(1000, 1007)])
    store.void(store.sessions()[1].id, REASON)
    store.tag([store.sessions()[2].id], ["dry"])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("dataset.store.standing.AT_ONCE", 2)
        held_against_anew(store, lines, sessions)
