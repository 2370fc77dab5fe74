"""Counts as a board sends them, and as they are kept: whole numbers of steps, so many to a count as the
sensor's ``count_scale`` says.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.records import Sensor

# A decimal number is not kept to the last digit as a double; 2^24 steps are, to 4e-9.
_NEAR = 1e-6
_NEAR_SINGLE = 2.0**-24  # of a value that was written with single precision (IEEE 754)
_DECIMALS: tuple[int, ...] = (1, 10, 100, 1000, 10_000)
_BINARY: tuple[int, ...] = tuple(1 << k for k in range(1, 16))  # means of 2, 4, 8, ... counts
_MANY_DECIMALS = 1000  # three decimals, from which on they are likelier a mean's than a converter's

Reals = NDArray[np.float64]


def whole_steps(values: Reals, scale: int) -> tuple[Reals, NDArray[np.bool_]]:
    """The steps nearest to values that are finite, and whether each value is those steps, not between two."""
    scaled = values * scale
    steps = np.rint(scaled)
    near = np.full(len(values), _NEAR)
    if scale > 1 and (values.astype(np.float32) == values).all():
        near += _NEAR_SINGLE * np.abs(scaled)
    return steps, np.abs(scaled - steps) <= np.where(scale > 1, near, 0.0)


def scale_for(values: Reals, top: int) -> int | None:
    """The scale with which all values are whole steps, up to ``top``; None where there is none."""

    def serves(scale: int) -> bool:
        return bool(whole_steps(values, scale)[1].all()) and float(values.max(initial=0.0)) * scale <= top

    decimal: int | None = next((scale for scale in _DECIMALS if serves(scale)), None)
    if decimal is not None and decimal < _MANY_DECIMALS:
        return decimal
    return next((scale for scale in _BINARY if serves(scale)), decimal)


def steps_given(where: str, values: Sequence[float], scale: int) -> tuple[int, ...]:
    """Counts that somebody wrote, as whole steps.

    Raises:
        InputError: one that lies between two steps.
    """
    given = np.asarray(values, np.float64)
    steps, whole = whole_steps(given, scale)
    if not whole.all():
        expected = "whole numbers" if scale == 1 else f"steps of 1/{scale}, the sensor's count scale"
        raise InputError(where, f"{given[~whole][0]:.12g}", expected)
    return tuple(int(step) for step in steps)


def too_fine(where: str, count: str, sensor: Sensor, needed: int | None) -> InputError:
    """The error for a count between two steps; ``needed`` is the scale that it and those beside it would do
    with.
    """
    scale = sensor.count_scale
    expected = "a whole number" if scale == 1 else f"a whole number of steps of 1/{scale}"
    hint = (
        f"add a sensor revision with count_scale {needed}, which would do"
        if needed
        else "no count_scale would do: write fewer decimals"
    )
    expected += f", as sensor {sensor.ref} has it"
    return InputError(where, f"a count of {count}", expected, hint, fields=("count_scale",))


def count_text(steps: float, scale: int) -> str:
    """A count as the board sends it: 22.82 for 2282 steps of 1/100."""
    return f"{steps:.0f}" if scale == 1 else f"{steps / scale:.10g}"
