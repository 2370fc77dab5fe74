"""Models that are told how long ago liquid last came in: who reads it, in the program and in scores, and what
becomes of foam that nothing but its time tells from liquid.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.pools import HERE
from dataset.records import Conditions, Flow, FrozenData, Role, Stretch
from training.judging.streams import values_of
from training.models.assemble import assemble
from training.models.features import HALF_AS_RECENT_S
from training.models.trimming import TRIMS, trim_counts
from training.models.watch import states_of
from training.program import FLAG_BITS, from_json, to_json
from training.search.array_recipes import ALL, MOVING, POUR, ArrayRecipe, default_recipes
from training.search.arrays import train_array
from training.search.context import SearchContext, SearchRequest, by_roles, hardware_of
from training.search.dealing import deal
from training.search.nets.fitting import (
    FeatureTable,
    parts_of,
    prepare_features,
    scores_of,
    thresholds_of,
)
from training.search.nets.learning import learn_all
from training.search.nets.pours import UNTOLD_SHARE, half_told
from training.search.nets.refitting import refit
from training.search.train import train

Make = Callable[..., FrozenData]
FRAMES = 40
TOLD = ArrayRecipe((6,), 8, (6,), (*ALL, POUR), True, "full", MOVING, (6,), steps=15)
LONG_AGO_MS = 60_000


def context_of(data: FrozenData) -> SearchContext:
    return by_roles(data, hardware_of(data), SearchRequest("m", pool=HERE))


def poured(data: FrozenData) -> FrozenData:
    """Fillings of every other unit are stated as foam, which nothing tells from liquid but that it was poured
    just now: all sessions fill in their first frame, and those without that foam stand a minute before their
    second.
    """
    session = np.arange(len(data.frozen.sessions))
    foamy = (session % 4 == 0) & (session // 4 % 2 == 1)
    filled = (Stretch(0, 1, Conditions(flow=Flow.FILLING)),)
    sessions = tuple(replace(s, stretches=filled) for s in data.frozen.sessions)
    late = np.where(np.arange(FRAMES) > 0, LONG_AGO_MS, 0)
    frames = tuple(
        f if foam else replace(f, t_ms=f.t_ms + late) for f, foam in zip(data.frames, foamy, strict=True)
    )
    return replace(
        data,
        frozen=replace(data.frozen, sessions=sessions),
        frames=frames,
        t_ms=np.concatenate([f.t_ms for f in frames]),
        condition=np.where(foamy[data.session], 2, data.condition),
    )


def told_nothing(data: FrozenData) -> FrozenData:
    sessions = tuple(replace(s, stretches=()) for s in data.frozen.sessions)
    return replace(data, frozen=replace(data.frozen, sessions=sessions))


@pytest.fixture(scope="module")
def captures(make_strip: Make) -> FrozenData:
    return poured(make_strip(frames=FRAMES))


@pytest.fixture(scope="module")
def table(captures: FrozenData) -> FeatureTable:
    every = np.ones(len(captures.level_mm), np.bool_)
    return prepare_features(context_of(captures), every, "full", told=True)


def test_features_say_whether_a_pour_is_known_and_how_recent_it_is(
    captures: FrozenData, table: FeatureTable
) -> None:
    """1 and 20 / (20 + seconds), in 1/4096, rounded down; worked by hand. What is longer ago than any pour of
    the fit rows counts as that.
    """
    shown = table.of((POUR,), np.ones(len(captures.level_mm), np.bool_))
    assert table.longest_pour_s == 63
    assert HALF_AS_RECENT_S == 20
    assert shown[4 * FRAMES].tolist() == [4096, 4096]  # the first frame of a foamy session
    assert shown[5 * FRAMES - 1].tolist() == [4096, 4096 * 20 // 23]
    assert shown[FRAMES - 1].tolist() == [4096, 4096 * 20 // 83]
    assert not table.untold().of((POUR,), np.ones(len(shown), np.bool_)).any()
    others = tuple(group for group in table.groups if group != POUR)
    assert np.array_equal(table.untold().of(others, np.arange(9)), table.of(others, np.arange(9)))


@pytest.mark.longer
def test_scores_are_those_of_the_program_told_and_not_told(captures: FrozenData, table: FeatureTable) -> None:
    """Frame by frame; foam and film alone are other where nothing is told."""
    context, every = context_of(captures), np.ones(len(captures.level_mm), np.bool_)
    learnt = learn_all(context, table, (TOLD,), deal(context, in_turn=False).folds)
    parts = parts_of(context, table, TOLD, learnt.kept)
    at, unseen = thresholds_of(context, table, TOLD, learnt, parts)
    assert len(unseen.label_mm) == (context.fit | context.choose).sum()
    program = assemble("m", context.hardware, parts, at, None, {})
    assert program.longest_pour_s == 63
    names = ("doubt", "strange", "foam", "film", "wettest", "level_foam")
    values = []
    for data, given in ((captures, table), (told_nothing(captures), table.untold())):
        scores = scores_of(context, given, parts, every)
        found = {n: v[:, 0] for n, v in values_of(program, data, every, table.trims, names).items()}
        for name in ("doubt", "strange", "foam", "film", "wettest"):
            assert np.array_equal(found[name], getattr(scores, name)), name
        values.append(found)
    assert {name for name in names if not np.array_equal(values[0][name], values[1][name])} == {
        "foam",
        "film",
    }


@pytest.mark.longer
def test_foam_that_only_its_time_tells_is_flagged_where_it_is_told(captures: FrozenData) -> None:
    """On a unit that plays no part in the fit, and from the text of the program: more frames than not where
    they are told, hardly any where they are not. It is one session of 40 frames, in which the seeds 0 to 3
    flag 0.78 to 0.98, so no closer share is claimed.
    """
    made = train_array(context_of(captures), "full", (TOLD,), told=True)
    program = from_json(to_json(made.program))
    prove = captures.rows(Role.PROVE)
    states, name = states_of(captures).where(prove), program.outputs["flags"]
    foam = states.foam & (captures.session[prove] % 4 == 0)
    trims = trim_counts(captures, TRIMS["full"])
    flagged = []
    for data in (captures, told_nothing(captures)):
        flags = values_of(program, data, prove, trims, (name,))[name][:, 0] & FLAG_BITS["foam"] > 0
        flagged.append((flags[foam].mean(), flags[states.clean].mean()))
    (told, alarms), (untold, untold_alarms) = flagged
    assert told > 0.5
    assert untold < 0.1
    assert alarms < 0.1
    assert untold_alarms < 0.2
    assert made.recipe.array == TOLD
    assert made.recipe.inputs_told()[-1] == (
        "The net for foam and film also reads how many seconds ago liquid last came in, where the firmware "
        "knows"
    )
    assert POUR in (made.recipe.features or ())


def test_half_of_the_rows_are_told() -> None:
    """The same ones each time, whole rows."""
    pours = np.full((4000, 2), 7.0)
    told = half_told(pours, 3)
    assert np.array_equal(told, half_told(pours, 3))
    assert set(told[:, 0].tolist()) == {0.0, 7.0}
    assert np.array_equal(told[:, 0], told[:, 1])
    assert (told[:, 0] > 0).mean() == pytest.approx(1 - UNTOLD_SHARE, abs=0.05)


def test_every_watcher_is_told_where_a_search_is(table: FeatureTable) -> None:
    for recipe in default_recipes("full", table.groups):
        assert recipe.told
        assert POUR not in (*recipe.level_groups, *recipe.foam_groups, *recipe.error_groups)
        assert (*recipe.error_groups, POUR) == recipe.watch_groups
    assert not any(recipe.told for recipe in default_recipes("full"))


def test_captures_must_say_when_liquid_came_in(make_strip: Make, made_up: Make) -> None:
    """In a search and in a refit; a model of few pads is not told."""
    data = make_strip(units=7, frames=20)
    said = r"no 'fit' session that says when liquid came in; expected sessions with filling stated"
    with pytest.raises(InputError, match=said) as raised:
        train(data, SearchRequest("m", pool=HERE), since_pour=True)
    assert raised.value.fields == ("since_pour",)
    with pytest.raises(InputError, match=said):
        refit(context_of(data), TOLD)
    with pytest.raises(InputError, match="a model that is no pad array"):
        train(made_up(2), SearchRequest("m"), since_pour=True)
