"""Which units are one in two stores: benches and units by their identities, never by their names."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select

from dataset.errors import InputError, there_are
from dataset.records import ID_DIGITS
from dataset.store import tables, units
from dataset.store.merging.two_stores import Kind, TwoStores, remark_note, rows, table, without
from dataset.store.reading.voiding import void_reason
from dataset.store.registry import BENCH_DIGITS, name_bench, unnamed_bench


def benches(stores: TwoStores) -> None:
    """Benches by identity; one whose name is another's here gets digits of its identity, and one that nobody
    has named here takes the name that it has there.
    """
    here = {row["identity"]: row for row in rows(stores.ours, tables.BenchRow)}
    names = {row["name"] for row in here.values()}
    for row in rows(stores.theirs, tables.BenchRow):
        same = here.get(row["identity"])
        if same is None:
            stores.count("bench", True)
            given, digits = row["name"].partition("@")[0], row["identity"][:BENCH_DIGITS]
            name = next(name for name in (row["name"], given, f"{given}@{digits}") if name not in names)
            names.add(name)
            our_id = stores.insert(tables.BenchRow, without(row, "id") | {"name": name, "own": False})
            stores.check(tables.BenchRow, our_id, f"bench {name}")
            stores.ids["bench"][row["id"]] = our_id
        else:
            stores.ids["bench"][row["id"]] = same["id"]
            if same["name"] == row["name"]:
                continue
            unnamed = same["name"] == unnamed_bench(row["identity"]) and not same["own"]
            if unnamed and row["name"] not in names and "@" not in row["name"]:
                name_bench(stores.orm, row["identity"], row["name"], None)
                names.add(row["name"])
                stores.remarks.append(f"bench {same['name']} is called {row['name']} from now on, as there")
            else:
                stores.remarks.append(f"bench {same['name']} is called {row['name']} in {stores.there}")


def all_units(stores: TwoStores) -> None:
    """Units by identity: of two that have one name, the one that comes in is called otherwise."""
    here = {row["identity"]: row for row in rows(stores.ours, tables.UnitRow)}
    for row in rows(stores.theirs, tables.UnitRow):
        same = here.get(row["identity"])
        stores.count("unit", same is None)
        if same is None:
            name = f"{row['name'].partition('@')[0]}@{row['identity']}"  # until all of them are known
            values = without(row, "id") | {"name": name, "same_as_id": None, "first_id": None}
            values["bench_id"] = stores.ids["bench"][row["bench_id"]]
            our_id = stores.insert(tables.UnitRow, values)
            stores.check(tables.UnitRow, our_id, f"unit {row['name']}")
            stores.ids["unit"][row["id"]] = our_id
            stores.new_units.append(row["identity"])
        else:
            stores.ids["unit"][row["id"]] = same["id"]
            remark_note(stores, "unit", same, row)


def assignments(stores: TwoStores) -> None:
    """Of which unit an object is, as either store says."""
    _events(stores, "unit assignment", tables.UnitAssignmentRow)
    for _ in range(_events(stores, "unit union", tables.UnitUnionRow)):
        stores.count("unit union", True)
    stores.orm.expire_all()


def _events(stores: TwoStores, what: str, kind: Kind) -> int:
    """How many came in; an assignment comes with what it assigns, and is not counted."""
    known = set(stores.ours.scalars(select(table(kind).c.record_sha256)))
    new = [row for row in rows(stores.theirs, kind) if row["record_sha256"] not in known]
    for row in new:
        stores.check(kind, stores.insert(kind, without(row, "sequence")), what)
    return len(new)


def one_and_the_same(stores: TwoStores) -> None:
    """What is said to be one, what turns out to be, and what every unit is called from now on."""
    before = [{row.identity for row in rows_of} for rows_of in _several(stores)]
    settled = units.settle(stores.orm)
    for unit_here, unit_there, reason in stores.same_units:
        ours, theirs = _named(stores, unit_here), _theirs(stores, unit_there)
        if (ours.same_as or ours).id != (theirs.same_as or theirs).id:
            units.unite(stores.orm, ours.same_as or ours, theirs.same_as or theirs, reason)
            stores.count("unit union", True)
    settled = units.settle(stores.orm)
    for members in settled:
        identities = {row.identity for row in members}
        if not any(identities <= known for known in before):
            _tell_union(stores, members)
    _tell_names(stores)
    for object_sha256, of_units in units.contested(stores.orm):
        _tell_contested(stores, object_sha256, " and ".join(row.name for row in of_units))


def _tell_contested(stores: TwoStores, object_sha256: str, named: str) -> None:
    """A session of two units must not be learnt from; a trim stays with the unit that it is of here."""
    session = stores.orm.scalar(select(tables.SessionRow).where(tables.SessionRow.sha256 == object_sha256))
    if session is None:
        stores.remarks.append(
            f"trim {object_sha256[:ID_DIGITS]} was taken of units {named}, with the same counts on the "
            "same day: if they are one sample, say so"
        )
    elif void_reason(session) is None:
        stores.conflict(
            f"session {object_sha256[:ID_DIGITS]}",
            f"is of units {named}, as {stores.here} and {stores.there} say, and too few of its frames differ "
            "to tell that it is one recording",
            "say with same_units that they are one sample, or void it in both: its board stood still",
        )


def _several(stores: TwoStores) -> list[tuple[tables.UnitRow, ...]]:
    """Units that were one here before the merge."""
    shown: dict[int, list[tables.UnitRow]] = {}
    for row in stores.orm.scalars(select(tables.UnitRow)):
        shown.setdefault(row.same_as_id or row.id, []).append(row)
    return [tuple(members) for members in shown.values() if len(members) > 1]


def _tell_union(stores: TwoStores, members: Iterable[tables.UnitRow]) -> None:
    members = list(members)
    shown = (members[0].same_as or members[0]).name
    of_benches = sorted(f"{row.name.partition('@')[0]} of {row.bench.name}" for row in members)
    stores.remarks.append(f"unit {shown}: {' and '.join(of_benches)} are one unit")


def _tell_names(stores: TwoStores) -> None:
    new = select(tables.UnitRow).where(tables.UnitRow.identity.in_(stores.new_units))
    for row in sorted(stores.orm.scalars(new), key=lambda row: row.name):
        given, at, _ = row.name.partition("@")
        if at and row.same_as_id is None:
            stores.remarks.append(
                f"unit {given} of {row.bench.name} is another sample than {given} here, and is called "
                f"{row.name}"
            )


def _named(stores: TwoStores, name: str) -> tables.UnitRow:
    known = {row.name: row for row in stores.orm.scalars(select(tables.UnitRow))}
    return _known(stores.here, name, known)


def _theirs(stores: TwoStores, name: str) -> tables.UnitRow:
    known = {
        row["name"]: stores.orm.get_one(tables.UnitRow, stores.ids["unit"][row["id"]])
        for row in rows(stores.theirs, tables.UnitRow)
    }
    return _known(stores.there, name, known)


def _known(where: str, name: str, known: dict[str, tables.UnitRow]) -> tables.UnitRow:
    if name not in known:
        hint = there_are(sorted(known), name, "there are none")
        raise InputError(f"same_units, {name}", f"is no unit of {where}", "", hint, fields=("same_units",))
    return known[name]
