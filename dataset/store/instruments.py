"""Instruments and their calibrations between rows and records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, replace
from itertools import groupby
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.documents import name_of
from dataset.errors import InputError, NotFoundError, there_are
from dataset.labels.instruments import Calibrations, check_instrument
from dataset.records import ID_DIGITS, Instrument, InstrumentKind
from dataset.store.events import retirements
from dataset.store.proof import check, check_row, keep
from dataset.store.registry import bench_row, flat, own_bench
from dataset.store.tables import InstrumentRow


def to_instrument(row: InstrumentRow) -> Instrument:
    """The record, its hashes checked again: uncertainties of labels rest on it."""
    where = f"instrument {row.name}"
    check_row(row, where)
    known = flat(Instrument, row, kind=InstrumentKind(row.kind))
    check(where, name_of(known), row.sha256)
    return known


def of_values(values: Mapping[str, Any]) -> Instrument:
    """The record of a row's values, as another store has them."""
    names = {field.name for field in fields(Instrument)}
    facts = {key: value for key, value in values.items() if key in names}
    return Instrument(**facts | {"kind": InstrumentKind(values["kind"])})


def add_instrument(orm: OrmSession, given: Instrument) -> Instrument:
    """Add an instrument, or a further calibration of one; it is of this store's bench."""
    check_instrument(given)
    new = replace(given, bench=given.bench or own_bench(orm).identity)
    refuse_contradiction(new, _of_name(orm, new.bench, new.name))
    facts = asdict(new) | {"kind": new.kind.value, "sha256": name_of(new)}
    keep(orm, InstrumentRow(**facts))
    return new


def refuse_contradiction(new: Instrument, known: Sequence[Instrument]) -> None:
    """InputError where an instrument of this name is another, or was calibrated that day already."""
    where = f"{new.kind} {new.name}"
    for other in known:
        for what, is_, was in (("kind", new.kind, other.kind), ("serial", new.serial, other.serial)):
            if is_ != was:
                raise InputError(
                    where,
                    f"{what} {is_ or 'not stated'}, and {was or 'none'} on {other.calibrated}",
                    "the same instrument, or another name",
                    fields=(what,),
                )
        if other.calibrated == new.calibrated:
            raise InputError(where, f"was calibrated on {new.calibrated} already", "another date")


def _of_name(orm: OrmSession, bench: str, name: str) -> list[Instrument]:
    rows = select(InstrumentRow).where(InstrumentRow.bench == bench, InstrumentRow.name == name)
    return [to_instrument(row) for row in orm.scalars(rows.order_by(InstrumentRow.calibrated))]


def histories(orm: OrmSession) -> tuple[Calibrations, ...]:
    """Every instrument with its calibrations, by name; this store's own bench first."""
    own = own_bench(orm).identity
    order = (InstrumentRow.name, InstrumentRow.bench != own, InstrumentRow.bench, InstrumentRow.calibrated)
    known = [to_instrument(row) for row in orm.scalars(select(InstrumentRow).order_by(*order))]
    return tuple(
        Calibrations(tuple(calibrations))
        for _, calibrations in groupby(known, key=lambda k: (k.name, k.bench))
    )


def history(orm: OrmSession, ref: str) -> Calibrations:
    """The instrument called ``ref``, or NAME@BENCH where that is of another bench.

    Raises:
        NotFoundError: none is called so. InputError: several benches other than this store's have one.
    """
    name, at, bench = ref.partition("@")
    known = [history for history in histories(orm) if history.name == name]
    if at:
        identity = bench_row(orm, bench).identity
        known = [history for history in known if history.calibrations[-1].bench == identity]
    if not known:
        names = sorted({history.name for history in histories(orm)})
        hint = there_are(names, ref, "add it with Store.add_instrument")
        raise NotFoundError(
            f"instrument {ref}", "is not in the store", "", hint, fields=("Store.add_instrument",)
        )
    if len(known) > 1 and known[0].calibrations[-1].bench != own_bench(orm).identity:
        raise InputError(
            f"instrument {ref}",
            f"{len(known)} benches have one of this name",
            "NAME@BENCH",
            "see Store.benches()",
            fields=("Store.benches()",),
        )
    return known[0]


def by_hash(orm: OrmSession, names: Sequence[str]) -> tuple[Instrument, ...]:
    """The calibrations that a session names."""
    check_known(orm, names)
    return tuple(
        to_instrument(orm.scalars(select(InstrumentRow).where(InstrumentRow.sha256 == name)).one())
        for name in names
    )


def refuse_retired(orm: OrmSession, names: Sequence[str]) -> None:
    """InputError where a new session would rest on the calibration of an instrument that is out of use."""
    if names and retirements.any_said(orm):
        for known in by_hash(orm, names):
            retirements.refuse_retired(orm, "instrument", known)


def check_known(orm: OrmSession, names: Sequence[str]) -> None:
    """NotFoundError where a session names a calibration that the store does not have."""
    if not names:
        return
    known = set(orm.scalars(select(InstrumentRow.sha256).where(InstrumentRow.sha256.in_(names))))
    lost = next((name for name in names if name not in known), None)
    if lost is not None:
        raise NotFoundError(f"calibration {lost[:ID_DIGITS]}", "is not in the store")
