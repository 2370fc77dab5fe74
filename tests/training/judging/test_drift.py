"""Drift put on counts: what each kind changes, by hand. Counts made up."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from dataset.records import CountLaw, FrozenData
from training.judging.drift import Drift, altered


@pytest.mark.parametrize(("law", "sign"), [(CountLaw.RISES, 1), (CountLaw.FALLS, -1)])
def test_a_film_wets_what_is_above_the_liquid(
    made_up: Callable[..., FrozenData], law: CountLaw, sign: int
) -> None:
    """Three pads of 200/3 mm: at 100 mm the lowest is under, the middle one half, the uppermost all above;
    wetter is more or fewer counts by the law.
    """
    data = made_up(3, law, frames=201)
    every = np.ones(len(data.session), np.bool_)
    swing = np.subtract(*np.quantile(data.counts, [0.99, 0.01], axis=0))
    moved = altered(data, every, Drift("film", 10.0))[0][100] - np.asarray(
        data.frames[0].counts[100], np.int64
    )
    assert moved[0] == 0
    assert moved[1] == pytest.approx(sign * 0.1 * swing[1] / 2, abs=1)
    assert moved[2] == pytest.approx(sign * 0.1 * swing[2], abs=1)


def test_a_dead_pad_stays_at_its_dry_count_and_the_others_as_they_were(
    make_strip: Callable[..., FrozenData],
) -> None:
    data = make_strip(units=4, frames=10, choose=1, prove=1)
    found = altered(data, np.ones(len(data.session), np.bool_), Drift("dead pad", 2))
    dry = data.trim(0, next(t.kind for t in data.frozen.trims if t.kind == "dry"))
    assert dry is not None
    assert set(found[0][:, 2].tolist()) == {dry.counts[2]}
    assert np.array_equal(
        np.delete(found[0], 2, axis=1), np.delete(np.asarray(data.frames[0].counts, np.int64), 2, axis=1)
    )
