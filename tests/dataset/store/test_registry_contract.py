"""What every store does with what is registered: tanks, sensors, liquids, units, mountings, limits, trims.

The fixture ``store`` says which stores those are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from stores import ROLES

from dataset.errors import InputError, NotFoundError
from dataset.records import (
    Budget,
    ColumnMapping,
    GroupBy,
    LevelUnit,
    Limit,
    Limits,
    Liquid,
    Mounting,
    PadRole,
    Tank,
    TimeUnit,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Box

Register = Callable[[Store], Any]


def test_revisions_count_up(store: Store) -> None:
    """A tank's name again is its next revision; bare names mean the latest, name@n a certain one."""
    first, second = (
        store.add_tank(Tank("can", 0, 100.0, "PP", 2.0)),
        store.add_tank(Tank("can", 0, 120.0, note="taller")),
    )
    assert (first.revision, second.revision) == (1, 2)
    assert store.tank("can") == second
    assert store.tank("can@1") == first
    assert store.tanks() == (first, second)
    with pytest.raises(InputError, match="exactly this content as can@1"):
        store.add_tank(Tank("can", 0, 100, "PP", 2))
    with pytest.raises(NotFoundError, match=r"can@[12], can@[12]"):
        store.tank("can@3")
    with pytest.raises(InputError, match="revision 'x'"):
        store.tank("can@x")


def test_tanks_keep_their_shape(store: Store) -> None:
    """A tank's profile, headspace and expansion come back as they were; another shape is another
    revision, which never changes.
    """
    box = Tank(
        "can",
        0,
        100.0,
        profile=to_json(stack([Box(50, 40, 110)])),
        headspace_mm=10.0,
        expansion_per_k=1e-4,
        reference_c=20.0,
    )
    first, second = (
        store.add_tank(box),
        store.add_tank(replace(box, profile=to_json(stack([Box(50, 41, 110)])))),
    )
    assert (first, second.revision) == (replace(box, revision=1), 2)
    assert (store.tank("can@1"), store.tank("can")) == (first, second)
    with pytest.raises(InputError, match="exactly this content as can@1"):
        store.add_tank(box)
    with pytest.raises(InputError, match="a span of 100 mm with 11 mm of headspace; expected at most 110 mm"):
        store.add_tank(replace(box, headspace_mm=11.0))


def test_sensors_keep_their_pads(store: Store, register: Register) -> None:
    """A sensor comes back with every pad in channel order, and equal content is refused."""
    bench = register(store)
    pads = (replace(bench.sensor.pads[0], frequency_hz=5e5, role=PadRole.REFERENCE), bench.sensor.pads[1])
    made = store.add_sensor(replace(bench.sensor, revision=0, pads=pads))
    assert made.revision == 2
    assert store.sensor("strip") == made
    assert store.sensor("strip@1") == bench.sensor
    assert store.sensors() == (bench.sensor, made)
    with pytest.raises(InputError, match="strip@2"):
        store.add_sensor(made)


def test_limits_keep_their_rows(store: Store) -> None:
    """Limits come back row by row, in order, by revision."""
    rows = (
        Limit("rmse_mm", 0.9),
        Limit("worst_group_rmse_mm", 2.0, "beyond", 0.95, 3),
        Limit("rmse_mm", 1.5, "foam"),
    )
    first = store.add_limits(Limits("signed", 0, rows, "by the owner"))
    second = store.add_limits(Limits("signed", 0, rows[::-1]))
    assert first.rows == rows
    assert store.limits("signed@1") == first
    assert store.all_limits() == (first, second)


def test_unique_names(store: Store, register: Register) -> None:
    """Liquids, units, mountings, budgets and mappings have one record a name, which comes
    back as it was.
    """
    bench = register(store)
    budget = Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000, 1, 24_000_000, 100, "left over")
    mapping = ColumnMapping(
        "tidy", ("a", "b"), "t", TimeUnit.SECONDS, "l", LevelUnit.FRACTION, 0.5, "temp", ";", False
    )
    bare, tap = Liquid("unknown"), Liquid("tap", conductivity=0.05, model="water", source="releases")
    assert store.add_liquid(bare) == store.liquid("unknown") == bare
    assert store.add_liquid(tap) == store.liquid("tap") == tap
    assert store.add_budget(budget) == store.budget("small") == budget
    assert store.add_mapping(mapping) == store.mapping("tidy") == mapping
    assert (store.liquids(), store.units(), store.mountings()) == (
        (tap, bare, bench.liquid),
        (bench.unit,),
        (bench.mounting,),
    )
    assert (store.budgets(), store.mappings()) == ((budget,), (mapping,))
    for again in (
        lambda: store.add_liquid(bare),
        lambda: store.add_unit(bench.unit),
        lambda: store.add_mounting(bench.mounting),
        lambda: store.add_budget(budget),
        lambda: store.add_mapping(mapping),
    ):
        with pytest.raises(InputError, match="exists already"):
            again()


def test_what_is_missing_is_named(store: Store, register: Register) -> None:
    """Asking for what is not there says what is, the nearest first; in an empty registry,
    how to add it.
    """
    with pytest.raises(NotFoundError, match=r"Add it with Store\.add_unit"):
        store.unit("unit1")
    register(store)
    store.add_unit(Unit("other"))
    with pytest.raises(NotFoundError, match="There are: unit1, other"):
        store.unit("unti1")
    for revisions, name in ((store.tank, "canister"), (store.sensor, "strip")):
        with pytest.raises(NotFoundError, match=f"There are: {name}"):
            revisions("other")


def test_a_mounting_needs_records_of_this_store(store: Store, register: Register) -> None:
    """A tank that is not the store's own, though its name is, cannot be mounted on."""
    bench = register(store)
    with pytest.raises(InputError, match="another than the store's"):
        store.add_mounting(Mounting("m2", replace(bench.tank, span_mm=90.0), bench.sensor))
    with pytest.raises(NotFoundError):
        store.add_mounting(Mounting("m2", replace(bench.tank, revision=2), bench.sensor))


def test_trims_are_kept_in_order(store: Store, register: Register) -> None:
    """Each with a hash of its content; the same one again is refused, and a frozen set takes those that
    its units have.
    """
    bench = register(store)
    made = [
        store.add_trim(
            Trim(bench.unit, bench.mounting, TrimKind.BOARD, (5 + k, 6), f"2026-01-0{k + 1}", "line", 20.0)
        )
        for k in range(2)
    ]
    assert store.trims() == store.trims("unit1") == tuple(made)
    with pytest.raises(InputError):
        store.add_trim(made[0])
    (session,) = store.add_sessions([bench.session(1)])
    assert store.freeze("set", [session], GroupBy.LEVEL, ROLES).trims == tuple(made)
    assert store.dry_counts(bench.mounting) == ()


def test_the_store_as_text(store: Store, register: Register) -> None:
    """What is registered, written as text, makes another store with the same records."""
    bench = register(store)
    with Store.in_memory() as other:
        other.from_text(store.to_text())
        assert (other.tanks(), other.sensors(), other.liquids(), other.units()) == (
            store.tanks(),
            store.sensors(),
            store.liquids(),
            store.units(),
        )
        assert other.mounting("m1") == bench.mounting
