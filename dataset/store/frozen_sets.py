"""Frozen sets between rows and records, and the count of how often their prove groups were opened."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NoReturn

from sqlalchemy import insert, select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical import frozen_sha256, opening_sha256
from dataset.canonical_text import canonical_json
from dataset.coverage.roles import Group, check_choice, groups_of, refuse_mixture, refuse_warned
from dataset.coverage.set_names import group_names, renamed, unit_names, with_tank_groups
from dataset.coverage.temperature_bands import TemperatureBands, check_edges
from dataset.errors import InputError
from dataset.records import FrozenData, FrozenSet, GroupBy, Role, Session, Trim
from dataset.store.database import rows_of
from dataset.store.proof import keep
from dataset.store.reading import frozen_data
from dataset.store.reading.rows import Rows
from dataset.store.reading.sessions import to_sessions
from dataset.store.reading.sets import sealed_as, to_frozen_set, to_trim
from dataset.store.registry import named, unit_ids
from dataset.store.sessions import mark_temperatures, rows_named, temperatures
from dataset.store.tables import (
    Base,
    FrozenRoleRow,
    FrozenSessionRow,
    FrozenSetRow,
    FrozenTrimRow,
    ProveOpeningRow,
    TrimRow,
)
from dataset.store.trims import refuse_doubtful
from dataset.values import check_name, check_text


@dataclass(frozen=True)
class Allowed:
    """What a set may hold that it otherwise does not: simulated sessions beside measured ones, and, for the
    reason given, sessions that were warned of gravely and trims of sessions that were amended since or are
    void.
    """

    mixed: bool = False
    even_if_warned: str | None = None


def add_frozen_set(
    orm: OrmSession,
    name: str,
    refs: Sequence[str],
    group_by: GroupBy,
    roles: Mapping[str, Role],
    seed: int | None,
    allowed: Allowed,
    edges_c: Sequence[float] = (),
) -> FrozenSet:
    check_name("frozen set", name)
    if orm.scalar(select(FrozenSetRow).where(FrozenSetRow.name == name)) is not None:
        shown = f"Store.frozen_set('{name}')"
        raise InputError(
            f"frozen set {name}",
            "exists already, and frozen sets never change",
            "a new name",
            f"see {shown}",
            fields=(shown,),
        )
    # in the order of their hashes, so that the same choice gives the same rows in the same order
    rows = sorted(rows_named(orm, refs), key=lambda row: row.sha256)
    sessions = list(to_sessions(rows))
    edges = _edges(name, group_by, edges_c)
    check_choice(
        sessions,
        group_by,
        roles,
        TemperatureBands(edges, mark_temperatures(orm, sessions)) if edges else None,
    )
    if not allowed.mixed:
        refuse_mixture(sessions)
    refuse_warned(sessions, allowed.even_if_warned)
    trims = _trims_of(orm, sessions)
    if allowed.even_if_warned is None:
        refuse_doubtful(orm, trims)
    in_set = group_names(sessions, group_by)
    roles = {in_set.get(name, name): role for name, role in roles.items()}
    named_by_content = group_by is GroupBy.TANK or (
        group_by is GroupBy.UNIT and any(_hides(session, in_set) for session in sessions)
    )
    if group_by is GroupBy.TANK:
        sessions = list(with_tank_groups(sessions))
    if group_by is GroupBy.UNIT:
        sessions = list(renamed(sessions, unit_names(session.unit for session in sessions)))
    sha256 = frozen_sha256(group_by, roles, sessions, trims, edges, named_by_content)
    row = FrozenSetRow(
        name=name,
        sha256=sha256,
        sealed=False,
        group_by=group_by,
        seed=seed,
        edges_c=canonical_json(edges) if edges else None,
        even_if_warned=allowed.even_if_warned,
        named_by_content=named_by_content or None,
    )
    orm.add(row)
    orm.flush()
    _add_parts(
        orm,
        FrozenRoleRow,
        row,
        [{"group_name": group, "role": role} for group, role in sorted(roles.items())],
    )
    _add_parts(
        orm,
        FrozenSessionRow,
        row,
        [
            {
                "position": k,
                "session_id": member.id,
                "mark_revision_sha256": session.mark_revision,
                "group_name": session.unit.name if group_by is GroupBy.UNIT else session.tank_group,
                "amendment_sha256": session.amendment,
            }
            for k, (member, session) in enumerate(zip(rows, sessions, strict=True))
        ],
    )
    _add_parts(
        orm,
        FrozenTrimRow,
        row,
        [{"position": k, "trim_sha256": trim.sha256} for k, trim in enumerate(trims)],
    )
    keep(orm, row)
    row.sealed = True
    orm.flush()
    return frozen_set(rows_of(orm), name)


def _add_parts(
    orm: OrmSession, kind: type[Base], row: FrozenSetRow, parts: Sequence[Mapping[str, object]]
) -> None:
    """Write what belongs to a new set; there may be thousands of each."""
    if parts:
        orm.execute(insert(kind), [{"frozen_set_id": row.id, **part} for part in parts])


def _hides(session: Session, in_set: Mapping[str, str]) -> bool:
    """Whether a session's own hash does not say the name that the set gives its unit."""
    sealed = sealed_as(session)
    return sealed.serial is not None or in_set[session.unit.name] != sealed.origin_name


def frozen_set(rows: Rows, name: str) -> FrozenSet:
    """The frozen set called ``name``, its hash checked."""
    return frozen_data.frozen_set(rows, name) or _not_there(name, rows.select("frozen_set", "ORDER BY name"))


def frozen_sets(orm: OrmSession) -> tuple[FrozenSet, ...]:
    """All frozen sets, by name."""
    return tuple(map(to_frozen_set, orm.scalars(select(FrozenSetRow).order_by(FrozenSetRow.name))))


def data(rows: Rows, frozen: FrozenSet, *, proven: bool = False) -> FrozenData:
    """The labelled frames of a frozen set, every hash checked; InputError when a session is void. ``proven``
    says that the hash of the record was checked already.
    """
    known = rows.execute("SELECT sha256 FROM frozen_set WHERE name = ?", frozen.name).fetchall()
    if not known:
        _not_there(frozen.name, rows.select("frozen_set", "ORDER BY name"))
    _check_same(frozen, known[0][0])
    return frozen_data.data(rows, frozen, proven=proven)


def _edges(name: str, group_by: GroupBy, edges_c: Sequence[float]) -> tuple[float, ...]:
    where = f"frozen set {name}, edges of temperature bands"
    if group_by is GroupBy.TEMPERATURE:
        return check_edges(where, edges_c)
    if edges_c:
        raise InputError(
            where,
            f"{len(edges_c)} of them for groups by {group_by}",
            f"edges for groups by {GroupBy.TEMPERATURE} only",
        )
    return ()


def bands_of(orm: OrmSession, frozen: FrozenSet) -> TemperatureBands | None:
    """The bands that a set's marks lie in; None where its groups are something else."""
    return (
        TemperatureBands(frozen.edges_c, mark_temperatures(orm, frozen.sessions))
        if frozen.group_by is GroupBy.TEMPERATURE
        else None
    )


def groups(orm: OrmSession, frozen: FrozenSet) -> tuple[Group, ...]:
    return groups_of(frozen.sessions, frozen.group_by, bands_of(orm, frozen))


def frames_outside(orm: OrmSession, frozen: FrozenSet) -> int:
    bands = bands_of(orm, frozen)
    if bands is None:
        return 0
    by_hash = {session.sha256: session for session in frozen.sessions}
    return sum(bands.outside(by_hash[sha256], warm) for sha256, warm in temperatures(orm, by_hash))


def _trims_of(orm: OrmSession, sessions: Sequence[Session]) -> list[Trim]:
    """All trims of the sessions' units on the sessions' mountings, in the order of their hashes."""
    places = {(s.unit.name, s.mounting.name) for s in sessions}
    ids = [row_id for unit in sorted({unit for unit, _ in places}) for row_id in unit_ids(orm, unit)]
    query = select(TrimRow).where(TrimRow.unit_id.in_(ids))
    of_units = [to_trim(row) for row in orm.scalars(query)]
    return sorted((t for t in of_units if (t.unit.name, t.mounting.name) in places), key=lambda t: t.sha256)


def frozen_set_row(orm: OrmSession, name: str) -> FrozenSetRow:
    row = orm.scalar(select(FrozenSetRow).where(FrozenSetRow.name == name))
    return row or _not_there(name, orm.scalars(select(FrozenSetRow).order_by(FrozenSetRow.name)).all())


def _not_there(name: str, rows: Sequence[FrozenSetRow]) -> NoReturn:
    """The error for a name that no frozen set has; ``rows`` are those there are."""
    named("frozen set", name, rows, "make it with Store.freeze", ("Store.freeze",))
    raise AssertionError(name)


def checked_row(orm: OrmSession, frozen: FrozenSet) -> FrozenSetRow:
    """The row of a record that was handed in; InputError when the store's set of that name is another."""
    row = frozen_set_row(orm, frozen.name)
    _check_same(frozen, row.sha256)
    return row


def _check_same(frozen: FrozenSet, sha256: str) -> None:
    if sha256 != frozen.sha256:
        raise InputError(
            f"frozen set {frozen.name}",
            f"hash {frozen.sha256[:12]}",
            f"{sha256[:12]}, as the store has it",
            "take it from the store",
        )


def open_prove(orm: OrmSession, frozen: FrozenSet, purpose: str) -> int:
    """Record an opening of the prove groups; the count of openings so far, this one included."""
    if not purpose.strip():
        raise InputError(
            f"frozen set {frozen.name}, purpose", "nothing", "what the prove groups are opened for"
        )
    check_text(f"frozen set {frozen.name}, purpose", purpose)
    set_id = _checked_id(orm, frozen)
    parents = _last_openings(orm, frozen.sha256)
    orm.add(
        ProveOpeningRow(
            frozen_set_id=set_id,
            purpose=purpose,
            parents=canonical_json(parents),
            sha256=opening_sha256(frozen.sha256, frozen.name, purpose, parents),
        )
    )
    orm.flush()
    return len(openings_of(orm, frozen.sha256))


def openings_of(orm: OrmSession, sha256: str) -> Sequence[ProveOpeningRow]:
    """The openings of a choice, by its hash, under whatever names, in the order they came into this store."""
    same = select(FrozenSetRow.id).where(FrozenSetRow.sha256 == sha256)
    return orm.scalars(
        select(ProveOpeningRow)
        .where(ProveOpeningRow.frozen_set_id.in_(same))
        .order_by(ProveOpeningRow.sequence)
    ).all()


def _last_openings(orm: OrmSession, sha256: str) -> list[str]:
    """The openings of the same choice that no other follows, by their hashes."""
    openings = openings_of(orm, sha256)
    followed = {parent for opening in openings for parent in json.loads(opening.parents or "[]")}
    return sorted(o.sha256 for o in openings if o.sha256 is not None and o.sha256 not in followed)


def prove_openings(orm: OrmSession, frozen: FrozenSet) -> int:
    """How often a choice was opened under whatever name: under another one it is the same prove data."""
    _checked_id(orm, frozen)
    return len(openings_of(orm, frozen.sha256))


def prove_purposes(orm: OrmSession, frozen: FrozenSet) -> tuple[str, ...]:
    events = (
        select(ProveOpeningRow.purpose)
        .where(ProveOpeningRow.frozen_set_id == _checked_id(orm, frozen))
        .order_by(ProveOpeningRow.sequence)
    )
    return tuple(orm.scalars(events))


def _checked_id(orm: OrmSession, frozen: FrozenSet) -> int:
    """The id of a set's row, as :func:`checked_row` finds it, without what belongs to it."""
    held = select(FrozenSetRow.id, FrozenSetRow.sha256).where(FrozenSetRow.name == frozen.name)
    known = orm.execute(held).one_or_none()
    if known is None or known.sha256 != frozen.sha256:
        return checked_row(orm, frozen).id
    return int(known.id)
