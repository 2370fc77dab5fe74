"""What was captured, and what was said of it later, as it comes in: by hash, each hashed again, and events
united in whatever order they come.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select

from dataset import documents
from dataset.admission.rules import check_marks, check_session
from dataset.canonical import marks_content, trim_content
from dataset.canonical_text import canonical_json
from dataset.documents import record_of
from dataset.errors import InputError
from dataset.exchange.objects import Parcel
from dataset.exchange.reading import as_written, check_types, facts_of, shape_of
from dataset.labels.trims import check_trim
from dataset.readings_hashes import counts_sha256, readings_sha256
from dataset.records import ID_DIGITS, NewSession, Recording
from dataset.stated_frames import StatedFrames
from dataset.store import admitting, instruments, registry, tables, twins, units
from dataset.store.events import amendments, voiding
from dataset.store.events.amending import as_new
from dataset.store.exchange.taking import ContradictionError, Taking, contested_session, same_hash
from dataset.store.proof import facts_sha256, keep
from dataset.store.reading import sessions as sessions_read
from dataset.store.reading import voiding as voiding_read
from dataset.store.stored_blocks import StoredBlocks, recording
from dataset.values import check_day, check_name, check_reason, check_text

_PLACES = ("unit", "liquid", "mounting")
_WAY_OUT = "void the wrong one, in its store"


def session(taking: Taking, parcel: Parcel) -> bool:
    """A session with its frames; readings that stand here under another label hold it back."""
    document = parcel.document
    where = taking.where(document)
    same = select(tables.SessionRow.id).where(tables.SessionRow.sha256 == document.name)
    if taking.may_be_here(parcel.offered) and taking.orm.scalar(same):
        return False
    frames: Recording
    if parcel.frames is not None:
        frames = parcel.frames
    elif taking.documents_alone:
        frames = _stated_frames(where, document)
    else:
        raise InputError(where, "has no frames beside it", "a session with its frames")
    with as_written(where):
        new = documents.session_from(document, frames, taking.known)
        check_types(where, new, "frames", *_PLACES)
    check_session(new)
    _check_listed(taking, where, new)
    row = _new_row(taking, parcel, new)
    if document.name not in taking.void:
        _refuse_twin(taking, where, row)
    if parcel.frames is None:
        row.counts_sha256 = None  # the frames may differ too little to have one
    admitting.write_session(taking.orm, row, new, new.warnings, () if parcel.frames is None else None)
    return True


def _stated_frames(where: str, document: documents.Document) -> StatedFrames:
    """What a session's document says of its frames."""
    with as_written(where):
        rows, channels, _ = shape_of(document)
        return StatedFrames(rows, channels, document.facts["columns"])


def _check_listed(taking: Taking, where: str, new: NewSession) -> None:
    """InputError for an operator, bench or calibration that is not here."""
    occasion = new.occasion
    if occasion.operator is not None:
        registry.operator_row(taking.orm, occasion.operator)
    benches = select(tables.BenchRow.id).where(tables.BenchRow.identity == occasion.bench)
    if occasion.bench is not None and taking.orm.scalar(benches) is None:
        raise InputError(
            where, f"refers to bench {occasion.bench[:ID_DIGITS]}", "a bench that is there already"
        )
    instruments.check_known(taking.orm, new.instruments)


def _new_row(taking: Taking, parcel: Parcel, new: NewSession) -> tables.SessionRow:
    facts, where = parcel.document.facts, taking.where(parcel.document)
    return admitting.row_of(
        new,
        taking.known.row(where, tables.UnitRow, facts["unit"]),
        taking.known.row(where, tables.LiquidRow, facts["liquid"]),
        taking.known.row(where, tables.MountingRow, facts["mounting"]),
        sha256=parcel.document.name,
        readings_sha256=readings_sha256(new.frames),
        counts_sha256=counts_sha256(new.frames),
    )


def _refuse_twin(taking: Taking, where: str, row: tables.SessionRow) -> None:
    """One recording under two labels could stand on both sides of a split. Two that the source holds both,
    from before anybody looked at counts alone, come in as they are there.
    """
    if not taking.may_have_twin(row):
        return
    with taking.orm.no_autoflush:
        others = twins.usable(taking.orm, row.readings_sha256, row.counts_sha256)
    for other in others:
        if other.sha256 in taking.void:
            continue
        twin = other.sha256[:ID_DIGITS]
        what = "readings" if other.readings_sha256 == row.readings_sha256 else "counts"
        said = f"in {taking.there} it has, frame by frame, the {what} of session {twin}"
        if other.sha256 not in taking.sessions:
            raise ContradictionError(
                where, f"{said} {taking.here}, under other labels", "one recording under one label", _WAY_OUT
            )
        taking.remarks.append(f"{where}: {said}; one of the two should be void")


def void(taking: Taking, parcel: Parcel) -> bool:
    """That a session is void, or can be used after all; a session is void while any void of it stands."""
    document = parcel.document
    facts = facts_of(document, session=str, reason=str, parent_=str, takes_back=bool)
    where = f"void of session {facts['session'][:ID_DIGITS]}"
    row = taking.session(where, facts["session"])
    taking.orm.refresh(row, ["voids"])
    if document.name in {event.record_sha256 for event in row.voids}:
        return False
    check_reason(f"{where}, reason", facts["reason"], "why")
    event = tables.VoidRow(
        session=row,
        reason=facts["reason"],
        parent_sha256=facts["parent"],
        takes_back=facts["takes_back"] or None,
    )
    keep(taking.orm, event)
    same_hash(where, event.record_sha256, document)
    voiding.check_parents(event)
    taking.tell_void(row, event)
    other = twins.usable_twin(taking.orm, row) if event.takes_back else None
    if other is not None and voiding_read.void_reason(row) is None and other.sha256 not in taking.sessions:
        raise ContradictionError(
            f"session {row.sha256[:ID_DIGITS]}",
            f"its void was taken back in {taking.there}, and it holds, frame by frame, the counts of session "
            f"{other.sha256[:ID_DIGITS]} {taking.here}",
            "one recording under one label",
            _WAY_OUT,
        )
    return True


def tag(taking: Taking, parcel: Parcel) -> bool:
    """That a session has a tag, or has it no longer; it has one while any event that added it stands."""
    document = parcel.document
    facts = facts_of(document, session=str, tag=str, removes=bool, author_=str, parent_=str)
    where = f"tag of session {facts['session'][:ID_DIGITS]}"
    row = taking.session(where, facts["session"])
    taking.orm.refresh(row, ["tag_events"])
    known = {event.record_sha256: event for event in row.tag_events}
    if document.name in known:
        return False
    check_name("tag", facts["tag"])
    if facts["author"] is not None:
        check_text(f"{where}, author", facts["author"])
    followed = known.get(facts["parent"])
    if facts["removes"] and facts["parent"] is None:
        raise InputError(where, "removes no tag that it names", "the event that added the tag")
    if facts["parent"] is not None and (
        followed is None or followed.tag != facts["tag"] or followed.removes == facts["removes"]
    ):
        raise InputError(where, f"follows {facts['parent'][:ID_DIGITS]}", "an event that it can follow")
    event = tables.TagRow(
        session=row,
        tag=facts["tag"],
        removes=facts["removes"],
        author=facts["author"],
        parent_sha256=facts["parent"],
    )
    keep(taking.orm, event)
    same_hash(where, event.record_sha256, document)
    return True


def amendment(taking: Taking, parcel: Parcel) -> bool:
    """What a session says since; amendments beside one another are all kept."""
    document = parcel.document
    where = taking.where(document)
    with as_written(where):
        record = documents.amendment_from_document(document, taking.known)
        check_types(where, record, "stated")
        check_types(where, record.stated, *_PLACES)
        again = documents.amendment_document(record, record.stated.unit).facts
        if again | {"mounting": document.facts["mounting"]} != document.facts:
            raise InputError(where, "says more than its kind does", "what an amendment states")
    row = taking.session(where, record.session)
    taking.orm.refresh(row, ["amendments"])
    depths = {known.sha256: known.depth for known in row.amendments}
    if document.name in depths:
        return False
    lost = sorted(set(record.parents) - depths.keys())
    if lost:
        raise InputError(where, f"follows {lost[0][:ID_DIGITS]}", "an amendment that is there already")
    check_reason(f"{where}, author", record.author, "who amended it")
    check_reason(f"{where}, reason", record.reason, "why it was amended")
    kinds = {"unit": tables.UnitRow, "liquid": tables.LiquidRow, "mounting": tables.MountingRow}
    places = {
        what: None if document.facts[what] is None else taking.known.row(where, kind, document.facts[what])
        for what, kind in kinds.items()
    }
    body = {key: fact for key, fact in document.facts.items() if key not in _AMENDMENT}
    event = tables.AmendmentRow(
        session=row,
        sha256=document.name,
        parents=canonical_json(record.parents),
        depth=amendments.depth_after(depths[parent] for parent in record.parents),
        author=record.author,
        reason=record.reason,
        body=canonical_json(body),
        **places,
    )
    taking.orm.add(event)
    taking.orm.flush()
    amendments.check_chain(row)
    _check_amended(taking, where, row, document.name)
    taking.amended.add(row.sha256)
    return True


_AMENDMENT = frozenset({"session", "parents", "author", "reason", *_PLACES})


def _check_amended(taking: Taking, where: str, row: tables.SessionRow, sha256: str) -> None:
    """A session as it is amended must keep the rules of admission; its marks may be amended too."""
    amended = sessions_read.to_session(row, None, amendment=sha256)
    sealed = amended.as_sealed or amended
    unseen = taking.documents_alone and not StoredBlocks(taking.orm, row.sha256)
    frames = (
        StatedFrames(row.frames, sealed.mounting.sensor.channels) if unseen else recording(taking.orm, sealed)
    )
    new = as_new(amended, frames)
    _check_listed(taking, where, new)
    check_session(NewSession(**{**vars(new), "marks": ()}))


def mark_revision(taking: Taking, parcel: Parcel) -> bool:
    """A later revision of a session's marks; those that amend the same ones are all kept."""
    document = parcel.document
    where = taking.where(document)
    with as_written(where):
        record = documents.mark_revision_from(document)
        check_types(where, record)
    row = taking.session(where, record.session)
    taking.orm.refresh(row, ["mark_revisions", "amendments"])
    known = {revision.sha256 for revision in row.mark_revisions}
    if document.name in known:
        return False
    if record.parent is not None and record.parent not in known:
        raise InputError(where, f"amends {record.parent[:ID_DIGITS]}", "marks that are there already")
    check_reason(f"{where}, author", record.author, "who amended the marks")
    check_reason(f"{where}, reason", record.reason, "why the marks were amended")
    spans = [
        sessions_read.to_session(row, None, amendment=sha256).mounting.tank.span_mm
        for sha256 in (None, *(amendment.sha256 for amendment in row.amendments))
    ]
    check_marks(where, record.marks, row.frames, max(spans))
    revision = tables.MarkRevisionRow(
        session=row,
        sha256=document.name,
        parent_sha256=record.parent,
        author=record.author,
        reason=record.reason,
        body=canonical_json(marks_content(record.marks)),
    )
    taking.orm.add(revision)
    taking.orm.flush()
    taking.marked.add((row.sha256, record.parent))
    return True


def trim(taking: Taking, parcel: Parcel) -> bool:
    """A trim, by its hash."""
    document = parcel.document
    where, facts = taking.where(document), document.facts
    same = select(tables.TrimRow.sequence).where(tables.TrimRow.sha256 == document.name)
    if taking.may_be_here(parcel.offered) and taking.orm.scalar(same):
        return False
    record = record_of(document, taking.known)
    check_trim(record)
    check_day(f"{where}, date", record.date)
    captured = None if record.session is None else taking.session(where, record.session)
    if record.amendment is not None and record.amendment not in (
        {} if captured is None else {known.sha256 for known in captured.amendments}
    ):
        raise InputError(where, f"refers to amendment {record.amendment[:ID_DIGITS]}", "one that is there")
    row = tables.TrimRow(
        sha256=document.name,
        unit=taking.known.row(where, tables.UnitRow, facts["unit"]),
        mounting=taking.known.row(where, tables.MountingRow, facts["mounting"]),
        session=captured,
        kind=record.kind.value,
        stage=record.stage,
        date=record.date,
        temperature_c=record.temperature_c,
        body=canonical_json(trim_content(record)),
        note=record.note,
    )
    taking.orm.add(row)
    taking.orm.flush()
    return True


def unit_assignment(taking: Taking, parcel: Parcel) -> bool:
    """Of which unit an object is, whose own hash names the unit by its name only."""
    document = parcel.document
    facts = facts_of(document, object=str, unit=str)
    where = f"unit of {facts['object'][:ID_DIGITS]}"
    earlier: Sequence[tables.UnitAssignmentRow] = ()
    if not taking.is_unassigned(facts["object"]):
        of_object = tables.UnitAssignmentRow.object_sha256 == facts["object"]
        earlier = taking.orm.scalars(select(tables.UnitAssignmentRow).where(of_object)).all()
    if document.name in {event.record_sha256 for event in earlier}:
        return False
    taking.known.row(where, tables.UnitRow, facts["unit"])
    is_session = _is_session(taking, where, facts["object"])
    taking.unsettle()
    said = {"object_sha256": facts["object"], "identity": facts["unit"]}
    marked = {"hashed_by_upgrade": True} if parcel.hashed_by_upgrade else {}
    same_hash(where, facts_sha256("unit_assignment", said | marked), document)
    taking.orm.add(tables.UnitAssignmentRow(**said, record_sha256=document.name))
    taking.orm.flush()
    if earlier and is_session and not taking.merging:
        _refuse_contested(taking, taking.session(where, facts["object"]))
    return True


def _is_session(taking: Taking, where: str, sha256: str) -> bool:
    """Whether this is the hash of a session, and no trim's; InputError where neither is here."""
    if taking.came_in("session", sha256):
        return True
    if taking.came_in("trim", sha256):
        return False
    objects = (
        select(tables.SessionRow.id).where(tables.SessionRow.sha256 == sha256),
        select(tables.TrimRow.sequence).where(tables.TrimRow.sha256 == sha256),
    )
    captured, taken = map(taking.orm.scalar, objects)
    if captured is None and taken is None:
        raise InputError(where, "is not here", "a session or trim that is there already")
    return captured is not None


def _refuse_contested(taking: Taking, captured: tables.SessionRow) -> None:
    """A session of two units must not be learnt from."""
    taking.settle()
    contested = dict(units.contested(taking.orm)).get(captured.sha256)
    if contested is not None and voiding_read.void_reason(captured) is None:
        raise contested_session(
            taking,
            captured.sha256,
            contested,
            "say with Store.unite_units that they are one sample, or void it: its board stood still",
            "Store.unite_units",
        )


def unit_union(taking: Taking, parcel: Parcel) -> bool:
    """That two units are one, or that this was taken back."""
    document = parcel.document
    facts = facts_of(document, unit=str, other=str, reason=str, parent_=str, takes_back=bool)
    where = f"union of units {facts['unit'][:ID_DIGITS]} and {facts['other'][:ID_DIGITS]}"
    both = (tables.UnitUnionRow.identity == facts["unit"], tables.UnitUnionRow.other == facts["other"])
    earlier = {
        event.record_sha256: event for event in taking.orm.scalars(select(tables.UnitUnionRow).where(*both))
    }
    if document.name in earlier:
        return False
    for identity in (facts["unit"], facts["other"]):
        taking.known.row(where, tables.UnitRow, identity)
    check_reason(f"{where}, reason", facts["reason"], "how somebody knows that they are one")
    followed = earlier.get(facts["parent"])
    if (facts["parent"] is not None or facts["takes_back"]) and (
        followed is None or bool(followed.takes_back) == facts["takes_back"]
    ):
        raise InputError(where, f"follows {str(facts['parent'])[:ID_DIGITS]}", "an event that it can follow")
    event = tables.UnitUnionRow(
        identity=facts["unit"],
        other=facts["other"],
        reason=facts["reason"],
        parent_sha256=facts["parent"],
        takes_back=facts["takes_back"] or None,
    )
    keep(taking.orm, event)
    same_hash(where, event.record_sha256, document)
    taking.unsettle()
    return True
