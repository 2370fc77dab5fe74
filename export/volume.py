"""The integer table from level to millilitres that the exported C may carry, made from the tank's profile."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.tanks.profile import Profile
from training.program import INT32_MAX, LEVEL_UNITS_PER_MM, Array

_FEWEST_ML, _SHARE = 1.0, 0.002  # the error that a table may have: this, or this share of the full tank
_MOST_SEGMENTS = 128


@dataclass(frozen=True)
class VolumeTable:
    """Millilitres above the datum at every ``2**shift`` level units from 0 up; between them straight lines,
    rounded half up.

    ``error_ml`` is the largest difference from the profile at any level that the C can be asked for.
    """

    tank: str
    shift: int
    values: tuple[int, ...]
    error_ml: float

    def volume_ml(self, levels: Array) -> Array:
        """What the C answers for levels in units, 0 to the span."""
        table, k, part = (
            np.asarray(self.values, dtype=np.int64),
            levels >> self.shift,
            levels & ((1 << self.shift) - 1),
        )
        return np.asarray(
            table[k] + (((table[k + 1] - table[k]) * part + (1 << (self.shift - 1))) >> self.shift)
        )


def volume_table(profile: Profile, span: int, tank: str) -> VolumeTable:
    """The smallest table whose error is within 1 mL or 0.2 % of the full tank, else the finest of at most 128
    segments.

    ``span`` is the full tank in level units. Raises InputError where the profile ends below it.
    """
    full_mm = span / LEVEL_UNITS_PER_MM
    if profile.height_mm < full_mm:
        raise InputError(
            f"tank {tank}",
            f"its profile ends at {profile.height_mm:g} mm",
            f"at least the span of the model, {full_mm:g} mm",
        )
    levels = np.arange(span + 1, dtype=np.int64)
    exact = np.asarray(profile.volume_ml(levels / LEVEL_UNITS_PER_MM))
    allowed = max(_FEWEST_ML, _SHARE * float(exact[-1]))
    largest = max(int(span).bit_length(), 1)
    tables = [
        _table(exact, span, shift, tank)
        for shift in range(largest, 0, -1)
        if -(-span >> shift) <= _MOST_SEGMENTS
    ]
    return next((t for t in tables if t.error_ml <= allowed), tables[-1])


def _table(exact: NDArray[np.float64], span: int, shift: int, tank: str) -> VolumeTable:
    """One table; what lies beyond the span only serves to reach the volume there."""
    step = 1 << shift
    at = np.arange(0, span + 1, step)
    values = [round(float(v)) for v in exact[at]]
    rest = span - int(at[-1])
    slope = (float(exact[-1]) - values[-1]) / rest if rest else 0.0
    values.append(values[-1] + max(0, round(slope * step)))
    if max(np.diff(values)) << shift > INT32_MAX - step:
        raise InputError(f"tank {tank}", f"{values[-1]} mL", "a volume that 32-bit integers can interpolate")
    table = VolumeTable(tank, shift, tuple(values), 0.0)
    error = float(np.abs(table.volume_ml(np.arange(span + 1, dtype=np.int64)) - exact).max())
    return VolumeTable(tank, shift, table.values, error)


def check_table(table: VolumeTable, span: int, where: str) -> None:
    """Raise InputError unless ``table`` reaches as far as the ``span`` and no further, never falls, and can
    be interpolated in 32 bits: what the C that carries it relies on.
    """
    step = 1 << table.shift
    rises = [b - a for a, b in pairwise(table.values)]
    if len(table.values) != span // step + 2:
        expected = f"{span // step + 2}, for a span of {span}"
        raise InputError(where, f"{len(table.values)} values", expected)
    if min(rises) < 0 or (max(rises) << table.shift) > INT32_MAX - step:
        raise InputError(where, "volumes that fall or leap", "volumes that rise and fit 32 bits")
