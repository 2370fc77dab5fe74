"""Instruments and check standards of the benches, by what each record says."""

from __future__ import annotations

from dataset.errors import InputError
from dataset.store import tables
from dataset.store.instruments import of_values, refuse_contradiction, to_instrument
from dataset.store.merging.two_stores import TwoStores, rows, without


def all_instruments(stores: TwoStores) -> None:
    """Calibrations by hash; two of one instrument and day that differ contradict each other."""
    known = {row["sha256"]: row["id"] for row in rows(stores.ours, tables.InstrumentRow)}
    for row in rows(stores.theirs, tables.InstrumentRow):
        new = row["sha256"] not in known
        stores.count("instrument", new)
        if not new:
            continue
        here = [
            to_instrument(stores.orm.get_one(tables.InstrumentRow, ours["id"]))
            for ours in rows(stores.ours, tables.InstrumentRow, bench=row["bench"], name=row["name"])
        ]
        try:
            refuse_contradiction(of_values(row), here)
        except InputError as error:
            stores.conflict(
                f"instrument {row['name']}", f"{error.found}, in {stores.there}", "see which holds"
            )
            continue
        our_id = stores.insert(tables.InstrumentRow, without(row, "id"))
        stores.check(tables.InstrumentRow, our_id, f"instrument {row['name']}")


def all_check_standards(stores: TwoStores) -> None:
    """Check standards by bench and name; of others with the same name and bench one contradicts the other."""
    here = {(row["bench"], row["name"]): row for row in rows(stores.ours, tables.CheckStandardRow)}
    for row in rows(stores.theirs, tables.CheckStandardRow):
        values = stores.references_here(tables.CheckStandardRow, row)
        if values is None:
            continue
        same, what = here.get((row["bench"], row["name"])), f"check standard {row['name']}"
        stores.count("check standard", same is None)
        if same is None:
            our_id = stores.insert(tables.CheckStandardRow, without(values, "id"))
            stores.check(tables.CheckStandardRow, our_id, what)
        elif same["record_sha256"] != row["record_sha256"]:
            stores.conflict(what, f"is another in {stores.there}", "one of the two needs another name")
            continue
        else:
            our_id = same["id"]
        stores.ids["check_standard"][row["id"]] = our_id


def check_measurements(stores: TwoStores) -> None:
    """What check standards measured, by hash."""
    known = {row["record_sha256"] for row in rows(stores.ours, tables.CheckMeasurementRow)}
    for row in rows(stores.theirs, tables.CheckMeasurementRow):
        values = stores.references_here(tables.CheckMeasurementRow, row)
        if values is None:
            continue
        new = row["record_sha256"] not in known
        stores.count("check measurement", new)
        if new:
            our_id = stores.insert(tables.CheckMeasurementRow, without(values, "sequence"))
            stores.check(tables.CheckMeasurementRow, our_id, f"check measurement of {row['date']}")
