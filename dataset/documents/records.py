"""Entries of the registry, trims and measurements as documents; what all documents are made of."""

from __future__ import annotations

import hashlib
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from enum import Enum
from functools import cache
from typing import Any

from dataset.canonical import limits_sha256, trim_sha256, unit_sha256
from dataset.canonical_text import canonical_json, sha256
from dataset.errors import InputError
from dataset.records import (
    ID_DIGITS,
    Bench,
    BoardMeasurement,
    Budget,
    CheckMeasurement,
    CheckStandard,
    ColumnMapping,
    Instrument,
    Limits,
    Liquid,
    Mounting,
    Operator,
    Sensor,
    Tank,
    Trim,
    Unit,
)

FORMAT = 1
_NAME = 64  # hexadecimal digits
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
    check_hash(where, entry.name(record), document.name)
    again = replace(document, facts=entry.facts(record) | _known_otherwise(record, document, known))
    if again.text != document.text:
        raise InputError(where, "facts that its kind does not have, or in another form", "those of its kind")
    return record


def _known_otherwise(record: Any, document: Document, known: Known) -> Content:
    """References by names that are others than those which what is known under them has of its own."""
    names = {
        key: name for key, name in document.facts.items() if isinstance(name, str) and len(name) == _NAME
    }
    return {key: name for key, name in names.items() if known.get(name) == getattr(record, key, known)}


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
        return facts_of(record, self.left_out)

    def name(self, record: Any) -> str:
        if self.named is not None:
            return self.named(record)
        facts = {key: fact for key, fact in self.facts(record).items() if key not in self.beside}
        return sha256({"kind": self.kind, "format": FORMAT, "facts": facts})

    def read(self, where: str, facts: Content, known: Known) -> Any:
        return facts_from(where, self.record, facts, known)


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


def facts_of(record: Any, left_out: tuple[str, ...] = ()) -> Content:
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
        return facts_of(value)
    if isinstance(value, tuple):
        return [_json(typing.get_args(hint)[0], item) for item in value]
    if isinstance(value, Enum):
        return value.value
    return float(value) + 0.0 if hint is float else value


def facts_from(where: str, kind: type, facts: object, known: Known) -> Any:
    """The record of these facts; those that are not there have their defaults, a revision is 0."""
    if not isinstance(facts, dict):
        raise InputError(where, "no facts", "an object of facts")
    hints = _hints(kind)
    if unknown := facts.keys() - hints.keys() - {"revision"}:
        raise InputError(where, f"a key {min(unknown)!r}", "facts of its kind")
    # of those without a default, what is None was left out
    read: dict[str, Any] = {
        field.name: None
        for field in fields(kind)
        if field.default is MISSING and types.NoneType in typing.get_args(hints[field.name])
    }
    read |= {key: _value(f"{where}, {key}", hints[key], value, known) for key, value in facts.items()}
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
        if not isinstance(value, str) or value not in {member.value for member in hint}:
            raise InputError(where, repr(value)[:80], "one of " + ", ".join(str(m.value) for m in hint))
        return hint(value)
    if is_dataclass(hint):
        return facts_from(where, typing.cast(type, hint), value, known)
    right = type(value) in (int, float) if hint is float else type(value) is hint
    if not right:
        raise InputError(where, repr(value)[:80], f"a value of type {hint.__name__}")
    return float(value) if hint is float else value


def exactly(where: str, facts: Content, *keys: str) -> Content:
    """The facts in the order of ``keys``; InputError unless these are all."""
    if facts.keys() != set(keys):
        raise InputError(where, "other facts", ", ".join(keys))
    return {key: facts[key] for key in keys}


def expect_kind(where: str, kind: str, document: Document) -> None:
    if document.kind != kind:
        raise InputError(where, f"is a {document.kind}", f"a {kind}")


def check_hash(where: str, actual: str, name: str) -> None:
    if actual != name:
        raise InputError(where, f"its content hashes to {actual[:ID_DIGITS]}", name[:ID_DIGITS])
