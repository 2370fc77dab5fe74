"""What was captured: sessions, what was said of them later, trims."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, select, update

from dataset.errors import StoreError
from dataset.records import ID_DIGITS
from dataset.store import sessions as stored_sessions
from dataset.store import tables
from dataset.store.merging.two_stores import Kind, TwoStores, Values, rows, table, without


def sessions(stores: TwoStores) -> None:
    """Sessions by hash, each hashed again; readings that stand here under another label are a conflict."""
    hashes = select(tables.SessionRow.sha256, tables.SessionRow.id)
    known = {sha256: row_id for sha256, row_id in stores.ours.execute(hashes)}  # noqa: C416 - rows are no pairs to mypy
    void = _void(stores.ours) | _void(stores.theirs)
    theirs_too = set(stores.theirs.scalars(select(tables.SessionRow.sha256)))
    theirs = rows(stores.theirs, tables.SessionRow)
    for done, row in enumerate(theirs):
        stores.progress("sessions", done, len(theirs))
        new, values = row["sha256"] not in known, stores.references_here(tables.SessionRow, row)
        if values is None:
            continue
        stores.count("session", new)
        if new:
            if row["sha256"] not in void:
                _tell_twins(stores, row, void, theirs_too)
            known[row["sha256"]] = _insert_session(stores, row["id"], values)
        stores.ids["capture_session"][row["id"]] = known[row["sha256"]]


def _void(connection: Connection) -> set[str]:
    return set(connection.scalars(select(tables.SessionRow.sha256).join(tables.VoidRow)))


def _tell_twins(stores: TwoStores, row: Mapping[str, Any], void: set[str], theirs: set[str]) -> None:
    """One recording under two labels could stand on both sides of a split. Two that the other store holds
    both, from before it looked at counts alone, come in as they are there.
    """
    same = stored_sessions.twins(row["readings_sha256"], row["counts_sha256"])
    hashes = select(tables.SessionRow.sha256, tables.SessionRow.readings_sha256).where(same)
    for other, readings in stores.ours.execute(hashes).all():
        if other in void:
            continue
        name, twin = row["sha256"][:ID_DIGITS], other[:ID_DIGITS]
        what = "readings" if readings == row["readings_sha256"] else "counts"
        if other in theirs:
            stores.remarks.append(
                f"session {name}: in {stores.there} it has, frame by frame, the {what} of session {twin}; "
                "one of the two should be void"
            )
        else:
            stores.conflict(
                f"session {name}",
                f"in {stores.there} it has, frame by frame, the {what} of session {twin} in {stores.here}, "
                "under other labels",
                "void the wrong one, in its store",
            )


def _insert_session(stores: TwoStores, their_id: int, values: Values) -> int:
    row_id = stores.insert(tables.SessionRow, without(values, "id") | {"sealed": False})
    for child in (tables.MarkRow, tables.BlockRow, tables.StretchRow, tables.WarningRow):
        stores.copy_children(child, their_id, row_id)
    seal = update(tables.SessionRow).where(tables.SessionRow.id == row_id).values(sealed=True)
    stores.ours.execute(seal)
    try:
        session = stored_sessions.to_session(stores.orm.get_one(tables.SessionRow, row_id), None)
        stored_sessions.check(session, stored_sessions.frames(stores.orm, session))
    except StoreError as error:
        where = f"{stores.there}, {error.where}"
        raise StoreError(where, error.found, error.expected, error.hint) from error
    stores.orm.expunge_all()
    stores.check(tables.SessionRow, row_id, f"session {values['sha256'][:ID_DIGITS]}")
    return row_id


def voids(stores: TwoStores) -> None:
    """A session that either bench voided is void; the reason that stands here stays."""
    here = {row["session_id"]: row["reason"] for row in rows(stores.ours, tables.VoidRow)}
    for row in rows(stores.theirs, tables.VoidRow):
        values = stores.references_here(tables.VoidRow, row)
        if values is None:
            continue
        reason = here.get(values["session_id"])
        stores.count("void", reason is None)
        if reason is None:
            our_id = stores.insert(tables.VoidRow, without(values, "sequence"))
            stores.check(tables.VoidRow, our_id, f"void of session {stores.session_id(values['session_id'])}")
        elif reason != row["reason"]:
            stores.remarks.append(
                f"session {stores.session_id(values['session_id'])}: void here for '{reason}', in "
                f"{stores.there} for '{row['reason']}'; both hold"
            )


def amendments(stores: TwoStores) -> None:
    """Revisions of marks by hash; two that amend the same one are both kept, and named."""
    new = _by_hash(stores, "mark revision", tables.MarkRevisionRow)
    siblings: defaultdict[tuple[int, str | None], list[Values]] = defaultdict(list)
    for row in rows(stores.ours, tables.MarkRevisionRow):
        siblings[row["session_id"], row["parent_sha256"]].append(row)
    for (session_id, _), revisions in siblings.items():
        if len(revisions) > 1 and any(row["sha256"] in new for row in revisions):
            _remark_concurrent(stores, session_id, revisions)
    stores.orm.expunge_all()


def _remark_concurrent(stores: TwoStores, session_id: int, revisions: Sequence[Values]) -> None:
    authors = ", ".join(
        f"{row['sha256'][:ID_DIGITS]} by {row['author']} ('{row['reason']}')"
        for row in sorted(revisions, key=lambda row: row["sha256"])
    )
    current = stored_sessions.to_session(stores.orm.get_one(tables.SessionRow, session_id)).mark_revision
    stores.remarks.append(
        f"session {stores.session_id(session_id)}: its marks were amended on both benches, from the same "
        f"marks: {authors}; both are kept, {str(current)[:ID_DIGITS]} counts"
    )


def trims(stores: TwoStores) -> None:
    """Trims by hash."""
    _by_hash(stores, "trim", tables.TrimRow)


def _by_hash(stores: TwoStores, what: str, kind: Kind) -> set[str]:
    """Bring in rows of events that carry a hash; the hashes that are new."""
    known, new = set(stores.ours.scalars(select(table(kind).c.sha256))), set()
    for row in rows(stores.theirs, kind):
        values = stores.references_here(kind, row)
        if values is None:
            continue
        stores.count(what, row["sha256"] not in known)
        if row["sha256"] not in known:
            stores.insert(kind, without(values, "sequence"))
            new.add(row["sha256"])
    return new


def open_captures(stores: TwoStores) -> None:
    """Captures that are still open stay where they are."""
    for row in rows(stores.theirs, tables.OpenCaptureRow):
        stores.remarks.append(
            f"capture {row['name']} is still open in {stores.there} and was left out: end it there, then "
            "merge again"
        )
