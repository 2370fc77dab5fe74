"""Reads what ``dataset.text.write`` writes: strictly, a fault named by file, table or line."""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from enum import Enum
from typing import Any, TypeVar

from dataset.admission import rules
from dataset.canonical import mark_revision_sha256
from dataset.canonical_text import canonical_json
from dataset.errors import InputError, quoted
from dataset.records import (
    Budget,
    ColumnMapping,
    Limits,
    Liquid,
    Mark,
    MarkRevision,
    Mounting,
    Operator,
    Sensor,
    Tank,
    Unit,
)
from dataset.text.write import (
    LABEL,
    MARK_COLUMNS,
    REGISTRY,
    REVISION_COLUMNS,
    REVISIONS,
    SEALED,
    Registry,
    marks_file,
    unguarded,
)
from dataset.values import plain_float
from dataset.words import counted

MOST_CHARACTERS = 50_000_000  # of one file
_DIGEST = re.compile(r"[0-9a-f]{64}")
_WHOLE = re.compile(r"[0-9]{1,15}")
_KINDS: Mapping[str, type] = {
    "tanks": Tank,
    "liquids": Liquid,
    "sensors": Sensor,
    "mountings": Mounting,
    "units": Unit,
    "operators": Operator,
    "budgets": Budget,
    "limits": Limits,
    "mappings": ColumnMapping,
}
_CHECKS: Mapping[type, Any] = {
    Tank: rules.check_tank,
    Liquid: rules.check_liquid,
    Sensor: rules.check_sensor,
    Mounting: rules.check_mounting,
    Unit: rules.check_unit,
    Operator: rules.check_operator,
    Budget: rules.check_budget,
    Limits: rules.check_limits,
    ColumnMapping: rules.check_mapping,
}
R = TypeVar("R")


@dataclass(frozen=True)
class TextContent:
    """What a folder of text holds: the registry, later revisions of marks in order, and by the session's id
    its marks as sealed.
    """

    registry: Registry
    revisions: tuple[MarkRevision, ...]
    sealed: Mapping[str, tuple[Mark, ...]]


def read_text(files: Mapping[str, str]) -> TextContent:
    """Read the files of a folder, by path; one that is missing holds nothing.

    Raises InputError for the first fault: no TOML or CSV, a key or value that cannot be, marks that do not
    have their hash.
    """
    for name, text in files.items():
        if len(text) > MOST_CHARACTERS:
            raise InputError(name, f"{len(text)} characters", f"at most {MOST_CHARACTERS}")
    records: dict[str, Any] = {}
    for kind in REGISTRY:
        records[kind] = _records(f"{kind}.toml", kind, files.get(f"{kind}.toml", ""), records)
    headers = read_csv(REVISIONS, files.get(REVISIONS, ""), REVISION_COLUMNS)
    marks = {name: _marks(name, files[name]) for name in sorted(files) if name.startswith("marks/")}
    revisions = tuple(_revision(where, row, marks) for where, row in headers)
    _refuse_unclaimed(marks, {(marks_file(revision.session), revision.sha256) for revision in revisions})
    sealed = {
        name.removeprefix("marks/").removesuffix(".csv"): tuple(by_revision.get(SEALED, ()))
        for name, by_revision in marks.items()
    }
    return TextContent(Registry(**records), revisions, sealed)


def _refuse_unclaimed(marks: Mapping[str, Mapping[str, object]], claimed: set[tuple[str, str]]) -> None:
    for name, by_revision in marks.items():
        for revision in by_revision:
            if revision != SEALED and (name, revision) not in claimed:
                raise InputError(
                    name,
                    f"revision {revision[:12]}",
                    f"only revisions that {REVISIONS} lists for this session",
                )


# -- TOML ----------------------------------------------------------------------------------------------------


def _records(where: str, kind: str, text: str, earlier: Mapping[str, Any]) -> tuple[Any, ...]:
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(where, f"is not TOML ({error})", "a table for each record") from error
    except ValueError as error:  # a whole number of more digits than Python turns into one
        raise InputError(where, f"a value that cannot be ({error})", "a table for each record") from error
    records: tuple[Any, ...] = tuple(
        _labelled(where, _KINDS[kind], label, table, earlier) for label, table in content.items()
    )
    for k, record in enumerate(records):
        _CHECKS[type(record)](record)
        if hasattr(record, "revision"):
            before = sum(other.name == record.name for other in records[:k])
            if record.revision != before + 1:
                raise InputError(
                    f"{where}, {record.name}",
                    f"revision {record.revision}",
                    f"{before + 1}: revisions stand in order, from 1",
                )
    return records


def _labelled(where: str, kind: type[R], label: str, table: object, earlier: Mapping[str, Any]) -> R:
    """The record of a table called ``name`` or, where the kind has revisions, ``name@revision``."""
    where = f"{where}, [{label[:80]}]"
    if not isinstance(table, dict) or any(key in LABEL for key in table):
        raise InputError(
            where,
            "no table, or one with a name or revision in it",
            "a table called by name, or by name@revision",
        )
    name, _, number = label.rpartition("@") if "revision" in _hints(kind) else (label, "", "")
    if number and not _WHOLE.fullmatch(number):
        raise InputError(where, repr(number[:80]), "a revision as in name@2")
    return _record(
        where, kind, {"name": name, **({"revision": int(number)} if number else {}), **table}, earlier
    )


def _record(where: str, kind: type[R], table: object, earlier: Mapping[str, Any]) -> R:
    if not isinstance(table, dict):
        raise InputError(where, "no table", "a table of facts")
    hints, known = _hints(kind), {field.name: field for field in fields(kind)}  # type: ignore[arg-type]  # kinds are dataclasses; cells have their hint
    for key in table:
        if key not in known:
            raise InputError(where, f"a key {key!r}", "only " + ", ".join(known))
    for name, field in known.items():
        if name not in table and field.default is MISSING and field.default_factory is MISSING:
            raise InputError(where, f"no key {name}", "every fact that has no default")
    return kind(
        **{key: _value(f"{where}, {key}", hints[key], value, earlier, key) for key, value in table.items()}
    )


def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _value(where: str, hint: Any, value: object, earlier: Mapping[str, Any], key: str) -> Any:
    if isinstance(hint, types.UnionType):
        hint = next(arm for arm in typing.get_args(hint) if arm is not types.NoneType)
    if hint in (Tank, Sensor):
        return _referred(where, hint, value, earlier)
    if typing.get_origin(hint) is tuple:
        if not isinstance(value, list):
            raise InputError(where, json.dumps(value, default=str)[:80], "a list")
        return tuple(
            _value(f"{where} {k}", typing.get_args(hint)[0], item, earlier, key)
            for k, item in enumerate(value, start=1)
        )
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _member(where, hint, value)
    if hint not in (str, int, float, bool):
        return _record(where, hint, value, earlier)
    right = isinstance(value, int | float) if hint is float else isinstance(value, hint)
    if not right or (isinstance(value, bool) and hint is not bool):
        raise InputError(
            where,
            json.dumps(value, default=str)[:80],
            {str: "text", int: "a whole number", float: "a number", bool: "true or false"}[hint],
        )
    if isinstance(value, int) and abs(value) > 2**53:
        raise InputError(where, "a number of many digits", "at most 2^53")
    return _profile(where, str(value)) if key == "profile" else float(value) if hint is float else value  # type: ignore[arg-type]  # kinds are dataclasses; cells have their hint


def _member(where: str, kind: type[Enum], value: object) -> Enum:
    for member in kind:
        if member.value == value:
            return member
    raise InputError(
        where,
        json.dumps(value, default=str)[:80],
        "one of " + ", ".join(str(member.value) for member in kind),
    )


def _referred(where: str, kind: type, value: object, earlier: Mapping[str, Any]) -> Any:
    for record in earlier["tanks" if kind is Tank else "sensors"]:
        if record.ref == value:
            return record
    raise InputError(
        where,
        json.dumps(value, default=str)[:80],
        f"NAME@REVISION of a {kind.__name__.lower()} that stands in its file",
    )


def _profile(where: str, text: str) -> str:
    try:
        return canonical_json(json.loads(text))
    except (ValueError, RecursionError) as error:
        raise InputError(where, "is not JSON", "a tank's profile as it was written") from error


# -- CSV -----------------------------------------------------------------------------------------------------


def read_csv(where: str, text: str, columns: Sequence[str]) -> list[tuple[str, dict[str, str | None]]]:
    """The lines of a file that :func:`dataset.text.write.write_csv` wrote: where each stands,
    and its cells.
    """
    if not text:
        return []
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as error:
        raise InputError(
            where, f"is not CSV ({error})", "a line of column names and one line each"
        ) from error
    rows = [row for row in rows if row]
    if not rows or tuple(rows[0]) != tuple(columns):
        raise InputError(where, "other columns", ", ".join(columns))
    placed: list[tuple[str, dict[str, str | None]]] = []
    for k, row in enumerate(rows[1:], start=1):
        if len(row) != len(columns):
            raise InputError(f"{where}, record {k}", counted(len(row), "cell"), f"{len(columns)}")
        placed.append(
            (
                f"{where}, record {k}",
                {column: unguarded(cell) for column, cell in zip(columns, row, strict=True)},
            )
        )
    return placed


def _marks(name: str, text: str) -> dict[str, list[Mark]]:
    """By revision: its marks, in order."""
    by_revision: dict[str, list[Mark]] = {}
    for where, cells in read_csv(name, text, MARK_COLUMNS):
        level, u_mm, u_common_mm, level_stop_mm = (
            _number(f"{where}, {column}", cells[column]) for column in MARK_COLUMNS[3:7]
        )
        if level is None:
            raise InputError(f"{where}, level_mm", "an empty cell", "a number")
        start, stop = (_whole(f"{where}, {column}", cells[column]) for column in MARK_COLUMNS[1:3])
        mark = Mark(start, stop, level, u_mm, u_common_mm, level_stop_mm, cells["method"])
        by_revision.setdefault(cells["revision"] or "", []).append(mark)
    return by_revision


def _revision(
    where: str, row: Mapping[str, str | None], marks: Mapping[str, Mapping[str, Sequence[Mark]]]
) -> MarkRevision:
    sha256, session, parent = row["sha256"] or "", row["session"] or "", row["parent"]
    for digest in (sha256, session, *([] if parent is None else [parent])):
        if not _DIGEST.fullmatch(digest):
            raise InputError(where, quoted(digest[:70]), "a SHA-256 in hex")
    own = tuple(marks.get(marks_file(session), {}).get(sha256, ()))
    hashed = mark_revision_sha256(session, parent, row["author"] or "", row["reason"] or "", own)
    if hashed != sha256:
        hint = "a revision never changes; amend the marks with Store.amend_marks instead"
        raise InputError(
            where,
            f"the revision and its marks in {marks_file(session)} hash to {hashed[:12]}",
            sha256[:12],
            hint,
            fields=("Store.amend_marks",),
        )
    return MarkRevision(sha256, session, parent, row["author"] or "", row["reason"] or "", own)


def _number(where: str, cell: str | None) -> float | None:
    if cell is None:
        return None
    try:
        value = plain_float(cell)
    except ValueError as error:
        raise InputError(where, repr(cell[:80]), "a number") from error
    if value - value != 0:
        raise InputError(where, repr(cell[:80]), "a finite number")
    return value


def _whole(where: str, cell: str | None) -> int:
    if cell is None or not _WHOLE.fullmatch(cell):
        raise InputError(where, repr((cell or "")[:80]), "a whole number")
    return int(cell)
