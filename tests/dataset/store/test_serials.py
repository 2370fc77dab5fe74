"""A serial that a unit gets later: an event beside what stands there, which keeps its hashes and travels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dataset.canonical import unit_sha256
from dataset.errors import InputError
from dataset.records import Scope, Trim, TrimKind, Unit
from dataset.store import Store
from dataset.store.whole.integrity import check_store

Register = Callable[[Store], Any]
NORTH, SOUTH = "a" * 32, "b" * 32
# Serials whose identities lie on both sides of that of unit1 of bench NORTH, which a test holds.
BELOW, ABOVE = "0421", "0417"


@pytest.fixture
def north(tmp_path: Path, register: Register) -> Store:
    """A store with a session, a trim and a frozen set of unit1."""
    store = Store.open(tmp_path / "north.db", bench=NORTH)
    there = register(store)
    store.add_sessions([there.session(1), there.session(2), there.session(3)])
    store.add_trim(a_trim(there, 40000))
    return store


def a_trim(there: Any, counts: int) -> Trim:
    return Trim(there.unit, there.mounting, TrimKind.FULL, (counts, counts), "2026-01-01", "bench", 20.0)


def test_both_sides_are_tried() -> None:
    """Which of the two identities is smaller is chance, so serials of both kinds are tried below."""
    named = unit_sha256(Unit("unit1", bench=NORTH))
    below, above = (unit_sha256(Unit("unit1", "", serial, NORTH)) for serial in (BELOW, ABOVE))
    assert below < named < above


@pytest.mark.parametrize("serial", [BELOW, ABOVE])
def test_it_is_shown_and_nothing_else_changes(north: Store, tmp_path: Path, serial: str) -> None:
    """The unit has the serial everywhere that it is read; sessions and trims keep their hashes, further ones
    can be logged, and the store is sound.
    """
    sessions, trims = ([row.sha256 for row in rows] for rows in (north.sessions(), north.trims("unit1")))
    given = north.give_serial("unit1", serial, "the plate was read")
    assert (given.name, given.serial) == ("unit1", serial)
    assert [(unit.name, unit.serial) for unit in north.units()] == [("unit1", serial)]
    assert {session.unit.serial for session in north.sessions()} == {serial}
    assert [session.sha256 for session in north.sessions()] == sessions
    assert [trim.sha256 for trim in north.trims("unit1")] == trims
    (union,) = north.unions_of("unit1")
    assert (union.serial, union.reason, union.takes_back) == (serial, "the plate was read", False)
    north.close()
    assert check_store(tmp_path / "north.db").sound


@pytest.mark.longer
@pytest.mark.parametrize("serial", [BELOW, ABOVE])
def test_it_travels(north: Store, tmp_path: Path, register: Register, serial: str) -> None:
    """Another bench that takes what is here has one such unit with its serial, whether the sessions or the
    serial came first.
    """
    with Store.open(tmp_path / "south.db", bench=SOUTH) as south:
        south.add_sessions([register(south).session(9)])
        south.merge(tmp_path / "north.db")
        north.give_serial("unit1", serial, "the plate was read")
        south.merge(tmp_path / "north.db")
        assert [(u.name, u.serial) for u in south.units()] == [("unit1", None), ("unit1@aaaaaa", serial)]
    with Store.open(tmp_path / "late.db", bench="c" * 32) as late:
        late.merge(tmp_path / "north.db")
        assert [(u.name, u.serial) for u in late.units()] == [("unit1", serial)]
        assert len(late.sessions()) == 3
    assert check_store(tmp_path / "south.db").sound
    assert check_store(tmp_path / "late.db").sound


def test_a_mistyped_serial_goes_to_its_unit(north: Store, tmp_path: Path) -> None:
    """Taken back, it leaves the lists and can be given to the unit that it is of."""
    north.add_unit(Unit("unit2"))
    north.give_serial("unit1", ABOVE, "read from the plate")
    assert north.take_back_serial("unit1", "that was the neighbour").serial is None
    assert list(north.retired("unit").values()) == ["that was the neighbour"]
    assert north.give_serial("unit2", ABOVE, "this is the one").serial == ABOVE
    assert north.give_serial("unit1", BELOW, "read again").serial == BELOW
    assert not north.retired("unit")
    assert [(u.name, u.serial) for u in north.units()] == [("unit1", BELOW), ("unit2", ABOVE)]
    assert [(u.serial, u.takes_back) for u in north.unions_of("unit1")] == [
        (ABOVE, False),
        (ABOVE, True),
        (BELOW, False),
    ]
    north.close()
    assert check_store(tmp_path / "north.db").sound


@pytest.mark.parametrize(
    ("serial", "reason", "sentence"),
    [
        ("", "so", "1 to 60 characters"),
        (ABOVE, " ", "reason"),
        ("0500", "so", "0500 is that of unit unit2"),
    ],
)
def test_what_is_refused_changes_nothing(north: Store, serial: str, reason: str, sentence: str) -> None:
    north.add_unit(Unit("unit2", serial="0500"))
    before = north.units()
    with pytest.raises(InputError, match=sentence):
        north.give_serial("unit1", serial, reason)
    assert north.units() == before
    assert north.unions_of("unit1") == ()


def test_the_audit_of_a_team_tells_it(north: Store) -> None:
    """Who said it and why stands in the chain, where there is one."""
    north.add_token("rig", [Scope.PUSH])
    north.give_serial("unit1", ABOVE, "the plate was read")
    rows = [row for row in north.audit() if row.kind == "unit union"]
    assert [row.reason for row in rows] == ["the plate was read"]
    assert rows[0].who
