"""Acts on a store of sessions, one of each kind: what is kept of it must be what reading it anew gives."""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from stores import fill_lists

from building import MARKS, Bench, bench_store, make_frames
from dataset.records import Conditions, Mark, NewSession, Restatement, Stretch, Unit
from dataset.store import Store
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


def fill_both(folder: Path) -> tuple[Path, Path]:
    """The stores of two benches, with sessions in both."""
    with Store.open(folder / "north.db", bench="a" * 32) as north:
        fill_lists(north)
    with Store.open(folder / "south.db", bench="b" * 32) as south:
        bench = bench_store(south)
        south.add_sessions([bench.session(50), bench.session(51)])
    return folder / "north.db", folder / "south.db"


@contextmanager
def copies(of: tuple[Path, Path], folder: Path) -> Iterator[Callable[[], Doing]]:
    """Gives copies of both stores, open until the end, each time it is called."""
    with ExitStack() as stack:
        count = itertools.count()

        def make() -> Doing:
            (own := folder / str(next(count))).mkdir()
            north, south = (
                stack.enter_context(Store.open(shutil.copy(path, own / path.name))) for path in of
            )
            return Doing(north, south, bench_of(north), bench_of(south))

        yield make
