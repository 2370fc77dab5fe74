"""Faults of the sensor chain: what each alters, and the table of shares against counts by hand, on programs
so small that every reading is known. Counts made up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.records import CountLaw, Frames, FrozenData, Role
from training.judging.chain_faults import FAULTS, Around, Chain
from training.judging.fault_table import fault_table, unfitted
from training.judging.figures import FaultFigures, FaultTable
from training.program import Program
from training.program.builder import Builder

SPAN_MM = 200  # of the made-up canister; 5 % of it are 10 mm


def plain(flag_above: int = 1 << 16) -> Program:
    """Level = counts less 1000, in 1/64 mm; above 20000 withheld, above ``flag_above`` flagged as foam."""
    b = Builder("plain", count_bits=16, channels=1, period_ms=100, span=64 * SPAN_MM)
    level = b.node("clip", b.node("add", "counts", b.const(-1000)), low=0, high=64 * SPAN_MM, scale="1/64 mm")
    out = b.node("greater", "counts", b.const(20000))
    foam = b.node("greater", "counts", b.const(flag_above))
    return b.finish(
        low=b.node("where", out, b.const(0), level),
        level=b.node("where", out, b.const(-1), level),
        high=b.node("where", out, b.const(64 * SPAN_MM), level),
        validity=b.node("sub", b.const(1), out),
        flags=foam,
    )


@pytest.fixture
def rising(made_up: Callable[..., FrozenData]) -> FrozenData:
    """One choose session that rises by 1 mm a frame from 0 to 99 mm, as ``plain`` reads it, beside two of fit
    and prove whose counts are absurd.
    """
    data = made_up(1, CountLaw.RISES, units=3, frames=100, choose=1, prove=1)
    level = np.arange(100.0)
    right, absurd = (1000 + 64 * level).astype(np.int64)[:, None], np.full((100, 1), 65535)
    counts = (absurd, right, absurd)
    frames = tuple(Frames(np.arange(100) * 100, c.astype(np.uint32)) for c in counts)
    return replace(data, counts=np.concatenate(counts), frames=frames, level_mm=np.tile(level, 3))


def by_kind(table: FaultTable) -> dict[str, FaultFigures]:
    return {row.kind: row for row in table.rows}


def test_shares_are_those_counted_by_hand(rising: FrozenData) -> None:
    """The one place's fault begins at frame 25, a quarter through, where the level is 25 mm.

    Stuck: 25 mm is given to the end, which is right within 10 mm up to frame 35: 11 frames; 64 are silent,
    the last one 74 mm or 37 % off, and 6.3 s lie between their first and last. 50 frames old: 0 mm up to
    frame 50 and 50 mm less from there on: all 75 silent, too low. Each ten times: at most 9 mm off; the 8
    frames 25, 35 .. 95 are not altered.
    """
    rows = by_kind(fault_table(plain(), rising, (Role.CHOOSE,)))
    none = rows["none"]
    assert (none.frames, none.harmless, none.altered, none.episodes) == (100, 100, 0, 1)
    for kind in ("stuck pad", "frozen converter"):
        row = rows[kind]
        assert (row.frames, row.altered, row.harmless, row.silent) == (75, 74, 11, 64), kind
        assert (row.too_high, row.most_pct, row.longest_silent_s) == (0, 37.0, 6.3), kind
        assert (row.noticed, row.wrong, row.unnoticed, row.upper_bound_95) == (0, 1, 1, 1.0), kind
    old, repeated = rows["old frames"], rows["repeated frames"]
    assert (old.silent, old.too_high, old.most_pct) == (75, 0, 25.0)
    assert (repeated.harmless, repeated.altered, repeated.wrong) == (75, 67, 0)
    # exact one-sided bound of none in one trial: 1 - 0.05
    assert repeated.upper_bound_95 == pytest.approx(0.95)


def test_what_is_withheld_or_flagged_is_noticed(rising: FrozenData) -> None:
    """All the width holds is above 20000: withheld. A flag above 4000 counts (46.9 mm) that the frame lacks
    without the fault makes a wrong level one that is flagged: an offset of +19 mm raises it from 27.5 mm on.
    """
    row = by_kind(fault_table(plain(), rising, (Role.CHOOSE,)))["pad at highest count"]
    assert (row.withheld, row.harmless, row.silent) == (
        {"doubt": 75, "strange": 0, "range": 0, "fault": 0},
        0,
        0,
    )
    assert (row.noticed, row.wrong, row.unnoticed) == (1, 0, 0)
    step = by_kind(fault_table(plain(4000), rising, (Role.CHOOSE,)))["offset step"]
    assert (step.episodes, step.places, step.frames) == (2, 2, 75 + 50)
    raised = [k for k in range(25, 100) if k + 0.2 * 97.02 > 46.875 >= k]
    assert step.flagged == len(raised) == 19
    assert (step.silent, step.noticed, step.wrong) == (125 - 19, 1, 2)
    assert step.too_high == 75 - 19


def test_other_groups_are_not_looked_at(rising: FrozenData) -> None:
    """Counts of fit and prove are all withheld by the program: none of that is in the table."""
    assert unfitted(rising) == (Role.CHOOSE,)
    table = fault_table(plain(), rising, unfitted(rising))
    assert (table.units, table.sessions, table.roles) == (1, 1, ("choose",))
    assert sum(table.rows[0].withheld.values()) == 0
    proved = fault_table(plain(), rising, (Role.PROVE,))
    assert sum(proved.rows[0].withheld.values()) == 100


def test_what_was_not_tried_is_said(rising: FrozenData) -> None:
    table = fault_table(plain(), rising, (Role.CHOOSE,))
    assert set(table.left_out) | set(by_kind(table)) == {"none", *FAULTS}
    assert table.left_out["pads swapped"] == "too few channels"
    assert table.left_out["another unit's trim"] == "the model takes no trim"
    assert table.left_out["temperature off"] == "the model reads no temperature"


def warm() -> Program:
    """Six pads with dry and full trims: the level is the mean rise over dry, less the temperature."""
    kinds = ("dry", "full")
    b = Builder("warm", 16, 6, 100, 64 * 120, trim_range=(10000, 30000), trim_kinds=kinds)
    b.prepare_node("clip", "trim", low=0, high=65535, name="ready", keep=True)
    dry = b.node("take", "ready", indices=tuple(range(6)))
    rise = b.node("sub", "counts", dry)
    total = b.node("dense", rise, weights=((1,) * 6,), bias=(0,))
    level = b.node("clip", b.node("sub", total, "temperature"), low=0, high=64 * 120, scale="1/64 mm")
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


@pytest.fixture
def warmed(make_strip: Callable[..., FrozenData]) -> FrozenData:
    """Six pads with trims, and a temperature that rises."""
    data = make_strip(units=6, frames=60, choose=2, calibrate=1, prove=1)
    frames = tuple(replace(f, temperature_c=np.linspace(20.0, 26.0, 60)) for f in data.frames)
    return replace(data, frames=frames)


def test_every_fault_does_something(warmed: FrozenData) -> None:
    """A fault that leaves all that goes into the model as it was would pass for harmless."""
    foreign = np.full((1, 12), 20000)
    table = fault_table(warm(), warmed, (Role.CHOOSE, Role.CALIBRATE), foreign)
    assert table.left_out == {}
    rows = by_kind(table)
    for kind in FAULTS:
        row = rows[kind]
        assert row.altered > row.frames // 10, kind
        assert row.frames == sum(row.withheld.values()) + row.harmless + row.flagged + row.silent, kind
        assert row.units == 3, kind
    assert rows["stuck pad"].episodes == 3 * 4 * 6
    assert rows["another unit's trim"].episodes == 3 * 4 * 2


def test_a_trim_that_is_refused_withholds_all(warmed: FrozenData) -> None:
    """40000 is beyond the trim range of 10000 to 30000: prepare says no, and nothing is read."""
    row = by_kind(fault_table(warm(), warmed, (Role.CHOOSE,), np.full((2, 12), 40000)))["another tank's trim"]
    assert (row.refused, row.noticed, row.episodes) == (16, 16, 16)
    assert row.withheld == {"doubt": 0, "strange": 0, "range": 0, "fault": row.frames}


def test_the_same_seed_gives_the_same_table(warmed: FrozenData) -> None:
    one, two, other = (fault_table(warm(), warmed, (Role.CHOOSE,), seed=seed) for seed in (1, 1, 2))
    assert one == two
    assert one.to_json() == FaultTable.from_json(one.to_json()).to_json()  # type: ignore[union-attr] # whole
    assert by_kind(one)["floating pad"] != by_kind(other)["floating pad"]


CHAIN = Chain(
    counts=np.asarray([[10 * t + c for c in (1, 2, 3)] for t in range(8)], np.int64),
    tenths=np.arange(8) + 200,
    trim=np.asarray([1, 2, 3, 101, 102, 103], np.int64),
)
AROUND = Around(
    dry=np.asarray([0.0, 10.0, 20.0]),
    full=np.asarray([100.0, 110.0, 120.0]),
    most=255,
    law=CountLaw.RISES,
    others=np.asarray([[7] * 6]),
    foreign=np.asarray([[9] * 6]),
    temperature=True,
    seed=0,
)


@pytest.mark.parametrize(
    ("kind", "place", "last"),
    [
        ("stuck pad", 1, [71, 32, 73]),
        ("dead pad", 2, [71, 72, 20]),
        ("pad at lowest count", 0, [0, 72, 73]),
        ("pad at highest count", 0, [255, 72, 73]),
        ("saturated pad", 0, [50, 72, 73]),
        ("offset step", 0, [91, 72, 73]),
        ("offset step", 5, [71, 72, 53]),
        ("pads swapped", 1, [71, 73, 72]),
        ("connector turned", 0, [73, 72, 71]),
        ("pads shorted, sum", 0, [143, 143, 73]),
        ("pads shorted, mean", 1, [71, 72, 72]),
        ("frozen converter", 0, [31, 32, 33]),
        ("repeated frames", 0, [31, 32, 33]),
        ("old frames", 0, [1, 2, 3]),
        ("looped frames", 0, [1, 2, 3]),
    ],
)
def test_counts_of_the_last_frame_by_hand(kind: str, place: int, last: list[int]) -> None:
    """Eight frames, the fault from the fourth on; a mean of 72.5 is rounded to even. Of four frames before
    the fault the loop starts again at the first.
    """
    broken = FAULTS[kind].alter(CHAIN, place, 3, AROUND)
    assert broken.counts[-1].tolist() == last
    assert np.array_equal(broken.counts[:3], CHAIN.counts[:3])
    assert np.array_equal(broken.trim, CHAIN.trim)


def test_counts_that_fall_add_by_their_reciprocals() -> None:
    """60 and 30 in counts of 1/C: 1 / (1/60 + 1/30) = 20."""
    chain = replace(CHAIN, counts=np.asarray([[60, 30, 5]], np.int64))
    falls = replace(AROUND, law=CountLaw.FALLS)
    assert FAULTS["pads shorted, sum"].alter(chain, 0, 0, falls).counts.tolist() == [[20, 20, 5]]


def test_a_trim_taken_through_the_connector_is_in_its_order() -> None:
    swapped = FAULTS["pads swapped, trim too"].alter(CHAIN, 0, 0, AROUND)
    assert swapped.trim.tolist() == [2, 1, 3, 102, 101, 103]
    assert swapped.counts[0].tolist() == [2, 1, 3]
    turned = FAULTS["connector turned, trim too"].alter(CHAIN, 0, 0, AROUND)
    assert turned.trim.tolist() == [3, 2, 1, 103, 102, 101]


def test_temperature_stays_or_moves_by_20_kelvin() -> None:
    assert FAULTS["temperature stuck"].alter(CHAIN, 0, 5, AROUND).tenths.tolist()[4:] == [204, 205, 205, 205]
    assert FAULTS["temperature off"].alter(CHAIN, 0, 6, AROUND).tenths.tolist()[5:] == [205, 406, 407]
    assert FAULTS["temperature off"].alter(CHAIN, 1, 6, AROUND).tenths.tolist()[5:] == [205, 6, 7]
