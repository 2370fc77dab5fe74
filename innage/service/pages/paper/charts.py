"""Small charts of counts over days as places of lines, which templates write as SVG: a check standard with
its limits, and trims by how far they moved. Looks are classes of the sheet alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from export.report.numbers import set_apart

WIDTH, HEIGHT, EDGE = 320, 96, 12
SIDE = 56  # to the right, for the numbers at the ends


@dataclass(frozen=True)
class Point:
    """A value, and whether it lies beyond the limits."""

    x: float
    y: float
    out: bool
    text: str


@dataclass(frozen=True)
class Line:
    """A line across the chart at a value: a limit, or what the values are held against."""

    y: float
    limit: bool


@dataclass(frozen=True)
class Chart:
    """Values over days: lines through points, the numbers at both ends, lines across, and what moved
    furthest by the last day.
    """

    name: str
    lines: tuple[str, ...]
    points: tuple[Point, ...]
    across: tuple[Line, ...]
    least: float
    most: float
    first: str
    last: str
    limits: tuple[float, float, float] | None = None
    furthest: str = ""
    width: int = WIDTH + SIDE
    height: int = HEIGHT
    right: int = WIDTH


def control_chart(
    channel: str,
    days: Sequence[str],
    values: Sequence[float],
    limits: tuple[float, float, float] | None,
    out: Sequence[int],
) -> Chart:
    """A chart of daily means, a step a day on which it was measured; ``limits`` are low, centre and high,
    None while there are too few days.
    """
    y = _Upright([*values, *(limits or ())])
    step = (WIDTH - 2 * EDGE) / max(len(values) - 1, 1)
    start = EDGE if len(values) > 1 else WIDTH / 2
    points = tuple(
        Point(round(start + step * k, 1), y(value), k in out, f"{day}: {set_apart(f'{value:.6g}')}")
        for k, (day, value) in enumerate(zip(days, values, strict=True))
    )
    across = tuple(Line(y(at), limit=k != 1) for k, at in enumerate(limits or ()))  # the centre is none
    return Chart(channel, (_through(points),), points, across, y.least, y.most, days[0], days[-1], limits)


def drift_chart(name: str, days: Sequence[str], counts: Mapping[str, Sequence[float]]) -> Chart:
    """How far each pad's count has moved since the first of at least two ``days`` (ISO dates in order), by
    time: a line a pad, each point named. At least one pad.
    """
    moved = {pad: [value - values[0] for value in values] for pad, values in counts.items()}
    y = _Upright([0.0, *(value for values in moved.values() for value in values)])
    at = [date.fromisoformat(day).toordinal() for day in days]
    reach = (at[-1] - at[0]) or 1
    across = [round(EDGE + (day - at[0]) / reach * (WIDTH - 2 * EDGE), 1) for day in at]
    drawn = [
        [
            Point(x, y(value), False, f"{pad}, {day}: {set_apart(f'{value:+.6g}')}")
            for x, day, value in zip(across, days, values, strict=True)
        ]
        for pad, values in moved.items()
    ]
    points = tuple(point for line in drawn for point in line)
    zero = (Line(y(0.0), limit=False),)
    pad = max(moved, key=lambda name: abs(moved[name][-1]))
    furthest = f"{pad} by {set_apart(f'{moved[pad][-1]:+.6g}')}"
    return Chart(
        name,
        tuple(map(_through, drawn)),
        points,
        zero,
        y.least,
        y.most,
        days[0],
        days[-1],
        furthest=furthest,
    )


class _Upright:
    """Where values stand, the least at the foot; in the middle where all are the same."""

    def __init__(self, values: Sequence[float]) -> None:
        self.least, self.most = min(values), max(values)

    def __call__(self, value: float) -> float:
        reach = self.most - self.least
        share = (value - self.least) / reach if reach else 0.5
        return round(HEIGHT - EDGE - share * (HEIGHT - 2 * EDGE), 1)


def _through(points: Sequence[Point]) -> str:
    return " ".join(f"{point.x},{point.y}" for point in points)
