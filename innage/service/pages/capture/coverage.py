"""What was captured, as a map of liquid, level, temperature and condition with its holes; the plan beside
it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.responses import Response

from innage.jobs.coverage import cover, cover_and_plan, read_captured, runs_text, take
from innage.jobs.sessions.finding import why_none
from innage.service.door import DoorOf
from innage.service.pages.paper.filters import AskedOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import Kept, KeptOf
from innage.service.pages.paper.tables import Form, json_file, table_file

if TYPE_CHECKING:
    from dataset.coverage.gaps import Gaps, GapsLine
    from dataset.store import Store
    from innage.jobs.coverage import Captured

MOST_RUNS = 12


@dataclass(frozen=True)
class Square:
    """A level band under one condition: from and to, mm, and how many sessions and units; ``shade`` is 0 for
    a hole, and up to 3.
    """

    low: float
    high: float
    sessions: int
    units: int

    @property
    def shade(self) -> int:
        return 0 if not self.sessions else 1 if self.sessions < 3 else 2 if self.sessions < 10 else 3


@dataclass(frozen=True)
class Strip:
    """The bands of one temperature, from the datum up."""

    squares: tuple[Square, ...]
    sessions: int
    units: int

    @property
    def holes(self) -> str:
        """The levels without a session, in words."""
        return ", ".join(
            f"{run[0].low:g} to {run[-1].high:g} mm"
            for empty, run in (
                (key, list(some)) for key, some in groupby(self.squares, lambda s: s.shade == 0)
            )
            if empty
        )


@dataclass(frozen=True)
class Column:
    """A liquid with the temperatures that it was captured at on a tank."""

    liquid: str
    warmths: tuple[str, ...]


@dataclass(frozen=True)
class Map:
    """The map of a tank with a sensor: under each condition, by liquid and temperature, a strip, or None
    where there is no session.
    """

    tank: str
    sensor: str
    span_mm: float
    columns: tuple[Column, ...]
    lines: tuple[tuple[str, tuple[Strip | None, ...]], ...]


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/coverage", shown, methods=["GET"], **PAGE)
    app.add_api_route("/coverage.{form}", table, methods=["GET"], **PAGE)


def shown(request: Request, door: DoorOf, kept: KeptOf, asked: AskedOf) -> Response:
    """The map, and what to capture next."""
    wanted = asked.filter
    lately = kept.lately(
        ("coverage", wanted), lambda: cover_and_plan(door.store, wanted, _captured(door.store, kept))
    )
    coverage, planned = lately.value
    lines = kept.lines()
    facts = {
        "asked": asked,
        "lately": lately,
        "coverage": coverage,
        "maps": maps_of(coverage.gaps),
        "planned": planned,
        "runs": [] if planned.plan is None else runs_text(planned.plan.proposals)[:MOST_RUNS],
        "why": why_none(wanted, lines) if wanted.given and lines and not coverage.sessions else "",
        "sessions": len(lines),
    }
    return sheet(request, "coverage.html", facts)


def table(request: Request, door: DoorOf, kept: KeptOf, asked: AskedOf, form: Form) -> Response:
    """The map as a table, a row a level band; as JSON what ``innage gaps --json`` has."""
    wanted = asked.filter
    store = door.store
    coverage = kept.of(
        ("coverage alone", wanted),
        lambda: cover(store, wanted, taken=take(store, wanted, _captured(store, kept))),
    )
    if form is Form.JSON:
        return json_file(request, coverage.facts())
    return table_file(request, "coverage", form, columns_of(coverage.gaps))


def _captured(store: Store, kept: Kept) -> Captured:
    """Every session, whatever is asked of them: kept once for all filters."""
    return kept.grown("captured", lambda before: read_captured(store, before))


def maps_of(gaps: Gaps) -> list[Map]:
    """A map for each tank and sensor."""
    maps = []
    for tank, sensor in dict.fromkeys((line.tank, line.sensor) for line in gaps.lines):
        alike = [line for line in gaps.lines if (line.tank, line.sensor) == (tank, sensor)]
        warmths = sorted({line.warmth for line in alike}, key=_coldest_first)
        columns = tuple(
            Column(
                liquid, tuple(w for w in warmths if any((x.liquid, x.warmth) == (liquid, w) for x in alike))
            )
            for liquid in dict.fromkeys(line.liquid for line in alike)
        )
        by_place = {(line.condition, line.liquid, line.warmth): line for line in alike}
        step = gaps.spans[tank] / gaps.bands
        lines = tuple(
            (
                condition,
                tuple(
                    _strip(by_place.get((condition, column.liquid, warmth)), step)
                    for column in columns
                    for warmth in column.warmths
                ),
            )
            for condition in sorted({line.condition for line in alike})
        )
        maps.append(Map(tank, sensor, gaps.spans[tank], columns, lines))
    return maps


def _strip(line: GapsLine | None, step: float) -> Strip | None:
    if line is None:
        return None
    squares = tuple(
        Square(k * step, (k + 1) * step, sessions, units)
        for k, (sessions, units) in enumerate(zip(line.bands, line.band_units, strict=True))
    )
    return Strip(squares, line.sessions, line.units)


def _coldest_first(warmth: str) -> tuple[bool, float]:
    """What was not measured stands last."""
    first = warmth.split(" ", maxsplit=1)[0]
    try:
        return False, float(first)
    except ValueError:
        return True, 0.0


def columns_of(gaps: Gaps) -> dict[str, Sequence[Any]]:
    """The map by column, a row for each level band of each line."""
    rows = [
        (
            *(line.tank, line.sensor, line.liquid, line.condition, line.warmth),
            *(band * gaps.spans[line.tank] / gaps.bands, (band + 1) * gaps.spans[line.tank] / gaps.bands),
            *(line.bands[band], line.band_units[band]),
        )
        for line in gaps.lines
        for band in range(gaps.bands)
    ]
    names = ("tank", "sensor", "liquid", "condition", "temperature", "from_mm", "to_mm", "sessions", "units")
    return {name: [row[k] for row in rows] for k, name in enumerate(names)}
