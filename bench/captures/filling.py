"""Sessions of a closed-form bench into a store, by the door that measured ones take, and frozen by unit."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from captures.benches import (
    HEADSPACE,
    SETTLE_FRAMES,
    Bench,
    Capture,
    Part,
    block_counts,
    capture,
    draw_part,
    trim_counts,
)
from dataset.records import (
    Conditions,
    Coupling,
    Flow,
    Frames,
    FrozenSet,
    GroupBy,
    Liquid,
    Mark,
    Mounting,
    NewSession,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Stretch,
    Surface,
    Tank,
    Trim,
    TrimKind,
    Unit,
    Wall,
)
from dataset.store import Store

NOTE = "closed-form bench, invented: nothing of it is measured"
LABEL_U_MM = 0.3
# of the step from dry to full that a surrogate block makes, and from part to part: an assumption
BLOCK, BLOCK_SPREAD = 0.6, 0.02
_DATE = "2000-01-01"
_WHY_WARNED = "captures in closed form: each is as it is stated"


def fill(store: Store, bench: Bench, names: Sequence[str]) -> dict[str, tuple[Session, ...]]:
    """Units of these names with all their sessions and trims; the sessions by unit. Further units of a bench
    may come into the same store.
    """
    mounting, liquids = _mounted(store, bench), _liquids(store, bench)
    known = {unit.name: unit for unit in store.units()}
    taken = {}
    for name in names:
        unit = known.get(name) or store.add_unit(Unit(name, NOTE))
        part = draw_part(bench, name)
        for kind, level in ((TrimKind.DRY, None), (TrimKind.FULL, bench.strip.span_mm * (1 + HEADSPACE))):
            counts = trim_counts(bench, part, level)
            why = _WHY_WARNED if kind is TrimKind.DRY else ""
            trim = Trim(unit, mounting, kind, counts, _DATE, "assembled", note=NOTE, dry_because=why)
            store.add_trim(trim)
        taken[name] = store.add_sessions(_sessions(bench, part, unit, mounting, liquids))
    return taken


def add_other_trims(store: Store, bench: Bench, taken: Mapping[str, Sequence[Session]]) -> None:
    """A partial fill and a surrogate block of the units of :func:`fill`, beside their other trims."""
    half_mm, pads = bench.strip.span_mm / 2, bench.strip.pads
    for name, (session, *_) in taken.items():
        unit, mounting, part = session.unit, session.mounting, draw_part(bench, name)
        counts, block = trim_counts(bench, part, half_mm), block_counts(bench, part, BLOCK, BLOCK_SPREAD)
        partial = Trim(
            unit, mounting, TrimKind.PARTIAL, counts, _DATE, "assembled", level_mm=half_mm, note=NOTE
        )
        store.add_trim(partial)
        store.add_trim(
            replace(
                partial,
                kind=TrimKind.BLOCK,
                counts=block,
                level_mm=None,
                transfer=(BLOCK,) * pads,
                transfer_spread=(BLOCK_SPREAD,) * pads,
            )
        )


def unit_names(bench: Bench, count: int, first: int = 0) -> list[str]:
    """Names of ``count`` units, numbered from ``first``."""
    return [f"{bench.name}-{number:03d}" for number in range(first, first + count)]


def freeze(
    store: Store, name: str, taken: Mapping[str, Sequence[Session]], roles: Mapping[Role, Sequence[str]]
) -> FrozenSet:
    """The sessions of the units that have a role, frozen by unit."""
    by_unit = {unit: role for role, units in roles.items() for unit in units}
    sessions = [s for unit in by_unit for s in taken[unit]]
    return store.freeze(name, sessions, GroupBy.UNIT, by_unit, even_if_warned=_WHY_WARNED)


def _mounted(store: Store, bench: Bench) -> Mounting:
    """The bench's strip on its tank: as the store has it, or new."""
    strip, board, name = bench.strip, bench.board, f"{bench.name}-{bench.strip.span_mm:g}"
    for mounting in store.mountings():
        if mounting.name == name:
            return mounting
    headspace = strip.span_mm * HEADSPACE
    tank = store.add_tank(Tank(name, 0, strip.span_mm, headspace_mm=headspace, note=NOTE))
    second = bench.second
    places = [(k, None if second is None else second.high_hz) for k in range(strip.pads)]
    places += [] if second is None else [(k, second.low_hz) for k in range(second.pads)]
    pads = tuple(
        Pad(channel, f"p{k}", float(strip.bottoms[k]), strip.height_mm, 18.0, hertz)
        for channel, (k, hertz) in enumerate(places)
    )
    sensor = store.add_sensor(
        Sensor(name, 0, pads, board.count_bits, board.count_law, board.period_ms, note=NOTE)
    )
    return store.add_mounting(Mounting(name, tank, sensor, note=NOTE))


def _liquids(store: Store, bench: Bench) -> dict[str, Liquid]:
    known = {liquid.name: liquid for liquid in store.liquids()}
    liquids = {}
    for liquid, permittivity in bench.liquids:
        full = f"{bench.name}-{liquid}"
        liquids[liquid] = known.get(full) or store.add_liquid(Liquid(full, permittivity, note=NOTE))
    return liquids


def _sessions(
    bench: Bench, part: Part, unit: Unit, mounting: Mounting, liquids: dict[str, Liquid]
) -> list[NewSession]:
    sessions = []
    for number, (liquid, recipe) in enumerate(bench.plan):
        taken = capture(bench, part, liquid, recipe, number)
        t_ms = np.arange(len(taken.counts), dtype=np.int64) * bench.board.period_ms
        frames = Frames(t_ms, taken.counts.astype(np.uint32), taken.temperature_c)
        source = Source(
            f"{unit.name}-{mounting.name}-{number}.csv", hashlib.sha256(taken.counts.tobytes()).hexdigest()
        )
        sessions.append(
            NewSession(
                unit,
                liquids[liquid],
                mounting,
                frames,
                _marks(taken),
                source,
                NOTE,
                _stretches(taken),
                simulated=True,
            )
        )
    return sessions


def _marks(taken: Capture) -> tuple[Mark, ...]:
    """Still pieces from some frames after the movement before, moving ones as ramps."""
    marks = []
    for piece in taken.pieces:
        moving = piece.from_mm != piece.to_mm
        start = piece.start if moving or not piece.start else piece.start + SETTLE_FRAMES
        marks.append(
            Mark(
                start,
                piece.stop,
                piece.from_mm,
                LABEL_U_MM,
                level_stop_mm=piece.to_mm if moving else None,
                method="closed form",
            )
        )
    return tuple(marks)


def _stretches(taken: Capture) -> tuple[Stretch, ...]:
    n = len(taken.counts)
    flow = np.zeros(n, np.int64)
    for piece in taken.pieces:
        flow[piece.start : piece.stop] = np.sign(piece.to_mm - piece.from_mm)
    keys = np.stack([flow, taken.foam.astype(np.int64), taken.film.astype(np.int64)], axis=1)
    edges = [0, *(np.flatnonzero((keys[1:] != keys[:-1]).any(axis=1)) + 1).tolist(), n]
    flows = {-1: Flow.DRAINING, 0: Flow.STATIC, 1: Flow.FILLING}
    stretches = []
    for a, b in pairwise(edges):
        flowing, foam, film = keys[a].tolist()
        wall = ((Wall.FILM,) if film else ()) + ((Wall.DROPS,) if taken.recipe.drops else ())
        stretches.append(
            Stretch(
                a,
                b,
                Conditions(
                    surface=(Surface.FOAM,) if foam else (Surface.STILL,),
                    wall=wall or (Wall.CLEAN,),
                    flow=flows[flowing],
                    coupling=Coupling.EARTHED if taken.earthed else Coupling.FLOATING,
                ),
            )
        )
    return tuple(stretches)
