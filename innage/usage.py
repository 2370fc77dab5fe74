"""Usage errors in words that say what to write: the unit of an option, the value that was nearly meant."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import Any

from dataset.errors import quoted
from dataset.values import plain_float

# what an option's name ends in, and the unit that it names
_UNITS = {
    "-bytes": "bytes",
    "-mm": "mm",
    "-um": "micrometres",
    "-s-m": "S/m",
    "-kg-m3": "kg/m3",
    "-hz": "Hz",
    "-ms": "ms",
    "-pct": "percent",
    "-ml": "mL",
    "-c": "degrees Celsius",
    "-k": "kelvin",
    "-g": "g",
    "-s": "s",
}
# by the unit of an option: what others come to in it
_OTHERS: dict[str, dict[str, float]] = {
    "bytes": {
        "b": 1,
        "bytes": 1,
        "k": 1024,
        "kb": 1024,
        "kib": 1024,
        "m": 1 << 20,
        "mb": 1 << 20,
        "mib": 1 << 20,
    },
    "mm": {"mm": 1, "cm": 10, "dm": 100, "m": 1000, "um": 1e-3, "in": 25.4},
    "S/m": {"s/m": 1, "ms/m": 1e-3, "ms/cm": 0.1, "us/cm": 1e-4, "s/cm": 100},
    "kg/m3": {"kg/m3": 1, "g/ml": 1000, "g/cm3": 1000, "kg/l": 1000},
    "Hz": {"hz": 1, "khz": 1e3, "mhz": 1e6},
    "ms": {"ms": 1, "s": 1000, "min": 60_000},
    "s": {"s": 1, "ms": 1e-3, "min": 60},
    "mL": {"ml": 1, "l": 1000, "cl": 10},
    "g": {"g": 1, "kg": 1000, "mg": 1e-3},
    "percent": {"%": 1},
    "degrees Celsius": {"c": 1},
}
_WITH_UNIT = re.compile(r"([-+]?[0-9]+(?:[.,][0-9]+)?(?:e[-+]?[0-9]+)?)\s*([^\s0-9].{0,9})", re.IGNORECASE)
_NUMBERS = {"int_parsing": "a whole number", "int_from_float": "a whole number", "float_parsing": "a number"}


def reword(error: Any) -> None:
    """Have a usage error about a value say what was found, what is expected, and what was perhaps meant."""
    problem = _problem(error)
    options = getattr(getattr(error, "param", None), "opts", None)
    if problem is None or not options:
        return
    kind, found = problem.get("type", ""), str(problem.get("input", ""))
    if kind in _NUMBERS:
        unit = next((u for end, u in _UNITS.items() if options[0].endswith(end)), "")
        of = f" of {unit}" if unit and kind != "float_parsing" else f" in {unit}" if unit else ""
        error.message = f"{quoted(found)}; expected {_NUMBERS[kind]}{of}{_meant(found, unit)}"
    elif str(error.message).startswith("Value error, "):
        message = str(error.message).removeprefix("Value error, ")
        known = re.findall(r"'([^']*)'", message.partition(" is not one of ")[2])
        near = get_close_matches(found, known, n=1, cutoff=0.5)
        error.message = message + (f" Did you mean {near[0]!r}?" if near else "")


def _problem(error: Any) -> dict[str, Any] | None:
    """What the check of a value found, where a check of one value is behind an error."""
    listed = getattr(getattr(error, "__cause__", None), "errors", None)
    problems = listed() if callable(listed) else []
    return problems[0] if len(problems) == 1 else None


def _meant(found: str, unit: str) -> str:
    """The number that a value with a unit comes to in the option's, as a question; else nothing."""
    match = _WITH_UNIT.fullmatch(found.strip())
    other = (
        match[2].strip().replace("\u00b5", "u").replace("\u03bc", "u").replace("\u00b0", "").casefold()
        if match
        else ""
    )
    times = _OTHERS.get(unit, {}).get(other)
    if match is None or times is None:
        return ""
    return f". Did you mean {plain_float(match[1].replace(',', '.')) * times:.12g}?"


def store_behind(args: list[str]) -> list[str]:
    """The words of a call with a ``--store`` put behind the others that stands before the command, or
    between a group and its command.
    """
    at = 0 if args[:1] and args[0].startswith("--store") else 1
    if args[at : at + 1] == ["--store"] and len(args) > at + 2:
        option, rest = args[at : at + 2], args[:at] + args[at + 2 :]
    elif len(args) > at + 1 and args[at].startswith("--store="):
        option, rest = [args[at]], args[:at] + args[at + 1 :]
    else:
        return args
    end = rest.index("--") if "--" in rest else len(rest)
    return [*rest[:end], *option, *rest[end:]]
