"""What was made of sessions: frozen sets, openings of their prove groups, exports, what boards measured."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, insert, select, update

from dataset.records import ID_DIGITS
from dataset.store import tables
from dataset.store.events.statuses import check_parents
from dataset.store.merging.two_stores import TwoStores, children_of, rows, without
from dataset.store.reading.sets import to_frozen_set


def frozen_sets(stores: TwoStores) -> None:
    """Frozen sets by name and hash; one that comes in is hashed again."""
    here = {row["name"]: row for row in rows(stores.ours, tables.FrozenSetRow)}
    for row in rows(stores.theirs, tables.FrozenSetRow):
        same = here.get(row["name"])
        if same is not None and same["sha256"] != row["sha256"]:
            ours, theirs = ({"hash": side["sha256"][:ID_DIGITS]} for side in (same, row))
            stores.differ(f"frozen set {row['name']}", ours, theirs, "one of the two needs another name")
            continue
        stores.count("frozen set", same is None)
        if same is None:
            _insert_frozen(stores, row)
        else:
            stores.ids["frozen_set"][row["id"]] = same["id"]


def _insert_frozen(stores: TwoStores, row: Mapping[str, Any]) -> None:
    row_id = stores.insert(tables.FrozenSetRow, without(row, "id") | {"sealed": False})
    stores.ids["frozen_set"][row["id"]] = row_id
    members = [
        stores.references_here(tables.FrozenSessionRow, member)
        for member in rows(stores.theirs, tables.FrozenSessionRow, frozen_set_id=row["id"])
    ]
    if any(member is None for member in members):
        return
    stores.copy_children(tables.FrozenRoleRow, row["id"], row_id)
    stores.copy_children(tables.FrozenTrimRow, row["id"], row_id)
    stores.ours.execute(insert(tables.FrozenSessionRow), [m for m in members if m is not None])
    seal = update(tables.FrozenSetRow).where(tables.FrozenSetRow.id == row_id).values(sealed=True)
    stores.ours.execute(seal)
    to_frozen_set(stores.orm.get_one(tables.FrozenSetRow, row_id))
    stores.orm.expunge_all()
    stores.check(tables.FrozenSetRow, row_id, f"frozen set {row['name']}")


def openings(stores: TwoStores) -> None:
    """Openings of 'prove' by hash: all that either store knows."""
    known = set(stores.ours.scalars(select(tables.ProveOpeningRow.sha256)))
    for row in rows(stores.theirs, tables.ProveOpeningRow):
        values = stores.references_here(tables.ProveOpeningRow, row)
        if values is None:
            continue
        stores.count("prove opening", row["sha256"] not in known)
        if row["sha256"] not in known:
            stores.insert(tables.ProveOpeningRow, without(values, "sequence"))


def statuses(stores: TwoStores) -> None:
    """What models are said to be, by the hash of the event, in whatever order."""
    known = set(stores.ours.scalars(select(tables.StatusRow.record_sha256)))
    new = []
    for row in rows(stores.theirs, tables.StatusRow):
        values = stores.references_here(tables.StatusRow, row)
        if values is None:
            continue
        is_new = row["record_sha256"] not in known
        stores.count("model status", is_new)
        if is_new:
            new.append(stores.insert(tables.StatusRow, without(values, "sequence")))
            stores.check(tables.StatusRow, new[-1], "status of a model")
    stores.orm.expunge_all()
    for key in new:
        with stores.named_there():
            check_parents(stores.orm.get_one(tables.StatusRow, key))
    stores.orm.expunge_all()


def exports(stores: TwoStores) -> None:
    """Exports by model and bundle."""
    ours = rows(stores.ours, tables.ExportRow)
    here = {(row["model_id"], row["bundle_sha256"]): row["id"] for row in ours}
    for row in rows(stores.theirs, tables.ExportRow):
        values = stores.references_here(tables.ExportRow, row)
        if values is None:
            continue
        same = here.get((values["model_id"], row["bundle_sha256"]))
        stores.count("export", same is None)
        if same is None:
            our_id = stores.insert(tables.ExportRow, without(values, "id"))
            stores.copy_children(tables.ExportedFileRow, row["id"], our_id)
            stores.check(tables.ExportRow, our_id, f"export {row['bundle_sha256'][:ID_DIGITS]}")
        elif _files(stores.ours, same) != _files(stores.theirs, row["id"]):
            stores.conflict(
                f"export {row['bundle_sha256'][:ID_DIGITS]}",
                f"is recorded with other files in {stores.there} than in {stores.here}",
                "one of the two stores was changed by something else than innage",
            )


def board_measurements(stores: TwoStores) -> None:
    """What boards measured, by the hash of the record."""
    known = set(stores.ours.scalars(select(tables.BoardMeasurementRow.record_sha256)))
    for row in rows(stores.theirs, tables.BoardMeasurementRow):
        values = stores.references_here(tables.BoardMeasurementRow, row)
        if values is None:
            continue
        new = row["record_sha256"] not in known
        stores.count("board measurement", new)
        if new:
            our_id = stores.insert(tables.BoardMeasurementRow, without(values, "id"))
            stores.check(tables.BoardMeasurementRow, our_id, "what a board measured")


def _files(connection: Connection, export_id: int) -> tuple[Any, ...]:
    return children_of(connection, tables.ExportedFileRow, export_id)
