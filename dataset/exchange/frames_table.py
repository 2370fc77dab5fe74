"""Frames as Parquet: ``t_ms`` int64, ``c0``, ``c1``, ... uint32, and ``temperature_c`` double where it was
measured, NaN where a frame has none. The bytes depend on the frames and on the version of Arrow alone.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import numpy as np

from dataset.errors import InputError
from dataset.long_frames import WINDOW, parts_of
from dataset.records import Frames, Recording

if TYPE_CHECKING:
    from pyarrow import Schema, Table

TIME, TEMPERATURE = "t_ms", "temperature_c"
GROUP_ROWS = WINDOW  # so that frames that come by windows give the same bytes
_WRITTEN: dict[str, Any] = {
    "version": "2.6",
    "compression": "zstd",
    "use_dictionary": False,
    "store_schema": False,
}


def to_parquet(frames: Recording) -> bytes:
    """The bytes of a file, however the frames are held."""
    import pyarrow as arrow
    from pyarrow import parquet

    sink = arrow.BufferOutputStream()
    with ExitStack() as stack:
        writer: Any = None
        for part in parts_of(frames):
            table = _table(part)
            if writer is None:
                writer = stack.enter_context(parquet.ParquetWriter(sink, table.schema, **_WRITTEN))
            writer.write_table(table, row_group_size=GROUP_ROWS)
    return bytes(sink.getvalue())


def _table(frames: Frames) -> Table:
    import pyarrow as arrow

    columns: dict[str, Any] = {TIME: arrow.array(frames.t_ms, arrow.int64())}
    for k in range(frames.counts.shape[1]):
        columns[f"c{k}"] = arrow.array(np.ascontiguousarray(frames.counts[:, k]), arrow.uint32())
    if frames.temperature_c is not None:
        columns[TEMPERATURE] = arrow.array(frames.temperature_c, arrow.float64())
    return arrow.table(columns)


def from_parquet(where: str, content: bytes, rows: int, channels: int, warm: bool) -> Frames:
    """The frames in the bytes of a file that is to hold so many.

    Raises:
        InputError: no Parquet, or other columns or rows than these: seen before any column is unpacked.
    """
    import pyarrow as arrow
    from pyarrow import parquet

    names = [TIME, *(f"c{k}" for k in range(channels)), *([TEMPERATURE] if warm else [])]
    try:
        with parquet.ParquetFile(arrow.BufferReader(content)) as file:
            _check_columns(where, file.schema_arrow, names)
            size = sum(file.metadata.row_group(k).total_byte_size for k in range(file.num_row_groups))
            bound = rows * (16 + 4 * channels) * 2 + (1 << 20)  # plain values, with room for pages' heads
            if file.metadata.num_rows != rows or size > bound:
                raise InputError(
                    where,
                    f"{file.metadata.num_rows} rows in {size} bytes",
                    f"{rows} rows, as its document says",
                )
            table = file.read()
    except (arrow.ArrowException, OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(where, "is no Parquet that can be read", "frames as innage writes them") from error
    if table.num_rows != rows or any(table.column(name).null_count for name in names):
        raise InputError(where, "other rows than it says", f"{rows} rows without empty cells")
    return Frames(
        _values(table, TIME, np.int64),
        np.column_stack([_values(table, f"c{k}", np.uint32) for k in range(channels)]),
        _values(table, TEMPERATURE, np.float64) if warm else None,
    )


def _values(table: Any, name: str, dtype: type) -> Any:
    return table.column(name).to_numpy().astype(dtype, copy=False)


def _check_columns(where: str, schema: Schema, names: list[str]) -> None:
    import pyarrow as arrow

    kinds = {TIME: arrow.int64(), TEMPERATURE: arrow.float64()}
    expected = [(name, kinds.get(name, arrow.uint32())) for name in names]
    if [(field.name, field.type) for field in schema] != expected:
        raise InputError(where, "other columns", ", ".join(f"{name} ({kind})" for name, kind in expected[:8]))
