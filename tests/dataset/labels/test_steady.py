"""Steady stretches in the counts, against readings whose levels are known."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

import innage.demo_data
from dataset.labels.steady import drift, noise, steady_stretches

READINGS = Path(innage.demo_data.__path__[0]) / "levels_tidy.csv"


def real() -> tuple[np.ndarray, np.ndarray]:
    """Counts (768, 1) and the level in cm of each frame, as the people at the bench wrote it down."""
    with READINGS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    counts = np.array([[float(row["N_counts"])] for row in rows]).astype(np.uint32)
    return counts, np.array([float(row["level_cm"]) for row in rows])


def test_steady_stretches_of_the_real_readings() -> None:
    """Every one of the 20 levels is found, no stretch spans two of them, and more than nine frames in ten are
    steady.

    Source: innage/demo_data/SOURCE.txt; the level column is not used for finding.
    """
    counts, level = real()
    found = steady_stretches(counts, 8)
    assert [len(set(level[a:b])) for a, b in found] == [1] * len(found)
    assert {level[a] for a, _ in found} == set(level)
    assert len(set(level)) == 20
    assert 20 <= len(found) <= 24
    assert sum(b - a for a, b in found) > 0.9 * len(level)


@pytest.mark.parametrize("seed", range(5))
def test_a_known_fill(seed: int) -> None:
    """Of two channels that step at known frames, ends are found to within two frames, whatever ten outliers
    say. Made up, no source.
    """
    rng = np.random.default_rng(seed)
    levels = np.repeat([0, 1, 2, 3], [60, 40, 50, 70])
    counts = np.stack([20_000 - 400 * levels, 5_000 + 300 * levels], axis=1) + rng.normal(0, 6, (220, 2))
    outliers = rng.choice(220, 10, replace=False)
    counts[outliers, 0] += 2_000
    found = steady_stretches(counts.astype(np.uint32), 8)
    assert [b - a > 30 for a, b in found] == [True] * 4
    for edge, (_, stop), (start, _) in zip((60, 100, 150), found, found[1:], strict=False):
        near = {int(o) for o in outliers} & set(range(edge - 3, edge + 3))
        assert abs(stop - edge) <= 2 + 3 * len(near)
        assert abs(start - edge) <= 2 + 3 * len(near)


def test_noise_alone_is_one_stretch() -> None:
    """Frames in which nothing happens are one stretch, integer counts without noise too; a slope is none."""
    rng = np.random.default_rng(1)
    counts = rng.normal(10_000, 25, (300, 3)).astype(np.uint32)
    assert steady_stretches(counts) == ((0, 300),)
    assert noise(counts) == pytest.approx([25, 25, 25], rel=0.25)
    assert steady_stretches(np.full((40, 1), 7, np.uint32)) == ((0, 40),)
    slope = (10_000 + 40 * np.arange(100) + rng.normal(0, 3, 100)).astype(np.uint32)[:, None]
    assert noise(slope) == pytest.approx([3], rel=0.3)
    assert steady_stretches(slope) == ()
    assert drift(slope) == pytest.approx([95 * 40], rel=0.01)


def test_too_short() -> None:
    """Fewer frames than two windows have no stretch, and short stretches are left out."""
    assert steady_stretches(np.full((9, 1), 7, np.uint32)) == ()
    assert steady_stretches(np.full((20, 1), 7, np.uint32), 21) == ()
