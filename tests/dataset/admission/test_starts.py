"""When a session began: as it is stated, and where files say it."""

from __future__ import annotations

from pathlib import Path

import pyarrow as arrow
import pytest
from pyarrow import parquet

from building import one_pad
from dataset.admission.session_files import read_file
from dataset.admission.starts import Start, read_start, refuse_one_start_for_many, stated_start
from dataset.errors import InputError
from dataset.records import ColumnMapping, Tank
from dataset.values import instant

CAN = Tank("can", 1, 100.0)


def started(path: Path, start: Start) -> str | None:
    """The start of a session in a file whose counts stand in the column 'pad'."""
    return read_file(path, ColumnMapping("m", ("pad",)), one_pad(), CAN, start=start).started


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("2026-03-02T09:15:00+01:00", "2026-03-02T09:15:00+01:00"),
        ("2026-03-02 09:15Z", "2026-03-02T09:15:00+00:00"),
        ("2026-03-02T09:15:00,250-0330", "2026-03-02T09:15:00.250-03:30"),
    ],
)
def test_an_instant_is_kept_with_its_offset(text: str, kept: str) -> None:
    """ISO 8601-1:2019, 5.4.2.1: calendar date and time of day with its difference from UTC; from memory."""
    assert instant("start", text) == kept
    assert read_start(text).text == kept


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("2026-03-02T09:15", "without an offset from UTC"),
        ("02.03.2026 09:15", "expected date and time in ISO 8601"),
        ("2026-02-30T09:15Z", "day is out of range"),
        ("1970-01-01T00:00Z", "a clock that was never set"),
        ("2026-03-02T09:15+15:00", "an offset from UTC such as"),
        ("", "no start"),
        ("column:", "what stands behind 'column:'"),
        ("name:run_%Y%m%d", "without %H, %M"),
        ("name:%Y%m%d%H%M%q", "with %q"),
    ],
)
def test_what_is_no_start_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(InputError, match="(?i)" + sentence.replace("+", r"\+")) as caught:
        read_start(text)
    assert "started" in caught.value.fields


def test_an_offset_beside_it_is_asked_for_where_one_can_be_given() -> None:
    """A start that is stated alone has its offset in it."""
    with pytest.raises(InputError, match="Add it, or give utc_offset"):
        read_start("2026-03-02T09:15")
    with pytest.raises(InputError, match=r"\+01:00\. Add it$"):
        stated_start("2026-03-02T09:15")


def test_a_start_stands_in_a_column_a_remark_or_the_name(tmp_path: Path) -> None:
    """Each way reads the same instant; an offset that is given holds where none is stated."""
    path = tmp_path / "run_20260302_0915_b.csv"
    path.write_text("# bench log\n# Begin = 2026-03-02 09:15\nwhen,pad\n2026-03-02T09:15:00+01:00,5\n,6\n")
    kept = "2026-03-02T09:15:00+01:00"
    assert started(path, read_start("column:when")) == kept
    assert started(path, read_start("header:begin", "+01:00")) == kept
    assert started(path, read_start("name:run_%Y%m%d_%H%M*.csv", "+01:00")) == kept
    assert started(path, read_start("2026-03-02T08:15Z")) == "2026-03-02T08:15:00+00:00"


def test_a_column_of_seconds_since_1970_is_a_start(tmp_path: Path) -> None:
    """1772439300 s after 1970-01-01T00:00:00Z (POSIX.1-2017, 4.16) is 20514 days and 29700 s later."""
    assert 20514 * 86400 + 29700 == 1772439300
    path = tmp_path / "run.csv"
    for cell, fraction in (("1772439300", ""), ("1772439300250", ".250"), ("1772439300.25", ".250")):
        path.write_text(f"unix,pad\n{cell},5\n{cell},6\n")
        assert started(path, read_start("column:unix")) == f"2026-03-02T08:15:00{fraction}+00:00"


def test_a_start_stands_in_what_parquet_keeps_beside_its_columns(tmp_path: Path) -> None:
    table = arrow.table({"pad": [5, 6]}).replace_schema_metadata({"start": "2026-03-02T09:15Z"})
    parquet.write_table(table, tmp_path / "run.parquet")
    assert started(tmp_path / "run.parquet", read_start("header:start")) == "2026-03-02T09:15:00+00:00"


def test_a_start_that_is_not_there_is_said(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("pad\n5\n6\n")
    for text, sentence in (
        ("column:when", "no column 'when'"),
        ("header:begin", "no such remark"),
        ("name:*_%Y%m%d%H%M.csv", "does not fit the pattern"),
    ):
        with pytest.raises(InputError, match=sentence):
            started(path, read_start(text))
    path.write_text("# begin: yesterday\npad\n5\n6\n")
    with pytest.raises(InputError, match="remark 'begin': 'yesterday'"):
        started(path, read_start("header:begin"))


def test_a_pattern_without_an_offset_is_said_alike_for_all_its_files(tmp_path: Path) -> None:
    """The fault names no file: a list of many is told of it once."""
    start, sentences = read_start("name:run_%Y%m%d_%H%M.csv"), set()
    for clock in ("0915", "1015"):
        path = tmp_path / f"run_20260302_{clock}.csv"
        path.write_text("pad\n5\n6\n")
        with pytest.raises(
            InputError, match="without an offset from UTC; expected %z in it, or utc_offset"
        ) as no:
            started(path, start)
        sentences.add(str(no.value))
    assert len(sentences) == 1


def test_one_instant_is_not_for_many_files() -> None:
    refuse_one_start_for_many(read_start("2026-03-02T09:15Z"), 1)
    refuse_one_start_for_many(read_start("column:when"), 2)
    with pytest.raises(InputError, match="one instant for 2 files"):
        refuse_one_start_for_many(read_start("2026-03-02T09:15Z"), 2)
