"""What stands around the names of columns: the delimiter that spreadsheets write above them, a row of units
below them, units within them; and which column a name speaks of.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from dataset.values import plain_float

_SEPARATOR_LINE = re.compile(r'"?sep=(.)"?', re.IGNORECASE)
_UNITS = frozenset(
    (
        *("s", "sec", "second", "seconds", "ms", "msec", "us", "min", "h"),
        *("mm", "cm", "m", "in", "inch", "l", "ml", "g", "kg", "%", "pct"),
        *("c", "degc", "celsius", "f", "degf", "fahrenheit", "k", "kelvin"),
        *("pf", "nf", "uf", "ff", "hz", "khz", "mhz", "v", "mv", "a", "ma", "ohm", "kohm"),
        *("lsb", "count", "counts", "cts", "raw", "code", "codes", "adc", "bit", "bits"),
    )
)
_BRACKETED = re.compile(r"[(\[]\s*([^()\[\]]{1,20}?)\s*[)\]]")
_PLAIN_WORD = re.compile(r"[^\W\d_]{1,12}")
_WORDS = re.compile(r"[A-Z]?[a-z\u00df-\u00ff]+|[A-Z\u00c0-\u00de]+(?![a-z])|[^\W\d_]+")
_TIMES = frozenset(["time", "times", "timestamp", "elapsed", "millis", "uptime", "clock", "zeit", "seconds"])
_LEVELS = frozenset(
    (
        *("level", "levels", "height", "depth", "ruler"),
        *("pegel", "niveau", "nivel", "livello", "fuellstand", "füllstand"),
    )
)
_WARM = frozenset(
    (
        *("temp", "temps", "temperature", "temperatures", "celsius", "degc", "thermometer"),
        *("temperatur", "temperatura"),
    )
)
_DEGREES = frozenset(("c", "degc", "celsius", "f", "degf", "fahrenheit", "k", "kelvin"))
_DOUBTS = frozenset(["u", "unc", "uncertainty", "sd", "std", "error", "tolerance"])


def delimiter_above(line: str) -> str | None:
    """The delimiter that a first line 'sep=;' names; None for any other line."""
    match = _SEPARATOR_LINE.fullmatch(line.strip())
    return match[1] if match else None


def unit_of(cell: str) -> str:
    """A unit as it is known here, lower-case without brackets and signs of degrees: 'degc' for '[°C]'; ''
    where the cell is none.
    """
    bare = cell.strip().strip("()[]").strip().casefold()
    bare = bare.replace("\u00b0", "deg").replace("\u00b5", "u").replace("\u03bc", "u").replace("deg ", "deg")
    return bare if bare in _UNITS else ""


def are_units(cells: Sequence[str]) -> bool:
    """Whether the cells below the names of columns are their units: no number, some known unit, and besides
    only words, dashes and empty cells.
    """
    bare = [cell.strip() for cell in cells]
    others = [cell for cell in bare if not unit_of(cell)]
    return (
        len(others) < len(bare)
        and all(cell in ("", "-", "#") or _PLAIN_WORD.fullmatch(cell.strip("()[]")) for cell in others)
        and not any(map(_is_number, bare))
    )


def unit_in(name: str) -> str:
    """The unit that a column's name ends in, as in 'level_cm', 't (s)' or 'cm'; '' where it has none."""
    bracketed = _BRACKETED.search(name)
    return unit_of(bracketed[1] if bracketed else re.split(r"[\s_]+", name.strip())[-1])


def speaks_of(name: str) -> str:
    """'time', 'level' or 'temperature' where a column's name says so; '' where it says nothing of these."""
    words, unit = [word.casefold() for word in _WORDS.findall(name)], unit_in(name)
    if _DOUBTS.intersection(words):
        return ""
    if _WARM.intersection(words) or "\u00b0C" in name or (words[:1] == ["t"] and unit in _DEGREES):
        return "temperature"
    if _LEVELS.intersection(words) or words in (["mm"], ["cm"]):
        return "level"
    if _TIMES.intersection(words) or words[:1] == ["t"] or words in (["ms"], ["s"]):
        return "time"
    return ""


def _is_number(cell: str) -> bool:
    try:
        plain_float(cell.replace(",", "."))
    except ValueError:
        return False
    return True
