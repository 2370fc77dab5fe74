"""What has been captured, as a matrix of independent sessions, and what is missing in it.

A cell is tank x liquid x sensor x conditions x level band x temperature band x unit. A session counts once in
each cell that it has a labelled frame in, however many frames that are; void sessions don't count. Rows of
frames say how long somebody waited, sessions and units say how often it was seen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from dataset.coverage.condition_words import TILTED, condition_words
from dataset.coverage.temperature_bands import KELVIN, ends_of
from dataset.errors import InputError
from dataset.records import Session, Tank
from dataset.values import natural
from dataset.words import Coupling, Flow, Surface, Wall

BANDS = 10
MAX_BANDS = 20
NOT_STATED = "not stated"
NOT_MEASURED = "not measured"
ALL = "all"
CAPTURABLE = (
    *(word.value for kind in (Surface, Wall, Flow, Coupling) for word in kind),
    TILTED,
)  # as words: what a limit's condition may ask a bench for
# what a bench meets sooner or later; each is missing until it was captured once
EXPECTED = ("foam", "sloshing", "film", "drops", "scale", "filling", "draining", TILTED, "earthed")

_Key = tuple[str, str, str, tuple[str, ...], int, str, str]  # tank, liquid, sensor, condition, bands, unit
Piece = tuple[tuple[str, ...], int, str]  # condition, level band (-1: unknown), temperature band


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
class Registered:
    """What a store knows of beside its sessions: ``liquids``, ``units`` and ``tanks`` with a mounting, each
    of which should have a session, and the conditions that limits ask for.
    """

    liquids: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    tanks: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()


@dataclass(frozen=True)
class Gaps:
    """The matrix: ``spans`` are the tanks' spans in mm, each cut into ``bands`` equal bands."""

    bands: int
    spans: Mapping[str, float]
    cells: tuple[Cell, ...]
    lines: tuple[GapsLine, ...]
    missing: tuple[str, ...]


def band_of(level_mm: float, span_mm: float, bands: int) -> int:
    """The band of a level: the top of the span belongs to the last one."""
    return min(int(level_mm / span_mm * bands), bands - 1)


def warmth_of(temperature_c: float, kelvin: float = KELVIN) -> str:
    """The temperature band of a mean; NaN is 'not measured'. Bands lie around multiples of their width: a
    room at 20 C is in one.
    """
    if math.isnan(temperature_c):
        return NOT_MEASURED
    return _from_to(*ends_of(temperature_c, kelvin))


@lru_cache(1024)  # thousands of marks lie in a few bands
def _from_to(low: float, high: float) -> str:
    return f"{low:g} to {high:g} C"


def find_gaps(
    sessions: Sequence[Session],
    temperatures: Mapping[str, Sequence[float]],
    *,
    bands: int = BANDS,
    kelvin: float = KELVIN,
    registered: Registered | None = None,
    pieces: Mapping[str, frozenset[Piece]] | None = None,
) -> Gaps:
    """Count the sessions that are not void.

    Args:
        sessions: what was captured, filtered already.
        temperatures: by session hash, the mean measured temperature under each of its marks (of all frames
            where it has none), NaN where nothing was measured.
        bands: level bands a span is cut into.
        kelvin: width of a temperature band.
        registered: what there is and what is planned, which says what is missing; None is nothing.
        pieces: by session hash what :func:`pieces_of` gives for these bands, where that is known; None finds
            it.
    """
    if not 1 <= bands <= MAX_BANDS:
        raise InputError("bands", str(bands), f"1 to {MAX_BANDS}", fields=("bands",))
    usable = [s for s in sessions if s.void_reason is None]
    known = {} if pieces is None else pieces
    alike: dict[tuple[str, str, str, str, frozenset[Piece]], list[str]] = {}
    for session in usable:
        found = known.get(session.sha256)
        if found is None:
            found = pieces_of(session, temperatures[session.sha256], bands, kelvin)
        place = session.mounting.tank.ref, session.liquid.name, session.mounting.sensor.ref
        alike.setdefault((*place, session.unit.name, found), []).append(session.id)
    sessions_in: dict[_Key, list[str]] = {}
    for (tank, liquid, sensor, unit, found), ids in alike.items():
        for piece in found:
            sessions_in.setdefault((tank, liquid, sensor, *piece, unit), []).extend(ids)
    cells = tuple(
        Cell(*key[:4], None if key[4] < 0 else key[4], *key[5:], tuple(sorted(ids)))
        for key, ids in sorted(sessions_in.items(), key=lambda item: _order(item[0]))
    )
    tanks = {s.mounting.tank.ref: s.mounting.tank for s in usable}
    spans = {name: tanks[name].span_mm for name in sorted(tanks, key=natural)}
    missing = tuple(_missing(cells, tanks, bands, registered or Registered()))
    return Gaps(bands, spans, cells, _lines(cells, bands), missing)


def _order(key: _Key) -> tuple[object, ...]:
    """Names stand as people count."""
    tank, liquid, sensor, condition, band, warmth, unit = key
    return (
        natural(tank),
        natural(liquid),
        natural(sensor),
        condition,
        band,
        _warmth_order(warmth),
        natural(unit),
    )


def _warmth_order(warmth: str) -> tuple[bool, float]:
    """Bands of temperature from the coldest, what was not measured last."""
    return (True, 0.0) if warmth == NOT_MEASURED else (False, float(warmth.split(" ", maxsplit=1)[0]))


def pieces_of(
    session: Session, temperatures: Sequence[float], bands: int = BANDS, kelvin: float = KELVIN
) -> frozenset[Piece]:
    """Condition, level band and temperature band of each piece of a session; a ramp passes through several
    level bands. Arguments as of :func:`find_gaps`.
    """
    span = session.mounting.tank.span_mm
    stated = [(s.start, s.stop, condition_words(s.conditions)) for s in session.stretches]
    if not session.marks:
        warmth = warmth_of(temperatures[0], kelvin)
        return frozenset((condition, -1, warmth) for condition in _conditions(stated, 0, session.frames))
    pieces: set[Piece] = set()
    for mark, temperature in zip(session.marks, temperatures, strict=True):
        first = last = band_of(mark.level_mm, span, bands)
        if mark.level_stop_mm is not None:
            first, last = sorted((first, band_of(mark.level_stop_mm, span, bands)))
        warmth = warmth_of(temperature, kelvin)
        for condition in _conditions(stated, mark.start, mark.stop):
            pieces.update((condition, band, warmth) for band in range(first, last + 1))
    return frozenset(pieces)


def _conditions(
    stated: Iterable[tuple[int, int, tuple[str, ...]]], start: int, stop: int
) -> Iterable[tuple[str, ...]]:
    """The conditions that hold somewhere in frames, of stretches with theirs; frames without any count as not
    stated.
    """
    covered = 0
    for begins, ends, condition in stated:
        common = min(ends, stop) - max(begins, start)
        if common > 0:
            covered += common
            yield condition
    if covered < stop - start:
        yield ()


def _lines(cells: Sequence[Cell], bands: int) -> tuple[GapsLine, ...]:
    lines: dict[tuple[str, str, str, tuple[str, ...], str], list[Cell]] = {}
    for cell in cells:
        lines.setdefault((cell.tank, cell.sensor, cell.liquid, cell.condition, cell.warmth), []).append(cell)
    summed = []
    for (tank, sensor, liquid, condition, warmth), alike in sorted(
        lines.items(), key=lambda item: _line_order(item[0])
    ):
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


def _line_order(key: tuple[str, str, str, tuple[str, ...], str]) -> tuple[object, ...]:
    tank, sensor, liquid, condition, warmth = key
    return natural(tank), natural(sensor), natural(liquid), condition, _warmth_order(warmth)


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
    cells: Sequence[Cell], tanks: Mapping[str, Tank], bands: int, registered: Registered
) -> Iterable[str]:
    """What is missing, first what limits ask for. Only what can be: a liquid on a tank that it was in, a band
    of temperature that a tank was in.
    """
    if not cells:
        return
    asked = [word for word in CAPTURABLE if word in registered.asked]
    names = sorted(tanks, key=natural)
    of_tank = {tank: [cell for cell in cells if cell.tank == tank] for tank in names}
    for tank in names:
        never = [word for word in asked if not under(of_tank[tank], word)]
        if never:
            yield f"{tank}: no labelled frame under {', '.join(never)}, which limits speak of"
    for tank in names:
        yield from _missing_with_liquids(of_tank[tank], tanks[tank], bands, asked)
    for tank in names:
        unseen = [word for word in EXPECTED if word not in asked and not under(of_tank[tank], word)]
        if unseen:
            yield f"{tank}: no labelled frame under {', '.join(unseen)}"
    for what, known, seen in (
        ("tanks", registered.tanks, {cell.tank for cell in cells}),
        ("liquids", registered.liquids, {cell.liquid for cell in cells}),
        ("units", registered.units, {cell.unit for cell in cells}),
    ):
        without = sorted((name for name in known if name not in seen), key=natural)
        if without:
            yield (
                f"{what} without a session: {', '.join(without[:12])}{', ...' if len(without) > 12 else ''}"
            )


def _missing_with_liquids(
    cells: Sequence[Cell], tank: Tank, bands: int, asked: Sequence[str]
) -> Iterable[str]:
    """What a tank's liquids lack: levels, conditions that limits ask for and another liquid has, bands of
    temperature that another liquid has.
    """
    with_liquid: dict[str, list[Cell]] = {}
    for cell in cells:
        with_liquid.setdefault(cell.liquid, []).append(cell)
    seen = [word for word in asked if under(cells, word)]
    warmths = sorted({cell.warmth for cell in cells} - {NOT_MEASURED}, key=_warmth_order)
    for liquid in sorted(with_liquid, key=natural):
        mine = with_liquid[liquid]
        runs = empty_bands(mine, bands)
        if runs:
            levels = ", ".join(levels_text(run, tank.span_mm, bands) for run in runs)
            yield f"{tank.ref}, {liquid}: no session has a level in {levels}"
        never = [word for word in seen if not under(mine, word)]
        if never:
            yield f"{tank.ref}, {liquid}: no labelled frame under {', '.join(never)}, as other liquids were"
        cold = [warmth for warmth in warmths if all(cell.warmth != warmth for cell in mine)]
        if cold:
            yield f"{tank.ref}, {liquid}: no session at {', '.join(cold)}, as with other liquids"
