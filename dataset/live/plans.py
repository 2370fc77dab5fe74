"""The fill plan of a live capture: which levels to go to, and how long to stay at each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

from dataset.errors import InputError, naming, quoted
from dataset.files.disk import text_at_most
from dataset.files.lines import cells_of
from dataset.records import Sensor, Tank
from dataset.values import plain_float

HOLD_S = 10.0  # common practice, no source: at ten frames a second a hundred frames a mark
TARGETS = {"level_mm": "mm", "mass_g": "g"}


@dataclass(frozen=True)
class Step:
    """Fill to ``target`` (mm above the datum, or g on the scale: ``unit``) and stay for ``hold`` frames."""

    target: float
    unit: str
    hold: int

    @property
    def text(self) -> str:
        return f"{self.target:g} {self.unit}"


def read_plan(path: Path, sensor: Sensor, tank: Tank, hold_s: float = HOLD_S) -> tuple[Step, ...]:
    """A plan from delimited text with column names: ``level_mm`` or ``mass_g``, and ``hold_s`` or
    ``hold_frames`` where it is not ``hold_s``.

    Other columns, a step's number say, are for the reader's eyes. Lines run in the file's order.

    Raises:
        InputError: the file, line and column at fault.
    """
    try:
        text = text_at_most(path)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            str(path),
            f"cannot be read ({error})",
            "a plan: a text file with columns level_mm or mass_g, and hold_s",
        ) from error
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    delimiter = ";" if lines and ";" in lines[0][1] else ","
    split = [
        [cell.strip() for cell in cells_of(line, f"{path}, line {number}", delimiter)]
        for number, line in lines
    ]
    columns, cells = (split[0], split[1:]) if split else ([], [])
    target = [name for name in TARGETS if name in columns]
    hold = [name for name in ("hold_s", "hold_frames") if name in columns]
    if len(target) != 1 or len(hold) > 1:
        raise InputError(
            str(path),
            f"columns {', '.join(columns) or '(none)'}",
            "level_mm or mass_g, and hold_s or hold_frames",
        )
    if not cells:
        raise InputError(str(path), "no steps", "one line a step")
    steps: list[Step] = []
    for (number, _), line_cells in zip(lines[1:], cells, strict=True):
        row = dict(zip_longest(columns, line_cells[: len(columns)], fillvalue=""))
        where = f"{path}, line {number}"
        value = _number(where, target[0], row[target[0]])
        column = hold[0] if hold else "hold_s"
        frames = _hold(
            f"{where}, column {column!r}",
            _number(where, column, row[column]) if hold else hold_s,
            column,
            sensor,
        )
        steps.append(_step(f"{where}, column {target[0]!r}", value, TARGETS[target[0]], frames, tank))
    return tuple(steps)


def plan_of_levels(
    levels: Sequence[float], sensor: Sensor, tank: Tank, hold_s: float = HOLD_S
) -> tuple[Step, ...]:
    """A plan that goes to ``levels`` (mm) one after the other and stays ``hold_s`` seconds at each."""
    with naming("hold_s", "levels"):
        frames = _hold("hold_s", hold_s, "hold_s", sensor)
        return tuple(_step("levels", level, "mm", frames, tank) for level in levels)


def _step(where: str, target: float, unit: str, hold: int, tank: Tank) -> Step:
    if unit == "mm" and not 0 <= target <= tank.span_mm:
        raise InputError(where, f"{target:g} mm", f"0 to {tank.span_mm:g} mm, the span of tank {tank.ref}")
    return Step(target, unit, hold)


def _hold(where: str, value: float, column: str, sensor: Sensor) -> int:
    frames = math.ceil(value * 1000 / sensor.period_ms) if column == "hold_s" else value
    if not 1 <= frames < 10**7 or frames != int(frames):
        raise InputError(where, f"{value:g}", "a hold of at least one frame, in whole frames or in seconds")
    return int(frames)


def _number(where: str, column: str, cell: str) -> float:
    try:
        value = plain_float(cell.replace(",", "."))
    except ValueError as error:
        raise InputError(f"{where}, column {column!r}", quoted(cell), "a number") from error
    if not math.isfinite(value):
        raise InputError(f"{where}, column {column!r}", quoted(cell), "a finite number")
    return value
