"""Objects as documents: what one store can hand to another, in canonical JSON.

Each object has a *name*, the hash that others refer to it by, and a *document*, which says all of it. What
was released with a hash keeps that for its name; a registry entry is named by what it is, without a note
where stores may note different things about one entry. The hash of a document changes with any of its fields,
its name only with those that make it what it is. Numbers that a store counts itself, such as revisions, are
in neither.

What refers to another object does so by that object's name, so that documents are read in order of reference:
``known`` then holds what was read. Frames and bytes travel beside documents, which hold their hashes.
"""

from __future__ import annotations

import hashlib
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from enum import Enum
from functools import cache
from typing import Any

from dataset.canonical import (
    amendment_content,
    amendment_from,
    amendment_sha256,
    canonical_json,
    columns_content,
    conditions_content,
    conditions_from,
    frozen_sha256,
    limits_sha256,
    mark_revision_sha256,
    marks_content,
    marks_from,
    model_sha256,
    opening_sha256,
    session_sha256,
    sha256,
    trim_sha256,
    unit_sha256,
)
from dataset.errors import InputError
from dataset.records import (
    ID_DIGITS,
    Bench,
    BoardMeasurement,
    Budget,
    CheckMeasurement,
    CheckStandard,
    ColumnMapping,
    Frames,
    FrozenSet,
    GroupBy,
    Instrument,
    Limits,
    Liquid,
    Mark,
    MarkRevision,
    Model,
    Mounting,
    NewSession,
    Operator,
    Restatement,
    RetirementEvent,
    Role,
    Sensor,
    Session,
    SessionAmendment,
    StatusEvent,
    Stretch,
    TagEvent,
    Tank,
    Trim,
    Unit,
    VoidEvent,
)

FORMAT = 1
Content = dict[str, Any]
Known = Mapping[str, Any]  # what was read already, by its name


@dataclass(frozen=True)
class Document:
    """An object as JSON. ``name`` is the hash by which other documents refer to it."""

    kind: str
    name: str
    facts: Content

    @property
    def text(self) -> str:
        """Its canonical bytes, as text."""
        return canonical_json({"kind": self.kind, "format": FORMAT, "name": self.name, "facts": self.facts})

    @property
    def sha256(self) -> str:
        """The hash of all of it."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def document_from(content: object) -> Document:
    """The document in parsed JSON, whatever the order of its keys; InputError when it is none."""
    keys = {"kind", "format", "name", "facts"}
    if not isinstance(content, dict) or content.keys() != keys or not isinstance(content["facts"], dict):
        raise InputError("document", "other keys", ", ".join(sorted(keys)))
    if content["format"] != FORMAT or not all(isinstance(content[key], str) for key in ("kind", "name")):
        raise InputError("document", "another form", f"format {FORMAT}, a kind and a name")
    return Document(content["kind"], content["name"], content["facts"])


# -- what is registered --------------------------------------------------------------------------------------


def document_of(record: Registered) -> Document:
    """The document of an entry of the registry, of a trim or of what a board measured."""
    entry = _ENTRIES[type(record)]
    return Document(entry.kind, entry.name(record), entry.facts(record))


def record_of(document: Document, known: Known) -> Any:
    """The record that :func:`document_of` wrote, as it goes into a store: with revision 0 and no hash.

    Raises:
        InputError: another kind, facts that the kind does not have, a name that is not that of the facts, or
            an object that is not known.
    """
    where = f"{document.kind} {document.name[:ID_DIGITS]}"
    entry = next((entry for entry in _ENTRIES.values() if entry.kind == document.kind), None)
    if entry is None:
        raise InputError(
            where, "is of another kind", "one of " + ", ".join(e.kind for e in _ENTRIES.values())
        )
    record = entry.read(where, document.facts, known)
    _check_name(where, entry.name(record), document.name)
    return record


@dataclass(frozen=True)
class _Entry:
    """How records of a kind become documents and come back. ``beside`` are fields that may differ from store
    to store, or that a name of before did not cover.
    """

    kind: str
    record: type
    beside: tuple[str, ...] = ("note",)
    named: Callable[[Any], str] | None = None  # how it was named before there were documents
    left_out: tuple[str, ...] = ()

    def facts(self, record: Any) -> Content:
        return _facts(record, self.left_out)

    def name(self, record: Any) -> str:
        if self.named is not None:
            return self.named(record)
        facts = {key: fact for key, fact in self.facts(record).items() if key not in self.beside}
        return sha256({"kind": self.kind, "format": FORMAT, "facts": facts})

    def read(self, where: str, facts: Content, known: Known) -> Any:
        return _record(where, self.record, facts, known)


class _UnitEntry(_Entry):
    """A unit goes by what its bench of origin calls it, not by what a store or a set does."""

    def facts(self, record: Unit) -> Content:
        stated = {"name": record.origin_name, "bench": record.bench, "note": record.note}
        return stated | ({} if record.serial is None else {"serial": record.serial})


class _TrimEntry(_Entry):
    """A trim is of the unit that its hash names."""

    def facts(self, record: Trim) -> Content:
        return super().facts(record) | {"unit": unit_sha256(record.sealed_unit or record.unit)}


def _bench_name(bench: Bench) -> str:
    return sha256({"kind": "bench", "format": FORMAT, "identity": bench.identity})


_ENTRIES: dict[type, _Entry] = {
    entry.record: entry
    for entry in (
        _Entry("bench", Bench, named=_bench_name, left_out=("own",)),
        _Entry("operator", Operator),
        _Entry("instrument", Instrument, beside=()),
        _Entry("tank", Tank, beside=()),
        _Entry("liquid", Liquid),
        _Entry("sensor", Sensor, beside=()),
        _Entry("mounting", Mounting),
        _Entry("check standard", CheckStandard, beside=()),
        _Entry("check measurement", CheckMeasurement, beside=()),
        _UnitEntry("unit", Unit, named=unit_sha256),
        _Entry("budget", Budget),
        _Entry("mapping", ColumnMapping, beside=()),
        _Entry("limits", Limits, named=limits_sha256, left_out=("signer",)),
        _TrimEntry("trim", Trim, named=trim_sha256, left_out=("sha256", "sealed_unit")),
        _Entry("board measurement", BoardMeasurement, beside=()),  # its model by what the store calls it,
    )
}
Registered = (
    Bench
    | Operator
    | Instrument
    | CheckStandard
    | CheckMeasurement
    | Tank
    | Liquid
    | Sensor
    | Mounting
    | Unit
    | Budget
    | ColumnMapping
    | Limits
    | Trim
    | BoardMeasurement
)
_REFERRED = (Tank, Sensor, Liquid, Mounting, Unit, CheckStandard)  # stand in other documents by their names


def name_of(record: Any) -> str:
    """The hash by which documents refer to a registered record."""
    return _ENTRIES[type(record)].name(record)


# -- what was captured ---------------------------------------------------------------------------------------


_SESSION = (
    *("unit", "liquid", "mounting", "note", "simulated", "occasion", "instruments", "source", "warnings"),
)


def session_document(session: Session, frames: Frames) -> Document:
    """A session as it was sealed; its frames travel beside it, their columns by hashes in it. What was found
    at the door, and where the readings came from, are in the document and not in its name.
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
            "occasion": _facts(session.occasion),
            "instruments": list(session.instruments),
            "source": _facts(session.source),
            "warnings": [_facts(warning) for warning in session.warnings],
            "columns": columns_content(frames),
        },
    )


def session_from(document: Document, frames: Frames, known: Known) -> NewSession:
    """A session on its way into a store. InputError when the frames are others, or the name is not that of
    the content.
    """
    where = f"session {document.name[:ID_DIGITS]}"
    _expect(where, "session", document)
    facts = _exactly(where, document.facts, *_SESSION, "marks", "stretches", "columns")
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
    _check_name(where, session_sha256(session, frames), document.name)
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
    _expect(where, "mark revision", document)
    facts = _exactly(where, document.facts, "session", "parent", "author", "reason", "marks")
    session, parent, author, reason, content = facts.values()
    try:
        marks: tuple[Mark, ...] = marks_from(content)
    except (TypeError, ValueError) as error:
        raise InputError(where, "marks that cannot be", "those of a session") from error
    _check_name(where, mark_revision_sha256(session, parent, author, reason, marks), document.name)
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
    _expect(where, "amendment", document)
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
    _check_name(where, hashed, document.name)
    return amendment


def event_document(
    kind: str, about: str, event: VoidEvent | TagEvent | RetirementEvent | StatusEvent
) -> Document:
    """What was said of an object of name ``about``: that a session is void or can be used after all, that it
    has a tag or has it no longer, that something registered is out of use or in use again, what a model is.
    Its name is the hash of its record.
    """
    what = {RetirementEvent: "object", StatusEvent: "model"}.get(type(event), "session")
    return Document(kind, event.sha256, {what: about} | _facts(event, ("sha256",)))


def unit_event_document(kind: str, sha256: str, **facts: str | bool | None) -> Document:
    """Of which unit an object is, that two units are one, or that this was taken back. Its name is the hash
    of its record.
    """
    return Document(kind, sha256, {key: fact for key, fact in facts.items() if fact is not None})


# -- what was made of it -------------------------------------------------------------------------------------


def frozen_document(frozen: FrozenSet) -> Document:
    """A frozen set: its sessions with their amendments and the revisions of their marks, and what the set
    calls their groups.
    """
    grouped = frozen.group_by in (GroupBy.UNIT, GroupBy.TANK)
    return Document(
        "frozen set",
        frozen.sha256,
        {
            "name": frozen.name,
            "group_by": frozen.group_by.value,
            "roles": {group: role.value for group, role in frozen.roles},
            "sessions": [
                {"session": s.sha256}
                | ({} if s.mark_revision is None else {"mark_revision": s.mark_revision})
                | ({} if s.amendment is None else {"amendment": s.amendment})
                | ({"group": s.tank_group or s.unit.name} if grouped else {})
                for s in frozen.sessions
            ],
            "trims": [trim.sha256 for trim in frozen.trims],
            "seed": frozen.seed,
            "edges_c": [float(edge) for edge in frozen.edges_c],
            "even_if_warned": frozen.even_if_warned,
            "named_by_content": frozen.named_by_content,
        },
    )


def check_frozen(document: Document, frozen: FrozenSet) -> None:
    """InputError unless a set is the one of a document: its hash covers sessions, labels, groups, roles,
    trims and edges.
    """
    where = f"frozen set {document.name[:ID_DIGITS]}"
    actual = frozen_sha256(
        frozen.group_by,
        dict[str, Role](frozen.roles),
        frozen.sessions,
        frozen.trims,
        frozen.edges_c,
        frozen.named_by_content,
    )
    _check_name(where, actual, document.name)
    _check_name(where, frozen_document(frozen).sha256, document.sha256)


def opening_document(
    frozen_set: str, name: str, purpose: str, parents: tuple[str, ...], number: int | None = None
) -> Document:
    """That the prove groups of a set, by its hash, were looked at; ``parents`` are the openings before it."""
    facts = {"frozen_set": frozen_set, "set_name": name, "purpose": purpose, "parents": list(parents)}
    return Document(
        "opening",
        opening_sha256(frozen_set, name, purpose, parents, number),
        facts if number is None else facts | {"number": number},
    )


def model_document(model: Model) -> Document:
    """A model whole. Its name covers everything but what it and its parent are called, so that two models of
    one program are two; the bytes of its float ONNX travel beside it.
    """
    limits = model.limits
    return Document(
        "model",
        model_sha256(model),
        {
            "called": model.name,
            "parent": model.parent,
            "digest": model.sha256,
            "frozen_set": model.frozen.sha256,
            "set_name": model.frozen.name,
            "limits": None if limits is None else {"limits": name_of(limits), "signer": limits.signer},
            **{what: getattr(model, what) for what in ("program", "metrics", "recipe", "versions")},
            "float_onnx": hashlib.sha256(model.float_onnx).hexdigest(),
        },
    )


def model_from(document: Document, frozen: FrozenSet, limits: Limits | None, float_onnx: bytes) -> Model:
    """The model; InputError when its name is not that of its facts, set, limits and bytes."""
    where = f"model {document.name[:ID_DIGITS]}"
    _expect(where, "model", document)
    texts = ("program", "metrics", "recipe", "versions")
    others = ("frozen_set", "set_name", "limits", "float_onnx")
    facts = _exactly(where, document.facts, "called", "parent", "digest", *others, *texts)
    model = Model(
        facts["called"],
        facts["digest"],
        frozen,
        limits,
        facts["recipe"],
        facts["versions"],
        facts["metrics"],
        facts["program"],
        float_onnx,
        facts["parent"],
    )
    _check_name(where, model_sha256(model), document.name)
    _check_name(where, model_document(model).sha256, document.sha256)
    return model


def sign_off_document(limits: Limits) -> Document:
    """That somebody answers for limits: who, and for which."""
    facts = {"limits": name_of(limits), "signer": limits.signer}
    return Document("sign-off", sha256({"kind": "sign-off", "format": FORMAT, "facts": facts}), facts)


def bundle_document(model: str, bundle_sha256: str, files: Mapping[str, str]) -> Document:
    """What an export wrote of a model (by the name of its document): files by the hashes of their bytes."""
    return Document("bundle", bundle_sha256, {"model": model, "files": dict(files)})


# -- records and JSON ----------------------------------------------------------------------------------------


def _facts(record: Any, left_out: tuple[str, ...] = ()) -> Content:
    """The fields of a record that differ from their defaults, so that a later field changes no hash; a
    revision is none of them.
    """
    kind: type = type(record)
    hints = _hints(kind)
    return {
        field.name: _json(hints[field.name], value)
        for field in fields(record)
        if field.name not in (*left_out, "revision")
        and (value := getattr(record, field.name)) is not None
        and (field.default is MISSING or value != field.default)
    }


def _json(hint: Any, value: Any) -> Any:
    """A value as JSON; 100 and 100.0, and both zeros, are one where the field holds a real number."""
    hint = _stated(hint)
    if isinstance(value, _REFERRED):
        return name_of(value)
    if is_dataclass(value) and not isinstance(value, type):
        return _facts(value)
    if isinstance(value, tuple):
        return [_json(typing.get_args(hint)[0], item) for item in value]
    if isinstance(value, Enum):
        return value.value
    return float(value) + 0.0 if hint is float else value


def _record(where: str, kind: type, facts: object, known: Known) -> Any:
    """The record of these facts; those that are not there have their defaults, a revision is 0."""
    if not isinstance(facts, dict):
        raise InputError(where, "no facts", "an object of facts")
    hints = _hints(kind)
    if unknown := facts.keys() - hints.keys() - {"revision"}:
        raise InputError(where, f"a key {min(unknown)!r}", "facts of its kind")
    read = {key: _value(f"{where}, {key}", hints[key], value, known) for key, value in facts.items()}
    try:
        return kind(**read | ({"revision": 0} if "revision" in hints else {}))
    except TypeError as error:
        raise InputError(where, "facts are missing", "all that have no default") from error


@cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _stated(hint: Any) -> Any:
    """What a field holds where it holds anything."""
    if isinstance(hint, types.UnionType):
        return next(arm for arm in typing.get_args(hint) if arm is not types.NoneType)
    return hint


def _value(where: str, hint: Any, value: Any, known: Known) -> Any:
    hint = _stated(hint)
    if hint in _REFERRED:
        if not isinstance(value, str) or not isinstance(known.get(value), hint):
            raise InputError(where, f"refers to {str(value)[:ID_DIGITS]}", "an object that is there already")
        return known[value]
    if typing.get_origin(hint) is tuple:
        if not isinstance(value, list):
            raise InputError(where, "no list", "a list")
        item = typing.get_args(hint)[0]
        return tuple(_value(where, item, one, known) for one in value)
    if isinstance(hint, type) and issubclass(hint, Enum):
        if value not in {member.value for member in hint}:
            raise InputError(where, repr(value)[:80], "one of " + ", ".join(str(m.value) for m in hint))
        return hint(value)
    if is_dataclass(hint):
        return _record(where, typing.cast(type, hint), value, known)
    right = type(value) in (int, float) if hint is float else type(value) is hint
    if not right:
        raise InputError(where, repr(value)[:80], f"a value of type {hint.__name__}")
    return float(value) if hint is float else value


def _exactly(where: str, facts: Content, *keys: str) -> Content:
    """The facts in the order of ``keys``; InputError unless these are all."""
    if facts.keys() != set(keys):
        raise InputError(where, "other facts", ", ".join(keys))
    return {key: facts[key] for key in keys}


def _expect(where: str, kind: str, document: Document) -> None:
    if document.kind != kind:
        raise InputError(where, f"is a {document.kind}", f"a {kind}")


def _check_name(where: str, actual: str, name: str) -> None:
    if actual != name:
        raise InputError(where, f"its content hashes to {actual[:ID_DIGITS]}", name[:ID_DIGITS])
