"""What is registered, as it comes in: equal facts under one name are one record, others contradict it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, fields, is_dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset import documents
from dataset.admission import rules
from dataset.documents import document_of, name_of, record_of
from dataset.errors import InputError
from dataset.exchange.objects import Parcel
from dataset.exchange.reading import facts_of
from dataset.records import ID_DIGITS, Mounting
from dataset.store import check_standards, instruments, registry, tables
from dataset.store.events import retirements
from dataset.store.exchange.taking import ContradictionError, Taking, contradiction, same_hash
from dataset.store.proof import keep
from dataset.values import check_name, check_reason, check_text

Take = Callable[[Taking, Parcel], bool]  # whether the object is new here


def bench(taking: Taking, parcel: Parcel) -> bool:
    """A bench by its identity; one whose name is another's here gets digits of its identity, and in a merge
    one that nobody has named here takes the name that it has there.
    """
    record = record_of(parcel.document, taking.known)
    rules.check_identity("bench", record.identity)
    check_name("bench", record.name)
    same = taking.orm.scalar(select(tables.BenchRow).where(tables.BenchRow.identity == record.identity))
    names = set(taking.orm.scalars(select(tables.BenchRow.name)))
    if same is not None:
        called = same.name
        if called.partition("@")[0] == record.name:
            return False
        unnamed = called == registry.unnamed_bench(record.identity) and not same.own
        if taking.merging and unnamed and record.name not in names:
            registry.name_bench(taking.orm, record.identity, record.name, None)
            taking.remarks.append(f"bench {called} is called {record.name} from now on, as there")
        else:
            taking.remarks.append(f"bench {called} is called {record.name} in {taking.there}")
        return False
    digits = record.identity[: registry.BENCH_DIGITS]
    name = next((name for name in (record.name, f"{record.name}@{digits}") if name not in names), None)
    if name is None:
        raise InputError(f"bench {record.name}", "is the name of another bench", "a name of its own")
    keep(taking.orm, tables.BenchRow(identity=record.identity, name=name, note=record.note, own=False))
    return True


def unit(taking: Taking, parcel: Parcel) -> bool:
    """A unit by its identity; what it is called here follows once all of them are known."""
    document = parcel.document
    record, where = record_of(document, taking.known), taking.where(document)
    rules.check_unit(record)
    bench = taking.orm.scalar(select(tables.BenchRow).where(tables.BenchRow.identity == record.bench))
    if bench is None:
        raise InputError(
            where, f"refers to bench {record.bench[:ID_DIGITS]}", "a bench that is there already"
        )
    if document.name in taking.known:
        taking.remark_note(where, taking.known[document.name], record)
        return False
    row = tables.UnitRow(
        name=f"{record.name}@{document.name}",
        note=record.note,
        serial=record.serial,
        bench=bench,
        identity=document.name,
    )
    taking.unsettle()
    keep(taking.orm, row)
    taking.new_units.append(document.name)
    return True


def revised(kind: type[Any], add: Callable[[OrmSession, Any], Any]) -> Take:
    """What has revisions: content that its name has not here becomes the next revision."""

    def take(taking: Taking, parcel: Parcel) -> bool:
        document = parcel.document
        record = record_of(document, taking.known)
        if document.name in taking.known:
            return False
        added = add(taking.orm, record)
        numbered = select(kind).where(kind.name == added.name, kind.revision == added.revision)
        taking.known.learn(document.name, added, taking.orm.scalars(numbered).one())
        return True

    return take


def limits(taking: Taking, parcel: Parcel) -> bool:
    """Limits that nobody signed."""
    return _limits(taking, record_of(parcel.document, taking.known))


def sign_off(taking: Taking, parcel: Parcel) -> bool:
    """Limits with who answers for them: a revision beside the unsigned ones."""
    return _limits(taking, documents.sign_off_from(parcel.document))


def _limits(taking: Taking, record: Any) -> bool:
    if limits_row(taking, record.name, name_of(record), record.signer) is not None:
        return False
    registry.add_limits(taking.orm, record)
    return True


def limits_row(taking: Taking, name: object, sha256: str, signer: object) -> tables.LimitsRow | None:
    """The limits of this hash that this person signed, None for nobody; None where they are not here."""
    rows = select(tables.LimitsRow).order_by(tables.LimitsRow.id)
    rows = rows if name is None else rows.where(tables.LimitsRow.name == name)
    return next(
        (
            row
            for row in taking.orm.scalars(rows)
            if row.signer == signer and name_of(registry.to_limits(row)) == sha256
        ),
        None,
    )


def unique(kind: type[Any], to_record: Callable[[Any], Any], add: Callable[[OrmSession, Any], Any]) -> Take:
    """What has a unique name."""

    def take(taking: Taking, parcel: Parcel) -> bool:
        document = parcel.document
        record, where = record_of(document, taking.known), taking.where(document)
        row = taking.orm.scalar(select(kind).where(kind.name == record.name))
        if row is None:
            add(taking.orm, record)
            row = taking.orm.scalars(select(kind).where(kind.name == record.name)).one()
            taking.known.learn(document.name, to_record(row), row)
            return True
        here = to_record(row)
        if name_of(here) != document.name:
            raise contradiction(taking, where, document_of(here).facts, document.facts)
        if hasattr(record, "note"):
            taking.remark_note(where, here, record)
        return False

    return take


def mounting(taking: Taking, parcel: Parcel) -> bool:
    """A mounting; notes of its tank and sensor, which make other revisions of these, make no other of it."""
    document = parcel.document
    record, where = record_of(document, taking.known), taking.where(document)
    row = taking.orm.scalar(select(tables.MountingRow).where(tables.MountingRow.name == record.name))
    if row is not None:
        here = registry.to_mounting(row)
        ours, theirs = _without_notes(here), _without_notes(record)
        if ours != theirs:
            raise contradiction(taking, where, dict(_flat(ours)), dict(_flat(theirs)))
        taking.known.learn(document.name, here, row)
        taking.remark_note(where, here, record)
        return False
    rules.check_mounting(record)
    places = {
        "tank": taking.known.row(where, tables.TankRow, document.facts["tank"]),
        "sensor": taking.known.row(where, tables.SensorRow, document.facts["sensor"]),
    }
    row = tables.MountingRow(**(asdict(record) | places))
    keep(taking.orm, row)
    taking.known.learn(document.name, registry.to_mounting(row), row)
    return True


def _without_notes(record: Mounting) -> Mounting:
    return replace(
        record,
        note="",
        tank=replace(record.tank, revision=0, note=""),
        sensor=replace(record.sensor, revision=0, note=""),
    )


def _flat(record: Any, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """The facts of a record, and of those that it refers to, by their names."""
    for field in fields(record):
        value = getattr(record, field.name)
        if is_dataclass(value):
            yield from _flat(value, f"{prefix}{field.name}_")
        else:
            yield f"{prefix}{field.name}", value


def instrument(taking: Taking, parcel: Parcel) -> bool:
    """A calibration by its hash; one of a day and instrument that differ contradicts the other."""
    record = record_of(parcel.document, taking.known)
    rules.check_identity(f"instrument {record.name}, bench", record.bench)
    named = select(tables.InstrumentRow.id).where(tables.InstrumentRow.sha256 == parcel.document.name)
    if taking.orm.scalar(named) is not None:
        return False
    try:
        instruments.add_instrument(taking.orm, record)
    except InputError as error:
        found = f"{error.found}, in {taking.there}"
        where = f"instrument {record.name}"
        raise ContradictionError(where, found, error.expected, "see which holds") from error
    return True


def check_standard(taking: Taking, parcel: Parcel) -> bool:
    """A check standard by bench and name."""
    document = parcel.document
    record, where = record_of(document, taking.known), taking.where(document)
    check_name("check standard", record.name)
    check_text(f"{where}, note", record.note)
    rules.check_identity(f"{where}, bench", record.bench)
    named = select(tables.CheckStandardRow).where(
        tables.CheckStandardRow.bench == record.bench, tables.CheckStandardRow.name == record.name
    )
    same = taking.orm.scalar(named)
    if same is not None:
        here = document_of(check_standards.to_standard(same))
        if here.name != document.name:
            raise contradiction(taking, where, here.facts, document.facts)
        return False
    row = tables.CheckStandardRow(
        name=record.name,
        kind=record.kind.value,
        sensor=taking.known.row(where, tables.SensorRow, document.facts["sensor"]),
        note=record.note,
        bench=record.bench,
    )
    keep(taking.orm, row)
    taking.known.learn(document.name, check_standards.to_standard(row), row)
    return True


def check_measurement(taking: Taking, parcel: Parcel) -> bool:
    """What a check standard measured, by its hash."""
    document = parcel.document
    record = record_of(document, taking.known)
    where = taking.where(document)
    standard = taking.known.row(where, tables.CheckStandardRow, document.facts["standard"])
    taking.orm.refresh(standard, ["measurements"])
    if document.name in {name_of(check_standards.to_measurement(row)) for row in standard.measurements}:
        return False
    check_standards.add_measurement(taking.orm, record)
    return True


def retirement(taking: Taking, parcel: Parcel) -> bool:
    """That something registered is out of use, or in use again, by the hash of the event."""
    document = parcel.document
    facts = facts_of(document, object=str, kind=str, name=str, reason=str, parent_=str, takes_back=bool)
    where = f"retirement of {facts['kind']} {facts['name']}"
    known = select(tables.RetirementRow.sequence).where(tables.RetirementRow.record_sha256 == document.name)
    if taking.orm.scalar(known) is not None:
        return False
    check_reason(f"{where}, reason", facts["reason"], "why")
    if not _is_registered(taking, facts["kind"], facts["object"]):
        raise InputError(where, f"refers to {facts['object'][:ID_DIGITS]}", "something that is there already")
    row = tables.RetirementRow(
        kind=facts["kind"],
        name=facts["name"],
        object_sha256=facts["object"],
        reason=facts["reason"],
        parent_sha256=facts["parent"],
        takes_back=facts["takes_back"] or None,
    )
    keep(taking.orm, row)
    same_hash(where, row.record_sha256, document)
    retirements.check_parents(row, retirements.of_object(taking.orm, row.object_sha256))
    said = retirements.said(row.kind, takes_back=bool(row.takes_back))
    taking.remarks.append(f"{row.kind} {row.name}: {said} in {taking.there}: '{row.reason}'")
    return True


def _is_registered(taking: Taking, kind: str, sha256: str) -> bool:
    """Whether an object of the registry is here."""
    if sha256 in taking.known:
        return True
    rows, to_record = _BY_OTHER_HASH.get(kind, (None, None))
    return rows is not None and any(
        retirements.object_sha256(to_record(row)) == sha256 for row in taking.orm.scalars(select(rows))
    )


_BY_OTHER_HASH: Mapping[str, tuple[Any, Any]] = {
    "instrument": (tables.InstrumentRow, instruments.to_instrument),
    "check measurement": (tables.CheckMeasurementRow, check_standards.to_measurement),
    "budget": (tables.BudgetRow, registry.to_budget),
    "limits": (tables.LimitsRow, registry.to_limits),
    "mapping": (tables.MappingRow, registry.to_mapping),
}
