"""When a session began: an instant that is stated, or where a file says it, in a column, a remark above its
column names, or its name.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import PurePath
from typing import TYPE_CHECKING

from dataset.errors import InputError, naming, quoted
from dataset.values import check_offset, instant
from dataset.words import counted

if TYPE_CHECKING:
    from dataset.files.sheets import Sheet

FORM = "2026-03-02T09:15:00+01:00"
WAYS = ("column", "header", "name")
_DIRECTIVES = {
    "%Y": r"(?P<Y>(?:19|20)[0-9]{2})",
    "%m": r"(?P<m>[0-9]{2})",
    "%d": r"(?P<d>[0-9]{2})",
    "%H": r"(?P<H>[0-9]{2})",
    "%M": r"(?P<M>[0-9]{2})",
    "%S": r"(?P<S>[0-9]{2})",
    "%z": r"(?P<z>Z|[+-][0-9]{2}:?[0-9]{2})",
}
_NEEDED = ("%Y", "%m", "%d", "%H", "%M")
_EPOCH = re.compile(r"(1[0-9]{9})(?:[0-9]{3})?(?:\.[0-9]+)?")
_KEYED = re.compile(r"([^:=]{1,80})[:=](.*)")
_MILLISECONDS = 1e11  # a number of seconds as great as this lies in the year 5138


@dataclass(frozen=True)
class Start:
    """Where a session's start is found: ``way`` is '' for an instant that is stated in ``text``, 'column' for
    the first cell of a column called ``text``, 'header' for a remark '# TEXT: ...' above the column names,
    'name' for the file's name by a pattern. ``utc_offset`` holds where none is stated there, such as +01:00.
    """

    way: str
    text: str
    utc_offset: str | None = None


def read_start(text: str, utc_offset: str | None = None) -> Start:
    """An instant in ISO 8601, or ``column:NAME``, ``header:KEY``, ``name:PATTERN``.

    A pattern holds %Y, %m, %d, %H, %M, may hold %S and %z, and '*' for anything; all else stands for itself.

    Raises:
        InputError: none of these.
    """
    if utc_offset is not None:
        with naming("utc_offset"):
            check_offset("utc_offset", utc_offset)
    way, colon, rest = text.partition(":")
    if colon and way in WAYS:
        if not rest.strip():
            raise InputError("started", quoted(text), f"what stands behind '{way}:'", fields=("started",))
        if way == "name":
            _pattern(rest)
        return Start(way, rest.strip(), utc_offset)
    with naming("started", "utc_offset"):
        return Start("", instant("started", text, utc_offset, beside=True), utc_offset)


def stated_start(text: str) -> str:
    """The instant that somebody states, with its offset; InputError for anything else."""
    with naming("started"):
        return instant("started", text)


def refuse_one_start_for_many(start: Start | None, files: int) -> None:
    """InputError for one instant that several files would have."""
    if start is not None and not start.way and files > 1:
        raise InputError(
            "started",
            f"one instant for {counted(files, 'file')}",
            "column:NAME, header:KEY or name:PATTERN, by which each file says its own",
            fields=("started",),
        )


def start_of(start: Start, sheet: Sheet) -> str:
    """When the session in a file began.

    Raises:
        InputError: it is not there, is no instant, or has no offset and none is given.
    """
    if start.way == "column":
        return _in_column(start, sheet)
    if start.way == "header":
        return _in_remarks(start, sheet.remarks, str(sheet.path))
    if start.way == "name":
        return _in_name(start, PurePath(sheet.path).name)
    return start.text


def _in_column(start: Start, sheet: Sheet) -> str:
    if start.text not in sheet.header:
        raise InputError(
            sheet.top(),
            f"no column {quoted(start.text)}",
            "the column of the start among " + ", ".join(sheet.header[:12]),
            fields=("started",),
        )
    cell = sheet.cells(start.text)[0].strip() if sheet.rows else ""
    where = sheet.where(0, start.text) if sheet.rows else sheet.top()
    if _EPOCH.fullmatch(cell):
        seconds = float(cell)
        seconds = seconds / 1000 if seconds > _MILLISECONDS else seconds
        return instant(where, datetime.fromtimestamp(round(seconds, 3), UTC).isoformat())
    return instant(where, cell, start.utc_offset, beside=True)


def _in_remarks(start: Start, remarks: Sequence[str], where: str) -> str:
    wanted = start.text.casefold()
    for remark in remarks:
        keyed = _KEYED.fullmatch(remark.lstrip("# \t"))
        if keyed is not None and keyed[1].strip().casefold() == wanted:
            return instant(f"{where}, remark {quoted(start.text)}", keyed[2], start.utc_offset, beside=True)
    raise InputError(where, "no such remark above the column names", f"a line '# {start.text}: {FORM}'")


def _in_name(start: Start, name: str) -> str:
    match = _pattern(start.text).fullmatch(name)
    where = f"file name {quoted(name)}"
    if match is None:
        raise InputError(where, "does not fit the pattern", start.text, "write '*' for what may be anything")
    of = match.groupdict()
    offset = of.get("z") or ""
    if not offset and start.utc_offset is None:  # alike for all files of the pattern: told once of many
        raise InputError(
            "started",
            f"the pattern {quoted(start.text)} without an offset from UTC",
            "%z in it, or utc_offset, such as +01:00",
            fields=("started", "utc_offset"),
        )
    return instant(
        where,
        f"{of['Y']}-{of['m']}-{of['d']}T{of['H']}:{of['M']}:{of.get('S') or '00'}{offset}",
        start.utc_offset,
        beside=True,
    )


def _pattern(text: str) -> re.Pattern[str]:
    """The pattern of a file's name as a regular expression."""
    parts = re.findall(r"%.|\*|[^%*]+|%", text)
    directives = [part for part in parts if part.startswith("%")]
    missing = [directive for directive in _NEEDED if directive not in directives]
    wrong = [d for d in directives if d not in _DIRECTIVES or directives.count(d) > 1]
    if missing or wrong:
        raise InputError(
            "started",
            f"the pattern {quoted(text)}"
            + (f" without {', '.join(missing)}" if missing else f" with {', '.join(dict.fromkeys(wrong))}"),
            f"{', '.join(_NEEDED)}, each once, and %S and %z where they stand there",
            "such as name:bench_%Y%m%d_%H%M%S*",
            fields=("started",),
        )
    return re.compile(
        "".join(_DIRECTIVES.get(part) or (".*?" if part == "*" else re.escape(part)) for part in parts)
    )
