"""The store's side of ``dataset.text.write``: what is written as text, and what of a text is new here."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sqlalchemy.orm import Session as OrmSession

from dataset.admission.rules import check_marks
from dataset.canonical import marks_content
from dataset.canonical_text import canonical_json
from dataset.errors import InputError
from dataset.exchange.report import Exchanged, Taken
from dataset.records import ID_DIGITS, Mark, MarkRevision
from dataset.store import check_standards, instruments, registry, sessions
from dataset.store.events import as_text, retirements
from dataset.store.reading import sessions as sessions_read
from dataset.store.tables import (
    MarkRevisionRow,
    SessionRow,
)
from dataset.text.events import SaidLater, write_events
from dataset.text.instruments import write_instruments
from dataset.text.read import TextContent
from dataset.text.write import REVISIONS, Registry, marks_file, write_text
from dataset.values import check_text


@dataclass(frozen=True)
class TextReport:
    """What came in of the registry and of the marks; ``elsewhere`` are sessions, by id, that the text speaks
    of and this store has not.
    """

    merged: Exchanged
    elsewhere: tuple[str, ...]


def collect(orm: OrmSession) -> dict[str, str]:
    """Every text file, by its path."""
    records = Registry(
        tanks=registry.tanks(orm),
        liquids=registry.liquids(orm),
        sensors=registry.sensors(orm),
        mountings=registry.mountings(orm),
        operators=registry.operators(orm),
        units=registry.unit_rows(orm),
        budgets=registry.budgets(orm),
        limits=registry.all_limits(orm),
        mappings=registry.mappings(orm),
    )
    rows = sessions.session_rows(orm)
    revisions = {row.sha256: sessions_read.revisions_of(row) for row in rows}
    later = write_events(as_text.collect(orm, rows))
    measured = [
        known
        for standard in check_standards.standards(orm)
        for known in check_standards.measured(orm, standard)
    ]
    calibrations = [
        (known, retirements.reason_of(orm, "instrument", known))
        for history in instruments.histories(orm)
        for known in history.calibrations
    ]
    later |= write_instruments(calibrations, measured)
    return write_text(records, sessions_read.to_sessions(rows), revisions) | later


def add_registry(orm: OrmSession, records: Registry) -> None:
    """Write a whole registry to an empty store."""
    for tank in records.tanks:
        registry.add_tank(orm, tank)
    for liquid in records.liquids:
        registry.add_liquid(orm, liquid)
    for sensor in records.sensors:
        registry.add_sensor(orm, sensor)
    for mounting in records.mountings:
        registry.add_mounting(orm, mounting)
    for unit in records.units:
        registry.add_unit(orm, unit)
    for operator in records.operators:
        registry.add_operator(orm, operator)
    for budget in records.budgets:
        registry.add_budget(orm, budget)
    for limits in records.limits:
        registry.add_limits(orm, limits)
    for mapping in records.mappings:
        registry.add_mapping(orm, mapping)


def add_revisions(orm: OrmSession, content: TextContent, said: SaidLater, merged: Exchanged) -> TextReport:
    """Write the amendments and the revisions of marks that sessions of this store lack; refuse sealed marks
    that are others than the store's.
    """
    rows = {row.sha256: row for row in sessions.session_rows(orm)}
    for row in rows.values():
        _check_sealed(row, content)
    amended = Taken("amendment", *as_text.add_amendments(orm, said.amendments, rows))
    new = sum(
        _add_revision(orm, rows[revision.session], revision)
        for revision in content.revisions
        if revision.session in rows
    )
    here = sum(revision.session in rows for revision in content.revisions)
    counts = (*merged.taken, *([Taken("mark revision", new, here - new)] if here else []))
    counts = (*counts, *([amended] if amended.new or amended.known else []))
    known = {sha256[:ID_DIGITS] for sha256 in rows}
    spoken_of = [*(r.session for r in content.revisions), *(line.session for line in said.amendments)]
    elsewhere = {name for name in content.sealed if name not in known}
    elsewhere |= {sha256[:ID_DIGITS] for sha256 in spoken_of if sha256 not in rows}
    return TextReport(replace(merged, taken=counts), tuple(sorted(elsewhere)))


def _check_sealed(row: SessionRow, content: TextContent) -> None:
    in_text = content.sealed.get(row.sha256[:ID_DIGITS])
    sealed = tuple(registry.flat(Mark, mark) for mark in row.marks)
    if in_text is not None and in_text != sealed:
        hint = "sealed marks never change; amend them with Store.amend_marks"
        raise InputError(
            marks_file(row.sha256),
            "sealed marks that are others than the store's",
            "the marks that the session was sealed with",
            hint,
            fields=("Store.amend_marks",),
        )


def _add_revision(orm: OrmSession, row: SessionRow, revision: MarkRevision) -> bool:
    """Whether it is new here."""
    known = {known.sha256 for known in row.mark_revisions}
    if revision.sha256 in known:
        return False
    where = f"{REVISIONS}, revision {revision.sha256[:ID_DIGITS]}"
    if revision.parent is not None and revision.parent not in known:
        raise InputError(
            where,
            f"it amends {revision.parent[:ID_DIGITS]}, which is not there",
            "the revision that is amended before the one that amends it",
        )
    for text in (revision.author, revision.reason):
        check_text(where, text)
    check_marks(where, revision.marks, row.frames, sessions_read.to_session(row).mounting.tank.span_mm)
    body = canonical_json(marks_content(revision.marks))
    amendment = MarkRevisionRow(
        sha256=revision.sha256,
        parent_sha256=revision.parent,
        author=revision.author,
        reason=revision.reason,
        body=body,
    )
    row.mark_revisions.append(amendment)
    orm.flush()
    return True
