"""Frames as Parquet: ``t_ms`` int64, ``c0``, ``c1``, ... uint32, and ``temperature_c`` double where it was
measured, NaN where a frame has none. The bytes depend on the frames and on the version of Arrow alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dataset.errors import InputError
from dataset.records import Frames

if TYPE_CHECKING:
    from pyarrow import Schema

TIME, TEMPERATURE = "t_ms", "temperature_c"
GROUP_ROWS = 1 << 18


def to_parquet(frames: Frames) -> bytes:
    """The bytes of a file."""
    import pyarrow as arrow
    from pyarrow import parquet

    columns: dict[str, Any] = {TIME: arrow.array(frames.t_ms, arrow.int64())}
    for k in range(frames.counts.shape[1]):
        columns[f"c{k}"] = arrow.array(np.ascontiguousarray(frames.counts[:, k]), arrow.uint32())
    if frames.temperature_c is not None:
        columns[TEMPERATURE] = arrow.array(frames.temperature_c, arrow.float64())
    sink = arrow.BufferOutputStream()
    parquet.write_table(
        arrow.table(columns),
        sink,
        row_group_size=GROUP_ROWS,
        version="2.6",
        compression="zstd",
        use_dictionary=False,
        store_schema=False,
    )
    return bytes(sink.getvalue())


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
