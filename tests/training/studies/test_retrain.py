"""Tank change: two tanks' captures joined, levels that move with the pads, the ways compared, and the
learning curve; on made-up strips.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.pools import HERE
from dataset.records import (
    CountLaw,
    FrozenData,
    GroupBy,
    Limit,
    Limits,
    Model,
    Mounting,
    Pad,
    Role,
    Sensor,
    Tank,
    TrimKind,
    Unit,
)
from training.program import digest, to_json
from training.search.array_recipes import STILL, ArrayRecipe
from training.search.arrays import train_array
from training.search.context import SearchRequest, by_roles, hardware_of
from training.search.kept_recipe import (
    CurveRecipe,
    KeptRecipe,
    NamedSet,
    any_recipe,
    array_recipe,
    read_recipe,
)
from training.search.nets.refitting import spread_rows
from training.search.study_figures import CurvePoint, Needed, Retraining
from training.search.train import train
from training.studies.joining import joined, new_level, with_choose
from training.studies.learning_curve import ALONE, SUPERPOSED, TOGETHER, learning_curve, more_units, reached
from training.studies.retrain import OLD, Retrained, retrain

Make = Callable[..., FrozenData]
Made = tuple[Model, Retrained, list[tuple[str, int, int]]]
RECIPE = ArrayRecipe((6,), 16, (6,), STILL, False, "full", steps=25)
WAYS = (OLD, TOGETHER, SUPERPOSED, ALONE)
LIMITS = Limits("l", 1, (Limit("p95_pct_span", 12.0, "clean"),))


def other_tank(
    data: FrozenData, name: str = "later", stretch: float = 1.25, offset: float = 0.0
) -> FrozenData:
    """The same counts as of another tank: units of their own, pads and levels ``stretch`` times as high."""
    old = data.frozen.sessions[0].mounting
    pads = tuple(
        replace(p, bottom_mm=p.bottom_mm * stretch, height_mm=p.height_mm * stretch) for p in old.sensor.pads
    )
    tank = Tank(name, 1, old.tank.span_mm * stretch + offset)
    mounting = Mounting(name, tank, replace(old.sensor, name=f"{name}-strip", pads=pads), offset)

    def its(unit: Unit) -> Unit:
        return Unit(f"{name} {unit.name}")

    def sha(of: str) -> str:
        return of[::-1]

    sessions = tuple(
        replace(s, id=s.id[::-1], sha256=sha(s.sha256), unit=its(s.unit), mounting=mounting)
        for s in data.frozen.sessions
    )
    trims = tuple(
        sorted(
            (
                replace(t, unit=its(t.unit), mounting=mounting, sha256=sha(t.sha256))
                for t in data.frozen.trims
            ),
            key=lambda t: t.sha256,
        )
    )
    roles = tuple((f"{name} {group}", role) for group, role in data.frozen.roles)
    frozen = replace(data.frozen, name=name, sha256="ef" * 32, sessions=sessions, trims=trims, roles=roles)
    level = np.where(data.level_mm > 0, data.level_mm * stretch + offset, data.level_mm)
    return replace(data, frozen=frozen, level_mm=level)


def model_of(data: FrozenData, recipe: ArrayRecipe = RECIPE) -> Model:
    context = by_roles(data, hardware_of(data), SearchRequest("first", LIMITS, pool=HERE))
    made = train_array(context, recipes=(recipe,))
    return Model(
        "first",
        digest(made.program),
        data.frozen,
        LIMITS,
        json.dumps(made.recipe.to_json()),
        "{}",
        "{}",
        to_json(made.program),
        made.float_onnx,
    )


@pytest.fixture(scope="module")
def old(make_strip: Make) -> FrozenData:
    return make_strip(units=7, frames=20)


@pytest.fixture(scope="module")
def new(make_strip: Make) -> FrozenData:
    return other_tank(make_strip(units=9, frames=20, prove=3, seed=7))


@pytest.fixture(scope="module")
def made(old: FrozenData, new: FrozenData) -> Made:
    seen: list[tuple[str, int, int]] = []
    model = model_of(old)
    its = retrain(
        model,
        old,
        new,
        SearchRequest("second", LIMITS, progress=lambda *what: seen.append(what), pool=HERE),
    )
    return model, its, seen


def strip_at(
    bottoms: tuple[float, ...], height: float, offset: float = 0.0, law: CountLaw = CountLaw.RISES
) -> Mounting:
    pads = tuple(Pad(k, f"p{k}", bottom, height) for k, bottom in enumerate(bottoms))
    return Mounting("m", Tank("t", 1, 100.0), Sensor("s", 1, pads, 16, law, 100), offset)


def test_levels_move_with_the_pads() -> None:
    """By hand: pads at 10 to 20 and 30 to 40 mm, then at 30 to 50 and 60 to 70 with 5 mm more below; halves
    stay halves; beyond the ends it is mm for mm.
    """
    old, new = strip_at((10.0, 30.0), 10.0), strip_at((20.0, 60.0), 20.0, 5.0)
    moved = new_level(np.asarray([4.0, 10.0, 15.0, 20.0, 25.0, 40.0, 43.0]), old, new)
    np.testing.assert_allclose(moved, [19.0, 25.0, 35.0, 45.0, 55.0, 85.0, 88.0])
    np.testing.assert_array_equal(new_level(np.asarray([0.3]), old, old), [0.3])
    np.testing.assert_allclose(
        new_level(np.asarray([15.0, 2.0]), old, replace(old, offset_mm=-1.5)), [13.5, 0.5]
    )


def test_another_board_is_refused() -> None:
    with pytest.raises(InputError, match="count law rises"):
        new_level(np.zeros(1), strip_at((0.0,), 1.0), strip_at((0.0,), 1.0, law=CountLaw.FALLS))
    with pytest.raises(InputError, match="channels level, level"):
        new_level(np.zeros(1), strip_at((0.0, 2.0), 1.0), strip_at((0.0,), 1.0))


def test_joined_sets_keep_every_frame_where_it_belongs(old: FrozenData, new: FrozenData) -> None:
    """New rows first and untouched; each earlier row has its own session's frame, trims and condition, and
    its level on the new pads.
    """
    both, left = joined(old, new)
    n = len(new.session)
    assert (left.same_sessions, left.held_out_units) == (0, 0)
    for role in (Role.CHOOSE, Role.PROVE):
        np.testing.assert_array_equal(np.flatnonzero(both.rows(role)), np.flatnonzero(new.rows(role)))
    np.testing.assert_array_equal(both.level_mm[:n], new.level_mm)
    assert both.rows(Role.FIT)[n:].all()
    for row in range(n, len(both.session), 37):
        session = both.frozen.sessions[both.session[row]]
        assert session in old.frozen.sessions
        np.testing.assert_array_equal(
            both.frames[both.session[row]].counts[both.frame[row]], both.counts[row]
        )
        trim = both.trim(int(both.session[row]), TrimKind.FULL)
        assert trim is not None
        assert trim.unit == session.unit
        assert both.frozen.roles[both.group[row]][0] == f"strip: {session.unit.name}"
    was = old.level_mm[(old.level_mm > 0)]
    now = both.level_mm[n:][both.level_mm[n:] > 0]
    inside = was <= 116  # the pads' top; beyond it mm for mm
    np.testing.assert_allclose(now[: len(was)][inside], was[inside] * 1.25)
    assert left.moved_mm == pytest.approx(116 * 0.25)
    conditions = [both.conditions[k] for k in both.condition[n:]]
    assert conditions == [old.conditions[k] for k in old.condition]


def test_what_would_flatter_the_claims_is_left_out(old: FrozenData, new: FrozenData) -> None:
    """A session that both sets have counts once; an earlier session of a unit that the new set proves on is
    not fitted.
    """
    proved = sorted({s.unit.name for s in new.frozen.sessions})[-1]
    sessions = [*old.frozen.sessions]
    sessions[0] = replace(sessions[0], unit=Unit(proved))
    sessions[5] = replace(sessions[5], sha256=new.frozen.sessions[0].sha256)
    both, left = joined(replace(old, frozen=replace(old.frozen, sessions=tuple(sessions))), new)
    assert (left.same_sessions, left.held_out_units) == (1, 1)
    earlier = both.frozen.sessions[len(new.frozen.sessions) :]
    assert len(earlier) == len(sessions) - 2
    assert proved not in {s.unit.name for s in earlier}
    np.testing.assert_array_equal(both.frames[both.session[-1]].counts[both.frame[-1]], both.counts[-1])


def test_levels_above_the_new_span_are_left_out(old: FrozenData) -> None:
    short = other_tank(old, "short", 1.0)
    cut = tuple(
        replace(s, mounting=replace(s.mounting, tank=replace(s.mounting.tank, span_mm=60.0)))
        for s in short.frozen.sessions
    )
    low = replace(short, frozen=replace(short.frozen, sessions=cut))
    both, left = joined(old, low)
    assert left.rows_above == (old.level_mm > 60).sum()
    assert both.level_mm[len(low.session) :].max() <= 60


def test_a_set_without_choose_groups_gives_some_of_its_fit_groups(make_strip: Make) -> None:
    data = make_strip(units=7, choose=0, prove=2, frames=5)
    taken = with_choose(data).frozen.groups(Role.CHOOSE)
    assert taken == ("unit-00", "unit-04")
    assert with_choose(data).frozen.groups(Role.PROVE) == data.frozen.groups(Role.PROVE)
    with pytest.raises(InputError, match="2 'fit' groups and no 'choose' group"):
        with_choose(make_strip(units=4, choose=0, prove=2, frames=5))


def test_rows_are_spread_over_sessions(old: FrozenData) -> None:
    kept = spread_rows(old, old.rows(Role.FIT), 160)
    assert not (kept & ~old.rows(Role.FIT)).any()
    _, sizes = np.unique(old.session[kept], return_counts=True)
    assert len(sizes) == len(np.unique(old.session[old.rows(Role.FIT)]))
    assert set(sizes.tolist()) == {160 // len(sizes)}


@pytest.mark.slow
def test_all_ways_are_compared_on_groups_held_out(made: Made, new: FrozenData) -> None:
    """Four ways, judged on the three prove units; the refit kept is the first that the units left out favour;
    differences are paired and signed.
    """
    model, its, seen = made
    found = its.figures.to_json()
    assert {way["way"] for way in found["ways"]} == set(WAYS)
    assert found["refused"] == {}
    picking = found["picking"]
    assert (picking["units"], picking["parts"]) == (6, 4)
    assert {way["way"] for way in picking["ways"]} == set(WAYS)
    assert found["favoured"] == picking["favoured"] == found["ways"][0]["way"]
    others = [way["way"] for way in picking["ways"] if way["way"] != found["favoured"]]
    assert [way["way"] for way in found["ways"][1:]] == others
    assert found["kept"] == next(way["way"] for way in found["ways"] if way["way"] != OLD)
    assert set(found["ahead"]) == set(WAYS) - {found["kept"]}
    means = {way["way"]: way["classes"]["clean"] for way in found["ways"]}
    assert {row["groups"] for row in means.values()} == {3}
    for ahead in found["ahead"].values():
        error = ahead["classes"]["clean"]["error_mm"]
        assert error["low"] <= error["value"] <= error["high"]
    steps = {OLD, ALONE, "leaving units out", f"learning curve, {SUPERPOSED}"}
    assert {what for what, _, _ in seen} >= steps
    assert its.trained.program.span == 150 * 64
    assert its.trained.recipe.frozen == NamedSet(new.frozen.name, new.frozen.sha256)
    assert its.trained.metrics.to_json()["retraining"] == found == json.loads(json.dumps(found))
    assert Retraining.from_json(found) == its.figures
    assert model.name == found["parent"]


@pytest.mark.slow
def test_trims_that_the_old_model_does_not_take_are_named(old: FrozenData, new: FrozenData) -> None:
    """One unit's dry trim beyond what the old model declares, and what a new one could: said by unit, kind
    and pad.
    """
    first = new.frozen.trims[0]
    odd = replace(first, counts=(first.counts[0] + 8000, *first.counts[1:]))
    data = replace(new, frozen=replace(new.frozen, trims=(odd, *new.frozen.trims[1:])))
    with pytest.raises(InputError) as told:
        retrain(model_of(old), old, data, SearchRequest("second", LIMITS, pool=HERE), steps=5)
    where = (
        f"unit {first.unit.name} on mounting later, {first.kind.value} trim, pad p0: "
        f"{odd.counts[0]}; expected "
    )
    assert str(told.value).count(where) == 4
    assert "the limits of trims that model first declares" in str(told.value)
    assert "what the trims to fit on allow" in str(told.value)


@pytest.mark.slow
def test_the_old_program_reads_the_same_liquid_at_the_new_pads(made: Made) -> None:
    """Its levels are moved by a quarter, as the pads were: the error stays of the size that it had; unmoved
    it would be a quarter of the level.
    """
    _, its, _ = made
    way = next(way for way in its.figures.ways if way.way == OLD)
    p95_pct = way.classes["clean"].p95_pct
    assert p95_pct is not None
    assert p95_pct < 10
    assert way.span_mm == 120
    assert its.figures.moved_mm == pytest.approx(29.0)


@pytest.mark.slow
def test_another_board_leaves_new_alone(old: FrozenData, new: FrozenData, made: Made) -> None:
    """A sensor of half the pace: neither the old program nor the old sessions serve, each with its reason;
    the refit on new sessions does.
    """
    model, _, _ = made
    slow = tuple(
        replace(s, mounting=replace(s.mounting, sensor=replace(s.mounting.sensor, period_ms=200)))
        for s in new.frozen.sessions
    )
    quick = replace(model, recipe=json.dumps(json.loads(model.recipe) | {"steps": 20}))
    its = retrain(
        quick,
        old,
        replace(new, frozen=replace(new.frozen, sessions=slow)),
        SearchRequest("x", pool=HERE),
    )
    figures = its.figures
    assert set(figures.refused) == {OLD, TOGETHER, SUPERPOSED}
    assert "100 ms a frame" in figures.refused[OLD]
    assert "period_ms 100" in figures.refused[TOGETHER]
    assert figures.kept == ALONE
    assert {row.way for row in figures.curve.rows} == {ALONE}
    assert figures.curve.needed == {TOGETHER: None, ALONE: None}


@pytest.mark.slow
def test_the_curve_says_how_many_sessions_are_needed(made: Made) -> None:
    """Units one after the other, four sessions each; new alone starts at two."""
    _, its, _ = made
    curve = its.figures.curve
    assert [(r.way, r.units) for r in curve.rows] == [(TOGETHER, n) for n in (1, 2, 3, 4)] + [
        (SUPERPOSED, n) for n in (1, 2, 3, 4)
    ] + [(ALONE, n) for n in (2, 3, 4)]
    assert all(r.sessions == 4 * r.units for r in curve.rows)
    assert curve.choose_sessions == 8
    together, alone = curve.needed[TOGETHER], curve.needed[ALONE]
    if together is not None and alone is not None:
        assert curve.ratio == pytest.approx(together.sessions / alone.sessions, rel=1e-5)


def test_a_recipe_is_read_from_a_training_and_from_a_store() -> None:
    """As it was written, the recipe of the nets among its entries."""
    array = replace(RECIPE, foam=(4, 3))
    recipe = KeptRecipe(family="array net", size="8", bits=array.bits, seed=0, array=array)
    kept = json.loads(json.dumps(recipe.to_json()))
    assert kept["foam"] == [4, 3]
    assert kept["hidden"] == list(RECIPE.hidden)
    assert "array" not in kept
    assert read_recipe(json.dumps(kept)) == recipe
    assert array_recipe("m", read_recipe(json.dumps(kept))) == array
    assert read_recipe("[]") == KeptRecipe()


def test_reached_means_from_there_to_the_end() -> None:
    def first(*held: bool | None) -> Needed | None:
        rows = [
            CurvePoint(ALONE, k, 4 * k, 1.0, 1.0, {}, 0, holds, None) for k, holds in enumerate(held, start=1)
        ]
        return reached(rows, lambda row: row.reaches)

    assert first(True, False, True, True) == Needed(3, 12)
    assert first(True, True) == Needed(1, 4)
    assert first(True, True, False) is None
    assert first(None, None) is None


def test_more_units_are_told_from_the_law_of_the_curve() -> None:
    """By hand: 2 mm + 3 mm / units; within a tenth of 2 mm from 15 units on, 11 more than 4. Of a curve that
    rises, and of two points, nothing is said.
    """

    def curve(errors: list[float]) -> list[CurvePoint]:
        return [
            CurvePoint(TOGETHER, k, 4 * k, mm, 1.0, {}, 0, True, None) for k, mm in enumerate(errors, start=1)
        ]

    more = more_units(curve([5.0, 3.5, 3.0, 2.75]), TOGETHER)
    assert more is not None
    assert (more.units, more.further, more.error_mm) == (4, 11, 2.75)
    assert more.end_mm == pytest.approx(2.0)
    assert more_units(curve([2.0, 2.1, 2.2]), TOGETHER) is None
    assert more_units(curve([3.0, 2.0]), TOGETHER) is None
    assert more_units(curve([5.0, 3.5, 3.0]), ALONE) is None


def test_a_point_that_cannot_be_had_has_neither_classes_nor_false_wets() -> None:
    refused = CurvePoint(ALONE, 2, 8, None, None, None, None, False, "no integers").to_json()
    assert list(refused) == ["way", "units", "sessions", "error_mm", "accepted_share", "reaches", "refused"]
    read = CurvePoint.from_json(refused)
    assert read is not None
    assert (read.classes, read.false_wet) == (None, None)


@pytest.mark.slow
def test_the_same_curve_twice(old: FrozenData, new: FrozenData) -> None:
    hardware = hardware_of(new)
    one, two = (
        learning_curve(new, None, hardware, replace(RECIPE, steps=6), SearchRequest("x", LIMITS, seed=3))
        for _ in range(2)
    )
    assert one == two


@pytest.mark.slow
def test_a_curve_of_few_pads_is_refitted_too(old: FrozenData, new: FrozenData) -> None:
    """A model without trims or steps goes the same ways, and its own recipe alone is fitted again."""
    first = train(old, SearchRequest("first", LIMITS, pool=HERE), families=("hinge",))
    model = Model(
        "first",
        digest(first.program),
        old.frozen,
        LIMITS,
        json.dumps(first.recipe.to_json()),
        "{}",
        "{}",
        to_json(first.program),
        first.float_onnx,
    )
    again = retrain(model, old, new, SearchRequest("second", LIMITS, pool=HERE))
    figures = again.figures
    assert figures.refused == {}
    assert {way.way for way in figures.ways} == set(WAYS)
    assert figures.picking is not None
    assert figures.picking.units == 6
    kept, recipe = again.trained.recipe, first.recipe
    assert (kept.family, kept.size, kept.bits) == (recipe.family, recipe.size, recipe.bits)
    assert isinstance(figures.recipe, CurveRecipe)
    assert (figures.recipe.family, figures.recipe.size) == ("hinge", recipe.size)
    assert (figures.recipe.trim, figures.curve.steps) == ("", None)
    assert {row.way for row in figures.curve.rows} == {TOGETHER, SUPERPOSED, ALONE}
    assert all(row.error_mm is not None for row in figures.curve.rows)
    assert Retraining.from_json(json.loads(json.dumps(figures.to_json()))) == figures


def test_why_a_curve_of_few_pads_has_nothing_to_study_is_said() -> None:
    kept = read_recipe('{"family": "trees", "size": 3, "bits": 8, "families": ["trees"]}')
    assert any_recipe("m", kept) == CurveRecipe("trees", 3, 8)
    with pytest.raises(
        InputError, match="takes no trims and has no features to vary; expected a model of a pad"
    ):
        array_recipe("m", kept)
    with pytest.raises(InputError, match="family 'trees' without the rest of its recipe"):
        any_recipe("m", read_recipe('{"family": "trees", "size": 3}'))


@pytest.mark.slow
def test_sets_without_proof_are_refused(old: FrozenData, new: FrozenData, made: Made) -> None:
    model, _, _ = made
    unproved = replace(
        new, frozen=replace(new.frozen, roles=tuple((g, Role.FIT) for g, _ in new.frozen.roles))
    )
    with pytest.raises(InputError, match="no frames in 'fit' or in 'prove' groups"):
        retrain(model, old, unproved, SearchRequest("x", pool=HERE))
    by_temperature = replace(new, frozen=replace(new.frozen, group_by=GroupBy.TEMPERATURE))
    with pytest.raises(InputError, match="groups by temperature; expected groups by unit"):
        retrain(model, old, by_temperature, SearchRequest("x", pool=HERE))
