"""Sessions as documents, and what was said of them and of other objects later."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dataset.canonical import (
    amendment_content,
    amendment_from,
    amendment_sha256,
    conditions_content,
    conditions_from,
    mark_revision_sha256,
    marks_content,
    marks_from,
    session_sha256,
    unit_sha256,
)
from dataset.documents.records import (
    Document,
    Known,
    _hints,
    _value,
    check_hash,
    exactly,
    expect_kind,
    facts_of,
    name_of,
)
from dataset.errors import InputError
from dataset.readings_hashes import columns_content
from dataset.records import (
    ID_DIGITS,
    Mark,
    MarkRevision,
    NewSession,
    Recording,
    Restatement,
    RetirementEvent,
    Session,
    SessionAmendment,
    StatusEvent,
    Stretch,
    TagEvent,
    Unit,
    VoidEvent,
)

_SESSION = (
    *("unit", "liquid", "mounting", "note", "simulated", "occasion", "instruments", "source", "warnings"),
)


def session_document(session: Session, frames: Recording) -> Document:
    """A session as it was sealed; its frames travel beside it, their columns by hashes in it. What the import
    checks found, and where the readings came from, are in the document and not in its name.
    """
    session = session.as_sealed or session
    sealed = session.marks if session.sealed_marks is None else session.sealed_marks
    return Document(
        "session",
        session_sha256(session, frames),
        {
            "unit": unit_sha256(session.sealed_unit or session.unit),
            "liquid": name_of(session.liquid),
            "mounting": name_of(session.mounting),
            "marks": marks_content(sealed),
            "stretches": [[s.start, s.stop, conditions_content(s.conditions)] for s in session.stretches],
            "note": session.note,
            "simulated": session.simulated,
            "occasion": facts_of(session.occasion),
            "instruments": list(session.instruments),
            "source": facts_of(session.source),
            "warnings": [facts_of(warning) for warning in session.warnings],
            "columns": columns_content(frames),
        },
    )


def session_from(document: Document, frames: Recording, known: Known) -> NewSession:
    """A session on its way into a store. InputError when the frames are others, or the name is not that of
    the content.
    """
    where = f"session {document.name[:ID_DIGITS]}"
    expect_kind(where, "session", document)
    facts = exactly(where, document.facts, *_SESSION, "marks", "stretches", "columns")
    if facts["columns"] != columns_content(frames):
        raise InputError(where, "frames with other columns", "those that it was sealed with")
    hints = _hints(NewSession)
    try:
        read: dict[str, Any] = {
            "marks": marks_from(facts["marks"]),
            "stretches": tuple(Stretch(a, b, conditions_from(stated)) for a, b, stated in facts["stretches"]),
        }
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise InputError(where, "marks or conditions that cannot be", "those of a session") from error
    read |= {key: _value(f"{where}, {key}", hints[key], facts[key], known) for key in _SESSION}
    session = NewSession(**read, frames=frames)
    check_hash(where, session_sha256(session, frames), document.name)
    return session


def mark_revision_document(revision: MarkRevision) -> Document:
    """A later revision of a session's marks."""
    facts = {
        "session": revision.session,
        "parent": revision.parent,
        "author": revision.author,
        "reason": revision.reason,
        "marks": marks_content(revision.marks),
    }
    return Document("mark revision", revision.sha256, facts)


def mark_revision_from(document: Document) -> MarkRevision:
    """The revision; InputError when its name is not that of its facts."""
    where = f"mark revision {document.name[:ID_DIGITS]}"
    expect_kind(where, "mark revision", document)
    facts = exactly(where, document.facts, "session", "parent", "author", "reason", "marks")
    session, parent, author, reason, content = facts.values()
    try:
        marks: tuple[Mark, ...] = marks_from(content)
    except (TypeError, ValueError) as error:
        raise InputError(where, "marks that cannot be", "those of a session") from error
    check_hash(where, mark_revision_sha256(session, parent, author, reason, marks), document.name)
    return MarkRevision(document.name, session, parent, author, reason, marks)


def amendment_document(amendment: SessionAmendment, unit: Unit | None) -> Document:
    """What a sealed session says since; ``unit`` is the one that it states, as its bench of origin has it."""
    stated = amendment.stated
    facts = {
        "session": amendment.session,
        "parents": list(amendment.parents),
        "author": amendment.author,
        "reason": amendment.reason,
        "unit": None if unit is None else unit_sha256(unit),
        "liquid": None if stated.liquid is None else name_of(stated.liquid),
        "mounting": None if stated.mounting is None else name_of(stated.mounting),
    }
    return Document("amendment", amendment.sha256, facts | amendment_content(stated, amendment.warnings))


def amendment_from_document(document: Document, known: Known) -> SessionAmendment:
    """The amendment; InputError when its name is not that of its facts, or an object is not known."""
    where = f"amendment {document.name[:ID_DIGITS]}"
    expect_kind(where, "amendment", document)
    facts, hints = document.facts, _hints(Restatement)
    places = {
        key: None if facts.get(key) is None else _value(f"{where}, {key}", hints[key], facts[key], known)
        for key in ("unit", "liquid", "mounting")
    }
    try:
        stated, warnings = amendment_from(facts)
        amendment = SessionAmendment(
            document.name,
            facts["session"],
            tuple(facts["parents"]),
            facts["author"],
            facts["reason"],
            replace(stated, **places),
            warnings,
        )
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise InputError(where, "statements that cannot be", "those of an amendment") from error
    a = amendment
    hashed = amendment_sha256(a.session, a.parents, a.author, a.reason, a.stated, a.warnings)
    check_hash(where, hashed, document.name)
    return amendment


def event_document(
    kind: str, about: str, event: VoidEvent | TagEvent | RetirementEvent | StatusEvent
) -> Document:
    """What was said of an object of name ``about``: that a session is void or can be used after all, that it
    has a tag or has it no longer, that something registered is out of use or in use again, what a model is.
    Its name is the hash of its record.
    """
    what = {RetirementEvent: "object", StatusEvent: "model"}.get(type(event), "session")
    return Document(kind, event.sha256, {what: about} | facts_of(event, ("sha256",)))


def retirement_document(kind: str, called: str, about: str, event: RetirementEvent) -> Document:
    """That something registered is out of use, or in use again: its kind, what it was called, its hash."""
    said = event_document("retirement", about, event)
    return replace(said, facts=said.facts | {"kind": kind, "name": called})


def unit_event_document(kind: str, sha256: str, **facts: str | bool | None) -> Document:
    """Of which unit an object is, that two units are one, or that this was taken back. Its name is the hash
    of its record.
    """
    return Document(kind, sha256, {key: fact for key, fact in facts.items() if fact is not None})
