"""The path on measured readings: one capacitive pad, one filling run (source and licence:
innage/demo_data/SOURCE.txt).

Plain methods on this split were computed apart from this project, as root of the level-weighted mean square
error: straight line in 1/N 0.252 cm, interpolation of level means in 1/N 0.085 cm. Both are computed again
here, which shows that the metric is the same.
"""

from __future__ import annotations

import csv
from importlib import resources

import numpy as np
import pytest

from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
    FrozenData,
    FrozenSet,
    GroupBy,
    Limit,
    Limits,
    Liquid,
    Mounting,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Tank,
    Unit,
)
from training.fits.least_squares import linear
from training.judging.scoring import Answers, score
from training.models.conditioning import trained_range
from training.rows import rows_of
from training.search.context import SearchRequest
from training.search.train import Trained, train

FIT_MM = (0, 15, 25, 35, 45, 55, 65, 75, 85, 95)
LIMITS = Limits("bench", 1, (Limit("rmse_mm", 0.9, min_groups=5), Limit("beyond_accepted_share", 0.0)))


@pytest.fixture(scope="module")
def data() -> FrozenData:
    """The readings as a frozen set grouped by level: half steps fit, whole centimetres prove."""
    text = resources.files("innage.demo_data").joinpath("levels_tidy.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    level = np.asarray([10.0 * float(r["level_cm"]) for r in rows])
    counts = np.asarray([[int(float(r["N_counts"]))] for r in rows], dtype=np.int64)
    names = sorted({f"{v:g} mm" for v in level})
    group = np.asarray([names.index(f"{v:g} mm") for v in level], dtype=np.int64)
    roles = tuple((n, Role.FIT if float(n.removesuffix(" mm")) in FIT_MM else Role.PROVE) for n in names)
    mounting = Mounting(
        "bench",
        Tank("bench", 1, 100.0),
        Sensor("pad", 1, (Pad(0, "pad", 0.0, 100.0),), 16, CountLaw.FALLS, 2051),
    )
    session = Session(
        "one",
        "1" * 64,
        Unit("one"),
        Liquid("unknown"),
        mounting,
        len(rows),
        (),
        Source("levels_tidy.csv", "0" * 64),
    )
    frozen = FrozenSet("half-steps", "2" * 64, GroupBy.LEVEL, roles, (session,))
    unknown = np.full(len(rows), np.nan)
    clock = np.asarray([int(r["elapsed_ms"]) for r in rows], dtype=np.int64)
    nothing = np.zeros(len(rows), dtype=np.int64)
    whole = (Frames(clock, counts.astype(np.uint32)),)
    return FrozenData(
        frozen,
        counts,
        clock,
        level,
        unknown,
        unknown,
        nothing,
        group,
        np.arange(len(rows)),
        nothing,
        (Conditions(),),
        whole,
    )


@pytest.fixture(scope="module")
def made(data: FrozenData) -> Trained:
    """All families searched against a limit of 0.9 mm, without a budget."""
    return train(data, SearchRequest("real", LIMITS))


def test_the_metric_is_the_one_of_the_plain_methods(data: FrozenData) -> None:
    """Line and interpolation in 1/N, scored by our function on the same split, give the known 0.252 cm and
    0.085 cm.
    """
    fit, test = data.rows(Role.FIT), data.rows(Role.PROVE) & (data.level_mm <= 95)
    assert (fit.sum(), test.sum()) == (380, 377)
    x = 1e4 / data.counts[:, 0]
    line = np.stack([np.ones_like(x), x], axis=1) @ linear(
        np.stack([np.ones(fit.sum()), x[fit]], axis=1), data.level_mm[fit]
    )
    means = np.asarray([x[fit & (data.level_mm == v)].mean() for v in FIT_MM])
    for levels, known_mm in ((line, 2.52), (np.interp(x, means, FIT_MM), 0.85)):
        its = Answers(
            data.level_mm[test],
            data.group[test],
            levels[test],
            levels[test],
            np.ones(377, dtype=np.bool_),
            np.ones(377, dtype=np.bool_),
        )
        assert score(its, its.level_mm).rmse_mm == pytest.approx(known_mm, abs=0.01)


def test_the_integer_program_holds_on_unseen_levels(made: Trained) -> None:
    """The chosen integer program reaches 0.90 mm on the unseen levels and loses at most 0.03 mm to its float
    model.
    """
    prove = made.metrics.to_json()["prove"]
    assert prove["integer"]["groups"] == 9
    assert prove["integer"]["withheld_share"] == 0
    assert prove["integer"]["rmse_mm"] <= 0.90
    assert prove["integer"]["rmse_mm"] - prove["float"]["rmse_mm"] <= 0.03
    assert [row["answer"] for row in made.metrics.to_json()["limits"]] == ["met", "met"]
    assert made.metrics.to_json()["chosen"]["meets"] is True


def test_a_tank_fuller_than_ever_trained_is_withheld(made: Trained, data: FrozenData) -> None:
    """No frame at 10 cm is accepted, for the trained end is 9.5 cm: the range follows from the fit frames
    alone.
    """
    assert made.metrics.to_json()["prove"]["beyond"] == {"frames": 11, "accepted_share": 0.0, "groups": 1}
    (low,), (high,) = trained_range(rows_of(data, data.rows(Role.FIT)), 65_535)
    assert 12_275 < low <= 12_475
    assert 50_879 <= high < 65_535


def test_a_random_split_looks_better(made: Trained) -> None:
    """Split by frame instead of by level the same recipe seems at least twice as good: why such a figure is
    no claim.
    """
    metrics = made.metrics
    assert metrics.prove is not None
    assert metrics.random_rows is not None
    random, unseen = metrics.random_rows.integer.rmse_mm, metrics.prove.integer.rmse_mm
    assert random is not None
    assert unseen is not None
    assert random < unseen / 2


def test_the_float_onnx_is_the_float_model(made: Trained) -> None:
    """On every reading the float ONNX differs from scikit-learn by less than a hundredth of a millimetre."""
    assert made.metrics.to_json()["float_onnx_max_diff_mm"] < 0.01
