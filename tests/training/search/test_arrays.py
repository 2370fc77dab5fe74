"""Training for pad arrays, end to end on made-up captures; and its parts, each against what it must be."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.canonical import sensor_key, sensor_key_1
from dataset.errors import InputError
from dataset.pools import HERE, Pool, Processes
from dataset.records import FrozenData, GroupBy, Limit, Limits, Role
from training.judging.judged import judge, judge_scores
from training.judging.streams import values_of
from training.models.assemble import Parts, assemble
from training.models.operating import Operating, UnseenRows, Wanted, find_operating
from training.models.trimming import TRIMS, trim_counts
from training.models.watch import make_strange, states_of
from training.program import (
    DOUBT,
    FAULT,
    GIVEN,
    RANGE,
    STRANGE,
    VALID,
    WITHHELD,
    Program,
    digest,
    initial_state,
    prepare,
    run,
)
from training.program.interpreter import trace
from training.rows import Ints
from training.search.array_recipes import ALL, MOVING, STILL, ArrayRecipe
from training.search.arrays import _trim_gate, train_array
from training.search.context import Progress, SearchContext, SearchRequest, by_roles, hardware_of, silent
from training.search.dealing import deal
from training.search.metrics import GatedUnits, read_metrics
from training.search.nets.fitting import (
    FeatureTable,
    parts_of,
    prepare_features,
    scores_of,
)
from training.search.nets.learning import learn_all
from training.search.result import SearchResult

Make = Callable[..., FrozenData]
Assembled = tuple[FrozenData, FeatureTable, Parts, Operating, Program]
Trained = tuple[FrozenData, SearchResult, list[tuple[str, int, int]]]
SPAN_MM = 120.0
SMALL = (
    ArrayRecipe((8,), 8, (6,), ALL, True, "full", MOVING, (8,), steps=40),
    ArrayRecipe((8,), 8, (6,), STILL, False, "full", steps=40),
)


def context_of(
    data: FrozenData, limits: Limits | None = None, pool: Pool = HERE, progress: Progress = silent
) -> SearchContext:
    return by_roles(data, hardware_of(data), SearchRequest("m", limits, progress=progress, pool=pool))


@pytest.fixture(scope="module")
def trained(make_strip: Make) -> Trained:
    data = make_strip(units=22, calibrate=9, frames=40)
    limits = Limits(
        "l",
        1,
        (
            Limit("p95_pct_span", 8.0, "clean"),
            Limit("false_wet_episodes", 0.0),
            Limit("dry_missed_share", 0.01),
            Limit("p95_abs_mm", 1.0, "hot"),
            Limit("p95_pct_span", 0.01, "lowest-pad"),
            Limit("p95_pct_span", 20.0, "above-the-lowest-pad"),
            Limit("withheld_share", 0.5, "lowest-pad"),
        ),
    )
    seen: list[tuple[str, int, int]] = []
    made = train_array(context_of(data, limits, progress=lambda *what: seen.append(what)), recipes=SMALL)
    return data, made, seen


def test_a_unit_never_seen_is_read(trained: Trained) -> None:
    """On prove units: levels within a few per cent, a dry tank told as empty, no empty tank read as wet, and
    everything counted.
    """
    data, made, seen = trained
    claims = made.metrics.to_json()["claims"]
    assert read_metrics(json.loads(json.dumps(made.metrics.to_json(), allow_nan=False))) == made.metrics
    assert claims["classes"]["clean"]["p95_pct"] < 5
    assert claims["classes"]["clean"]["groups"] == 2
    assert claims["dry_recognised_share"] == 1.0
    assert claims["false_wet"]["wrong"] == 0
    assert claims["false_wet"]["episodes"] >= 2
    assert {what for what, _, _ in seen} >= {"fitting level nets", "fitting watchers", "scoring"}
    assert made.metrics.to_json()["origin"] == "simulated"
    assert made.program.notes["readings"] == "simulated"
    sensor = data.frozen.sessions[0].mounting.sensor
    keys = (made.program.sensor_key, made.program.sensor_key_1)
    assert keys == (sensor_key(sensor), sensor_key_1(sensor))


def test_the_lowest_pad_and_what_plots_need_are_reported(trained: Trained) -> None:
    """The lowest pad ends at 16 mm of the 120: its frames and the others are all frames with liquid. Risk: a
    stricter doubt never accepts more.
    """
    data, made, _ = trained
    claims = made.metrics.to_json()["claims"]
    wet = data.level_mm[data.rows(Role.PROVE)]
    zones = claims["by"]["zone"]
    assert (
        zones["lowest pad"]["frames"]
        == ((wet > 0) & (wet < 16)).sum() + (~states_of(data).empty[data.rows(Role.PROVE)] & (wet == 0)).sum()
    )
    assert zones["above the lowest pad"]["frames"] == (wet >= 16).sum()
    levels = [row["level_mm"] for row in claims["by_level"]]
    assert levels == sorted(levels)
    assert {row["label_u_mm"] for row in claims["by_level"]} == {0.3}
    assert set(claims["by_class_level"]) <= set(claims["predicted"]) == {"clean", "foam", "film"}
    assert all(
        0 < len(points) <= claims["classes"][name]["frames"] for name, points in claims["predicted"].items()
    )
    proved = {data.frozen.sessions[k].unit.name for k in np.unique(data.session[data.rows(Role.PROVE)])}
    assert {unit["unit"] for unit in claims["units"]} == proved
    assert {trace["unit"] for trace in claims["traces"]} <= proved
    assert set(claims["risk"]) == set(claims["operating"]) == {"clean", "foam", "film", "liquid"}
    for points in claims["risk"].values():
        shares = [point["accepted_share"] for point in points]
        assert shares == sorted(shares)
        assert shares[-1] == 1.0


def test_limits_are_answered_by_class(trained: Trained) -> None:
    """Met where the class meets them; a condition that nobody captured lacks evidence."""
    _, made, _ = trained
    said = {(row["metric"], row["condition"]): row["answer"] for row in made.metrics.to_json()["limits"]}
    assert said["p95_pct_span", "clean"] == "met"
    assert said["false_wet_episodes", "all"] == "met"
    assert said["dry_missed_share", "all"] == "met"
    assert said["p95_abs_mm", "hot"] == "not enough evidence"


def test_limits_hold_the_zone_of_the_lowest_pad(trained: Trained) -> None:
    """Below the top of the lowest pad one pad alone tells the level: limits of its own, answered by the
    figures of that zone.
    """
    _, made, _ = trained
    kept = made.metrics.to_json()
    rows = {(row["metric"], row["condition"]): row for row in kept["limits"]}
    zone = kept["claims"]["by"]["zone"]["lowest pad"]
    assert rows["p95_pct_span", "lowest-pad"]["answer"] == "not met"
    assert rows["p95_pct_span", "lowest-pad"]["value"] == zone["p95_pct"] > 0.01
    assert rows["withheld_share", "lowest-pad"]["answer"] == "met"
    assert rows["withheld_share", "lowest-pad"]["value"] == pytest.approx(1 - zone["accepted_share"])
    assert rows["p95_pct_span", "above-the-lowest-pad"]["answer"] == "met"


def test_a_band_is_given_with_nine_groups(trained: Trained) -> None:
    data, made, _ = trained
    assert made.metrics.to_json()["band"]["given"]
    covered = made.metrics.to_json()["claims"]["band"]["covered_share"]
    assert covered > 0.7
    counts = data.frames[0].counts.astype(np.int64)
    its = run(made.program, counts, trim=trim_counts(data, TRIMS["full"])[0])
    given = its.validity == 1
    assert given.any()
    assert (its.low[given] <= its.level[given]).all()
    assert (its.level[given] <= its.high[given]).all()
    assert (its.high[given] - its.low[given] < made.program.span).all()


@pytest.mark.slow
def test_the_same_again(make_strip: Make) -> None:
    """Equal input gives an equal program, whatever the number of cores."""
    data = make_strip(frames=30)
    one, two = (train_array(context_of(data, pool=pool), recipes=SMALL[1:]) for pool in (HERE, Processes(2)))
    assert digest(one.program) == digest(two.program)
    assert one.metrics == two.metrics
    assert not one.metrics.to_json()["band"]["given"]
    assert "9 calibrate groups" in one.metrics.to_json()["band"]["reason"]


@pytest.mark.slow
def test_temperature_bands_give_no_error_band_and_no_confidence(make_strip: Make) -> None:
    """Nine calibrate groups would do, were they drawn; figures and limits without a confidence are answered
    as ever. Groups are renamed only.
    """
    data = make_strip(units=22, calibrate=9, frames=30)
    by_temperature = replace(data, frozen=replace(data.frozen, group_by=GroupBy.TEMPERATURE))
    rows = Limit("p95_pct_span", 20.0, "clean"), Limit("p95_pct_span", 20.0, "clean", 0.5)
    limits = Limits("l", 1, rows)
    found = []
    for its in (data, by_temperature):
        made = train_array(context_of(its, limits), recipes=SMALL[1:])
        found.append(
            (
                made.metrics.to_json()["band"]["given"],
                [row["answer"] for row in made.metrics.to_json()["limits"]],
                "seen_in_prove_bands" in made.metrics.to_json(),
            )
        )
        assert made.metrics.to_json()["claims"]["classes"]["clean"]["groups"] == 2
    assert found == [(True, ["met", "met"], False), (False, ["met", "not enough evidence"], True)]
    assert made.metrics.to_json()["band"]["reason"].startswith("temperature bands are chosen, not drawn")


@pytest.fixture(scope="module")
def parts(make_strip: Make) -> Assembled:
    data = make_strip(frames=40)
    context, recipe = context_of(data), SMALL[0]
    every = np.ones(len(data.level_mm), np.bool_)
    table = prepare_features(context, every, "full")
    folds = deal(context, in_turn=False).folds
    made = parts_of(context, table, recipe, learn_all(context, table, (recipe,), folds).kept)
    rows = UnseenRows(scores_of(context, table, made, every), data.level_mm, states_of(data), data.group)
    at = find_operating(rows, SPAN_MM, Wanted({"clean": 0.9, "foam": 0.6, "film": 0.6}))
    return data, table, made, at, assemble("m", context.hardware, made, at, None, {})


def test_scores_from_features_are_those_of_the_program(parts: Assembled) -> None:
    """What candidates are judged by is what the program would say, frame by frame, running means and
    thresholds included.
    """
    data, table, made, at, program = parts
    every = np.ones(len(data.level_mm), np.bool_)
    its = scores_of(context_of(data), table, made, every)
    found = values_of(
        program,
        data,
        every,
        table.trims,
        ("level_raw", "level_foam", "doubt", "strange", "foam", "film", "wettest"),
    )
    for name in ("doubt", "strange", "foam", "film", "wettest"):
        assert np.array_equal(found[name][:, 0], getattr(its, name)), name
    for name, level in (("level_raw", its.plain_mm), ("level_foam", its.foam_mm)):
        assert np.array_equal(np.clip(found[name][:, 0] / 64, 0, SPAN_MM), level)
    fast, whole = (
        judge_scores(its, at, data, every, SPAN_MM),
        judge(program, data, every, table.trims, SPAN_MM),
    )
    assert np.array_equal(fast.validity, whole.validity)
    assert np.array_equal(np.nan_to_num(fast.level_mm), np.nan_to_num(whole.level_mm))
    assert np.array_equal(fast.flags & 3, whole.flags & 3)


def test_a_level_that_no_pad_bears_out_is_doubted_by_the_program_too(parts: Assembled) -> None:
    """Asked for wetter pads than half of the frames show, both withhold the same frames, for doubt."""
    data, table, made, at, _ = parts
    every = np.ones(len(data.level_mm), np.bool_)
    its = scores_of(context_of(data), table, made, every)
    asking = replace(at, wet_least=int(np.median(its.wettest)), wet_level=1000)
    program = assemble("m", hardware_of(data), made, asking, None, {})
    fast = judge_scores(its, asking, data, every, SPAN_MM)
    whole = judge(program, data, every, table.trims, SPAN_MM)
    more = ~fast.accepted & judge_scores(its, at, data, every, SPAN_MM).accepted
    assert more.sum() > 100
    assert np.array_equal(fast.validity, whole.validity)
    assert whole.reason is not None
    assert set(whole.reason[more].tolist()) == {DOUBT}


def test_temperatures_are_grouped_by_ten_degrees(parts: Assembled) -> None:
    """Below zero too; a frame without a temperature says so."""
    data, table, made, at, _ = parts
    every = np.ones(len(data.level_mm), np.bool_)
    warm = replace(data, temperature_c=np.resize([25.0, -0.5, np.nan], len(every)))
    places = judge_scores(scores_of(context_of(data), table, made, every), at, warm, every, SPAN_MM).places
    found = [places["temperature"].name(row) for row in range(3)]
    assert found == ["20 to 30 °C", "-10 to 0 °C", "not measured"]


def test_a_fault_bit_withholds_and_an_unplugged_pad_is_found(parts: Assembled) -> None:
    """Withheld is low 0, level -1, high full; most frames with a pad cut off are withheld as out of range."""
    data, table, _, _, program = parts
    counts = data.frames[0].counts.astype(np.int64)
    trim = table.trims[0]
    faulty = run(program, counts, faults=np.ones(len(counts), np.int64), trim=trim)
    assert set(faulty.validity.tolist()) == {0}
    assert set(faulty.low.tolist()) == {0}
    assert set(faulty.level.tolist()) == {-1}
    assert set(faulty.high.tolist()) == {program.span}
    assert (faulty.flags & 8).all()
    assert set(faulty.reason.tolist()) == {FAULT}
    cut = counts.copy()
    cut[:, 2] = 100
    its = run(program, cut, trim=trim)
    assert (its.validity == 0).all()
    assert (its.flags & 4).all()
    assert set(its.reason.tolist()) <= {RANGE, STRANGE}


def test_the_reason_is_the_gravest_that_holds(parts: Assembled) -> None:
    """Fault, then range, then strange, then doubt, frame by frame as the program's own conditions say."""
    data, table, _, _, program = parts
    counts = data.frames[0].counts.astype(np.int64).copy()
    rng = np.random.default_rng(3)
    counts[::3] = rng.integers(counts.min(), counts.max(), counts[::3].shape)
    counts[::7, 2] = 100
    faults = (np.arange(len(counts)) % 11 == 0).astype(np.int64)
    names = ("sensor_fault", "is_outside", "is_strange", "is_doubted", *program.outputs.values())
    state, ready = initial_state(program), prepare(program, table.trims[:1])
    seen = set()
    for k in range(len(counts)):
        state, found = trace(
            program, counts[k, None], np.asarray([200]), faults[k, None], state, ready, names
        )
        now = {name: bool(value[0, 0]) for name, value in found.items()}
        due = DOUBT if now["is_doubted"] else GIVEN
        due = STRANGE if now["is_strange"] else due
        reason = int(found[program.outputs["reason"]][0, 0])
        due = RANGE if now["is_outside"] else due
        due = FAULT if now["sensor_fault"] else due
        assert reason == due
        assert (reason == GIVEN) == (found[program.outputs["validity"]][0, 0] != WITHHELD)
        seen.add(reason)
    assert {GIVEN, STRANGE, RANGE, FAULT} <= seen


def test_a_full_trim_taken_dry_is_refused(trained: Trained) -> None:
    """A unit whose 'full' is its dry trim would read an empty tank whatever is in it, and overflow logic
    would go on filling; it is refused before the first frame, and so is one whose swing is under half of any.
    """
    data, made, _ = trained
    counts = data.frames[0].counts.astype(np.int64)
    trim = trim_counts(data, TRIMS["full"])[0]
    assert (run(made.program, counts, trim=trim).validity == VALID).any()
    for part in (0, 3):
        spoilt = _swinging(made.program, (trim[6:] - trim[:6]) * part // 10)
        assert made.program.trim is not None
        assert (spoilt >= made.program.trim.low).all()  # nothing else is wrong with it
        assert (spoilt <= made.program.trim.high).all()
        with pytest.raises(InputError, match=r"channel 0, full less dry: .*; expected a swing from"):
            run(made.program, counts, trim=spoilt)
    assert made.metrics.to_json()["trim_gate"] == {
        "room": 1.5,
        "choose": {"units": 2, "refused": []},
        "calibrate": {"units": 9, "refused": []},
    }


def _swinging(program: Program, swing: Ints) -> Ints:
    """A trim of dry and full, inside the program's limits of both, that is ``swing`` apart."""
    assert program.trim is not None
    low, high = np.asarray(program.trim.low), np.asarray(program.trim.high)
    dry = (np.maximum(low[:6], low[6:] - swing) + np.minimum(high[:6], high[6:] - swing)) // 2
    return np.concatenate([dry, dry + swing])


def test_a_refused_unit_is_counted_and_gives_nothing(trained: Trained) -> None:
    """Of a choose unit with a full trim that moved by a third only: its share stands in the metrics, and it
    is judged as what the chip gives, a sensor fault.
    """
    data, made, _ = trained
    context = context_of(data)
    table = prepare_features(context, np.ones(len(data.level_mm), np.bool_), "full")
    chosen = np.unique(data.session[context.choose])
    unit = data.frozen.sessions[int(chosen[0])].unit.name
    spoilt = np.asarray([s.unit.name == unit for s in data.frozen.sessions])
    trims = table.trims.copy()
    trims[spoilt] = _swinging(made.program, (trims[spoilt][0, 6:] - trims[spoilt][0, :6]) // 3)
    gate = _trim_gate(context, replace(table, trims=trims), made.program)
    assert gate is not None
    assert gate.choose == GatedUnits(2, (unit,))
    assert gate.calibrate is not None
    assert gate.calibrate.refused == ()
    rows = np.isin(data.session, chosen)
    judged = judge(made.program, data, rows, trims, SPAN_MM)
    of_it = spoilt[data.session[rows]]
    assert judged.reason is not None
    assert (judged.reason[of_it] == FAULT).all()
    assert (judged.validity[of_it] == WITHHELD).all()
    assert set(judged.low_mm[of_it].tolist()) == {0.0}
    assert set(judged.high_mm[of_it].tolist()) == {made.program.span / 64}
    assert (judged.validity[~of_it] != WITHHELD).any()


def test_strange_frames_differ_from_what_was_captured() -> None:
    """Each made-up frame has a pad that moved by 0.3 of a swing; equal seeds give equal frames."""
    shares = np.tile(np.linspace(4096, 0, 6), (50, 1))
    made = make_strange(shares, np.random.default_rng(1), 40)
    assert made.shape == (40, 6)
    assert (np.abs(made - shares[0]).max(axis=1) > 0.3 * 4096).all()
    assert np.array_equal(made, make_strange(shares, np.random.default_rng(1), 40))


def test_an_unknown_trim_and_too_few_units_are_refused(make_strip: Make) -> None:
    data = make_strip(frames=20)
    with pytest.raises(InputError, match="trim: block"):
        train_array(context_of(data), trim="block")
    few = make_strip(frames=20, units=3, choose=0, prove=1)
    with pytest.raises(InputError, match="no 'choose' group"):
        train_array(context_of(few))


@pytest.mark.longer
def test_one_fit_group_is_refused_and_two_are_enough(make_strip: Make) -> None:
    """What to doubt is learnt on fit groups that a net was not fitted on, so one is too few."""
    one, two = (make_strip(frames=20, units=2 + fit, choose=1, prove=1) for fit in (1, 2))
    with pytest.raises(InputError, match="1 'fit' group; expected at least 2 'fit' groups for a pad array"):
        train_array(context_of(one), recipes=SMALL)
    assert train_array(context_of(two), recipes=SMALL).metrics.to_json()["fit"]["groups"] == 2


def test_fit_groups_are_scored_too_each_by_a_fit_without_it(make_strip: Make) -> None:
    """Every fit and choose row is scored once, by a fit to fit rows of other groups."""
    context = context_of(make_strip(frames=20))
    dealt = deal(context, in_turn=False)
    times = np.sum([fold.score for fold in dealt.folds], axis=0)
    assert np.array_equal(times, context.fit | context.choose)
    for fold in dealt.folds:
        fitted, scored = (set(context.data.group[rows].tolist()) for rows in (fold.fit, fold.score))
        assert not fitted & scored
        assert (context.fit[fold.fit]).all()
