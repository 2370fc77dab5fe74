"""What has been captured, as a matrix of independent sessions, and what is missing in it.

A cell is tank x liquid x sensor x conditions x level band x temperature band x unit. A session counts once in
each cell that it has a labelled frame in, however many frames that are; void sessions don't count. Rows of
frames say how long somebody waited, sessions and units say how often it was seen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dataset.coverage.temperature_bands import KELVIN, ends_of
from dataset.errors import InputError
from dataset.records import Conditions, Liquid, Mark, Session, Tank, Unit

BANDS = 10
MAX_BANDS = 20
NOT_STATED = "not stated"
NOT_MEASURED = "not measured"
ALL = "all"
TILTED = "tilted"
# what a bench meets sooner or later; each is missing until it was captured once
EXPECTED = ("foam", "sloshing", "film", "drops", "scale", "filling", "draining", TILTED, "earthed")


@dataclass(frozen=True)
class Cell:
    """One cell: ``band`` counts from the datum (None: no level is known), ``warmth`` is the
    temperature band.
    """

    tank: str
    liquid: str
    sensor: str
    condition: tuple[str, ...]
    band: int | None
    warmth: str
    unit: str
    sessions: tuple[str, ...]


@dataclass(frozen=True)
class GapsLine:
    """The cells of one tank, liquid, sensor, condition and temperature band; sessions and units for each
    level band.
    """

    tank: str
    liquid: str
    sensor: str
    condition: str
    warmth: str
    bands: tuple[int, ...]
    band_units: tuple[int, ...]
    sessions: int
    units: int


@dataclass(frozen=True)
class Gaps:
    """The matrix: ``spans`` are the tanks' spans in mm, each cut into ``bands`` equal bands."""

    bands: int
    spans: Mapping[str, float]
    cells: tuple[Cell, ...]
    lines: tuple[GapsLine, ...]
    missing: tuple[str, ...]


def condition_words(conditions: Conditions | None) -> tuple[str, ...]:
    """The conditions as words, one a stated axis value; a tilt of nothing is not one."""
    if conditions is None:
        return ()
    stated = [word.value for word in (*conditions.surface, *conditions.wall)]
    stated += [conditions.flow.value] if conditions.flow is not None else []
    stated += [TILTED] if conditions.tilt_deg is not None and any(conditions.tilt_deg) else []
    stated += [conditions.coupling.value] if conditions.coupling is not None else []
    stated += [conditions.appliance] if conditions.appliance else []
    return tuple(stated)


def band_of(level_mm: float, span_mm: float, bands: int) -> int:
    """The band of a level: the top of the span belongs to the last one."""
    return min(int(level_mm / span_mm * bands), bands - 1)


def warmth_of(temperature_c: float, kelvin: float = KELVIN) -> str:
    """The temperature band of a mean; NaN is 'not measured'. Bands lie around multiples of their width: a
    room at 20 C is in one.
    """
    if math.isnan(temperature_c):
        return NOT_MEASURED
    low, high = ends_of(temperature_c, kelvin)
    return f"{low:g} to {high:g} C"


def find_gaps(
    sessions: Sequence[Session],
    temperatures: Mapping[str, Sequence[float]],
    *,
    bands: int = BANDS,
    kelvin: float = KELVIN,
    liquids: Sequence[Liquid] = (),
    units: Sequence[Unit] = (),
) -> Gaps:
    """Count the sessions that are not void.

    Args:
        sessions: what was captured, filtered already.
        temperatures: by session hash, the mean measured temperature under each of its marks (of all frames
            where it has none), NaN where nothing was measured.
        bands: level bands a span is cut into.
        kelvin: width of a temperature band.
        liquids: the liquids that there are; those without a session are missing.
        units: the units that there are, likewise.
    """
    if not 1 <= bands <= MAX_BANDS:
        raise InputError("bands", str(bands), f"1 to {MAX_BANDS}", fields=("bands",))
    sessions_in: dict[tuple[str, str, str, tuple[str, ...], int, str, str], dict[str, None]] = {}
    usable = [s for s in sessions if s.void_reason is None]
    for session in usable:
        tank = session.mounting.tank
        for condition, band, temperature in _pieces(session, temperatures[session.sha256], bands):
            key = (
                tank.ref,
                session.liquid.name,
                session.mounting.sensor.ref,
                condition,
                band,
                warmth_of(temperature, kelvin),
                session.unit.name,
            )
            sessions_in.setdefault(key, {})[session.id] = None
    cells = tuple(
        Cell(*key[:4], None if key[4] < 0 else key[4], *key[5:], tuple(sorted(ids)))
        for key, ids in sorted(sessions_in.items())
    )
    tanks = {s.mounting.tank.ref: s.mounting.tank for s in usable}
    spans = {name: tank.span_mm for name, tank in sorted(tanks.items())}
    return Gaps(
        bands, spans, cells, _lines(cells, bands), tuple(_missing(cells, tanks, bands, liquids, units))
    )


def _pieces(
    session: Session, temperatures: Sequence[float], bands: int
) -> Iterable[tuple[tuple[str, ...], int, float]]:
    """Condition, level band (-1: unknown) and temperature of each piece of a session; a ramp passes through
    several bands.
    """
    span = session.mounting.tank.span_mm
    if not session.marks:
        for condition in _conditions(session, Mark(0, session.frames, 0.0)):
            yield condition, -1, temperatures[0]
        return
    for mark, temperature in zip(session.marks, temperatures, strict=True):
        ends = [mark.level_mm, mark.level_mm if mark.level_stop_mm is None else mark.level_stop_mm]
        for condition in _conditions(session, mark):
            for band in range(band_of(min(ends), span, bands), band_of(max(ends), span, bands) + 1):
                yield condition, band, temperature


def _conditions(session: Session, mark: Mark) -> Iterable[tuple[str, ...]]:
    """The conditions that hold somewhere under a mark; frames without any count as not stated."""
    covered = 0
    for stretch in session.stretches:
        common = min(stretch.stop, mark.stop) - max(stretch.start, mark.start)
        if common > 0:
            covered += common
            yield condition_words(stretch.conditions)
    if covered < mark.stop - mark.start:
        yield ()


def _lines(cells: Sequence[Cell], bands: int) -> tuple[GapsLine, ...]:
    lines: dict[tuple[str, str, str, tuple[str, ...], str], list[Cell]] = {}
    for cell in cells:
        lines.setdefault((cell.tank, cell.sensor, cell.liquid, cell.condition, cell.warmth), []).append(cell)
    summed = []
    for (tank, sensor, liquid, condition, warmth), alike in sorted(lines.items()):
        in_band = [[cell for cell in alike if cell.band == band] for band in range(bands)]
        counts = tuple(len(sessions_of(part)) for part in in_band)
        units = tuple(len({cell.unit for cell in part}) for part in in_band)
        text = ", ".join(condition) or NOT_STATED
        summed.append(
            GapsLine(
                tank,
                liquid,
                sensor,
                text,
                warmth,
                counts,
                units,
                len(sessions_of(alike)),
                len({cell.unit for cell in alike}),
            )
        )
    return tuple(summed)


def sessions_of(cells: Iterable[Cell]) -> set[str]:
    """The sessions in ``cells``, each once."""
    return {session for cell in cells for session in cell.sessions}


def under(cells: Iterable[Cell], condition: str) -> list[Cell]:
    """The cells that a limit's condition speaks of: 'all', or one word of theirs."""
    return [cell for cell in cells if condition == ALL or condition in cell.condition]


def empty_bands(cells: Iterable[Cell], bands: int) -> list[tuple[int, int]]:
    """Runs of level bands without a session, as first and last band."""
    full = {cell.band for cell in cells}
    runs: list[tuple[int, int]] = []
    for band in (b for b in range(bands) if b not in full):
        runs = (
            [*runs[:-1], (runs[-1][0], band)] if runs and runs[-1][1] == band - 1 else [*runs, (band, band)]
        )
    return runs


def levels_text(run: tuple[int, int], span_mm: float, bands: int) -> str:
    """A run of bands in millimetres."""
    return f"{run[0] * span_mm / bands:g} to {(run[1] + 1) * span_mm / bands:g} mm"


def _missing(
    cells: Sequence[Cell],
    tanks: Mapping[str, Tank],
    bands: int,
    liquids: Sequence[Liquid],
    units: Sequence[Unit],
) -> Iterable[str]:
    for tank, record in sorted(tanks.items()):
        mine = [cell for cell in cells if cell.tank == tank]
        for liquid in sorted({cell.liquid for cell in mine}):
            runs = empty_bands((cell for cell in mine if cell.liquid == liquid), bands)
            if runs:
                yield (
                    f"{tank}, {liquid}: no session has a level in "
                    f"{', '.join(levels_text(run, record.span_mm, bands) for run in runs)}"
                )
        unseen = [word for word in EXPECTED if not under(mine, word)]
        if unseen:
            yield f"{tank}: never captured under {', '.join(unseen)}"
    if cells:
        for what, names, seen in (
            ("liquids", [x.name for x in liquids], {cell.liquid for cell in cells}),
            ("units", [x.name for x in units], {cell.unit for cell in cells}),
        ):
            without = [name for name in names if name not in seen]
            if without:
                yield (
                    f"{what} without a session: "
                    f"{', '.join(without[:12])}{', ...' if len(without) > 12 else ''}"
                )
