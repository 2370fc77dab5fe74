"""What a unit is: its bench of origin and its serial, never its name alone."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from dataset.canonical import unit_sha256
from dataset.errors import InputError, StoreError
from dataset.records import Frames, Trim, TrimKind, Unit
from dataset.store import Store
from dataset.store.whole.integrity import check_store

Register = Callable[[Store], Any]
PINNED = Path(__file__).parents[2] / "data" / "stores" / "0006_temperature.db"
NORTH, SOUTH = "a" * 32, "b" * 32


@pytest.fixture
def opened() -> Iterator[Callable[..., Store]]:
    """Opens stores that are closed at the end."""
    with ExitStack() as stack:
        yield lambda path, **given: stack.enter_context(Store.open(path, **given))


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory, register: Register) -> tuple[Path, Path]:
    """Two benches, each with a unit1 of its own, a session and a trim of it."""
    folder = tmp_path_factory.mktemp("both")
    for seed, bench in ((1, NORTH), (2, SOUTH)):
        with Store.open(folder / f"{bench[0]}.db", bench=bench) as store:
            there = register(store)
            store.add_sessions([there.session(seed)])
            store.add_trim(trim(there, 40000 + seed))
    return folder / f"{NORTH[0]}.db", folder / f"{SOUTH[0]}.db"


@pytest.fixture
def two(tmp_path: Path, opened: Callable[..., Store], both: tuple[Path, Path]) -> tuple[Store, Store]:
    """Copies of both for one test."""
    north, south = (opened(shutil.copy(path, tmp_path / path.name)) for path in both)
    return north, south


def trim(bench: Any, counts: int) -> Trim:
    """A trim of the bench's unit, full."""
    return Trim(bench.unit, bench.mounting, TrimKind.FULL, (counts, counts), "2026-01-01", "bench", 20.0)


def test_a_copied_store_gets_a_bench_of_its_own(two: tuple[Store, Store], tmp_path: Path) -> None:
    """Two copies add a unit of one name: of one bench they would be one. Parted, they are two in a merge, and
    what the copy had stays what it was.
    """
    north, _ = two
    shutil.copy(tmp_path / "a.db", tmp_path / "copy.db")
    with Store.open(tmp_path / "copy.db") as copy:
        kept = copy.sessions()
        bench = copy.part_bench("cellar", "a copy for the second rig", "c" * 32)
        assert bench == copy.bench()
        assert bench.note == f"parted from bench {north.bench().name} ({NORTH}): a copy for the second rig"
        assert copy.sessions() == kept
        assert copy.unit("unit1").bench == NORTH
        assert copy.add_unit(Unit("unit9")).bench == "c" * 32
        for name, reason, identity, sentence in (
            ("cellar", "again", None, "is the name of another bench"),
            ("attic", " ", None, "reason"),
            ("attic", "again", "c3", "32 hexadecimal digits"),
        ):
            with pytest.raises(InputError, match=sentence):
                copy.part_bench(name, reason, identity)
        assert copy.bench() == bench
    assert check_store(tmp_path / "copy.db").sound
    north.add_unit(Unit("unit9"))
    north.merge(tmp_path / "copy.db")
    assert {unit.name for unit in north.units()} == {"unit1", "unit9", "unit9@cccccc"}
    assert [b.note for b in north.benches()] == ["", bench.note]
    assert check_store(tmp_path / "a.db").sound


@pytest.mark.longer
def test_a_new_store_has_a_bench_of_its_own(tmp_path: Path, migrating: None) -> None:
    """Random unless it is stated, and kept when the store is opened again."""
    with Store.open(tmp_path / "one.db") as one, Store.open(tmp_path / "two.db") as two:
        assert one.bench().identity != two.bench().identity
    with Store.open(tmp_path / "one.db", bench=NORTH) as again:
        assert again.bench().own
        assert again.bench().identity != NORTH
    with Store.open(tmp_path / "stated.db", bench=NORTH) as stated:
        assert stated.benches() == (stated.bench("aaaaaa"),)
        assert stated.name_bench("aaaaaa", "north", "by the window").name == "north"
        assert stated.bench("north").identity == NORTH
    assert check_store(tmp_path / "stated.db").faults == ()
    with pytest.raises(InputError, match="32 hexadecimal digits"):
        Store.open(tmp_path / "wrong.db", bench="north")


@pytest.mark.longer
def test_two_samples_of_one_name_stay_two(two: tuple[Store, Store]) -> None:
    """Each store's own keeps the name, the other gets the digits of its bench; hashes are the same in both,
    and doing it again finds nothing new.
    """
    north, south = two
    hashes = {s.sha256 for store in two for s in store.sessions()}
    report = north.merge(south.path)
    south.merge(north.path)
    assert [u.name for u in north.units()] == ["unit1", "unit1@bbbbbb"]
    assert [u.name for u in south.units()] == ["unit1", "unit1@aaaaaa"]
    assert report.remarks == (
        "unit unit1 of bench-bbbbbb is another sample than unit1 here, and is called unit1@bbbbbb",
    )
    for store in two:
        assert {s.sha256 for s in store.sessions()} == hashes
        assert {s.unit.bench for s in store.sessions()} == {NORTH, SOUTH}
        assert [len(store.trims(unit.name)) for unit in store.units()] == [1, 1]
        assert store.unit("unit1@bench-bbbbbb").bench == SOUTH
        assert check_store(store.path).faults == ()
    assert north.merge(south.path).new == 0


@pytest.mark.longer
def test_a_unit_that_comes_home_gets_its_name_back(
    two: tuple[Store, Store], tmp_path: Path, opened: Callable[..., Store]
) -> None:
    """A third store calls the first that comes 'unit1'; of the store's own bench it is always the own."""
    third = opened(tmp_path / "third.db", bench="c" * 32)
    for store in two:
        third.merge(store.path)
    assert {u.name: u.bench for u in third.units()} == {"unit1": NORTH, "unit1@bbbbbb": SOUTH}
    empty = opened(tmp_path / "south_again.db", bench=SOUTH)
    empty.merge(third.path)
    assert {u.name: u.bench for u in empty.units()} == {"unit1@aaaaaa": NORTH, "unit1": SOUTH}
    assert check_store(empty.path).faults == ()


@pytest.mark.longer
def test_three_stores_in_every_order(two: tuple[Store, Store], tmp_path: Path, register: Register) -> None:
    """Two units and the same hashes, whichever comes first."""
    with Store.open(tmp_path / "c.db", bench="c" * 32) as third:
        third.add_sessions([replace(register(third).session(3), unit=third.add_unit(Unit("other")))])
    paths = [two[0].path, two[1].path, tmp_path / "c.db"]
    answers = set()
    for k, order in enumerate(permutations(paths)):
        path = Path(shutil.copy(order[0], tmp_path / f"order{k}.db"))
        with Store.open(path) as store:
            for other in order[1:]:
                store.merge(other)
            sessions = {(s.sha256, s.unit.bench, s.unit.origin_name) for s in store.sessions()}
            answers.add((frozenset(sessions), frozenset(unit_sha256(u) for u in store.units())))
        assert check_store(path).faults == ()
    ((found, units),) = answers
    assert {(bench, name) for _, bench, name in found} == {
        (NORTH, "unit1"),
        (SOUTH, "unit1"),
        ("c" * 32, "other"),
    }
    assert len(units) == 4  # the third bench's unit1 has no session


@pytest.mark.longer
def test_said_to_be_one(two: tuple[Store, Store]) -> None:
    """A board that moved: one unit with both sessions, in either store, until somebody takes it back."""
    north, south = two
    report = north.merge(south.path, same_units=[("unit1", "unit1", "the board was sent over")])
    assert "unit unit1: unit1 of bench-aaaaaa and unit1 of bench-bbbbbb are one unit" in report.remarks
    south.merge(north.path)
    for store in two:
        (unit,) = store.units()
        assert (unit.name, unit.bench) == ("unit1", min(NORTH, SOUTH, key=lambda b: unit_sha256(of(b))))
        assert {s.unit for s in store.sessions()} == {unit}
        assert len(store.trims("unit1")) == 2
        assert all(len(store.frames(s, verify=True)) for s in store.sessions())
        assert check_store(store.path).faults == ()
    assert [u.name for u in north.part_units("unit1", "unit1@bbbbbb", "two boards, one label")] == [
        "unit1",
        "unit1@bbbbbb",
    ]
    south.merge(north.path)
    assert len(south.units()) == 2
    assert south.unite_units("unit1", "unit1@aaaaaa", "no, one").name == "unit1"
    north.merge(south.path)
    assert len(north.units()) == 1
    assert check_store(north.path).faults == check_store(south.path).faults == ()


def of(bench: str) -> Unit:
    """The unit unit1 of a bench."""
    return Unit("unit1", bench=bench)


def test_what_same_units_refuses(two: tuple[Store, Store]) -> None:
    """A name that is not there, and no reason: nothing is merged."""
    north, south = two
    with pytest.raises(InputError, match=r"same_units, unit7: is no unit of b\.db"):
        north.merge(south.path, same_units=[("unit1", "unit7", "sent over")])
    with pytest.raises(InputError, match="reason: nothing"):
        north.merge(south.path, same_units=[("unit1", "unit1", " ")])
    assert len(north.sessions()) == len(north.units()) == 1


def test_a_serial_stands_in_the_hash(
    tmp_path: Path, register: Register, opened: Callable[..., Store]
) -> None:
    """With a serial the session's hash names bench and serial, without one the name, and an assignment beside
    it says the rest: the same readings in two new stores have one hash only without.
    """
    hashes = []
    for bench in (NORTH, SOUTH):
        store = opened(tmp_path / f"{bench[0]}.db", bench=bench)
        there = register(store)
        known = store.add_unit(Unit("board", serial="0417"))
        sessions = store.add_sessions([there.session(1), there.session(2, unit=known)])
        hashes.append([s.sha256 for s in sessions])
    assert hashes[0][0] == hashes[1][0]
    assert hashes[0][1] != hashes[1][1]
    with pytest.raises(InputError, match="serial 0417 is that of unit board"):
        store.add_unit(Unit("another", serial="0417"))


@pytest.mark.longer
def test_one_recording_in_two_stores_makes_their_units_one(
    tmp_path: Path, register: Register, opened: Callable[..., Store], long: Frames
) -> None:
    """Both logged the same file: that is one sample. A board that stands still tells nothing, so that the
    merge asks.
    """
    north, south = (opened(tmp_path / f"{bench[0]}.db", bench=bench) for bench in (NORTH, SOUTH))
    for store in (north, south):
        there = register(store)
        store.add_sessions([there.session(1, frames=long)])
    report = north.merge(south.path)
    assert "unit unit1: unit1 of bench-aaaaaa and unit1 of bench-bbbbbb are one unit" in report.remarks
    assert len(north.units()) == len(north.sessions()) == 1
    assert check_store(north.path).faults == ()
    still = replace(long, counts=long.counts * 0 + 7)
    third, fourth = (opened(tmp_path / f"{bench[0]}{bench[0]}.db", bench=bench) for bench in (NORTH, SOUTH))
    for store in (third, fourth):
        store.add_sessions([register(store).session(1, frames=still)])
    with pytest.raises(InputError, match=r"unit1 and unit1@bbbbbb.* too few of its frames differ"):
        third.merge(fourth.path)
    third.void(third.sessions()[0].id, "the board stood still")
    assert third.merge(fourth.path).new > 0
    assert len(third.units()) == 2


def test_a_recording_that_tells_nothing_may_be_said_to_be_of_one(
    tmp_path: Path, register: Register, opened: Callable[..., Store]
) -> None:
    """Both stores hold it, and somebody knows; a trim of the same counts is only told."""
    north, south = (opened(tmp_path / f"{bench[0]}.db", bench=bench) for bench in (NORTH, SOUTH))
    for store in (north, south):
        there = register(store)
        store.add_sessions([there.session(1)])
        store.add_trim(trim(there, 40000))
    north.merge(south.path, same_units=[("unit1", "unit1", "one board")])
    assert len(north.units()) == len(north.sessions()) == len(north.trims("unit1")) == 1
    assert check_store(north.path).faults == ()


def test_a_trim_of_two_units_is_told(
    tmp_path: Path, register: Register, opened: Callable[..., Store]
) -> None:
    """The same counts on the same day: it stays with the unit that it is of here."""
    north, south = (opened(tmp_path / f"{bench[0]}.db", bench=bench) for bench in (NORTH, SOUTH))
    for store in (north, south):
        store.add_trim(trim(register(store), 40000))
    report = north.merge(south.path)
    assert any("was taken of units unit1 and unit1@bbbbbb" in remark for remark in report.remarks)
    assert [len(north.trims(unit.name)) for unit in north.units()] == [1, 0]
    assert check_store(north.path).faults == ()


@pytest.fixture
def long() -> Frames:
    """More frames that differ than could be a coincidence."""
    from building import make_frames

    return make_frames(5, 60)


@pytest.mark.longer
def test_copies_upgraded_apart_stay_one_bench(tmp_path: Path) -> None:
    """The bench of an old store follows from its oldest session: one unit, one session, nothing new."""
    left, right = (Path(shutil.copy(PINNED, tmp_path / f"{name}.db")) for name in ("left", "right"))
    with Store.open(left) as one, Store.open(right) as other:
        assert one.bench() == other.bench()
        assert one.merge(right).new == 0
        assert len(one.units()) == 1
    assert check_store(left).faults == ()


@pytest.mark.longer
def test_old_stores_that_hold_one_session_have_one_unit(tmp_path: Path) -> None:
    """Two stores of before that hold the same session and began with another each: upgraded, they are two
    benches, and the session's two identities are one.
    """
    left, right = (Path(shutil.copy(PINNED, tmp_path / f"{name}.db")) for name in ("left", "right"))
    with Store.open(left) as one, Store.open(right, bench=None) as other:
        identity = one.bench().identity
        name = one.units()[0].name
        hashes = [s.sha256 for s in one.sessions()]
    renamed(right, identity, SOUTH)
    with Store.open(left) as one, Store.open(right) as other:
        assert other.bench().identity == SOUTH
        report = one.merge(right)
        assert any("are one unit" in remark for remark in report.remarks)
        assert [u.name for u in one.units()] == [name]
        assert [s.sha256 for s in one.sessions()] == hashes
        other.merge(left)
        assert {unit_sha256(u) for u in other.units()} == {unit_sha256(u) for u in one.units()}
    assert check_store(left).faults == check_store(right).faults == ()


def renamed(path: Path, old: str, new: str) -> None:
    """The same store as if it had been upgraded as another bench."""
    from dataset.store import proof

    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for guard, _ in guards:
            connection.execute(f"DROP TRIGGER {guard}")
        connection.execute("UPDATE bench SET identity = ?, name = ?", (new, f"bench-{new[:6]}"))
        for row, name in connection.execute("SELECT id, name FROM unit").fetchall():
            before, after = (unit_sha256(Unit(name, bench=bench)) for bench in (old, new))
            connection.execute("UPDATE unit SET identity = ? WHERE id = ?", (after, row))
            connection.execute("UPDATE unit_assignment SET identity = ? WHERE identity = ?", (after, before))
        for _, sql in guards:
            connection.execute(sql)
    hashed_anew(path, proof.record_sha256, ("bench", "unit", "unit_assignment"))


def hashed_anew(path: Path, record_sha256: Callable[..., str], tables: tuple[str, ...]) -> None:
    """Give rows that were changed behind the tool's back the hashes that they would have had."""
    from sqlalchemy import create_engine

    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for guard, _ in guards:
            connection.execute(f"DROP TRIGGER {guard}")
        engine = create_engine(f"sqlite:///{path}")
        with engine.connect() as reading:
            hashes = [
                (record_sha256(reading, table, row), table, row)
                for table in tables
                for (row,) in connection.execute(f"SELECT rowid FROM {table}").fetchall()  # noqa: S608 - from above
            ]
        engine.dispose()
        for digest, table, row in hashes:
            connection.execute(
                f"UPDATE {table} SET record_sha256 = ? WHERE rowid = ?",  # noqa: S608 - from above
                (digest, row),
            )
        for _, sql in guards:
            connection.execute(sql)


@pytest.mark.longer
@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("UPDATE capture_session SET unit_id = 3 - unit_id", "not assigned to"),
        ("UPDATE trim SET unit_id = 3 - unit_id", "not assigned to"),
        ("UPDATE unit SET same_as_id = 1 WHERE id = 2", "shown in place of others"),
        ("UPDATE unit SET name = 'unit1@cccccc' WHERE id = 2", "its name ends in"),
        ("UPDATE bench SET own = 1", "2 are this store's own"),
        ("UPDATE unit SET identity = 'x' || identity WHERE id = 2", "its content hashes to"),
        ("DELETE FROM unit_assignment WHERE sequence = 1", "not assigned to"),
    ],
)
def test_what_is_worked_out_is_checked(two: tuple[Store, Store], statement: str, what: str) -> None:
    """Columns that no hash covers are held against the events."""
    north, south = two
    north.merge(south.path)
    with closing(sqlite3.connect(north.path, isolation_level=None)) as connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for guard, _ in guards:
            connection.execute(f"DROP TRIGGER {guard}")
        connection.execute(statement)
        for _, sql in guards:
            connection.execute(sql)
    assert any(what in fault.sentence for fault in check_store(north.path).faults)


def test_what_a_unit_may_not_be(two: tuple[Store, Store]) -> None:
    """One sentence each."""
    north, _ = two
    for unit, what in (
        (Unit("a@b"), "unit name"),
        (Unit("a", serial=" "), "serial"),
        (Unit("a", bench="north"), "32 hexadecimal digits"),
    ):
        with pytest.raises(InputError, match=what):
            north.add_unit(unit)
    with pytest.raises(InputError, match="are one already"):
        north.unite_units("unit1", "unit1", "sure")
    with pytest.raises(InputError, match="nothing says that they are one"):
        north.part_units("unit1", "unit1", "sure")
    with pytest.raises(StoreError):
        Store.open(north.path / "no", bench=NORTH)
