"""Rows of frozen sets and trims as records."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

from dataset.canonical import frozen_sha256, trim_sha256
from dataset.coverage.set_names import called, renamed, unit_names
from dataset.records import FrozenSet, GroupBy, Session, Trim, TrimKind, Unit
from dataset.store.proof import changed
from dataset.store.reading.registry import Shared
from dataset.store.reading.sessions import to_session

if TYPE_CHECKING:
    from dataset.store.reading.rows import Rows
    from dataset.store.tables import FrozenSetRow, TrimRow

_OPENINGS = """
SELECT f.sha256, count(*) FROM prove_opening o JOIN frozen_set f ON f.id = o.frozen_set_id GROUP BY f.sha256
"""


def digests(rows: Rows) -> dict[str, str]:
    """By the name of each frozen set its hash."""
    return dict(rows.execute("SELECT name, sha256 FROM frozen_set ORDER BY name").fetchall())


def openings(rows: Rows) -> dict[str, int]:
    """How often the prove groups of each choice were opened, by its hash; none where they never were."""
    return {sha256: int(count) for sha256, count in rows.execute(_OPENINGS)}


def state_of_frozen_sets(rows: Rows) -> tuple[int, ...]:
    """The newest row of frozen sets, and of the openings of their prove groups."""
    newest = (
        "SELECT coalesce(max(id), 0) FROM frozen_set",
        "SELECT coalesce(max(sequence), 0) FROM prove_opening",
    )
    return tuple(int(rows.execute(query).fetchone()[0]) for query in newest)


def to_frozen_set(row: FrozenSetRow, known: FrozenSet | None = None) -> FrozenSet:
    """The record, its hash checked again: StoreError when the content is not what was frozen.

    ``known`` is a record of the same set that the store has given before: what still equals it was checked
    then.
    """
    sessions, trims = _named(row)
    roles = {role.group_name: role.role for role in row.roles}
    edges = () if row.edges_c is None else tuple(json.loads(row.edges_c))
    frozen = FrozenSet(
        row.name,
        row.sha256,
        row.group_by,
        tuple(sorted(roles.items())),
        sessions,
        row.seed,
        trims,
        edges,
        row.even_if_warned,
        bool(row.named_by_content),
    )
    if frozen == known:
        return frozen
    actual = frozen_sha256(row.group_by, roles, sessions, trims, edges, frozen.named_by_content)
    if actual != row.sha256:
        raise changed(f"frozen set {row.name}", actual, row.sha256)
    return frozen


def _named(row: FrozenSetRow) -> tuple[tuple[Session, ...], tuple[Trim, ...]]:
    """Sessions and trims, their units and tanks called as they were when the set was frozen where these are
    its groups, else as their content says.
    """
    shared = Shared()
    sessions = tuple(
        to_session(member.session, member.mark_revision_sha256, member.amendment_sha256, shared)
        for member in row.sessions
    )
    trims = tuple(to_trim(member.trim, shared) for member in row.trims)
    pinned = [member.group_name for member in row.sessions]
    if row.group_by is GroupBy.TANK:
        sessions = tuple(replace(s, tank_group=name) for s, name in zip(sessions, pinned, strict=True))
    if row.group_by is not GroupBy.UNIT:
        names = unit_names([*(session.unit for session in sessions), *(trim.unit for trim in trims)])
        return renamed(sessions, names), renamed(trims, names)
    # a unit that turned out to be one with another keeps the name that it had here
    by_sealed = {
        sealed_as(session).key: name
        for session, name in zip(sessions, pinned, strict=True)
        if name is not None
    }
    by_unit = {session.unit.key: by_sealed[sealed_as(session).key] for session in sessions}
    return (
        called(sessions, [by_sealed[sealed_as(session).key] for session in sessions]),
        called(
            trims,
            [by_sealed.get(sealed_as(t).key, by_unit.get(t.unit.key, t.unit.name)) for t in trims],
        ),
    )


def sealed_as(record: Session | Trim) -> Unit:
    return record.sealed_unit or record.unit


def to_trim(row: TrimRow, shared: Shared | None = None) -> Trim:
    """The record, its hash checked again. ``shared`` are the records that rows of the same store have led
    to.
    """
    shared = shared or Shared()
    body = json.loads(row.body)
    trim = Trim(
        unit=shared.unit(row),
        mounting=shared.mounting(row),
        kind=TrimKind(row.kind),
        counts=tuple(body["counts"]),
        date=row.date,
        stage=row.stage,
        temperature_c=row.temperature_c,
        session=None if row.session is None else row.session.sha256,
        frames=None if body["frames"] is None else (body["frames"][0], body["frames"][1]),
        refused=tuple(body["refused"]),
        spread=tuple(body["spread"]),
        level_mm=body["level_mm"],
        transfer=tuple(body["transfer"]),
        transfer_spread=tuple(body["transfer_spread"]),
        note=row.note,
        sha256=row.sha256,
        dry_because=body.get("dry_because", ""),
        sealed_unit=shared.sealed_unit(row),
        amendment=body.get("amendment"),
    )
    actual = trim_sha256(trim)
    if actual != row.sha256:
        raise changed(f"trim of unit {trim.unit.name} of {trim.date}", actual, row.sha256)
    return trim
