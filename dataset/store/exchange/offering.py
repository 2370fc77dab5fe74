"""What a store offers: its rows as documents, kind by kind in order of reference, each kind in the order in
which it came into the store, so that a store that takes them counts revisions alike.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import InstrumentedAttribute
from sqlalchemy.orm import Session as OrmSession

from dataset import documents
from dataset.documents import document_of
from dataset.exchange.objects import KINDS, Offered, Parcel, called_key, key_of
from dataset.records import FrozenSet, RetirementEvent, StatusEvent, TagEvent, VoidEvent
from dataset.store import check_standards, instruments, registry, tables
from dataset.store.events.amendments import check_chain
from dataset.store.proof import check_row
from dataset.store.reading import amendments as amendments_read
from dataset.store.reading import results as results_read
from dataset.store.reading import sessions as sessions_read
from dataset.store.reading import sets as sets_read
from dataset.store.reading import statuses as statuses_read
from dataset.store.stored_blocks import recording

AT_ONCE = 100  # rows that are read together
FEW = 300  # keys that are looked up one by one; of more than these all keys of the kind are read
Columns = tuple[InstrumentedAttribute[Any], ...]


@dataclass(frozen=True)
class _Kind:
    """A kind of object: its rows, as a parcel, and the columns that its key follows from; without any, the
    key is that of the document.
    """

    rows: type[tables.Base]
    parcel: Callable[[OrmSession, Any], Parcel]
    columns: Columns = ()
    key: Callable[..., str] = str
    only: Callable[[Any], bool] = lambda _row: True

    @property
    def by_column(self) -> bool:
        """Whether the key is what stands in the one column."""
        return len(self.columns) == 1


def objects(orm: OrmSession, kinds: Collection[str] = KINDS) -> tuple[Offered, ...]:
    """Everything that the store has of these kinds, each once."""
    return tuple(
        Offered(kind, key)
        for kind in KINDS
        if kind in kinds
        for key in dict.fromkeys(_keys(orm, _OFFERS[kind]))
    )


def lacking(orm: OrmSession, offered: Iterable[Offered]) -> tuple[Offered, ...]:
    """Which of these objects the store does not have, in their order."""
    asked = tuple(offered)
    wanted: dict[str, list[str]] = {}
    for one in asked:
        wanted.setdefault(one.kind, []).append(one.key)
    here = {kind: _here(orm, _OFFERS[kind], keys) for kind, keys in wanted.items() if kind in _OFFERS}
    return tuple(one for one in asked if one.kind not in here or one.key not in here[one.kind])


def keys_after(orm: OrmSession, kind: str, number: int) -> dict[int, str]:
    """The keys of the objects of a kind that came in later than the row ``number`` of their table, by the
    numbers of theirs.
    """
    offer = _OFFERS[kind]
    (own,) = offer.rows.__table__.primary_key
    if offer.columns:
        rows = orm.execute(_ordered(offer, own, *offer.columns).where(own > number))
        return {row_id: offer.key(*values) for row_id, *values in rows}
    new = orm.scalars(_ordered(offer, offer.rows).where(own > number)).all()
    return {getattr(row, own.name): key_of(offer.parcel(orm, row).document) for row in new if offer.only(row)}


def parcels(orm: OrmSession, wanted: Collection[Offered]) -> Iterator[Parcel]:
    """The wanted objects, whole, every hash checked: StoreError where one is not what was kept."""
    by_kind: dict[str, set[str]] = {}
    for one in wanted:
        by_kind.setdefault(one.kind, set()).add(one.key)
    for kind in KINDS:
        keys = by_kind.get(kind, set())
        for row in _chosen(orm, _OFFERS[kind], keys) if keys else ():
            marked = kind != "bench" and bool(getattr(row, "hashed_by_upgrade", None))
            parcel = replace(_OFFERS[kind].parcel(orm, row), hashed_by_upgrade=marked)
            if parcel.offered.key in keys:
                keys.discard(parcel.offered.key)  # the same content twice is one object
                yield parcel


def _here(orm: OrmSession, offer: _Kind, keys: list[str]) -> frozenset[str]:
    """The keys of a kind that the store has: all of them, or those of the few that are asked for."""
    if not offer.by_column or len(keys) > FEW:
        return frozenset(_keys(orm, offer))
    (column,) = offer.columns
    parts = (keys[at : at + AT_ONCE] for at in range(0, len(keys), AT_ONCE))
    return frozenset(key for part in parts for key in orm.scalars(select(column).where(column.in_(part))))


def _keys(orm: OrmSession, offer: _Kind) -> Iterator[str]:
    if offer.columns:
        for values in orm.execute(_ordered(offer, *offer.columns)):
            yield offer.key(*values)
        return
    for row in orm.scalars(_ordered(offer, offer.rows)):
        if offer.only(row):
            yield key_of(offer.parcel(orm, row).document)


def _chosen(orm: OrmSession, offer: _Kind, keys: set[str]) -> Iterator[Any]:
    """The rows whose keys are asked for, where that can be told without their documents; else all."""
    (own,) = offer.rows.__table__.primary_key
    if not offer.columns:
        yield from (row for row in orm.scalars(_ordered(offer, offer.rows)).all() if offer.only(row))
        return
    if offer.by_column and len(keys) <= FEW:
        (column,) = offer.columns
        ids = sorted(orm.scalars(select(own).where(column.in_(keys))))
    else:
        every = orm.execute(_ordered(offer, own, *offer.columns))
        ids = [row_id for row_id, *values in every if offer.key(*values) in keys]
    for at in range(0, len(ids), AT_ONCE):
        yield from orm.scalars(_ordered(offer, offer.rows).where(own.in_(ids[at : at + AT_ONCE]))).all()


def _ordered(offer: _Kind, *what: Any) -> Any:
    query = select(*what).order_by(*offer.rows.__table__.primary_key)
    return query.join(_JOINS[offer.rows]) if offer.columns and offer.rows in _JOINS else query


def _entry(to_record: Callable[[Any], Any]) -> Callable[[OrmSession, Any], Parcel]:
    return lambda _orm, row: Parcel(document_of(to_record(row)))


def _bench(_orm: OrmSession, row: tables.BenchRow) -> Parcel:
    """A bench under the name that it was given, whatever a store had to add to that."""
    return Parcel(document_of(replace(registry.to_bench(row), name=row.name.partition("@")[0])))


def _sign_off(_orm: OrmSession, row: tables.LimitsRow) -> Parcel:
    return Parcel(documents.sign_off_document(registry.to_limits(row)))


def _session(orm: OrmSession, row: tables.SessionRow) -> Parcel:
    sealed = sessions_read.to_session(row, None, amendment=None)
    frames = recording(orm, sealed)
    sessions_read.check(sealed, frames)
    return Parcel(documents.session_document(sealed, frames), frames)


def _retirement(_orm: OrmSession, row: tables.RetirementRow) -> Parcel:
    check_row(row, f"retirement of {row.kind} {row.name}")
    said = RetirementEvent(str(row.record_sha256), row.parent_sha256, row.reason, bool(row.takes_back))
    return Parcel(documents.retirement_document(row.kind, row.name, row.object_sha256, said))


def _void(_orm: OrmSession, row: tables.VoidRow) -> Parcel:
    check_row(row, f"void of session {row.session.sha256[:12]}")
    said = VoidEvent(str(row.record_sha256), row.parent_sha256, row.reason, bool(row.takes_back))
    return Parcel(documents.event_document("void", row.session.sha256, said))


def _tag(_orm: OrmSession, row: tables.TagRow) -> Parcel:
    check_row(row, f"tag of session {row.session.sha256[:12]}")
    said = TagEvent(str(row.record_sha256), row.parent_sha256, row.tag, row.removes, row.author)
    return Parcel(documents.event_document("tag", row.session.sha256, said))


def _mark_revision(_orm: OrmSession, row: tables.MarkRevisionRow) -> Parcel:
    revision = next(r for r in sessions_read.revisions_of(row.session) if r.sha256 == row.sha256)
    return Parcel(documents.mark_revision_document(revision))


def _amendment(_orm: OrmSession, row: tables.AmendmentRow) -> Parcel:
    check_chain(row.session)
    unit = None if row.unit is None else registry.stated_unit(row.unit)
    return Parcel(documents.amendment_document(amendments_read.to_amendment(row), unit))


def _assignment(_orm: OrmSession, row: tables.UnitAssignmentRow) -> Parcel:
    check_row(row, f"unit of {row.object_sha256[:12]}")
    facts = {"object": row.object_sha256, "unit": row.identity}
    return Parcel(documents.unit_event_document("unit assignment", str(row.record_sha256), **facts))


def _union(_orm: OrmSession, row: tables.UnitUnionRow) -> Parcel:
    check_row(row, f"union of units {row.identity[:12]} and {row.other[:12]}")
    facts = {"unit": row.identity, "other": row.other, "reason": row.reason, "parent": row.parent_sha256}
    taken_back = bool(row.takes_back)
    return Parcel(
        documents.unit_event_document("unit union", str(row.record_sha256), **facts, takes_back=taken_back)
    )


def _frozen_set(orm: OrmSession, row: tables.FrozenSetRow) -> Parcel:
    return Parcel(documents.frozen_document(_frozen(orm, row)))


def _frozen(orm: OrmSession, row: tables.FrozenSetRow) -> FrozenSet:
    """The record of a set; in one view of a store, in which nothing changes, it is made once for all that was
    made of the set.
    """
    made: dict[int, FrozenSet] = orm.info.setdefault("frozen sets", {})
    if row.id not in made:
        made[row.id] = sets_read.to_frozen_set(row)
    return made[row.id]


def _opening(orm: OrmSession, row: tables.ProveOpeningRow) -> Parcel:
    frozen = orm.get_one(tables.FrozenSetRow, row.frozen_set_id)
    parents = tuple(json.loads(row.parents or "[]"))
    return Parcel(documents.opening_document(frozen.sha256, frozen.name, row.purpose, parents, row.number))


def _model(orm: OrmSession, row: tables.ModelRow) -> Parcel:
    model = results_read.of_frozen(row, _frozen(orm, row.frozen_set))
    return Parcel(documents.model_document(model), content=model.float_onnx)


def _status(_orm: OrmSession, row: tables.StatusRow) -> Parcel:
    said: StatusEvent = statuses_read.to_event(row)
    return Parcel(documents.status_document(str(row.model.content_sha256), row.model.name, said))


def _bundle(_orm: OrmSession, row: tables.ExportRow) -> Parcel:
    check_row(row, f"export {row.bundle_sha256[:12]}")
    files = {file.name: file.sha256 for file in row.files}
    model = row.model
    return Parcel(documents.bundle_document(str(model.content_sha256), model.name, row.bundle_sha256, files))


def _of_called(kind: str) -> Callable[[str, str], str]:
    return lambda name, called: called_key(kind, name, called)


_JOINS: Mapping[type[tables.Base], Any] = {tables.ExportRow: tables.ExportRow.model}
_OFFERS: Mapping[str, _Kind] = {
    "bench": _Kind(tables.BenchRow, _bench),
    "operator": _Kind(tables.OperatorRow, _entry(registry.to_operator)),
    "unit": _Kind(tables.UnitRow, _entry(registry.stated_unit), (tables.UnitRow.identity,)),
    "tank": _Kind(tables.TankRow, _entry(registry.to_tank)),
    "liquid": _Kind(tables.LiquidRow, _entry(registry.to_liquid)),
    "sensor": _Kind(tables.SensorRow, _entry(registry.to_sensor)),
    "mounting": _Kind(tables.MountingRow, _entry(registry.to_mounting)),
    "instrument": _Kind(
        tables.InstrumentRow, _entry(instruments.to_instrument), (tables.InstrumentRow.sha256,)
    ),
    "check standard": _Kind(tables.CheckStandardRow, _entry(check_standards.to_standard)),
    "check measurement": _Kind(tables.CheckMeasurementRow, _entry(check_standards.to_measurement)),
    "budget": _Kind(tables.BudgetRow, _entry(registry.to_budget)),
    "mapping": _Kind(tables.MappingRow, _entry(registry.to_mapping)),
    "limits": _Kind(tables.LimitsRow, _entry(registry.to_limits), only=lambda row: row.signer is None),
    "sign-off": _Kind(tables.LimitsRow, _sign_off, only=lambda row: row.signer is not None),
    "retirement": _Kind(tables.RetirementRow, _retirement, (tables.RetirementRow.record_sha256,)),
    "session": _Kind(tables.SessionRow, _session, (tables.SessionRow.sha256,)),
    "void": _Kind(tables.VoidRow, _void, (tables.VoidRow.record_sha256,)),
    "tag": _Kind(tables.TagRow, _tag, (tables.TagRow.record_sha256,)),
    "amendment": _Kind(tables.AmendmentRow, _amendment, (tables.AmendmentRow.sha256,)),
    "mark revision": _Kind(tables.MarkRevisionRow, _mark_revision, (tables.MarkRevisionRow.sha256,)),
    "trim": _Kind(tables.TrimRow, _entry(sets_read.to_trim), (tables.TrimRow.sha256,)),
    "unit assignment": _Kind(
        tables.UnitAssignmentRow, _assignment, (tables.UnitAssignmentRow.record_sha256,)
    ),
    "unit union": _Kind(tables.UnitUnionRow, _union, (tables.UnitUnionRow.record_sha256,)),
    "frozen set": _Kind(
        tables.FrozenSetRow,
        _frozen_set,
        (tables.FrozenSetRow.sha256, tables.FrozenSetRow.name),
        _of_called("frozen set"),
    ),
    "opening": _Kind(tables.ProveOpeningRow, _opening, (tables.ProveOpeningRow.sha256,)),
    "model": _Kind(
        tables.ModelRow,
        _model,
        (tables.ModelRow.content_sha256, tables.ModelRow.name),
        _of_called("model"),
    ),
    "status": _Kind(tables.StatusRow, _status, (tables.StatusRow.record_sha256,)),
    "bundle": _Kind(
        tables.ExportRow,
        _bundle,
        (tables.ExportRow.bundle_sha256, tables.ModelRow.name),
        _of_called("bundle"),
    ),
    "board measurement": _Kind(tables.BoardMeasurementRow, _entry(results_read.to_measurement)),
}
