"""Readings from Parquet files: whatever types and compression a program writes, and what is refused. Text is
in test_reading.py.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest
from pyarrow import parquet

import dataset.files.parquet
from dataset.admission.session_files import ParsedFile, read_file
from dataset.errors import InputError
from dataset.files.sheet_files import sheet_of
from dataset.records import ColumnMapping, CountLaw, Mark, Pad, Sensor, Tank

TANK = Tank("can", 1, 100.0)
SENSOR = Sensor("strip", 1, (Pad(0, "a", 0, 50), Pad(1, "b", 50, 50)), 16, CountLaw.RISES, 100)
COLUMNS = ColumnMapping("m", ("a", "b"), "t", level="level", level_u_mm=0.5, temperature="warm")
TABLE = {
    "t": [0, 100, 201, 300],
    "a": [1, 2, 3, 4],
    "b": [65535, 7, 8, 9],
    "level": [5.0, 5.0, None, 5.0],
    "warm": [20.5, None, 21.0, 22.25],
    "note": list("wxyz"),
}


def read(tmp_path: Path, table: arrow.Table, mapping: ColumnMapping = COLUMNS, **how: object) -> ParsedFile:
    path = tmp_path / "run.bin"  # what a file is shows in its first bytes
    parquet.write_table(table, path, **how)
    return read_file(path, mapping, SENSOR, TANK)


def typed(**types: arrow.DataType) -> arrow.Table:
    """The table with other types in some columns."""
    return arrow.table({name: arrow.array(values, types.get(name)) for name, values in TABLE.items()})


def assert_read(found: ParsedFile) -> None:
    np.testing.assert_array_equal(found.frames.t_ms, [0, 100, 201, 300])
    np.testing.assert_array_equal(found.frames.counts, [[1, 65535], [2, 7], [3, 8], [4, 9]])
    np.testing.assert_array_equal(found.frames.temperature_c, [20.5, np.nan, 21, 22.25])
    assert found.marks == (Mark(0, 2, 5.0, 0.5), Mark(3, 4, 5.0, 0.5))
    assert found.delimiter == "Parquet"


@pytest.mark.parametrize(
    ("table", "how"),
    [
        (typed(), {}),
        (typed(a=arrow.uint16(), b=arrow.uint16(), t=arrow.uint32()), {"compression": "zstd"}),
        (
            typed(a=arrow.float64(), b=arrow.float32(), level=arrow.float32()),
            {"compression": "gzip", "version": "1.0"},
        ),
        (
            typed(),
            {"row_group_size": 3, "use_dictionary": False, "compression": "none", "data_page_version": "2.0"},
        ),
        (
            arrow.table(
                typed().drop_columns("a").to_pydict()
                | {"a": arrow.array([Decimal(k) for k in (1, 2, 3, 4)], arrow.decimal128(9, 2))}
            ),
            {},
        ),
    ],
    ids=["plain", "narrow", "floats", "row groups", "decimals"],
)
def test_whatever_a_program_writes(tmp_path: Path, table: arrow.Table, how: dict[str, Any]) -> None:
    """One recording in many types and encodings gives the same frames and marks."""
    assert_read(read(tmp_path, table, **how))


def test_a_data_frame_as_pandas_writes_it(tmp_path: Path) -> None:
    """A DataFrame with an index of its own is read by its columns' names."""
    path = tmp_path / "run.parquet"
    pd.DataFrame(TABLE, index=[3, 1, 2, 0]).to_parquet(path)
    assert_read(read_file(path, COLUMNS, SENSOR, TANK))


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        (arrow.table(TABLE | {"a": list("1234")}), "column 'a': values of type string; expected numbers"),
        (arrow.table(TABLE | {"a": [1, None, 3, 4]}), "row 2, column 'a': an empty cell"),
        (arrow.table(TABLE | {"a": [1.5, 2, 3, 4]}), "row 1, column 'a': a count of 1.5"),
        (arrow.table(TABLE | {"t": [0, 100, 50, 300]}), "row 3, column 't': time runs back from 100 to 50"),
        (arrow.table(TABLE | {"t": [0, 1, 2, 2**60 + 1]}), "column 't': a value out of range"),
        (
            arrow.table(TABLE | {"t": arrow.array([0, 1, 2, 3], arrow.timestamp("ms"))}),
            "column 't': values of type timestamp[ms]; expected numbers",
        ),
        (arrow.table(TABLE).drop_columns("b"), "no column 'b'"),
        (arrow.table([*TABLE.values(), TABLE["a"]], [*TABLE, "a"]), "2 columns are called 'a'"),
        (arrow.table(TABLE).slice(0, 0), "no rows"),
        (arrow.table({name: [values] for name, values in TABLE.items()}), "values of type list"),
    ],
    ids=[
        "text",
        "null",
        "fraction",
        "time back",
        "too large",
        "timestamps",
        "missing",
        "twice",
        "empty",
        "lists",
    ],
)
def test_faults_are_named(tmp_path: Path, table: arrow.Table, sentence: str) -> None:
    """Each fault is told with file, row and column."""
    with pytest.raises(InputError) as told:
        read(tmp_path, table)
    assert sentence in str(told.value)
    assert "run.bin" in str(told.value)


@pytest.mark.parametrize("cut", [4, 20, 200, -9, -4, -1])
def test_a_file_cut_short_is_said(tmp_path: Path, cut: int) -> None:
    """A file that begins like Parquet and is not whole is named as such."""
    path = tmp_path / "run.parquet"
    parquet.write_table(arrow.table(TABLE), path)
    path.write_bytes(path.read_bytes()[:cut])
    with pytest.raises(InputError, match="begins like a Parquet file and cannot be read as one"):
        read_file(path, COLUMNS, SENSOR, TANK)


def test_rows_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small file that says it holds very many rows is refused before they are made."""
    many = arrow.table(
        {"t": np.arange(1000) * 100, "a": np.zeros(1000, np.uint16), "b": np.zeros(1000, np.uint16)}
    )
    monkeypatch.setattr(dataset.files.parquet, "MOST_ROWS", 999)
    with pytest.raises(InputError, match="1000 rows; expected at most 999"):
        read(tmp_path, many, ColumnMapping("m", ("a", "b"), "t"))


TEXT = ColumnMapping("m", ("a", "b"), "t")


@pytest.mark.parametrize("content", [b"t,a,b\n0,1,2\n100,3,4\n", b"t,a,b\n0,1,2\n100,3,4"])
def test_whole_numbers_of_a_text_come_as_such(content: bytes) -> None:
    """Columns that are asked for as whole numbers, where all of them are; others as floats."""
    sheet = sheet_of(Path("run.csv"), content, TEXT)
    numbers = sheet.bulk(["a", "b", "t"], whole=["a", "b"])
    assert numbers is not None
    assert {name: values.dtype for name, values in numbers.items()} == {"a": "u4", "b": "u4", "t": "f8"}
    assert numbers["b"].tolist() == [2, 4]


@pytest.mark.parametrize("cell", ["3.0", "3e0", "", "-3", "4294967296"])
def test_others_come_as_floats(cell: str) -> None:
    """One cell that is no whole number of 32 bits, and the columns are what they were before."""
    sheet = sheet_of(Path("run.csv"), f"t,a,b\n0,1,2\n100,{cell},4\n".encode(), TEXT)
    numbers = sheet.bulk(["a", "b"], whole=["a", "b"])
    assert numbers is not None
    np.testing.assert_array_equal(numbers["a"], [1, float(cell or "nan")])
    assert numbers["a"].dtype == np.float64


@pytest.mark.parametrize("cell", ["0x1A", "0X1a", "1_0", "٣"])
def test_what_only_looks_like_a_whole_number(tmp_path: Path, cell: str) -> None:
    """Hexadecimal, underscores and other scripts' digits are no counts."""
    path = tmp_path / "run.csv"
    path.write_text(f"t,a,b\n0,1,2\n100,{cell},4\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 3, column 'a'"):
        read_file(path, TEXT, SENSOR, TANK)
