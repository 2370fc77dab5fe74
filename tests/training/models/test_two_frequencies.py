"""Places that are read at two frequencies: their features, in the program and in scores, and what a search
makes of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.pools import HERE
from dataset.records import Frames, FrozenData, Pad, Role, Session, Trim, TrimKind
from training.judging.judged import judge, judge_scores
from training.judging.streams import values_of
from training.models.assemble import assemble
from training.models.features import groups_of, still_features, width
from training.models.operating import UnseenRows, Wanted, find_operating
from training.models.trimming import find_trimming
from training.models.watch import states_of
from training.program import LEVEL_UNITS_PER_MM
from training.search.array_recipes import ALL, MOVING, ArrayRecipe, default_recipes
from training.search.arrays import train_array
from training.search.context import SearchContext, SearchRequest, by_roles, hardware_of
from training.search.dealing import deal
from training.search.nets.fitting import (
    parts_of,
    prepare_features,
    scores_of,
)
from training.search.nets.learning import learn_all
from training.search.nets.refitting import refit

Make = Callable[..., FrozenData]
PADS, SPAN_MM = 6, 120.0
BOTH = ArrayRecipe((6,), 8, (6,), (*ALL, "dispersion"), True, "full", MOVING, (6,), steps=15)


def context_of(data: FrozenData) -> SearchContext:
    return by_roles(data, hardware_of(data), SearchRequest("m", pool=HERE))


def read_twice(
    data: FrozenData, places: int = PADS, frequencies: tuple[float, float] = (2e7, 1e6)
) -> FrozenData:
    """The captures with the lowest ``places`` read at a second frequency too, at which under foam and film
    each shows halfway towards full what it shows at the first; the trims of both are alike.
    """
    high, low = frequencies
    full = {t.unit.name: np.asarray(t.counts) for t in data.frozen.trims if t.kind is TrimKind.FULL}
    sensor = data.frozen.sessions[0].mounting.sensor
    lower = tuple(replace(p, channel=PADS + k, frequency_hz=low) for k, p in enumerate(sensor.pads[:places]))
    pads: tuple[Pad, ...] = (*(replace(p, frequency_hz=high) for p in sensor.pads), *lower)
    mounting = replace(data.frozen.sessions[0].mounting, sensor=replace(sensor, pads=pads))

    def twice(counts: np.ndarray, unit: str, on_it: np.ndarray) -> np.ndarray:
        nearer = np.where(on_it[:, None], (counts + full[unit]) // 2, counts)
        return np.hstack([counts, nearer[:, :places]])

    sessions: list[Session] = []
    counts, frames, on_it = [], [], data.condition >= 2
    for k, session in enumerate(data.frozen.sessions):
        rows = data.session == k
        sessions.append(replace(session, mounting=mounting))
        counts.append(twice(data.counts[rows], session.unit.name, on_it[rows]))
        frames.append(Frames(data.frames[k].t_ms, counts[-1].astype(np.uint32)))
    trims: tuple[Trim, ...] = tuple(
        replace(t, mounting=mounting, counts=(*t.counts, *t.counts[:places])) for t in data.frozen.trims
    )
    frozen = replace(data.frozen, sessions=tuple(sessions), trims=trims)
    return replace(data, frozen=frozen, counts=np.concatenate(counts), frames=tuple(frames))


def test_a_place_is_paired_with_itself_at_its_highest_frequency(make_strip: Make) -> None:
    once = make_strip(units=7, frames=20)
    for data, pairs, telling in (
        (once, (), tuple(range(6))),
        (read_twice(once, 2), ((6, 0), (7, 1)), tuple(range(6))),
        (read_twice(once, 2, (1e6, 2e7)), ((0, 6), (1, 7)), (2, 3, 4, 5, 6, 7)),
    ):
        trimming = find_trimming(data, data.rows(Role.FIT), "full")
        assert trimming.pairs == pairs
        assert trimming.telling == telling
        assert width(groups_of(trimming, ALL), trimming) == 2 * len(telling) + 2 + len(pairs)


def test_dispersion_is_how_much_more_a_place_shows_at_the_lower_frequency(make_strip: Make) -> None:
    """None of clean liquid, in the program and in what is made up without time."""
    data = read_twice(make_strip(units=7, frames=20))
    every = np.ones(len(data.level_mm), np.bool_)
    table = prepare_features(context_of(data), every, "full")
    shown = table.of(("dispersion",), every)
    assert np.array_equal(shown, table.shares[:, 6:] - table.shares[:, :6])
    assert np.array_equal(shown, still_features(table.shares, ("dispersion",), table.trimming))
    states = states_of(data)
    assert np.abs(shown[states.clean]).max() == 0
    assert np.quantile(shown[states.film & (data.level_mm < 60)].max(axis=1), 0.1) > 1000


@pytest.fixture(scope="module")
def fitted(make_strip: Make) -> FrozenData:
    return read_twice(make_strip(frames=40))


@pytest.mark.longer
def test_scores_are_those_of_the_program(fitted: FrozenData) -> None:
    """Frame by frame, and an empty tank is one by the channels that tell film from liquid."""
    data, context = fitted, context_of(fitted)
    every = np.ones(len(data.level_mm), np.bool_)
    table = prepare_features(context, every, "full")
    made = parts_of(
        context, table, BOTH, learn_all(context, table, (BOTH,), deal(context, in_turn=False).folds).kept
    )
    scores = scores_of(context, table, made, every)
    wanted = Wanted({"clean": 0.9, "foam": 0.6, "film": 0.6})
    rows = UnseenRows(scores, data.level_mm, states_of(data), data.group)
    at = find_operating(rows, SPAN_MM, wanted)
    program = assemble("m", context.hardware, made, at, None, {})
    given = ("doubt", "strange", "foam", "film", "wettest", "level_foam")
    found = {n: v[:, 0] for n, v in values_of(program, data, every, table.trims, given).items()}
    foam_mm = np.clip(found.pop("level_foam") / LEVEL_UNITS_PER_MM, 0, SPAN_MM)
    assert np.array_equal(foam_mm, scores.foam_mm)
    for name, values in found.items():
        assert np.array_equal(values, getattr(scores, name)), name
    assert np.array_equal(scores.wettest, table.shares[:, :6].max(axis=1))
    assert np.array_equal(scores.greatest, table.shares.max(axis=1))
    fast, whole = (
        judge_scores(scores, at, data, every, SPAN_MM),
        judge(program, data, every, table.trims, SPAN_MM),
    )
    assert np.array_equal(fast.validity, whole.validity)
    assert np.array_equal(fast.flags & 3, whole.flags & 3)


def test_every_watcher_and_net_for_foam_takes_what_the_product_has(make_strip: Make) -> None:
    assert default_recipes("full") == default_recipes("full", ALL)
    for recipe in default_recipes("full", (*ALL, "dispersion")):
        assert "dispersion" not in recipe.level_groups
        assert recipe.watch_groups[-1] == recipe.foam_groups[-1] == "dispersion"


def test_a_recipe_for_two_frequencies_needs_them(make_strip: Make) -> None:
    with pytest.raises(InputError, match="pads read at several frequencies, as the model's recipe has them"):
        refit(context_of(make_strip(units=7, frames=20)), BOTH)


@pytest.mark.longer
def test_a_model_of_two_frequencies_knows_foam_that_looks_like_liquid(fitted: FrozenData) -> None:
    """With and without the differences of each place, on units that play no part in the fit; the float model
    in ONNX is its pipeline.
    """
    flagged = []
    for recipe in (BOTH, replace(BOTH, watch_groups=ALL)):
        made = train_array(context_of(fitted), "full", (recipe,))
        assert made.recipe.features == (*ALL, "dispersion")
        assert made.metrics.float_onnx_max_diff_mm is not None
        assert made.metrics.float_onnx_max_diff_mm < 1e-3
        assert made.metrics.claims is not None
        flagged.append(made.metrics.claims.flags["foam"].flagged_share or 0.0)
    with_differences, without = flagged
    assert with_differences > 0.95
    assert without < 0.75
