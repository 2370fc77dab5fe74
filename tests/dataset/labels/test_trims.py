"""Figures behind trims, and trims in the store."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing, nullcontext
from dataclasses import replace
from typing import Any

import pytest

from building import put
from dataset.errors import InputError, StoreError
from dataset.labels.trims import tolerance_factor
from dataset.records import Trim, TrimKind, Unit
from dataset.store import Store

Register = Callable[[Store], Any]


def test_tolerance_factor() -> None:
    """For 43 samples, 90 % coverage and 99 % confidence the factor is 2.217.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (worked example, from memory).
    """
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=1e-3)


def test_trims_never_change(new_store: Store, register: Register) -> None:
    """A trim comes back as it was given, with its hash; its row cannot be changed, and one that was changed
    all the same is refused.
    """
    bench = register(new_store)
    trim = Trim(
        bench.unit,
        bench.mounting,
        TrimKind.BLOCK,
        (5, 6),
        "2026-01-31",
        "service",
        20.5,
        transfer=(0.5, 0.6),
        transfer_spread=(0.1, 0.0),
    )
    made = new_store.add_trim(trim)
    assert new_store.trims() == new_store.trims("unit1") == (made,)
    assert (made.counts, made.transfer, made.temperature_c, len(made.sha256)) == (
        (5, 6),
        (0.5, 0.6),
        20.5,
        64,
    )
    with closing(sqlite3.connect(new_store.path)) as connection:
        for change in ("UPDATE trim SET stage = 'x'", "DELETE FROM trim"):
            with pytest.raises(sqlite3.IntegrityError, match="rows of trim"):
                connection.execute(change)
        connection.execute("DROP TRIGGER guard_trim_update")
        connection.execute("UPDATE trim SET body = replace(body, '[5,6]', '[5,7]')")
        connection.commit()
    with pytest.raises(StoreError, match="hashes to"):
        new_store.trims()


def test_dry_trims_of_one_unit_on_two_mountings(new_store: Store, register: Register) -> None:
    """Behind another wall a dry pad counts more: that is no wet pad, and only on its own mounting it is."""
    bench = register(new_store)
    (elsewhere,) = put(new_store, replace(bench.mounting, name="m2", offset_mm=3.0))
    first = Trim(bench.unit, bench.mounting, TrimKind.DRY, (1000, 2000), "2026-01-31", "line")
    other, later = replace(first, mounting=elsewhere, counts=(3000, 6000)), replace(first, date="2026-02-28")
    made = tuple(new_store.add_trim(trim) for trim in (first, other, later))
    assert new_store.trims("unit1") == made
    with pytest.raises(InputError, match="looks wet against its dry trim of 2026-01-31"):
        new_store.add_trim(replace(first, counts=(3000, 6000)))


@pytest.mark.parametrize(("count", "refused"), [(9499, False), (14500, True)])
def test_three_units_that_are_alike_in_one_channel(
    count: int, refused: bool, new_store: Store, register: Register
) -> None:
    """Three units' dry counts lie within 57 in one channel by chance, and within 600 in the other: a fourth
    unit's that are 450 away are none that look wet; those far beyond the scatter of both are. Made up.
    """
    bench = register(new_store)
    counts = ((8556, 9049), (9232, 9032), (9011, 9089))
    units = put(new_store, *(Unit(f"u{k}") for k in range(4)))
    trims = [
        Trim(u, bench.mounting, TrimKind.DRY, c, "2026-01-31", "line")
        for u, c in zip(units, counts, strict=False)
    ]
    new_store.add_trims(trims)
    fourth = Trim(units[3], bench.mounting, TrimKind.DRY, (9000, count), "2026-01-31", "line")
    with pytest.raises(InputError, match="median of 3 other units: high") if refused else nullcontext():
        new_store.add_trim(fourth)
