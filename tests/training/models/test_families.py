"""Every family on simulated canisters: the program is the float model, nearly; both count laws; one channel
and many.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.records import CountLaw, FrozenData, Role
from training.models.families import BITS, FAMILIES, FamilyTask
from training.models.recipes import Hardware, fit_sizes, quantise
from training.program import (
    FAULT,
    FLAG_BITS,
    GIVEN,
    LEVEL_UNITS_PER_MM,
    NO_LEVEL,
    RANGE,
    VALID,
    WITHHELD,
    analyse,
    run,
)
from training.rows import Rows, rows_of

MadeUp = Callable[..., FrozenData]
SPAN_MM = 200.0


def _board(data: FrozenData) -> Hardware:
    sensor = data.frozen.sessions[0].mounting.sensor
    return Hardware(
        sensor.count_bits,
        sensor.channels,
        sensor.count_law,
        sensor.period_ms,
        sensor.period_tolerance_pct,
        SPAN_MM,
    )


def _rows(data: FrozenData) -> Rows:
    return rows_of(data, data.rows(Role.FIT))


@pytest.mark.parametrize(
    ("family", "channels"),
    [
        pytest.param(family, channels, marks=[pytest.mark.slow] * (family == "net" and channels == 16))
        for family in FAMILIES
        for channels in (1, 3, 16)
    ],
)
def test_integers_stay_near_the_float_model(made_up: MadeUp, family: str, channels: int) -> None:
    """In 16 bits no accepted frame of an unseen unit differs by more than 0.1 mm from the float pipeline (our
    own bound; no source).
    """
    data = made_up(channels)
    hardware, rows = _board(data), _rows(data)
    sizes = FAMILIES[family].sizes(channels)
    for size, fitted in fit_sizes(family, sizes, rows, hardware, 0).items():
        its = run(quantise(fitted, 16, hardware, "p"), data.counts)
        accepted = its.validity == VALID
        difference = its.level[accepted] / LEVEL_UNITS_PER_MM - fitted.levels(data.counts[accepted])
        assert accepted.mean() > 0.3
        assert np.abs(difference).max() < (0.5 if family == "net" else 0.1), (family, size)


@pytest.mark.parametrize("family", FAMILIES)
def test_more_bits_come_nearer(made_up: MadeUp, family: str) -> None:
    """The greatest difference from the float model is larger in 8 bits than in 16, in every family."""
    data = made_up(3)
    hardware = _board(data)
    size = FAMILIES[family].sizes(3)[-1]
    fitted = fit_sizes(family, [size], _rows(data), hardware, 0)[size]
    readings = [run(quantise(fitted, bits, hardware, "p"), data.counts) for bits in BITS]
    accepted = readings[0].validity == VALID
    narrow, wide = (
        np.abs(r.level[accepted] / LEVEL_UNITS_PER_MM - fitted.levels(data.counts[accepted])).max()
        for r in readings
    )
    assert wide < narrow


@pytest.mark.longer
@pytest.mark.parametrize(
    "bits", [pytest.param(12, marks=pytest.mark.slow), 16, pytest.param(24, marks=pytest.mark.slow)]
)
@pytest.mark.parametrize("family", FAMILIES)
def test_both_count_laws_work_alike(made_up: MadeUp, family: str, bits: int) -> None:
    """The same capacitances read by a rising and by a falling counter give errors within a quarter of one
    another.
    """
    errors = []
    for law in CountLaw:
        data = made_up(3, law, bits=bits)
        hardware = _board(data)
        size = FAMILIES[family].sizes(3)[1 % len(FAMILIES[family].sizes(3))]
        program = quantise(fit_sizes(family, [size], _rows(data), hardware, 0)[size], 16, hardware, "p")
        its = run(program, data.counts)
        accepted = its.validity == VALID
        errors.append(
            float(np.sqrt(np.mean((its.level[accepted] / LEVEL_UNITS_PER_MM - data.level_mm[accepted]) ** 2)))
        )
    assert max(errors) < 10
    assert max(errors) / min(errors) < (1.6 if family == "net" else 1.25)


@pytest.mark.longer
@pytest.mark.parametrize("family", FAMILIES)
def test_twice_the_tank_gives_twice_the_level(made_up: MadeUp, family: str) -> None:
    """Labels and span doubled, the program's levels double, to a few units of rounding (the families are
    linear in the label).
    """
    data = made_up(1)
    hardware, rows = _board(data), _rows(data)
    size = FAMILIES[family].sizes(1)[0]
    once = run(quantise(fit_sizes(family, [size], rows, hardware, 0)[size], 16, hardware, "p"), data.counts)
    wide = replace(hardware, span_mm=2 * SPAN_MM)
    twice = run(
        quantise(
            fit_sizes(family, [size], replace(rows, level_mm=2 * rows.level_mm), wide, 0)[size], 16, wide, "p"
        ),
        data.counts,
    )
    valid = once.validity == VALID
    assert np.abs(twice.level[valid] - 2 * once.level[valid]).max() <= (64 if family == "net" else 8)


@pytest.mark.parametrize("family", FAMILIES)
def test_order_of_frames_teaches_nothing(made_up: MadeUp, family: str) -> None:
    """The same frames stored in another order give the same model, bit for bit."""
    data = made_up(2)
    order = np.random.default_rng(5).permutation(len(data.counts))
    arrays = {
        f: getattr(data, f)[order]
        for f in ("counts", "t_ms", "level_mm", "u_mm", "temperature_c", "session", "group")
    }
    size = FAMILIES[family].sizes(2)[0]
    hardware = _board(data)
    first, second = (
        quantise(fit_sizes(family, [size], _rows(d), hardware, 0)[size], 16, hardware, "p")
        for d in (data, replace(data, **arrays))
    )
    assert first == second


@pytest.mark.parametrize("family", ["line", "hinge", "trees"])
def test_a_group_with_more_frames_weighs_no_more(made_up: MadeUp, family: str) -> None:
    """Each frame of one unit recorded four times over leaves the float model where it was."""
    data = made_up(3)
    hardware, rows = _board(data), _rows(data)
    again = np.repeat(np.arange(len(rows)), np.where(rows.group == 0, 4, 1))
    more = Rows(rows.counts[again], rows.level_mm[again], rows.group[again])
    size = FAMILIES[family].sizes(3)[0]
    conditioning = fit_sizes(family, [size], rows, hardware, 0)[
        size
    ].conditioning  # its margin goes by frames, and is not asked here
    features = conditioning.floats(data.counts)
    tasks = (
        FamilyTask(its, conditioning.floats(its.counts), conditioning, SPAN_MM, 0) for its in (rows, more)
    )
    once, often = (FAMILIES[family].fit(task, [size])[size].predict(features) for task in tasks)
    limit = {"line": 1e-6, "hinge": 1e-6, "trees": 0.2}[family]  # trees may settle equal splits the other way
    assert np.abs(often - once).mean() < limit


@pytest.mark.parametrize("bits", [16, 24])
def test_trees_take_the_branches_of_the_float_trees(made_up: MadeUp, bits: int) -> None:
    """At every threshold and on both sides of it, up to 24-bit counts, integers and float differ by leaf
    rounding only.

    A leaf is within half a step of its float value, and 8 trees add up.
    """
    data = made_up(1, bits=bits)
    hardware = _board(data)
    fitted = fit_sizes("trees", [8], _rows(data), hardware, 0)[8]
    model = fitted.pipeline.named_steps["model"].trees
    thresholds = np.concatenate(
        [t.tree_.threshold[t.tree_.children_left >= 0] for t in model.estimators_[:, 0]]
    ).astype(np.int64)
    counts = np.unique(np.concatenate([thresholds - 1, thresholds, thresholds + 1]))[:, None]
    counts = counts[~fitted.conditioning.outside(counts)]
    its = run(quantise(fitted, 16, hardware, "p"), counts)
    largest = (
        max(np.abs(t.tree_.value).max() for t in model.estimators_[:, 0])
        * model.learning_rate
        * LEVEL_UNITS_PER_MM
    )
    assert np.abs(its.level - fitted.levels(counts) * LEVEL_UNITS_PER_MM).max() <= 8 * largest / 32767 / 2 + 1


@pytest.mark.parametrize("family", FAMILIES)
def test_validity_of_readings(made_up: MadeUp, family: str) -> None:
    """A count outside the trained range, or any fault bit, withholds: low 0, level -1, high = span, with its
    own flag.
    """
    data = made_up(3)
    hardware = _board(data)
    size = FAMILIES[family].sizes(3)[0]
    fitted = fit_sizes(family, [size], _rows(data), hardware, 0)[size]
    program = quantise(fitted, 8, hardware, "p")
    low, high = fitted.conditioning.low, fitted.conditioning.high
    middle = tuple((a + b) // 2 for a, b in zip(low, high, strict=True))
    counts = np.asarray(
        [middle, (*middle[:2], low[2] - 1), (high[0] + 1, *middle[1:]), middle, (0, 0, 0), low, high],
        dtype=np.int64,
    )
    its = run(program, counts, faults=np.asarray([0, 0, 0, 4, 7, 0, 0], dtype=np.int64))
    out, fault = FLAG_BITS["out_of_range"], FLAG_BITS["sensor_fault"]
    assert its.flags.tolist() == [0, out, out, fault, out | fault, 0, 0]
    assert its.reason.tolist() == [GIVEN, RANGE, RANGE, FAULT, FAULT, GIVEN, GIVEN]
    assert its.validity.tolist() == [VALID, WITHHELD, WITHHELD, WITHHELD, WITHHELD, VALID, VALID]
    assert ((its.level == NO_LEVEL) == (its.validity == WITHHELD)).all()
    assert (its.low == 0).all()
    assert (its.high == hardware.span).all()
    assert analyse(program) == program


def test_several_channels_beat_a_straight_axis(made_up: MadeUp) -> None:
    """The hinge's fitted axis tells the level at least as well as the least-squares line on unseen units."""
    data = made_up(4)
    hardware, rows = _board(data), _rows(data)
    unseen = data.rows(Role.PROVE)
    hinge, line = (
        fit_sizes(f, [s], rows, hardware, 0)[s].levels(data.counts[unseen])
        for f, s in (("hinge", 12), ("line", 1))
    )
    error = [np.sqrt(np.mean((levels - data.level_mm[unseen]) ** 2)) for levels in (hinge, line)]
    assert error[0] < error[1]
