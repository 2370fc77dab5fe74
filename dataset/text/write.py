"""Registry, limits and marks as plain text that diffs well: in TOML a table for each record, called name or
name@revision, in CSV a line for each mark. Frames stay in the store.

    tanks.toml liquids.toml sensors.toml mountings.toml units.toml operators.toml budgets.toml limits.toml
    mappings.toml
    sessions.csv              a line each: hash, unit, liquid, mounting, frames, source, note, why it is void,
                              operator, bench, start, firmware, tags; to read only
    mark_revisions.csv        a line each: its hash, session, the revision it amends, author, reason
    marks/<session id>.csv    a line each: the revision ('sealed' or its hash), frames, level, uncertainties,
                              method

    retirements.csv unit_unions.csv amendments.csv    see dataset.text.events

Records are sorted by name and revision, sessions and revisions by hash (an amended revision before the one
that amends it), numbers are written so that they read back equal. A text cell in CSV that a spreadsheet would
take for a formula has an apostrophe before it.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import Enum
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from dataset.records import (
    ID_DIGITS,
    Budget,
    ColumnMapping,
    Limits,
    Liquid,
    Mark,
    MarkRevision,
    Mounting,
    Operator,
    Pad,
    Sensor,
    Session,
    Tank,
    Unit,
)

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

REGISTRY = (
    "tanks",
    "liquids",
    "sensors",
    "mountings",
    "units",
    "operators",
    "budgets",
    "limits",
    "mappings",
)  # in the order they are read back
SESSIONS, REVISIONS, MARKS = "sessions.csv", "mark_revisions.csv", PurePosixPath("marks")
SESSION_COLUMNS = (
    *("sha256", "unit", "liquid", "mounting", "frames", "simulated", "source", "note", "void"),
    *("operator", "bench", "started", "firmware", "tags"),
)
REVISION_COLUMNS = ("sha256", "session", "parent", "author", "reason")
MARK_COLUMNS = ("revision", "start", "stop", "level_mm", "u_mm", "u_common_mm", "level_stop_mm", "method")
SEALED = "sealed"
LABEL = ("name", "revision")  # stand in the table's own name
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")  # how a cell begins that a spreadsheet may not take for text


@dataclass(frozen=True)
class Registry:
    """Everything that the registry holds."""

    tanks: tuple[Tank, ...] = ()
    liquids: tuple[Liquid, ...] = ()
    sensors: tuple[Sensor, ...] = ()
    mountings: tuple[Mounting, ...] = ()
    units: tuple[Unit, ...] = ()
    operators: tuple[Operator, ...] = ()
    budgets: tuple[Budget, ...] = ()
    limits: tuple[Limits, ...] = ()
    mappings: tuple[ColumnMapping, ...] = ()


def write_text(
    registry: Registry, sessions: Sequence[Session], revisions: Mapping[str, Sequence[MarkRevision]]
) -> dict[str, str]:
    """Every file by its path in the folder. ``revisions``: by the session's hash, oldest first."""
    files = {f"{kind}.toml": _toml(getattr(registry, kind)) for kind in REGISTRY}
    ordered = sorted(sessions, key=lambda session: session.sha256)
    files[SESSIONS] = write_csv(SESSION_COLUMNS, (_session_cells(session) for session in ordered))
    chains = [revision for session in ordered for revision in chained(revisions.get(session.sha256, ()))]
    files[REVISIONS] = write_csv(
        REVISION_COLUMNS, ((r.sha256, r.session, r.parent, r.author, r.reason) for r in chains)
    )
    for session in ordered:
        files[marks_file(session.sha256)] = _marks(session, chained(revisions.get(session.sha256, ())))
    return files


def marks_file(session_sha256: str) -> str:
    """Where a session's marks stand."""
    return str(MARKS / f"{session_sha256[:ID_DIGITS]}.csv")


def chained(revisions: Sequence[MarkRevision]) -> list[MarkRevision]:
    """By hash, but each after the one that it amends: the same in every store that holds the
    same revisions.
    """
    left, ordered = sorted(revisions, key=lambda r: r.sha256), list[MarkRevision]()
    done: set[str | None] = {None}
    known = {r.sha256 for r in left}
    while left:
        ready = next((r for r in left if r.parent in done or r.parent not in known), left[0])
        ordered.append(ready)
        done.add(ready.sha256)
        left.remove(ready)
    return ordered


def _toml(records: Sequence[DataclassInstance]) -> str:
    import tomli_w

    return tomli_w.dumps({_label(record): _table(record) for record in records}, multiline_strings=True)


def _label(record: Any) -> str:
    """Its name; name@revision where there are revisions."""
    return record.ref if hasattr(record, "revision") else str(record.name)


def _table(record: DataclassInstance) -> dict[str, Any]:
    """The facts of a record that differ from their defaults, in the order of its fields; a tank or sensor
    that it stands on by its label.
    """
    table: dict[str, Any] = {}
    for field in fields(record):
        value = getattr(record, field.name)
        if value is None or value == field.default or (field.name in LABEL and not isinstance(record, Pad)):
            continue
        if isinstance(value, Tank | Sensor):
            table[field.name] = _label(value)
        elif field.name == "profile":
            table[field.name] = (
                json.dumps(json.loads(value), indent=1, sort_keys=True, ensure_ascii=False) + "\n"
            )
        elif isinstance(value, tuple):
            table[field.name] = [item if isinstance(item, str) else _table(item) for item in value]
        else:
            table[field.name] = value.value if isinstance(value, Enum) else value
    return table


def _session_cells(session: Session) -> tuple[object, ...]:
    simulated = "simulated" if session.simulated else None
    facts = (
        session.sha256,
        session.unit.name,
        session.liquid.name,
        session.mounting.name,
        session.frames,
        simulated,
    )
    occasion = session.occasion
    later = (
        occasion.operator,
        occasion.bench,
        occasion.started,
        occasion.firmware,
        " ".join(session.tags) or None,
    )
    return (*facts, session.source.file, session.note or None, session.void_reason, *later)


def _marks(session: Session, revisions: Sequence[MarkRevision]) -> str:
    sealed = session.marks if session.sealed_marks is None else session.sealed_marks
    lines = [(SEALED, mark) for mark in sealed] + [(r.sha256, mark) for r in revisions for mark in r.marks]
    return write_csv(MARK_COLUMNS, ((name, *_mark_cells(mark)) for name, mark in lines))


def _mark_cells(mark: Mark) -> tuple[object, ...]:
    numbers = (
        None if value is None else float(value)
        for value in (mark.level_mm, mark.u_mm, mark.u_common_mm, mark.level_stop_mm)
    )
    return (mark.start, mark.stop, *numbers, mark.method)


def write_csv(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV with nothing in it that a spreadsheet runs: None is an empty cell, numbers read back equal, texts
    are guarded.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(
        [guarded(cell) if isinstance(cell, str) else "" if cell is None else repr(cell) for cell in row]
        for row in rows
    )
    return text.getvalue()


def guarded(cell: str) -> str:
    """A text that no spreadsheet takes for a formula; :func:`unguarded` gives it back."""
    return f"'{cell}" if cell.startswith(_FORMULA) or not cell else cell


def unguarded(cell: str) -> str | None:
    """The text that was guarded; None for an empty cell."""
    return None if not cell else cell[1:] if cell.startswith("'") else cell
