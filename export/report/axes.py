"""What pictures of pages are drawn with: scales, panels, keys and strips as inline SVG.

No library, no script, no ``style=``: looks are classes of :data:`export.report.style.PICTURES`. So a picture
follows the page's colours, and its words grow where the page is narrow. The same text for the same values.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from itertools import pairwise

from export.report.numbers import set_apart

WIDTH = 640  # of every picture, in its own units
LEFT, RIGHT = 64, 20  # room for the ticks' numbers, and for half of the last one below
TITLE, KEY, FOOT = 40, 26, 58  # heights: the name of what goes upwards, a line of the key, the axis below
STRIP = 38  # height of a row of stretches with its words
LETTER = 10.5  # width of a letter of the largest words, in a picture as narrow as a telephone

Point = tuple[float, float]

CLASSES = ("clean", "foam", "film", "drops", "liquid", "empty")
_DASHES: Mapping[str, str] = {"foam": "7 4", "film": "2 3", "drops": "4 2 1 2", "liquid": "9 3 2 3"}


def look(name: str) -> str:
    """The class of the style sheet that a class of frames is drawn in; that of a single series for others."""
    return f"s{CLASSES.index(name) + 1}" if name in CLASSES else "s0"


def dashes(name: str) -> str:
    """How the line of a class is broken, so that it is told apart without colours."""
    return f' stroke-dasharray="{_DASHES[name]}"' if name in _DASHES else ""


def ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Round numbers that enclose [low, high], some ``count`` of them."""
    if high <= low:
        low, high = low - 1, high + 1
    raw = (high - low) / count
    power = math.floor(math.log10(raw))
    step = next(m for m in (1.0, 2.0, 5.0, 10.0) if m * 10.0**power >= raw * 0.999) * 10.0**power
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 12) + 0.0 for k in range(first, last + 1)]


def tick_texts(values: Sequence[float]) -> list[str]:
    """Ticks as numbers, with as many decimals as the step between them has."""
    step = min((b - a for a, b in pairwise(values)), default=abs(values[0]) or 1.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [set_apart(f"{value:.{decimals}f}") for value in values]


class Scale:
    """A linear scale from ``start`` to ``end`` of a picture; ``tight``: it ends with the values, not with the
    ticks around them.
    """

    def __init__(
        self, values: Sequence[float], start: float, end: float, count: int = 5, *, tight: bool = False
    ) -> None:
        low, high = min(values), max(values)
        enclosing = ticks(low, high, count)
        if tight and high > low:
            self.low, self.high = low, high
            self.ticks = [tick for tick in enclosing if low <= tick <= high]
        else:
            self.low, self.high, self.ticks = enclosing[0], enclosing[-1], enclosing
        self.start, self.end = start, end

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + share * (self.end - self.start), 1) + 0.0


class Panel:
    """A field with numbers upwards and grid lines; the axis below it is drawn where ``foot`` is asked for."""

    def __init__(
        self, x: Scale, ys: Sequence[float], name: str, top: float, height: float, count: int = 5
    ) -> None:
        """``name`` says what goes upwards; it stands above the field, which begins TITLE below ``top``.
        ``count``: about how many lines.
        """
        self.x, self.name = x, name
        self.top, self.bottom = top + TITLE, top + TITLE + height
        self.y = Scale(ys, self.bottom, self.top, count)

    def at(self, point: Point) -> str:
        return f"{self.x(point[0]):g},{self.y(point[1]):g}"

    def path(self, points: Iterable[Point]) -> str:
        return " ".join(self.at(point) for point in points)

    def line(self, points: Iterable[Point]) -> str:
        """The ``d`` of a path through the points, interrupted where one is not a number."""
        parts, drawn = list[str](), False
        for point in points:
            if any(map(math.isnan, point)):
                drawn = False
            else:
                parts.append(f"{'L' if drawn else 'M'}{self.at(point)}")
                drawn = True
        return "".join(parts)

    def grid(self) -> list[str]:
        """Name, lines and numbers."""
        parts = [f'<text x="6" y="{self.top - 24:g}">{escape(self.name)}</text>']
        for tick, said in zip(self.y.ticks, tick_texts(self.y.ticks), strict=True):
            y = self.y(tick)
            kind = "zero" if tick == 0 else "grid"
            parts.append(f'<line class="{kind}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:g}" y2="{y:g}"/>')
            parts.append(f'<text class="end" x="{LEFT - 8}" y="{y + 4:g}">{said}</text>')
        return parts

    def foot(self, name: str) -> list[str]:
        """Numbers of the scale below, and what it is of."""
        return foot(self.x, self.bottom, name)


def foot(x: Scale, at: float, name: str) -> list[str]:
    """The axis below ``at``: a mark and a number for each tick, and the name."""
    parts = []
    for tick, said in zip(x.ticks, tick_texts(x.ticks), strict=True):
        parts.append(f'<line class="zero" x1="{x(tick):g}" x2="{x(tick):g}" y1="{at:g}" y2="{at + 4:g}"/>')
        parts.append(f'<text class="mid" x="{x(tick):g}" y="{at + 22:g}">{said}</text>')
    middle = (LEFT + WIDTH - RIGHT) / 2
    return [*parts, f'<text class="mid" x="{middle:g}" y="{at + 48:g}">{escape(name)}</text>']


def key(entries: Sequence[tuple[str, str]], top: float) -> tuple[list[str], float]:
    """A key of (ready-made sign 26 wide, words), in as many lines as it takes, and its height."""
    parts, x, y = list[str](), float(LEFT), top + 12.0
    for sign, words in entries:
        wide = 36 + LETTER * len(words) + 14
        if x > LEFT and x + wide > WIDTH:
            x, y = float(LEFT), y + KEY
        parts.append(f'<g transform="translate({x:g} {y:g})">{sign}</g>')
        parts.append(f'<text x="{x + 34:g}" y="{y + 4:g}">{escape(words)}</text>')
        x += wide
    return parts, (y - top + KEY - 12 if entries else 0.0)


def strips(
    x: Scale, top: float, rows: Sequence[tuple[str, str, Sequence[tuple[float, float]]]]
) -> tuple[list[str], float]:
    """Rows of (words, class, stretches from and to) below each other, each under its words, and their height:
    what held when.
    """
    parts = []
    for k, (words, kind, stretches) in enumerate(rows):
        y = top + STRIP * k
        parts.append(f'<text x="{LEFT}" y="{y + 18:g}">{escape(words)}</text>')
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y + 30:g}" y2="{y + 30:g}"/>')
        parts += [
            f'<rect class="{kind}" x="{x(first):g}" y="{y + 24:g}" width="{max(x(last) - x(first), 1):.1f}" '
            f'height="9"><title>{escape(words)}: {first:.4g} to {last:.4g}</title></rect>'
            for first, last in stretches
        ]
    return parts, float(STRIP * len(rows))


def line_sign(name: str) -> str:
    """The sign of a class's line in a key."""
    return f'<line class="{look(name)} front" x1="0" x2="26" y1="0" y2="0"{dashes(name)}/>'


def dot(name: str, x: float, y: float, title: str = "") -> str:
    """The mark of a class about (x, y): each class has a shape of its own as well as a colour."""
    said = f"<title>{title}</title>" if title else ""
    shape = {
        "foam": f'<path d="M{x - 4:g} {y + 3.5:g}h8l-4 -7.5z"/>',
        "film": f'<rect x="{x - 3.3:g}" y="{y - 3.3:g}" width="6.6" height="6.6"/>',
        "drops": f'<path d="M{x:g} {y - 4.5:g}l4.5 4.5l-4.5 4.5l-4.5 -4.5z"/>',
    }.get(name, f'<circle cx="{x:g}" cy="{y:g}" r="3.5"/>')
    return f'<g class="{look(name)} mark">{said}{shape}</g>'


def drawing(title: str, desc: str, height: float, parts: Iterable[str]) -> str:
    """The whole picture; ``title`` and ``desc`` are text, read out where it can't be seen."""
    return (
        f'<svg class="plot" viewBox="0 0 {WIDTH} {height:g}" role="img"><title>{escape(title)}</title>'
        f"<desc>{escape(desc)}</desc>{''.join(parts)}</svg>"
    )


def bar(share: float, kind: str = "bar") -> str:
    """A bar as long as the share of its room, 0 to 1; what it says stands beside it."""
    width = 100 * min(1.0, max(0.0, share))
    return (
        f'<svg class="{kind}" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect width="{width:.1f}" height="8"/></svg>'
    )
