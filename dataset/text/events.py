"""What was said later, as text: a line each in CSV, by the hash of what was said.

    retirements.csv    what of the registry was retired and taken back
    unit_unions.csv    units that are one, by their identities, and what of that was taken back
    amendments.csv     what sessions say since they were sealed, each after those that it follows;
                       unit_name is to read only

Not here: what models are said to be, and of which unit a session or trim is, since these stand with objects
that are in the store only.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, TypeVar

from dataset.errors import InputError, quoted
from dataset.text.read import read_csv
from dataset.text.write import write_csv

RETIREMENTS, UNIONS, AMENDMENTS = "retirements.csv", "unit_unions.csv", "amendments.csv"
_DIGEST = re.compile(r"[0-9a-f]{64}")
_YES = "yes"


@dataclass(frozen=True)
class RetirementLine:
    """Something of the registry was retired or (``takes_back``) can be used again; ``object`` is the hash by
    which it is known, ``parent`` that of the event which this one follows.
    """

    sha256: str
    kind: str
    name: str
    object: str
    reason: str
    parent: str | None
    takes_back: bool


@dataclass(frozen=True)
class UnionLine:
    """Two units, by their identities, are one, or (``takes_back``) are not."""

    sha256: str
    unit: str
    other: str
    reason: str
    parent: str | None
    takes_back: bool


@dataclass(frozen=True)
class AmendmentLine:
    """What a session says since: the unit by its identity, liquid and mounting by name, where they are
    stated; ``body`` is canonical JSON with what is stated beside these.
    """

    sha256: str
    session: str
    parents: tuple[str, ...]
    author: str
    reason: str
    unit: str | None
    unit_name: str | None
    liquid: str | None
    mounting: str | None
    body: str


Line = TypeVar("Line", RetirementLine, UnionLine, AmendmentLine)
_HASHES = ("sha256", "session", "object", "parent", "unit", "other")
_MAY_LACK = ("parent", "unit", "unit_name", "liquid", "mounting")


@dataclass(frozen=True)
class SaidLater:
    """Everything of a text that was said later, each kind in an order in which it can be brought in."""

    retirements: tuple[RetirementLine, ...] = ()
    unions: tuple[UnionLine, ...] = ()
    amendments: tuple[AmendmentLine, ...] = ()


def write_events(said: SaidLater) -> dict[str, str]:
    """Every file by its name; one of which there is nothing to say is there with its columns alone."""
    return {
        RETIREMENTS: _written(RetirementLine, sorted(said.retirements, key=lambda line: line.sha256)),
        UNIONS: _written(UnionLine, sorted(said.unions, key=lambda line: line.sha256)),
        AMENDMENTS: _written(AmendmentLine, said.amendments),
    }


def read_events(files: Mapping[str, str]) -> SaidLater:
    """Read the files of a folder, by name; one that is missing holds nothing.

    Raises InputError for what is no CSV, other columns, and cells that cannot be.
    """
    return SaidLater(
        _read(RETIREMENTS, files, RetirementLine),
        _read(UNIONS, files, UnionLine),
        _read(AMENDMENTS, files, AmendmentLine),
    )


def _columns(kind: type[Line]) -> tuple[str, ...]:
    return tuple(column.name for column in fields(kind))


def _written(kind: type[Line], lines: Any) -> str:
    columns = _columns(kind)
    return write_csv(columns, ([_cell(getattr(line, column)) for column in columns] for line in lines))


def _cell(value: str | tuple[str, ...] | bool | None) -> str | None:
    if isinstance(value, bool):
        return _YES if value else None
    return (" ".join(value) or None) if isinstance(value, tuple) else value


def _read(name: str, files: Mapping[str, str], kind: type[Line]) -> tuple[Line, ...]:
    placed = read_csv(name, files.get(name, ""), _columns(kind))
    return tuple(
        kind(**{column: _value(f"{where}, {column}", column, cell) for column, cell in cells.items()})
        for where, cells in placed
    )


def _value(where: str, column: str, cell: str | None) -> Any:
    """What a cell says."""
    if column == "takes_back":
        if cell not in (None, _YES):
            raise InputError(where, quoted((cell or "")[:70]), f"{_YES}, or an empty cell")
        return cell == _YES
    if column == "parents":
        return tuple(_digest(where, word) for word in (cell or "").split())
    if cell is None:
        if column not in _MAY_LACK:
            raise InputError(where, "an empty cell", "text")
        return None
    return _digest(where, cell) if column in _HASHES else cell


def _digest(where: str, cell: str) -> str:
    if not _DIGEST.fullmatch(cell):
        raise InputError(where, quoted(cell[:70]), "a SHA-256 in hex")
    return cell
