"""What was captured: sessions, what was said of them later, trims."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, select, update

from dataset.records import ID_DIGITS
from dataset.store import sessions as stored_sessions
from dataset.store import tables, twins
from dataset.store.events.amendments import check_chain, words_apart
from dataset.store.events.voiding import check_parents, is_void
from dataset.store.merging.two_stores import Kind, TwoStores, Values, rows, table, without
from dataset.store.reading import sessions as sessions_read
from dataset.store.reading.amendments import last
from dataset.store.reading.voiding import void_reason


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
    return set(connection.scalars(select(tables.SessionRow.sha256).where(is_void())))


def _tell_twins(stores: TwoStores, row: Mapping[str, Any], void: set[str], theirs: set[str]) -> None:
    """One recording under two labels could stand on both sides of a split. Two that the other store holds
    both, from before it looked at counts alone, come in as they are there.
    """
    same = twins.twins(row["readings_sha256"], row["counts_sha256"])
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
    with stores.named_there():
        row = stores.orm.get_one(tables.SessionRow, row_id)
        session = sessions_read.to_session(row, None, amendment=None)
        sessions_read.check(session, stored_sessions.frames(stores.orm, session))
    stores.orm.expunge_all()
    stores.check(tables.SessionRow, row_id, f"session {values['sha256'][:ID_DIGITS]}")
    return row_id


def voids(stores: TwoStores) -> None:
    """Events of voiding by hash, in whatever order: a session is void while any void of it stands."""
    here = rows(stores.ours, tables.VoidRow)
    known = {row["record_sha256"] for row in here}
    reasons: defaultdict[int, set[str]] = defaultdict(set)
    for row in here:
        if not row["takes_back"]:
            reasons[row["session_id"]].add(row["reason"])
    taken_back, incoming = [], []
    for row in rows(stores.theirs, tables.VoidRow):
        values = stores.references_here(tables.VoidRow, row)
        if values is None:
            continue
        new = row["record_sha256"] not in known
        stores.count("void taken back" if row["takes_back"] else "void", new)
        if new:
            session = stores.session_id(values["session_id"])
            our_id = stores.insert(tables.VoidRow, without(values, "sequence"))
            incoming.append(our_id)
            stores.check(tables.VoidRow, our_id, f"void of session {session}")
            _tell_void(stores, session, row, reasons[values["session_id"]])
            if row["takes_back"]:
                taken_back.append(values["session_id"])
    stores.orm.expire_all()
    for our_id in incoming:
        with stores.named_there():
            check_parents(stores.orm.get_one(tables.VoidRow, our_id))
    for session_id in taken_back:
        _refuse_usable_twin(stores, session_id)


def tags(stores: TwoStores) -> None:
    """Events of tagging by hash, in whatever order: a session has a tag while any event that added it
    stands.
    """
    known = set(stores.ours.scalars(select(tables.TagRow.record_sha256)))
    for row in rows(stores.theirs, tables.TagRow):
        values = stores.references_here(tables.TagRow, row)
        if values is None:
            continue
        new = row["record_sha256"] not in known
        stores.count("tag removed" if row["removes"] else "tag", new)
        if new:
            our_id = stores.insert(tables.TagRow, without(values, "sequence"))
            stores.check(tables.TagRow, our_id, f"tag of session {stores.session_id(values['session_id'])}")
    stores.orm.expire_all()


def _refuse_usable_twin(stores: TwoStores, session_id: int) -> None:
    """A void taken back there must not bring a second session of one recording into use here."""
    session = stores.orm.get_one(tables.SessionRow, session_id)
    other = twins.usable_twin(stores.orm, session)
    if other is not None and void_reason(session) is None:
        stores.conflict(
            f"session {session.sha256[:ID_DIGITS]}",
            f"its void was taken back in {stores.there}, and it holds, frame by frame, the counts of session "
            f"{other.sha256[:ID_DIGITS]} in {stores.here}",
            "void the wrong one, in its store",
        )


def _tell_void(stores: TwoStores, session: str, row: Mapping[str, Any], here: set[str]) -> None:
    """Two reasons for one session, and voids that end, are told."""
    if row["takes_back"]:
        stores.remarks.append(
            f"session {session}: its void was taken back in {stores.there}: '{row['reason']}'"
        )
    elif here and row["reason"] not in here:
        before = "', '".join(sorted(here))
        stores.remarks.append(
            f"session {session}: void here for '{before}', in {stores.there} for '{row['reason']}'; both hold"
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
    current = sessions_read.to_session(stores.orm.get_one(tables.SessionRow, session_id)).mark_revision
    stores.remarks.append(
        f"session {stores.session_id(session_id)}: its marks were amended on both benches, from the same "
        f"marks: {authors}; both are kept, {str(current)[:ID_DIGITS]} counts"
    )


def session_amendments(stores: TwoStores) -> None:
    """Amendments of sessions by hash, each hashed again; those that stand beside one another are named."""
    new = _by_hash(stores, "amendment", tables.AmendmentRow)
    of_sessions = {
        row["session_id"] for row in rows(stores.ours, tables.AmendmentRow) if row["sha256"] in new
    }
    stores.orm.expunge_all()
    for session_id in sorted(of_sessions):
        session = stores.orm.get_one(tables.SessionRow, session_id)
        with stores.named_there():
            check_chain(session)
        apart = last(session)
        if len(apart) > 1:
            stores.remarks.append(
                f"session {session.sha256[:ID_DIGITS]}: it was amended on both benches: "
                f"{words_apart(apart)}; both are kept, and it cannot be frozen before a further amendment "
                "says what is so"
            )
    stores.orm.expunge_all()


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
