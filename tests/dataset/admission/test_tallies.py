"""What the checks ask of counts: by numpy's medians, of frames as arrays and of frames in windows."""

from __future__ import annotations

import numpy as np
import pytest

from dataset import long_frames
from dataset.admission import medians, tallies
from dataset.admission.steps import Steps, steps_of
from dataset.admission.tallies import Tally, tallied
from dataset.blocks import to_blocks
from dataset.long_frames import LongFrames, parts_of
from dataset.records import Frames, Mark

MARKS = (Mark(3, 40, 0.0), Mark(40, 43, 5.0), Mark(50, 450, 10.0), Mark(450, 600, 10.0, level_stop_mm=20.0))


def invented(seed: int, channels: int = 3, top: int = 40) -> Frames:
    rng = np.random.default_rng(seed)
    n = 601 + seed % 9  # so that slices of every length come at the start
    counts = rng.integers(0, top, (n, channels)).astype(np.uint32) + np.uint32(100)
    counts[rng.random(n) < 0.02] += np.uint32(top // 2)
    t_ms = np.cumsum(rng.choice([99, 100, 101, 5000], n, p=[0.2, 0.5, 0.29, 0.01])).astype(np.int64)
    return Frames(t_ms, counts, rng.normal(20, 1, n))


def by_numpy(frames: Frames, marks: tuple[Mark, ...]) -> Tally:
    """The definition, mark by mark and channel by channel."""
    columns = frames.counts.T.astype(np.int64)
    static = [mark for mark in marks if mark.level_stop_mm is None]
    movements: list[tallies.Movement | None] = []
    for mark in static:
        part = columns[:, mark.start : mark.stop]
        if part.shape[1] < 8:
            movements.append(None)
            continue
        cut = np.array_split(part, min(8, part.shape[1] // 4), axis=1)
        each = np.stack([np.median(piece, axis=1) for piece in cut], axis=1)
        odd = np.argmax(np.abs(each - np.median(part, axis=1)[:, None]), axis=1)
        movements.append(tallies.Movement(np.ptp(each, axis=1), sd_of(np.diff(part)), odd == 0))
    steps = [np.diff(columns[:, m.start : m.stop]) for m in static] or [np.diff(columns)]
    slices = np.array_split(columns, columns.shape[1] // 8, axis=1)
    return Tally(
        tallies.Counts(frames),
        tuple(static),
        np.array([np.median(columns[:, m.start : m.stop], axis=1) for m in static]).reshape(-1, len(columns)),
        tuple(movements),
        sd_of(np.concatenate(steps, axis=1)),
        np.stack([np.median(piece, axis=1) for piece in slices], axis=1),
        columns.min(axis=1),
        columns.max(axis=1),
    )


def sd_of(steps: np.ndarray) -> np.ndarray:
    """1.4826 times the median absolute difference over the square root of two, not below a count's rounding:
    the median of a normal law's absolute values is its 0.6745th standard deviation.
    """
    return np.asarray(np.maximum(1.4826 * np.median(np.abs(steps), axis=1) / np.sqrt(2), 12**-0.5))


def assert_same(actual: Tally, expected: Tally) -> None:
    for field in ("at_marks", "noise", "slices", "lowest", "highest"):
        np.testing.assert_allclose(
            getattr(actual, field), getattr(expected, field), rtol=1e-12, err_msg=field
        )
    assert actual.marks == expected.marks
    for one, other in zip(actual.movements, expected.movements, strict=True):
        assert (one is None) == (other is None)
        if one is not None and other is not None:
            np.testing.assert_array_equal(one.counts, other.counts)
            np.testing.assert_allclose(one.noise, other.noise, rtol=1e-12)
            np.testing.assert_array_equal(one.at_start, other.at_start)


@pytest.mark.longer
@pytest.mark.parametrize("seed", range(9))
@pytest.mark.parametrize("marks", [MARKS, ()], ids=["marks", "no marks"])
@pytest.mark.parametrize("places", [1 << 16, 8], ids=["counted", "too wide to count"])
def test_windows_give_what_numpy_gives(
    monkeypatch: pytest.MonkeyPatch, seed: int, marks: tuple[Mark, ...], places: int
) -> None:
    frames = invented(seed)
    expected = by_numpy(frames, marks)
    assert_same(tallied(frames, marks), expected)
    monkeypatch.setattr(medians, "MOST_COUNTED", places)
    assert_same(tallied(frames, marks), expected)
    for module in (long_frames, tallies):
        monkeypatch.setattr(module, "WINDOW", 64)
    monkeypatch.setattr(long_frames, "_AHEAD", 1)
    long = LongFrames(to_blocks(frames, 50), frames.counts.shape[1])
    tally = tallied(long, marks)
    assert_same(tally, expected)
    static = expected.marks
    wanted = [(0, static[:1]), (1, static), (2, static[1:])] if static else []
    assert tally.medians_over(wanted) == [
        np.median(np.concatenate([frames.counts[m.start : m.stop, channel] for m in of]))
        for channel, of in wanted
    ]
    assert tally.times(1, 105) == np.count_nonzero(frames.counts[:, 1] == 105)


@pytest.mark.parametrize("seed", range(9))
def test_long_frames_are_the_frames(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Whole columns, windows and stretches of temperature, and the steps between times."""
    monkeypatch.setattr(long_frames, "WINDOW", 64)
    frames = invented(seed)
    warm = frames.temperature_c
    assert warm is not None
    long = LongFrames(to_blocks(frames, 50), frames.counts.shape[1])
    assert len(long) == len(frames)
    np.testing.assert_array_equal(long.t_ms, frames.t_ms)
    np.testing.assert_array_equal(long.counts, frames.counts)
    np.testing.assert_array_equal(long.temperature_c, frames.temperature_c)
    np.testing.assert_array_equal(long.temperatures(49, 151), warm[49:151])
    np.testing.assert_array_equal(np.concatenate([part.counts for part in parts_of(long)]), frames.counts)
    assert max(len(part) for part in parts_of(long)) == 64
    steps = np.diff(frames.t_ms)
    middle = float(np.median(steps))
    expected = Steps(
        middle, steps.min(), steps.max(), int(np.argmax(steps)), int(np.count_nonzero(steps > 1.5 * middle))
    )
    assert steps_of(long) == steps_of(frames) == expected
