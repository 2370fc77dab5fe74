"""Captures of an earlier tank beside those of a new one, as one frozen set's data: what may be fitted
together, and on which labels.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np

from dataset.errors import InputError
from dataset.records import FrozenData, FrozenSet, Mounting, PadRole, Role
from training.rows import Floats, Mask
from training.search.study_figures import Left


def mounting_of(data: FrozenData) -> Mounting:
    """The one mounting of a set. Raises InputError where there are several: then levels have no
    common datum.
    """
    mountings = {s.mounting.name: s.mounting for s in data.frozen.sessions}
    if len(mountings) != 1:
        raise InputError(
            f"frozen set {data.frozen.name}",
            f"mountings {', '.join(sorted(mountings))}",
            "sessions of one mounting",
            "freeze the new tank by itself",
        )
    return next(iter(mountings.values()))


def with_choose(data: FrozenData, every: int = 4) -> FrozenData:
    """The same data; where no group is for choosing, every fourth fit group becomes one. Raises InputError
    with fewer than three fit groups then.
    """
    if data.rows(Role.CHOOSE).any():
        return data
    fit = data.frozen.groups(Role.FIT)
    if len(fit) < every - 1:
        where = f"frozen set {data.frozen.name}"
        raise InputError(
            where,
            f"{len(fit)} 'fit' groups and no 'choose' group",
            f"{every - 1} 'fit' groups, or 'choose' groups",
            "freeze it with groups to choose on",
        )
    roles = tuple(
        (group, Role.CHOOSE if group in fit[::every] else role) for group, role in data.frozen.roles
    )
    return replace(data, frozen=replace(data.frozen, roles=roles))


def joined(old: FrozenData, new: FrozenData) -> tuple[FrozenData, Left]:
    """New data with the earlier ones added, all earlier groups for fitting; the new groups keep their roles,
    names and places.

    Earlier levels go where the new tank's pads show the same: see :func:`new_level` (an empty tank stays
    empty); those that come to lie outside the new span are left out. So are sessions that both sets have, and
    earlier sessions of units that the new set holds out: their part-to-part spread would be known.

    Raises InputError for sensors that can't be one board, and where nothing is left.
    """
    mounting = mounting_of(new)
    known = {s.sha256 for s in new.frozen.sessions}
    held = _held_out_units(new)
    same = [s.sha256 in known for s in old.frozen.sessions]
    spoilt = [s.unit.key in held and not twice for s, twice in zip(old.frozen.sessions, same, strict=True)]
    usable = ~(np.asarray(same, np.bool_) | np.asarray(spoilt, np.bool_))
    level = old.level_mm.copy()
    for k, session in enumerate(old.frozen.sessions):
        mine = (old.session == k) & (level > 0)
        level[mine] = new_level(old.level_mm[mine], session.mounting, mounting)
    inside: Mask = (level >= 0) & (level <= mounting.tank.span_mm) & ((old.level_mm <= 0) | (level > 0))
    rows = usable[old.session] & inside
    if not rows.any():
        raise InputError(
            f"frozen set {old.frozen.name}",
            "no frame that the new tank could learn from",
            "earlier sessions of other units, within the new span",
        )
    left = Left(
        sum(same),
        sum(spoilt),
        int((usable[old.session] & ~inside).sum()),
        float(np.abs(level - old.level_mm)[rows].max()),
    )
    return _put_together(replace(old, level_mm=level), new, rows), left


def new_level(level_mm: Floats, old: Mounting, new: Mounting) -> Floats:
    """Where on the new tank the pads show what they show at ``level_mm`` (n,) on the old one: lines between
    the edges of the pads, both ways above the datum, and as far beyond the last edge as before. Common
    practice, no source; fringes and walls are taken to be alike.

    Raises InputError for sensors that can't be one board: other channels, roles, count widths, count laws or
    periods.
    """
    _check_boards(old, new)
    before, after = _edges(old), _edges(new)
    if np.array_equal(before, after):
        return level_mm
    inside = np.interp(level_mm, before, after)
    beyond = np.minimum(level_mm - before[0], 0) + np.maximum(level_mm - before[-1], 0)
    return np.asarray(inside + beyond, np.float64)


def _edges(mounting: Mounting) -> Floats:
    """Bottoms and tops of the level pads above the datum, rising, mm; pads that overlap meet in
    the middle.
    """
    pads = {(p.bottom_mm, p.height_mm) for p in mounting.sensor.pads if p.role is PadRole.LEVEL}
    ends = np.asarray(sorted(pads)) @ np.asarray([[1.0, 1.0], [0.0, 1.0]]) + mounting.offset_mm
    apart = (ends[:-1, 1] + ends[1:, 0]) / 2
    ends[:-1, 1], ends[1:, 0] = np.minimum(ends[:-1, 1], apart), np.maximum(ends[1:, 0], apart)
    return np.asarray(ends.ravel(), np.float64)


def _check_boards(old: Mounting, new: Mounting) -> None:
    def facts(mounting: Mounting) -> dict[str, object]:
        sensor = mounting.sensor
        roles = ", ".join(str(p.role) for p in sensor.pads)
        return {
            "channels": roles,
            "count bits": sensor.count_bits,
            "count scale": sensor.count_scale,
            "count law": str(sensor.count_law),
            "period_ms": sensor.period_ms,
        }

    mine, wanted = facts(old), facts(new)
    for what, value in mine.items():
        if value != wanted[what]:
            hint = "captures of another board can't be learnt from together"
            raise InputError(
                f"sensor {old.sensor.ref}",
                f"{what} {value}",
                f"{wanted[what]}, as {new.sensor.name} has",
                hint,
            )


def _held_out_units(new: FrozenData) -> set[tuple[str, str]]:
    rows = ~new.rows(Role.FIT)
    return {new.frozen.sessions[int(s)].unit.key for s in np.unique(new.session[rows])}


def _put_together(old: FrozenData, new: FrozenData, rows: Mask) -> FrozenData:
    kept = np.unique(old.session[rows])
    session = len(new.frozen.sessions) + np.searchsorted(kept, old.session[rows])
    groups = np.unique(old.group[rows])
    group = len(new.frozen.roles) + np.searchsorted(groups, old.group[rows])
    trims = {t.sha256: t for t in (*new.frozen.trims, *old.frozen.trims)}
    frozen = FrozenSet(
        name=f"{new.frozen.name} with {old.frozen.name}",
        sha256=hashlib.sha256(f"{new.frozen.sha256} {old.frozen.sha256}".encode()).hexdigest(),
        group_by=new.frozen.group_by,
        roles=(
            *new.frozen.roles,
            *((f"{old.frozen.name}: {old.frozen.roles[int(g)][0]}", Role.FIT) for g in groups),
        ),
        sessions=(*new.frozen.sessions, *(old.frozen.sessions[int(s)] for s in kept)),
        trims=tuple(trims[sha] for sha in sorted(trims)),
        edges_c=new.frozen.edges_c,
    )
    return FrozenData(
        frozen=frozen,
        counts=np.concatenate([new.counts, old.counts[rows]]),
        t_ms=np.concatenate([new.t_ms, old.t_ms[rows]]),
        level_mm=np.concatenate([new.level_mm, old.level_mm[rows]]),
        u_mm=np.concatenate([new.u_mm, old.u_mm[rows]]),
        temperature_c=np.concatenate([new.temperature_c, old.temperature_c[rows]]),
        session=np.concatenate([new.session, session]),
        group=np.concatenate([new.group, group]),
        frame=np.concatenate([new.frame, old.frame[rows]]),
        condition=np.concatenate([new.condition, len(new.conditions) + old.condition[rows]]),
        conditions=(*new.conditions, *old.conditions),
        frames=(*new.frames, *(old.frames[int(s)] for s in kept)),
    )
