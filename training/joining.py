"""Captures of an earlier tank beside those of a new one, as one frozen set's data: what may be fitted together, and on which labels."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np

from dataset.errors import InputError
from dataset.records import FrozenData, FrozenSet, Mounting, Role
from training.rows import Mask


@dataclass(frozen=True)
class Left:
    """What of the earlier set was left out of the join, in sessions and rows, and by how much its labels were moved at most, mm."""

    same_sessions: int
    held_out_units: int
    rows_above: int
    moved_mm: float


def mounting_of(data: FrozenData) -> Mounting:
    """The one mounting of a set. Raises InputError where there are several: then levels have no common datum."""
    found = {s.mounting.name: s.mounting for s in data.frozen.sessions}
    if len(found) != 1:
        raise InputError(f"frozen set {data.frozen.name}", f"mountings {', '.join(sorted(found))}", "sessions of one mounting", "freeze the new tank by itself")
    return next(iter(found.values()))


def with_choose(data: FrozenData, every: int = 4) -> FrozenData:
    """The same data; where no group is for choosing, every fourth fit group becomes one. Raises InputError with fewer than three fit groups then."""
    if data.rows(Role.CHOOSE).any():
        return data
    fit = data.frozen.groups(Role.FIT)
    if len(fit) < every - 1:
        where = f"frozen set {data.frozen.name}"
        raise InputError(where, f"{len(fit)} 'fit' groups and no 'choose' group", f"{every - 1} 'fit' groups, or 'choose' groups", "freeze it with --choose")
    roles = tuple((group, Role.CHOOSE if group in fit[::every] else role) for group, role in data.frozen.roles)
    return replace(data, frozen=replace(data.frozen, roles=roles))


def joined(old: FrozenData, new: FrozenData) -> tuple[FrozenData, Left]:
    """New data with the earlier ones added, all earlier groups for fitting; the new groups keep their roles, names and places.

    Levels stay what they are in mm, above each tank's datum; where the pads sit elsewhere above it, earlier labels move with the pads (an empty
    tank stays empty), and those above the new span or below its datum are left out. So are sessions that both sets have, and earlier
    sessions of units that the new set holds out: their part-to-part spread would be known.

    Raises InputError for another sensor, and where nothing is left.
    """
    mounting = mounting_of(new)
    _check_sensors(old, mounting)
    known = {s.sha256 for s in new.frozen.sessions}
    held = _held_out_units(new)
    same = [s.sha256 in known for s in old.frozen.sessions]
    spoilt = [s.unit.name in held and not twice for s, twice in zip(old.frozen.sessions, same, strict=True)]
    usable = ~(np.asarray(same, np.bool_) | np.asarray(spoilt, np.bool_))
    moves = np.asarray([mounting.offset_mm - s.mounting.offset_mm for s in old.frozen.sessions])
    level = np.where(old.level_mm > 0, old.level_mm + moves[old.session], old.level_mm)
    inside: Mask = (level >= 0) & (level <= mounting.tank.span_mm) & ((old.level_mm <= 0) | (level > 0))
    rows = usable[old.session] & inside
    if not rows.any():
        raise InputError(f"frozen set {old.frozen.name}", "no frame that the new tank could learn from", "earlier sessions of other units, within the new span")
    left = Left(sum(same), sum(spoilt), int((usable[old.session] & ~inside).sum()), float(np.abs(moves[usable]).max()))
    return _put_together(replace(old, level_mm=level), new, rows), left


def _check_sensors(old: FrozenData, mounting: Mounting) -> None:
    others = {s.mounting.sensor for s in old.frozen.sessions} - {mounting.sensor}
    if others:
        names = ", ".join(sorted(f"{s.name}@{s.revision}" for s in others))
        own = f"{mounting.sensor.name}@{mounting.sensor.revision}"
        raise InputError(
            f"frozen set {old.frozen.name}", f"sessions of sensor {names}", f"sensor {own}, that of the new tank", "captures of other pads don't mix"
        )


def _held_out_units(new: FrozenData) -> set[str]:
    rows = ~new.rows(Role.FIT)
    return {new.frozen.sessions[int(s)].unit.name for s in np.unique(new.session[rows])}


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
        roles=(*new.frozen.roles, *((f"{old.frozen.name}: {old.frozen.roles[int(g)][0]}", Role.FIT) for g in groups)),
        sessions=(*new.frozen.sessions, *(old.frozen.sessions[int(s)] for s in kept)),
        trims=tuple(trims[sha] for sha in sorted(trims)),
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
