"""Instruments in a store: their calibrations, sessions that name them, merged stores."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from building import Bench
from dataset.canonical import session_sha256
from dataset.documents import name_of
from dataset.errors import InputError, NotFoundError
from dataset.records import Instrument, InstrumentKind
from dataset.store import Store
from dataset.store.whole.integrity import check_store

Register = Callable[[Store], Bench]
SCALE = Instrument("s1", InstrumentKind.SCALE, "2026-01-10", 0.8, 2.0, 0.1, 365, "0417")
SOUTH = "b" * 32


def test_calibrations_are_kept_in_order(new_store: Store) -> None:
    second = new_store.add_instrument(replace(SCALE, calibrated="2026-06-01"))
    first = new_store.add_instrument(SCALE)
    assert first.bench == new_store.bench().identity
    assert new_store.instrument("s1").calibrations == (first, second)
    (known,) = new_store.instruments()
    assert known == new_store.instrument(f"s1@{new_store.bench().name}")


def test_what_contradicts_is_refused(new_store: Store) -> None:
    new_store.add_instrument(SCALE)
    for other, sentence in (
        (SCALE, "was calibrated on 2026-01-10 already; expected another date"),
        (replace(SCALE, calibrated="2026-02-01", serial="7"), "serial 7, and 0417 on 2026-01-10"),
        (replace(SCALE, calibrated="2026-02-01", kind=InstrumentKind.CYLINDER), "kind cylinder, and scale"),
    ):
        with pytest.raises(InputError, match=sentence):
            new_store.add_instrument(other)
    with pytest.raises(NotFoundError, match="instrument s2"):
        new_store.instrument("s2")
    assert len(new_store.instrument("s1").calibrations) == 1


def test_a_session_names_them_in_its_hash(new_store: Store, register: Register) -> None:
    """Only where given: a session without instruments hashes as before there were any."""
    name = name_of(new_store.add_instrument(SCALE))
    plain = register(new_store).session(1)
    (session,) = new_store.add_sessions([replace(plain, instruments=(name,))])
    assert new_store.session(session.id).instruments == (name,)
    assert session.sha256 != session_sha256(plain, plain.frames)
    new_store.frames(session, verify=True)
    assert new_store.calibrations(session.instruments)[0].name == "s1"
    with pytest.raises(NotFoundError, match="calibration 0123"):
        new_store.add_sessions([replace(plain, instruments=("0123" * 16,))])
    new_store.close()
    assert check_store(new_store.path).faults == ()


def test_two_benches_with_one_name_stay_two(new_store: Store, register: Register, tmp_path: Path) -> None:
    """Merged there and back: each bench's own by its name, the other's by NAME@BENCH."""
    name = name_of(new_store.add_instrument(SCALE))
    register(new_store)
    with Store.open(tmp_path / "south.db", bench=SOUTH) as south:
        their = south.add_instrument(replace(SCALE, serial="9"))
        new = replace(register(south).session(3), instruments=(name_of(their),))
        (session,) = south.add_sessions([new])
        theirs = south.bench().name
    new_store.merge(tmp_path / "south.db")
    assert name_of(new_store.instrument("s1").calibrations[-1]) == name
    assert new_store.instrument(f"s1@{theirs}").calibrations == (their,)
    assert new_store.session(session.id).instruments == (name_of(their),)
    again = new_store.merge(tmp_path / "south.db")
    assert next(c for c in again.taken if c.kind == "instrument").new == 0


def test_a_copy_that_says_otherwise_is_a_conflict(new_store: Store, tmp_path: Path) -> None:
    own = new_store.add_instrument(SCALE)
    with Store.open(tmp_path / "copy.db", bench=SOUTH) as copy:
        copy.add_instrument(replace(own, uncertainty=0.2))
    with pytest.raises(InputError, match="instrument s1: was calibrated on 2026-01-10 already, in copy"):
        new_store.merge(tmp_path / "copy.db")
    assert new_store.instrument("s1").calibrations == (own,)


def test_a_session_that_rests_on_a_retired_instrument_is_refused(
    new_store: Store, register: Register
) -> None:
    """Whoever names its calibration, by the hash too; a session that was there before stays."""
    bench = register(new_store)
    scale = new_store.add_instrument(Instrument("s1", InstrumentKind.SCALE, "2026-01-10", 0.8))
    rests = (name_of(scale),)
    (before,) = new_store.add_sessions([replace(bench.session(1), instruments=rests)])
    new_store.retire("instrument", "s1", "dropped")
    assert new_store.retired("instrument") == {"s1": "dropped"}
    with pytest.raises(InputError, match=r"instrument s1: is retired \('dropped'\)"):
        new_store.add_sessions([replace(bench.session(2), instruments=rests)])
    with pytest.raises(InputError, match="is retired"):
        new_store.add_instrument(replace(scale, calibrated="2026-05-10"))
    assert len(new_store.instrument("s1").calibrations) == 1
    assert new_store.sessions() == (before,)
    new_store.take_back_retirement("instrument", "s1", "it weighs as before")
    new_store.add_instrument(replace(scale, calibrated="2026-05-10"))
    new_store.retire("instrument", "s1", "dropped again")  # whichever of its calibrations is the newest
    assert new_store.retired("instrument") == {"s1": "dropped again"}
