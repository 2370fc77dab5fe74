"""What has a name: the registry, limits, budgets, models."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from dataset.store import tables
from dataset.store.events.retirements import check_parents, of_object, said
from dataset.store.merging.report import Renumbered
from dataset.store.merging.two_stores import (
    Kind,
    TwoStores,
    Values,
    children_of,
    facts_of,
    references,
    remark_note,
    rows,
    table,
    without,
)

_CHILDREN: dict[Kind, Kind] = {
    tables.SensorRow: tables.PadRow,
    tables.LimitsRow: tables.LimitRow,
}


def tanks_sensors_and_limits(stores: TwoStores) -> None:
    """What has revisions."""
    _revised(stores, "tank", tables.TankRow)
    _revised(stores, "sensor", tables.SensorRow)
    _revised(stores, "limits", tables.LimitsRow)


def liquids_operators_budgets_and_mappings(stores: TwoStores) -> None:
    """What has a unique name and stands on nothing else."""
    _unique(stores, "liquid", tables.LiquidRow)
    _unique(stores, "operator", tables.OperatorRow)
    _unique(stores, "budget", tables.BudgetRow)
    _unique(stores, "mapping", tables.MappingRow)


def mountings(stores: TwoStores) -> None:
    """Mountings, which stand on tanks and sensors."""
    _unique(stores, "mounting", tables.MountingRow)


def retirements(stores: TwoStores) -> None:
    """What was retired and taken back, by the hash of the event, in whatever order."""
    known = {row["record_sha256"] for row in rows(stores.ours, tables.RetirementRow)}
    new = []
    for row in rows(stores.theirs, tables.RetirementRow):
        is_new = row["record_sha256"] not in known
        stores.count("retirement taken back" if row["takes_back"] else "retirement", is_new)
        if is_new:
            new.append(stores.insert(tables.RetirementRow, without(row, "sequence")))
            what = f"retirement of {row['kind']} {row['name']}"
            stores.check(tables.RetirementRow, new[-1], what)
            what_is_said = said(row["kind"], takes_back=bool(row["takes_back"]))
            stores.remarks.append(
                f"{row['kind']} {row['name']}: {what_is_said} in {stores.there}: '{row['reason']}'"
            )
    stores.orm.expunge_all()
    for key in new:
        with stores.named_there():
            event = stores.orm.get_one(tables.RetirementRow, key)
            check_parents(event, of_object(stores.orm, event.object_sha256))
    stores.orm.expunge_all()


def models(stores: TwoStores) -> None:
    """Models, which stand on frozen sets and limits."""
    _unique(stores, "model", tables.ModelRow)


def _revised(stores: TwoStores, what: str, kind: Kind) -> None:
    """Names with revisions: content that this store's name lacks becomes its next revision."""
    child = _CHILDREN.get(kind)
    here: defaultdict[str, dict[Any, tuple[int, int]]] = defaultdict(dict)
    for row in rows(stores.ours, kind):
        here[row["name"]][_content(stores.ours, row, child)] = (row["id"], row["revision"])
    for row in rows(stores.theirs, kind):
        known, content = here[row["name"]], _content(stores.theirs, row, child)
        new = content not in known
        if new:
            revision = max((number for _, number in known.values()), default=0) + 1
            our_id = stores.insert(kind, without(row, "id") | {"revision": revision})
            if child is not None:
                stores.copy_children(child, row["id"], our_id)
            stores.check(kind, our_id, f"{what} {row['name']}@{row['revision']}")
            known[content] = (our_id, revision)
        stores.count(what, new)
        stores.ids[table(kind).name][row["id"]], number = known[content]
        if number != row["revision"]:
            theirs, ours = (f"{row['name']}@{revision}" for revision in (row["revision"], number))
            stores.renumbered.append(Renumbered(what, theirs, ours))


def _content(connection: Connection, row: Mapping[str, Any], child: Kind | None) -> tuple[Any, ...]:
    """What makes a revision what it is."""
    children = () if child is None else children_of(connection, child, row["id"])
    return (*without(facts_of(row), "revision").items(), children)


def _unique(stores: TwoStores, what: str, kind: Kind) -> None:
    """Unique names: equal facts are the same record, other facts a conflict; a note that differs is kept as
    it is here.
    """
    here = {row["name"]: row for row in rows(stores.ours, kind)}
    ids = stores.ids[table(kind).name]
    for row in rows(stores.theirs, kind):
        values = stores.references_here(kind, row)
        if values is None:
            continue  # what it stands on is in conflict, which is reported already
        same = here.get(row["name"])
        if same is None:
            ids[row["id"]] = stores.insert(kind, without(values, "id"))
            stores.check(kind, ids[row["id"]], f"{what} {row['name']}")
        else:
            ours, theirs = _facts(stores.ours, kind, same), _facts(stores.theirs, kind, row)
            if ours != theirs:
                stores.differ(f"{what} {row['name']}", ours, theirs, "one of the two needs another name")
                continue
            ids[row["id"]] = same["id"]
            remark_note(stores, what, same, row)
        stores.count(what, same is None)


def _facts(connection: Connection, kind: Kind, row: Mapping[str, Any]) -> Values:
    """What makes a record what it is: no ids, no notes, no day on which a model was trained, no number of a
    revision that it refers to.
    """
    facts = without(facts_of(row), "note", "date")
    for key, target in references(kind).items():
        if facts[key] is None:
            continue
        (referred,) = rows(connection, target, id=facts.pop(key))
        name = key.removesuffix("_id")
        facts |= {
            f"{name} {fact}": value for fact, value in without(facts_of(referred), "revision", "note").items()
        }
        if target in _CHILDREN:
            facts[f"{name} rows"] = children_of(connection, _CHILDREN[target], referred["id"])
    return facts
