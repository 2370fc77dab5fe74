"""Work that ends its process, for pools: in a module that their processes find, as they do not find tests."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np


def died_once(mark: str, numbers: np.ndarray) -> tuple[int, int]:
    """Ends its process the first time; else the sum, and whether the numbers can be written to."""
    if not Path(mark).exists():
        Path(mark).write_text("")
        os._exit(1)
    return int(numbers.sum()), int(numbers.flags.writeable)
