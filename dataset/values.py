"""Single values: those that several rooms go by, and checks of numbers, names and free text. Each check
raises InputError that says where, what was found and what was expected.
"""

from __future__ import annotations

import math
import re

from dataset.errors import InputError, quoted

MAX_NAME = 60
MAX_MM = 100_000.0
GAP_PERIODS = 1.5  # a step of time beyond so many median periods cannot be one period with jitter
LEAST_NOISE = 0.5  # counts are whole numbers: quieter than half a count cannot be seen
MAD_TO_SD = 1.4826  # a normal law's standard deviation over its median absolute deviation
FEWEST_GROUPS = 3  # units, say: the scatter of fewer says nothing
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*")


def plain_float(text: str) -> float:
    """A number written in the digits 0 to 9: Python reads those of other scripts too, and 1_000, which a file
    does not mean. ValueError for anything else.
    """
    if not text.isascii() or "_" in text:
        raise ValueError(f"no plain number: {text[:80]!r}")
    return float(text)


def check_name(what: str, name: str) -> None:
    """A name starts with a letter or digit and holds letters, digits, '-', '_' and '.'; '@' is left for
    revisions.
    """
    if not _NAME.fullmatch(name) or len(name) > MAX_NAME:
        raise InputError(
            f"{what} name",
            quoted(name),
            f"1 to {MAX_NAME} letters, digits, '-', '_' or '.', the first a letter, digit or '_'",
        )


def check_text(where: str, text: str) -> None:
    """Free text: anything that can be printed on a line."""
    if any(not (c.isprintable() or c == "\n") for c in text):
        raise InputError(where, "a control character", "text that can be printed")


def check_number(
    where: str, value: float | None, low: float, high: float, *, above: bool = False, unit: str = ""
) -> None:
    """``low`` <= value <= ``high`` (``above``: low < value); None passes."""
    if value is None or (math.isfinite(value) and (low < value if above else low <= value) and value <= high):
        return
    raise InputError(
        where,
        f"{value:g}",
        f"{'more than' if above else 'at least'} {low:g} and at most {high:g}{unit and ' ' + unit}",
    )
