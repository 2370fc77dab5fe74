"""The one rounding rule of every program.

A right shift rounds half up, towards plus infinity on ties: ``(v + (1 << (s - 1))) >> s`` for
1 <= s <= 30, with ``>>`` the arithmetic (floor) shift; s = 0 is the identity. The same rule stands
in the C as ``(v + half) >> s`` and in ONNX as Sub/Mod/Div (see ``export``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MAX_SHIFT = 30


def shift_round(values: NDArray[np.int64], shift: int) -> NDArray[np.int64]:
    """Shift ``values`` right by ``shift`` bits, rounding half up.

    Shapes are kept. Raises ValueError for a shift outside 0..30.
    """
    if not 0 <= shift <= MAX_SHIFT:
        raise ValueError(f"shift is {shift}, expected 0 to {MAX_SHIFT}")
    if shift == 0:
        return values
    return np.asarray((values + (1 << (shift - 1))) >> shift, dtype=np.int64)


def shift_round_int(value: int, shift: int) -> int:
    """``shift_round`` of one Python integer, for range bounds."""
    return value if shift == 0 else (value + (1 << (shift - 1))) >> shift
