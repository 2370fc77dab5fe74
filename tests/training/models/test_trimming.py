"""From counts to wet shares: integers beside floats, both count laws, every kind of trim."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.records import CountLaw, FrozenData, PadRole, Role, Trim, TrimKind
from training.models import trimming as models_trimming
from training.models.features import still_features
from training.models.float_arrays import Trimmer
from training.models.trimming import (
    SHARE_ONE,
    Trimming,
    emit_shares,
    find_trimming,
    gate_range,
    trim_counts,
    trim_range,
    usable_trims,
)
from training.program import Builder, Program, initial_state, prepared_values
from training.program.interpreter import trace
from training.rows import Ints
from training.search.array_recipes import ALL
from training.search.context import SearchContext, SearchRequest, by_roles, hardware_of
from training.search.nets.fitting import prepare_features

Make = Callable[..., FrozenData]


def context_of(data: FrozenData) -> SearchContext:
    return by_roles(data, hardware_of(data), SearchRequest("m"))


def with_kind(data: FrozenData, kind: TrimKind, of: Callable[[Trim, Trim], tuple[int, ...]]) -> FrozenData:
    """The set with one more trim a unit, made from its dry and full ones."""
    made = list(data.frozen.trims)
    for name in {t.unit.name for t in made}:
        dry, full = (
            next(t for t in data.frozen.trims if t.unit.name == name and t.kind is k)
            for k in (TrimKind.DRY, TrimKind.FULL)
        )
        made.append(replace(full, kind=kind, counts=of(dry, full), sha256=f"{kind}{name}"))
    return replace(data, frozen=replace(data.frozen, trims=tuple(made)))


@pytest.mark.parametrize("law", list(CountLaw))
def test_the_gate_is_the_fit_units_swings_and_some_room(make_strip: Make, law: CountLaw) -> None:
    """Fit units pass; half the smallest swing, none, one the wrong way and twice the largest do not."""
    data = make_strip(law)
    fit = data.rows(Role.FIT)
    trimming = find_trimming(data, fit, "full")
    gate = gate_range(trimming)
    assert gate is not None
    rows = trim_counts(data, trimming.kinds)[np.unique(data.session[fit])]
    swings = rows[:, 6:] - rows[:, :6]
    low, high = np.asarray(gate.low), np.asarray(gate.high)
    sign = 1 if law is CountLaw.RISES else -1
    smallest = sign * np.abs(swings).min(axis=0)
    assert (np.sign(swings) == sign).all()
    for refused in (smallest * 0, smallest // 2 - sign, -smallest, 2 * sign * np.abs(swings).max(axis=0)):
        assert ((refused < low) | (refused > high)).all()
    assert ((swings >= low) & (swings <= high)).all()
    assert gate_range(find_trimming(data, fit, "dry")) is None


def test_reference_pads_and_pads_that_are_not_covered_may_show_any_swing(make_strip: Make) -> None:
    """A surrogate block that covers two of the pads says nothing of the others."""
    data = with_kind(
        make_strip(),
        TrimKind.BLOCK,
        lambda dry, full: tuple(
            f if k in (1, 2) else d for k, (d, f) in enumerate(zip(dry.counts, full.counts, strict=True))
        ),
    )
    gate = gate_range(find_trimming(data, data.rows(Role.FIT), "block"))
    assert gate is not None
    assert [low > 0 for low in gate.low] == [False, True, True, False, False, False]
    assert [gate.low[0], gate.high[0]] == [-65535, 65535]
    mounting = data.frozen.sessions[0].mounting
    pads = (replace(mounting.sensor.pads[0], role=PadRole.REFERENCE), *mounting.sensor.pads[1:])
    seen = replace(mounting, sensor=replace(mounting.sensor, pads=pads))
    sessions = tuple(replace(s, mounting=seen) for s in data.frozen.sessions)
    trims = tuple(replace(t, mounting=seen) for t in data.frozen.trims)
    other = replace(data, frozen=replace(data.frozen, sessions=sessions, trims=trims))
    gate = gate_range(find_trimming(other, other.rows(Role.FIT), "full"))
    assert gate is not None
    assert [low > 0 for low in gate.low] == [False, True, True, True, True, True]


@pytest.mark.parametrize("law", list(CountLaw))
def test_integer_shares_follow_the_float_ones(make_strip: Make, law: CountLaw) -> None:
    """Dry is about 0, covered about 1; rounding costs less than 1/400 of a swing, where a count of the swing
    is 1/3000.
    """
    data = make_strip(law)
    every = np.ones(len(data.level_mm), np.bool_)
    table = prepare_features(context_of(data), every, "full")
    rows = np.hstack([data.counts, table.trims[data.session]])
    floats = Trimmer(table.trimming, ("shares", "ratios")).transform(rows)
    assert np.abs(floats[:, :6] - table.shares).max() < SHARE_ONE / 400
    assert np.median(np.abs(floats - table.of(("shares", "ratios"), every))) < SHARE_ONE / 1000
    full = (data.level_mm == 120) & (data.condition == 1)
    assert table.shares[full].mean() == pytest.approx(SHARE_ONE * 0.99, rel=0.02)
    assert np.abs(table.shares[(data.level_mm == 0) & (data.condition == 1)][:, 2:]).max() < 0.05 * SHARE_ONE


def always_clipped(builder: Builder, add: Callable[..., str], value: str, most: int) -> str:
    return add("clip", value, low=-most, high=most)


@pytest.mark.parametrize("law", list(CountLaw))
def test_rises_are_clipped_only_where_they_can_be_too_large(
    make_strip: Make, law: CountLaw, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clip stands where the range of the rise goes beyond it and nowhere else; shares are the same as with
    a clip everywhere.
    """
    data = make_strip(law)
    every = np.ones(len(data.level_mm), np.bool_)
    found = find_trimming(data, every, "full")
    low, _ = found.swing_range
    for trimming, fewest in ((found, 0), (replace(found, swing_range=(low, low + 1)), 2)):
        programs = []
        for clipped in (False, True):
            with monkeypatch.context() as patch:
                if clipped:
                    patch.setattr(models_trimming, "_within", always_clipped)
                programs.append(of_shares(trimming))
        limits = [rises_clipped(program, trimming.reach) for program in programs]
        assert len(limits[0]) >= fewest
        assert len(limits[1]) == 2
        assert limits[0] == [beyond for beyond in limits[1] if beyond]
        trims = trim_counts(data, trimming.kinds)[data.session]
        shares = [shares_of(program, data.counts, trims) for program in programs]
        assert np.array_equal(shares[0], shares[1])
    assert len(rises_clipped(of_shares(replace(found, swing_range=(low, 60_000))), 96_001)) == 0


def of_shares(trimming: Trimming) -> Program:
    """A program whose first pad's share is its level."""
    builder = Builder("shares", 16, 6, 100, 6400, trim_range=trim_range(trimming), trim_kinds=("dry", "full"))
    first = builder.node("take", emit_shares(builder, trimming), indices=(0,))
    level, one = builder.node("clip", first, low=0, high=6400), builder.const(1)
    return builder.finish(low=level, level=level, high=level, validity=one, flags=builder.const(0))


def rises_clipped(program: Program, reach: int) -> list[bool]:
    """For each clip to ``reach`` either way, whether its operand can be beyond."""
    intervals = {node.name: node.interval for node in (*program.prepare, *program.step)}
    return [
        min(intervals[node.inputs[0]].low) < -reach or max(intervals[node.inputs[0]].high) > reach
        for node in (*program.prepare, *program.step)
        if node.op == "clip" and node.attributes == {"low": -reach, "high": reach}
    ]


def shares_of(program: Program, counts: Ints, trims: Ints) -> Ints:
    rows = np.zeros(len(counts), np.int64)
    state, ready = initial_state(program, len(counts)), prepared_values(program, trims)
    return trace(program, counts, rows, rows, state, ready, ("shares",))[1]["shares"]


def test_units_agree_once_trimmed(make_strip: Make) -> None:
    """At one level the units' raw counts differ by far more than their shares do."""
    data = make_strip()
    every = np.ones(len(data.level_mm), np.bool_)
    table = prepare_features(context_of(data), every, "full")
    half = (data.condition == 1) & (data.level_mm > 0) & (np.abs(data.level_mm - 60) < 2)
    raw = data.counts[half].std(axis=0) / 3000
    assert raw.mean() > 0.05
    assert table.shares[half][:, [0, 1, 4, 5]].std(axis=0).max() / SHARE_ONE < 0.01


@pytest.mark.parametrize(
    ("kind", "name", "of"),
    [
        (
            TrimKind.BLOCK,
            "block",
            lambda dry, full: tuple(
                round(d + 0.5 * (f - d)) for d, f in zip(dry.counts, full.counts, strict=True)
            ),
        ),
        (TrimKind.PARTIAL, "partial", lambda dry, full: (*full.counts[:3], *dry.counts[3:])),
    ],
)
def test_surrogate_and_partial_trims_stand_in_for_a_full_one(
    make_strip: Make, kind: TrimKind, name: str, of: Callable[..., tuple[int, ...]]
) -> None:
    """A block that makes half of the step, or a fill over three pads of six, gives nearly the shares of the
    full trim.
    """
    data = with_kind(make_strip(), kind, of)
    every = np.ones(len(data.level_mm), np.bool_)
    full, other = (prepare_features(context_of(data), every, which) for which in ("full", name))
    assert np.abs(full.shares - other.shares).max() < 0.03 * SHARE_ONE
    assert usable_trims(data, every)[-1] == "full"


def test_without_a_trim_the_typical_unit_stands_in(make_strip: Make) -> None:
    data = make_strip()
    found = find_trimming(data, data.rows(Role.FIT), "none")
    assert found.kinds == ()
    assert np.allclose(found.swing, 3000, rtol=0.1)
    assert trim_counts(data, ()).shape == (len(data.frozen.sessions), 0)


def test_a_missing_trim_and_a_wrong_count_law_are_refused(make_strip: Make) -> None:
    data = make_strip()
    with pytest.raises(InputError, match="no block trim"):
        find_trimming(data, data.rows(Role.FIT), "block")
    sensor = replace(data.frozen.sessions[0].mounting.sensor, count_law=CountLaw.FALLS)
    turned = tuple(replace(s, mounting=replace(s.mounting, sensor=sensor)) for s in data.frozen.sessions)
    trims = tuple(replace(t, mounting=turned[0].mounting) for t in data.frozen.trims)
    with pytest.raises(InputError, match="count law 'falls'"):
        find_trimming(
            replace(data, frozen=replace(data.frozen, sessions=turned, trims=trims)),
            data.rows(Role.FIT),
            "full",
        )


def test_still_features_are_those_of_the_program_without_time(make_strip: Make) -> None:
    """Ratios are shares over the wettest pad, with a floor; what stands still has neither flow nor unrest."""
    data = make_strip()
    every = np.ones(len(data.level_mm), np.bool_)
    table = prepare_features(context_of(data), every, "full")
    still = still_features(table.shares, ("ratios",), table.trimming)
    assert np.abs(still - table.of(("ratios",), every)).max() <= 8
    dry = table.of(("ratios",), (data.level_mm == 0) & (data.condition == 1))
    assert dry[:, 2:].max() < 0.6 * SHARE_ONE
    assert still_features(table.shares, ALL, table.trimming)[:, -2:].max() == 0
