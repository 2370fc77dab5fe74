"""Recordings too long to be held whole: a file read piece by piece, each a sheet of its own whose rows know
where in the file they stand.
"""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property, partial
from pathlib import Path
from typing import Protocol

from dataset.errors import InputError
from dataset.files.delimited import MOST_AT_ONCE, MOST_LINE, MOST_LINES, SAMPLE_LINES, Above, TextSheet
from dataset.files.disk import MOST_BYTES
from dataset.files.encodings import refuse_workbook
from dataset.files.parquet import ParquetSheet
from dataset.files.sheet_files import check_named
from dataset.files.sheets import Sheet
from dataset.records import ColumnMapping
from dataset.words import counted

MOST_LONG_BYTES = 4 << 30  # of a recording that is read in pieces
LONG_BYTES = 16 << 20  # of a text; a shorter one is read at once
LONG_ROWS = 1 << 18  # of Parquet
PIECE_BYTES, PIECE_ROWS = 4 << 20, 1 << 16
_READ_BYTES = 1 << 20
_MAGIC = b"PAR1"


class LongFile(Protocol):
    """A file that is read in pieces."""

    @property
    def first(self) -> Sheet:
        """The first piece: names of the columns, units, remarks. InputError as of
        :mod:`dataset.files.sheets`.
        """

    def whole_too(self) -> bool:
        """Whether it is short enough to be read whole, should its pieces not do; InputError for too many
        lines.
        """

    def pieces(self, columns: Sequence[str]) -> Iterator[Callable[[], Sheet]]:
        """What gives each piece in order, on whatever thread; ``columns`` are those that are asked for."""

    def sha256(self) -> str:
        """The SHA-256 of the bytes, in hex, once all pieces were given."""

    def close(self) -> None:
        """Let go of the file."""


def long_file(path: Path, mapping: ColumnMapping) -> LongFile | None:
    """The file, where it is so long that it is read in pieces; None for a shorter one, and for what cannot be
    read so: standard input, devices, text in a named encoding.

    Raises:
        InputError: longer than any recording may be, or as of :mod:`dataset.files.sheets`.
    """
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            return None
        with path.open("rb") as file:
            magic = file.read(len(_MAGIC))
    except OSError:
        return None  # whoever reads it whole says why
    if state.st_size > MOST_LONG_BYTES:
        most = f"{MOST_LONG_BYTES >> 20} MiB"
        raise InputError(str(path), f"more than {most}", f"at most {most}", "cut it into several files")
    if magic == _MAGIC:
        return LongParquet.of(path, mapping)
    return LongText(path, mapping) if state.st_size > LONG_BYTES and mapping.encoding is None else None


class LongText:
    """Delimited text in UTF-8."""

    def __init__(self, path: Path, mapping: ColumnMapping) -> None:
        self.path, self._mapping = path, mapping
        self._digest = hashlib.sha256()
        self._file = path.open("rb")
        self._texts = self._read()

    @cached_property
    def _begin(self) -> bytes:
        begin = next(self._texts)
        refuse_workbook(self.path, begin)
        return begin

    @cached_property
    def first(self) -> TextSheet:
        sheet = TextSheet(self.path, self._begin, self._mapping.delimiter, self._mapping.header)
        if sheet.rows < SAMPLE_LINES:
            most = f"more than {len(self._begin)} bytes above the first rows"
            raise InputError(str(self.path), most, "a line of column names and one line a frame")
        check_named(sheet, self._mapping)
        return sheet

    def whole_too(self) -> bool:
        lines, before = 0, b""
        with self.path.open("rb") as file:
            while read := file.read(PIECE_BYTES):
                lines += _lines_in(read) - (before == b"\r" and read.startswith(b"\n"))
                before = read[-1:]
        if lines > MOST_LINES:
            hint = "cut the recording into sessions"
            raise InputError(str(self.path), counted(lines, "line"), f"at most {MOST_LINES}", hint)
        return lines <= MOST_AT_ONCE and self.path.stat().st_size <= MOST_BYTES

    def pieces(self, columns: Sequence[str]) -> Iterator[Callable[[], Sheet]]:
        first = self.first
        yield partial(_same, first)
        lines = _lines_in(self._begin)
        for text in self._texts:
            yield partial(TextSheet, self.path, text, None, False, above=Above(self.first, lines))
            lines += _lines_in(text)
            if lines > MOST_LINES:
                raise InputError(str(self.path), f"more than {MOST_LINES} lines", f"at most {MOST_LINES}")

    def sha256(self) -> str:
        return self._digest.hexdigest()

    def close(self) -> None:
        self._file.close()

    def _read(self) -> Iterator[bytes]:
        """Pieces of whole lines; a line without an end is one at the end of the file only."""
        rest = b""
        while read := self._file.read(PIECE_BYTES):
            self._digest.update(read)
            end = read.rfind(b"\n") + 1
            if end:
                yield rest + read[:end]
                rest = read[end:]
            else:
                rest += read
                self._refuse_endless(rest)
        if rest:
            yield rest

    def _refuse_endless(self, rest: bytes) -> None:
        if len(rest) > 4 * MOST_LINE + PIECE_BYTES:  # UTF-8 has at most four bytes a character
            raise InputError(
                str(self.path), f"a line of more than {MOST_LINE} characters", "one line a frame"
            )


def _lines_in(text: bytes) -> int:
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return text.count(b"\n")


class LongParquet:
    """A Parquet file of many rows."""

    def __init__(self, path: Path, sheet: ParquetSheet) -> None:
        self.path, self.first = path, sheet

    def whole_too(self) -> bool:
        return self.path.stat().st_size <= MOST_BYTES

    @classmethod
    def of(cls, path: Path, mapping: ColumnMapping) -> LongParquet | None:
        """The file, where it has many rows."""
        sheet = ParquetSheet(path)
        if sheet.rows <= LONG_ROWS:
            return None
        check_named(sheet, mapping)
        return cls(path, sheet)

    def pieces(self, columns: Sequence[str]) -> Iterator[Callable[[], Sheet]]:
        for piece in self.first.pieces(columns, PIECE_ROWS):
            yield partial(_same, piece)

    def sha256(self) -> str:
        return self._sha256

    def close(self) -> None:
        """It is closed with the last sheet of it."""

    @cached_property
    def _sha256(self) -> str:
        digest = hashlib.sha256()
        with self.path.open("rb") as file:
            while read := file.read(_READ_BYTES):
                digest.update(read)
        return digest.hexdigest()


def _same(sheet: Sheet) -> Sheet:
    return sheet
