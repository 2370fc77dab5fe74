"""Parquet files as sheets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from dataset.errors import InputError
from dataset.files.sheets import Numbers, check_columns
from dataset.words import counted

if TYPE_CHECKING:
    from pyarrow import ChunkedArray, RecordBatch

PARQUET = "Parquet"  # in a delimiter's place
MOST_ROWS = 20_000_000
MOST_REMARK = 200  # bytes of a fact that Parquet keeps beside its columns


class ParquetSheet:
    """A Parquet file (Apache Parquet, format 1 and 2) whose columns are numbers; an empty value is an empty
    cell.

    At most :data:`MOST_ROWS` rows are read, since a small file can say that it holds any number of equal
    ones.

    Raises:
        InputError: damaged, or too long.
    """

    delimiter = PARQUET
    units: ClassVar[dict[str, str]] = {}

    def __init__(self, path: Path, content: bytes | None = None) -> None:
        """``content`` None: the file is read as it is asked for."""
        from pyarrow import BufferReader, OSFile, parquet

        self.path = path
        try:
            self._file = parquet.ParquetFile(OSFile(str(path)) if content is None else BufferReader(content))
        except _arrow_errors() as error:
            raise self._damaged(error) from error
        self.header: Sequence[str] = self._file.schema_arrow.names
        self.rows = self._file.metadata.num_rows
        check_columns(path, len(self.header))
        if not 0 <= self.rows <= MOST_ROWS:
            raise InputError(
                str(path),
                counted(self.rows, "row"),
                f"at most {MOST_ROWS}",
                "cut the recording into sessions",
            )

    @cached_property
    def remarks(self) -> Sequence[str]:
        kept = self._file.metadata.metadata or {}
        return [
            f"{key.decode(errors='replace')}: {value.decode(errors='replace')}"
            for key, value in kept.items()
            if len(value) <= MOST_REMARK
        ]

    def top(self) -> str:
        return str(self.path)

    def where(self, row: int, column: str = "") -> str:
        return f"{self.path}, row {row + 1}" + (f", column {column!r}" if column else "")

    def cells(self, column: str) -> list[str]:
        return ["" if value is None else str(value) for value in self._column(column).to_pylist()]

    def bulk(self, columns: Sequence[str], whole: Sequence[str] = ()) -> dict[str, Numbers] | None:
        """As :meth:`Sheet.bulk`; InputError for a column that holds something other than numbers, or that is
        damaged.
        """
        return {column: self._numbers(column, column in whole) for column in columns}

    def pieces(self, columns: Sequence[str], rows: int) -> Iterator[ParquetPiece]:
        """These columns, at most so many rows at a time; InputError where the file is damaged."""
        before = 0
        try:
            for batch in self._file.iter_batches(rows, columns=list(columns), use_threads=False):
                yield ParquetPiece(self, batch, before)
                before += batch.num_rows
        except _arrow_errors() as error:
            raise self._damaged(error) from error
        if before != self.rows:
            raise InputError(
                str(self.path), counted(before, "row"), f"{self.rows}, as the file says of itself"
            )

    def _numbers(self, column: str, whole: bool) -> Numbers:
        import pyarrow as arrow

        values = self._column(column)
        kind = values.type
        if not (
            arrow.types.is_integer(kind)
            or arrow.types.is_floating(kind)
            or arrow.types.is_decimal(kind)
            or arrow.types.is_null(kind)
        ):
            raise InputError(
                f"{self.path}, column {column!r}",
                f"values of type {kind}",
                "numbers",
                "write the column as integers or floating-point numbers",
            )
        if whole and arrow.types.is_integer(kind) and not values.null_count:
            with suppress(arrow.ArrowInvalid):  # one that doesn't fit
                return np.asarray(values.cast(arrow.uint32()).to_numpy(), np.uint32)
        try:
            return np.asarray(values.cast(arrow.float64()).to_numpy(), np.float64)
        except arrow.ArrowInvalid as error:  # an integer that no double holds
            raise InputError(
                f"{self.path}, column {column!r}", f"a value out of range ({error})", "numbers below 2^53"
            ) from error

    def _column(self, column: str) -> ChunkedArray:
        try:
            values = self._file.read_row_groups(
                range(self._file.num_row_groups), columns=[column], use_threads=False
            ).column(column)
        except _arrow_errors() as error:
            raise self._damaged(error) from error
        if len(values) != self.rows:
            raise InputError(
                f"{self.path}, column {column!r}",
                f"{len(values)} values",
                f"{self.rows}, as the file says of itself",
            )
        return values

    def _damaged(self, error: Exception) -> InputError:
        cause = (str(error).splitlines() or [type(error).__name__])[0]
        return InputError(
            str(self.path),
            f"begins like a Parquet file and cannot be read as one ({cause})",
            "a whole Parquet file",
            "write it again",
        )


class ParquetPiece(ParquetSheet):
    """Consecutive rows of a Parquet file, with some of its columns."""

    def __init__(self, whole: ParquetSheet, batch: RecordBatch, rows_above: int) -> None:
        self.path, self.header, self.rows = whole.path, whole.header, batch.num_rows
        self._file, self._batch, self._rows_above = whole._file, batch, rows_above

    def where(self, row: int, column: str = "") -> str:
        return super().where(self._rows_above + row, column)

    def _column(self, column: str) -> ChunkedArray:
        from pyarrow import chunked_array

        return chunked_array([self._batch.column(column)])


def _arrow_errors() -> tuple[type[Exception], ...]:
    """What pyarrow raises for bytes that it cannot read."""
    import pyarrow as arrow

    return (arrow.ArrowException, OSError, UnicodeDecodeError)
