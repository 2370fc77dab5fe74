"""Delimited text becomes frames and marks; each fault is named by file, line and column."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import innage.demo_data
from dataset.admission.session_files import ParsedFile, read_file
from dataset.errors import InputError
from dataset.records import ColumnMapping, CountLaw, LevelUnit, Mark, Pad, Sensor, Tank, TimeUnit

TANK = Tank("can", 1, 100.0)
SENSOR = Sensor("strip", 1, (Pad(0, "a", 0, 50), Pad(1, "b", 50, 50)), 16, CountLaw.RISES, 100)
COLUMNS = ColumnMapping("m", ("a", "b"), "t", level="level", level_u_mm=0.5, temperature="warm")
PLAIN = "t,a,b,level,warm\n0,1,65535,5,20.5\n100,2,7,5,\n201,3,8,,21\n300,4,9,5,22.25\n"


def read(
    tmp_path: Path, text: str | bytes, mapping: ColumnMapping = COLUMNS, sensor: Sensor = SENSOR
) -> ParsedFile:
    path = tmp_path / "run.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_file(path, mapping, sensor, TANK)


def assert_plain(found: ParsedFile) -> None:
    """What PLAIN says, whichever way it is written."""
    np.testing.assert_array_equal(found.frames.t_ms, [0, 100, 201, 300])
    np.testing.assert_array_equal(found.frames.counts, [[1, 65535], [2, 7], [3, 8], [4, 9]])
    np.testing.assert_array_equal(found.frames.temperature_c, [20.5, np.nan, 21, 22.25])
    assert found.marks == (Mark(0, 2, 5.0, 0.5), Mark(3, 4, 5.0, 0.5))
    assert found.labelled == 3


WAYS = {
    "plain": PLAIN,
    "byte order mark and CRLF": b"\xef\xbb\xbf" + PLAIN.replace("\n", "\r\n").encode(),
    "CR alone": PLAIN.replace("\n", "\r"),
    "no newline at the end": PLAIN.rstrip(),
    "comments and blank lines": "# bench 2\n\n"
    + PLAIN.replace("100,", "  # a remark, with commas\n   \n100,"),
    "tabs": PLAIN.replace(",", "\t"),
    "semicolons": PLAIN.replace(",", ";"),
    "bars": PLAIN.replace(",", "|"),
    "decimal commas": PLAIN.replace(",", ";").replace(".", ","),
    "blanks around cells": PLAIN.replace(",", " , "),
    "quoted": "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in PLAIN.splitlines()),
    "more columns, other order": "x,warm,level,b,t,a\n-,20.5,5,65535,0,1\n-,,5,7,100,2\n"
    "-,21,,8,201,3\n-,22.25,5,9,300,4\n",
    "counts with a point": PLAIN.replace("65535", "65535.0").replace(",7,", ",7.00,"),
    "exponents": PLAIN.replace("201", "2.01e2"),
    "NaN where optional": PLAIN.replace(",5,\n", ",5,NaN\n").replace("8,,", "8,nan,"),
}


@pytest.mark.parametrize("text", WAYS.values(), ids=WAYS.keys())
def test_ways_to_write_the_same(tmp_path: Path, text: str | bytes) -> None:
    """One recording written in many ways gives the same frames and marks."""
    assert_plain(read(tmp_path, text))


def test_runs_of_blanks(tmp_path: Path) -> None:
    """Columns lined up with blanks are read; there every cell must be filled."""
    found = read(
        tmp_path, "t    a      b\n0    1  65535\n100  2      7\n", ColumnMapping("m", ("a", "b"), "t")
    )
    assert found.delimiter == " "
    np.testing.assert_array_equal(found.frames.counts, [[1, 65535], [2, 7]])


def test_an_odd_delimiter_by_name(tmp_path: Path) -> None:
    """A delimiter that is given is used, whatever else stands in the cells."""
    mapping = ColumnMapping("m", ("a;1", "b"), "t", delimiter="!")
    found = read(tmp_path, "t!a;1!b\n0!1!2\n100!3!4\n", mapping)
    np.testing.assert_array_equal(found.frames.counts, [[1, 2], [3, 4]])


def test_without_column_names(tmp_path: Path) -> None:
    """Without a header the columns are 1, 2, ... and the first line is a frame."""
    mapping = ColumnMapping("m", ("2", "3"), "1", level="4", temperature="5", level_u_mm=0.5, header=False)
    assert_plain(read(tmp_path, PLAIN.split("\n", 1)[1], mapping))


def test_without_a_time_column(tmp_path: Path) -> None:
    """Frames are then one declared period apart."""
    found = read(tmp_path, PLAIN, ColumnMapping("m", ("a", "b")))
    np.testing.assert_array_equal(found.frames.t_ms, [0, 100, 200, 300])
    assert found.marks == ()
    assert found.frames.temperature_c is None


def test_lines_of_blanks_are_no_frames_of_a_single_column(tmp_path: Path) -> None:
    """With one column alone a line of blanks looks like an empty cell, which it is not."""
    one = Sensor("one", 1, (Pad(0, "a", 0, 50),), 16, CountLaw.RISES, 100)
    found = read(tmp_path, "a\n1\n  \n2\n\n3\n", ColumnMapping("m", ("a",)), one)
    assert found.frames.counts[:, 0].tolist() == [1, 2, 3]


def test_units_of_time_and_level(tmp_path: Path) -> None:
    """Seconds become milliseconds; centimetres and fractions of the span become millimetres without rounding
    dust.
    """
    text = "t,a,b,level\n0.0,1,1,0.07\n0.1,1,1,0.07\n0.2004,1,1,1\n"
    found = read(
        tmp_path, text, ColumnMapping("m", ("a", "b"), "t", TimeUnit.SECONDS, "level", LevelUnit.FRACTION)
    )
    np.testing.assert_array_equal(found.frames.t_ms, [0, 100, 200])
    assert [m.level_mm for m in found.marks] == [7.0, 100.0]  # 0.07 * 100 is not 7 in floating point
    found = read(
        tmp_path, text, ColumnMapping("m", ("a", "b"), "t", TimeUnit.SECONDS, "level", LevelUnit.CENTIMETRES)
    )
    assert [m.level_mm for m in found.marks] == [0.7, 10.0]  # nor 0.07 * 10 0.7


def test_gaps_are_counted(tmp_path: Path) -> None:
    """Steps of time beyond one and a half median periods are counted, not refused: a bench run pauses between
    levels.
    """
    found = read(
        tmp_path,
        "t,a,b\n0,1,1\n100,1,1\n200,1,1\n351,1,1\n450,1,1\n9000,1,1\n",
        ColumnMapping("m", ("a", "b"), "t"),
    )
    assert (found.gaps, found.median_period_ms) == (2, 100.0)


def test_the_source_is_hashed(tmp_path: Path) -> None:
    """The source is the file's bare name and the SHA-256 of its bytes."""
    found = read(tmp_path, PLAIN)
    assert (found.source.file, found.source.sha256) == ("run.csv", hashlib.sha256(PLAIN.encode()).hexdigest())


FAULTS = {
    "missing column": (
        PLAIN.replace("b,", "bb,"),
        "line 1: no column 'b'; expected one of 't', 'a', 'bb', 'level', 'warm'. Did you mean 'bb'?",
    ),
    "case": (PLAIN.replace("level", "Level"), "Did you mean 'Level'?"),
    "a column twice": (PLAIN.replace("warm", "a"), "line 1: 2 columns are called 'a'"),
    "no header": (
        "0,1,2,3,4\n",
        (
            "no column 'a'; expected one of '0', '1', '2', '3', '4'. If the first line is a frame "
            "already, say ColumnMapping.header=False"
        ),
    ),
    "no number": (PLAIN.replace("100,2", "100,2x"), "line 3, column 'a': '2x'; expected a number"),
    "underscore": (PLAIN.replace("100,2", "100,2_0"), "line 3, column 'a': '2_0'; expected a number"),
    "empty count": (PLAIN.replace("100,2", "100, "), "line 3, column 'a': an empty cell; expected a number"),
    "count not a number": (PLAIN.replace("100,2", "100,nan"), "line 3, column 'a': 'nan'; expected a number"),
    "infinite temperature": (
        PLAIN.replace("22.25", "inf"),
        "line 5, column 'warm': 'inf'; expected a number",
    ),
    "level in words": (PLAIN.replace("8,,", "8,dry,"), "line 4, column 'level': 'dry'; expected a number"),
    "broken count": (
        PLAIN.replace(",7,", ",7.5,"),
        (
            "line 3, column 'b': a count of 7.5; expected a whole number, as sensor strip@1 has it. Add a "
            "sensor revision with count_scale 10, which would do"
        ),
    ),
    "negative count": (
        PLAIN.replace(",7,", ",-7,"),
        "line 3, column 'b': a count of -7; expected a whole number from 0",
    ),
    "count beyond the width": (
        PLAIN.replace("65535", "65536"),
        "line 2, column 'b': a count of 65536; expected a whole number from 0 to 65535",
    ),
    "decimal comma in a count": (
        PLAIN.replace(",", ";").replace(";7;", ";7,5;"),
        "line 3, column 'b': a count of 7,5",
    ),
    "short line": (
        PLAIN.replace("201,3,8,,21", "201,3,8,21"),
        "line 4: 4 cells (delimiter: comma); expected 5, as in line 1",
    ),
    "long line": (
        PLAIN.replace("201,3,8,,21", "201,3,8,,21,"),
        "line 4: 6 cells (delimiter: comma); expected 5",
    ),
    "time back": (
        PLAIN.replace("201", "99"),
        "line 4, column 't': time runs back from 100 to 99 ms; expected each frame at least 1 ms later",
    ),
    "time stands": (PLAIN.replace("201", "100"), "line 4, column 't': time stands still at 100 ms"),
    "endless time": (PLAIN.replace("300", "1e300"), "line 5, column 't': 1e+300; expected at most"),
    "level below": (
        PLAIN.replace(",5,\n", ",-0.5,\n"),
        "line 3, column 'level': a level of -0.5 mm; expected 0 to 100 mm, the span of tank can@1",
    ),
    "level above": (
        PLAIN.replace(",5,\n", ",100.1,\n"),
        "line 3, column 'level': a level of 100.1 mm; expected 0 to 100 mm",
    ),
    "period": (
        PLAIN.replace("t,", "t,").replace("100,2", "120,2").replace("201", "240").replace("300", "360"),
        "a median frame period of 120 ms; expected 100 ms within 10 %",
    ),
    "no rows": ("t,a,b,level,warm\n\n# nothing\n", "run.csv: no rows below the column names"),
    "empty": ("", "run.csv: no line that is not blank or a comment"),
    "open quotation mark": (PLAIN.replace("100,", '"100,'), "line 3: a quotation mark that is not closed"),
    "binary": (PLAIN.encode() + b"\0\1", "line 6: a zero byte: the file is binary"),
    "another encoding": (PLAIN.replace("warm", "wärm").encode("latin-1"), "line 1: byte 0xe4 is not UTF-8"),
    "UTF-16": (PLAIN.encode("utf-16"), "text in UTF-16; expected text in UTF-8"),
    "a line number after comments": (
        "# x\n\n" + PLAIN.replace("201", "99"),
        "line 6, column 't': time runs back",
    ),
}


@pytest.mark.parametrize(("text", "sentence"), FAULTS.values(), ids=FAULTS.keys())
def test_faults_are_named(tmp_path: Path, text: str | bytes, sentence: str) -> None:
    """Each fault is refused with the line, the column, what was found and what was expected."""
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert sentence in str(caught.value)
    assert str(caught.value).startswith(str(tmp_path / "run.csv"))


def test_limits_of_the_period(tmp_path: Path) -> None:
    """A median period exactly at the tolerance passes, one millisecond more does not; a single frame has no
    period.
    """
    mapping = ColumnMapping("m", ("a", "b"), "t")
    assert len(read(tmp_path, "t,a,b\n0,1,1\n110,1,1\n", mapping).frames) == 2
    with pytest.raises(InputError, match="median frame period of 111 ms"):
        read(tmp_path, "t,a,b\n0,1,1\n111,1,1\n", mapping)
    assert read(tmp_path, "t,a,b\n0,1,1\n", mapping).median_period_ms is None


def test_channels_are_counted(tmp_path: Path) -> None:
    """As many count columns as the sensor has pads."""
    with pytest.raises(
        InputError,
        match=r"1 count columns \(a\); expected 2, one for each pad of strip@1 in channel order: a, b",
    ):
        read(tmp_path, PLAIN, ColumnMapping("m", ("a",)))


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    """A file that does not exist and a folder are refused by name."""
    with pytest.raises(InputError, match=r"none\.csv: does not exist"):
        read_file(tmp_path / "none.csv", COLUMNS, SENSOR, TANK)
    with pytest.raises(InputError, match="cannot be read"):
        read_file(tmp_path, COLUMNS, SENSOR, TANK)


LEVELS = st.none() | st.integers(0, 400).map(lambda quarter: quarter / 4)


@pytest.mark.longer
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.integers(0, 65535), st.integers(0, 65535), LEVELS), min_size=1, max_size=60),
    st.sampled_from(",;\t|"),
)
def test_any_table_comes_back(
    tmp_path: Path, table: list[tuple[int, int, float | None]], delimiter: str
) -> None:
    """Whatever the csv module writes is read back, and the marks tell every frame's level."""
    path = tmp_path / "any.csv"
    with path.open("w", newline="") as file:
        writer = csv.writer(file, delimiter=delimiter)
        writer.writerow(["a", "b", "level"])
        writer.writerows([a, b, "" if level is None else level] for a, b, level in table)
    found = read_file(path, ColumnMapping("m", ("a", "b"), level="level"), SENSOR, TANK)
    np.testing.assert_array_equal(found.frames.counts, [row[:2] for row in table])
    levels: list[float | None] = [None] * len(table)
    for mark in found.marks:
        levels[mark.start : mark.stop] = [mark.level_mm] * (mark.stop - mark.start)
    assert levels == [row[2] for row in table]
    assert all(
        one.stop < two.start or one.level_mm != two.level_mm
        for one, two in zip(found.marks, found.marks[1:], strict=False)
    )


def test_real_readings() -> None:
    """The real readings, read by us and by the csv module alone, agree in every time, count and level.

    Source: innage/demo_data/SOURCE.txt; 768 frames, 20 levels, of which 380 frames lie at 0, 15, 25, ..., 95
        mm.
    """
    path = Path(innage.demo_data.__path__[0]) / "levels_tidy.csv"
    sensor = Sensor("osc", 1, (Pad(0, "p", 0, 100),), 16, CountLaw.FALLS, 2051)
    found = read_file(
        path,
        ColumnMapping("m", ("N_counts",), "elapsed_ms", level="level_cm", level_unit=LevelUnit.CENTIMETRES),
        sensor,
        TANK,
    )
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(found.frames) == len(rows) == 768
    assert found.frames.t_ms.tolist() == [int(row["elapsed_ms"]) for row in rows]
    assert found.frames.counts[:, 0].tolist() == [int(float(row["N_counts"])) for row in rows]
    level = np.concatenate([np.full(m.stop - m.start, m.level_mm) for m in found.marks])
    np.testing.assert_allclose(
        level, [10 * float(row["level_cm"]) for row in rows], rtol=0, atol=1e-9
    )  # decimal to binary
    assert len(found.marks) == 20
    assert int(np.isin(level, [0, *range(15, 100, 10)]).sum()) == 380
    assert (found.delimiter, found.median_period_ms) == (",", 2051.0)
