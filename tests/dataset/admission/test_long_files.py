"""Files that are read piece by piece give what they give when read at once, and are refused alike."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow
import pyarrow.parquet
import pytest

from dataset.admission import long_files
from dataset.admission.session_files import ParsedFile, read_file
from dataset.admission.starts import read_start
from dataset.blocks import to_blocks
from dataset.errors import InputError
from dataset.files import pieces
from dataset.labels.marking import Labelling
from dataset.long_frames import LongFrames, PackedFrames, as_arrays
from dataset.readings_hashes import ReadingsHashes
from dataset.records import ColumnMapping, CountLaw, Liquid, Pad, Sensor, Tank, TimeUnit
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Box

SENSOR = Sensor("strip", 1, (Pad(0, "a", 0, 50), Pad(1, "b", 50, 50)), 16, CountLaw.RISES, 100)
TANK = Tank("can", 1, 100.0, profile=to_json(stack([Box(50.0, 40.0, 100.0)])))
COLUMNS = ColumnMapping("m", ("a", "b"), "t", level="level", temperature="warm")
HEADER = "t,a,b,level,warm\n"
ROWS = 300


def rows(seed: int = 1) -> list[list[str]]:
    rng = np.random.default_rng(seed)
    t_ms = np.cumsum(rng.choice([99, 100, 101, 900], ROWS, p=[0.2, 0.5, 0.28, 0.02]))
    levels = np.repeat(["5", "", "7.5", "0"], ROWS // 4)
    warm = [f"{w:.2f}" if w > 19 else "" for w in rng.normal(20, 1, ROWS)]
    counts = rng.integers(0, 65536, (ROWS, 2)).astype(str)
    return [[str(t), *c, lv, w] for t, c, lv, w in zip(t_ms, counts, levels, warm, strict=True)]


def text_of(cells: list[list[str]], header: str = HEADER, delimiter: str = ",") -> str:
    return header.replace(",", delimiter) + "".join(delimiter.join(row) + "\n" for row in cells)


PLAIN = text_of(rows())
LINES = PLAIN.splitlines(keepends=True)


def changed(number: int, line: str) -> str:
    """The text with another line in a line's place."""
    return "".join([*LINES[:number], line, *LINES[number + 1 :]])


WAYS = {
    "plain": PLAIN,
    "byte order mark and CRLF": "\ufeff" + PLAIN.replace("\n", "\r\n"),
    "CR alone": PLAIN.replace("\n", "\r"),
    "no newline at the end": PLAIN.rstrip(),
    "a quoted cell in a later piece": changed(250, '"' + LINES[250].replace(",", '",', 1)),
    "remarks and blank lines in later pieces": changed(90, f"# warm\n\n{LINES[90]}  # x\n"),
    "decimal commas": text_of([[c.replace(".", ",") for c in row] for row in rows()], delimiter=";"),
    "a count with a point in a later piece": changed(200, LINES[200].replace(",", ".0,", 2)),
    "units below the names": "".join([LINES[0], "ms,,,mm,C\n", *LINES[1:]]),
    "the delimiter above": "sep=,\n" + PLAIN,
}
OTHERS = {
    "no time": replace(COLUMNS, time=None, ignore=("t",)),
    "seconds": replace(COLUMNS, time_unit=TimeUnit.SECONDS),
    "no label": replace(COLUMNS, level=None),
    "no temperature": replace(COLUMNS, temperature=None),
    "masses": replace(COLUMNS, level=None, mass="level"),
    "time forgotten": replace(COLUMNS, time=None),
}


@pytest.fixture
def in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces of a few rows, of any file; no file is read at once where its pieces don't do."""
    sizes = {"LONG_BYTES": 0, "LONG_ROWS": 0, "PIECE_BYTES": 700, "PIECE_ROWS": 37, "SAMPLE_LINES": 5}
    for name, size in sizes.items():
        monkeypatch.setattr(pieces, name, size)
    for name, size in {"HELD_BYTES": 0, "TOGETHER": 64, "BLOCK_FRAMES": 16}.items():
        monkeypatch.setattr(long_files, name, size)
    for kind in (pieces.LongText, pieces.LongParquet):
        monkeypatch.setattr(kind, "whole_too", lambda self: False)


def read(path: Path, mapping: ColumnMapping = COLUMNS, sensor: Sensor = SENSOR) -> ParsedFile:
    labelling = Labelling(Liquid("water", 80.0, density=998.2), temperature_c=20.0)
    return read_file(path, mapping, sensor, TANK, labelling, read_start("2026-03-02T09:15:00+01:00"))


def assert_same(found: ParsedFile, plain: ParsedFile) -> None:
    """All that is told of a file, its frames and their hashes."""
    assert replace(found, frames=plain.frames) == plain
    for column in ("t_ms", "counts", "temperature_c"):
        np.testing.assert_array_equal(getattr(found.frames, column), getattr(plain.frames, column))
    assert ReadingsHashes.of(found.frames) == ReadingsHashes.of(as_arrays(plain.frames))


@pytest.mark.parametrize("way", WAYS)
def test_pieces_of_text(tmp_path: Path, request: pytest.FixtureRequest, way: str) -> None:
    """However the text is written, wherever it is cut."""
    path = tmp_path / "run.csv"
    path.write_bytes(WAYS[way].encode())
    plain = read(path)
    assert len(plain.frames) == ROWS
    request.getfixturevalue("in_pieces")
    found = read(path)
    assert isinstance(found.frames, LongFrames)
    assert_same(found, plain)
    assert found.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("what", OTHERS)
def test_pieces_by_another_mapping(tmp_path: Path, request: pytest.FixtureRequest, what: str) -> None:
    path = tmp_path / "run.csv"
    cells = [[f"{int(t) / 1000:.3f}", *of] for t, *of in rows()] if what == "seconds" else rows()
    cells = (
        [[t, a, b, "40" if level else "", w] for t, a, b, level, w in cells] if what == "masses" else cells
    )
    path.write_text(text_of(cells))
    plain = read(path, OTHERS[what])
    left_out = {"time forgotten": ["t"], "no label": ["level"]}
    assert [left.column for left in plain.left_out] == left_out.get(what, [])
    request.getfixturevalue("in_pieces")
    assert_same(read(path, OTHERS[what]), plain)


@pytest.mark.parametrize("empty", [False, True])
def test_pieces_of_parquet(tmp_path: Path, request: pytest.FixtureRequest, empty: bool) -> None:
    """Rows that stand in several groups; empty values where there may be some."""
    path = tmp_path / "run.parquet"
    t_ms, a, b, level, warm = (list(column) for column in zip(*rows(), strict=True))
    counts = {
        "t": [int(str(t)) for t in t_ms],
        "a": [int(str(c)) for c in a],
        "b": [float(str(c)) for c in b],
    }
    real = {"level": level, "warm": warm} if empty else {"level": ["1"] * ROWS, "warm": ["20.5"] * ROWS}
    table = pyarrow.table(counts | {name: [float(v) if v else None for v in of] for name, of in real.items()})
    pyarrow.parquet.write_table(table, path, row_group_size=101)
    plain = read(path)
    request.getfixturevalue("in_pieces")
    found = read(path)
    assert isinstance(found.frames, LongFrames)
    assert_same(found, plain)


def test_blocks_are_those_of_arrays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Wherever pieces end, blocks are cut and packed as those of a file that is read at once."""
    rng = np.random.default_rng(3)
    cells = np.column_stack([100 * np.arange(40_000), rng.integers(900, 1000, (40_000, 2))])
    path = tmp_path / "run.csv"
    path.write_text("t,a,b\n" + "\n".join(",".join(map(str, row)) for row in cells.tolist()) + "\n")
    mapping = replace(COLUMNS, level=None, temperature=None)
    plain = to_blocks(as_arrays(read(path, mapping).frames))
    for name, size in {"LONG_BYTES": 0, "PIECE_BYTES": 50_000}.items():
        monkeypatch.setattr(pieces, name, size)
    held = read(path, mapping).frames
    assert isinstance(held, PackedFrames)
    np.testing.assert_array_equal(held.counts, cells[:, 1:])
    monkeypatch.setattr(long_files, "HELD_BYTES", 0)
    packed = read(path, mapping).frames
    assert isinstance(packed, LongFrames)
    assert list(held.blocks) == list(packed.blocks) == list(plain)


FAULTS = {
    "no number": (250, 1, "x", "line 252, column 'a': 'x'"),
    "an empty count": (250, 2, "", "line 252, column 'b': an empty cell"),
    "a count beyond the width": (250, 2, "65536", "line 252, column 'b': a count of 65536"),
    "half a count": (250, 2, "7.5", "line 252, column 'b': a count of 7.5"),
    "a level above the tank": (220, 3, "101", "line 222, column 'level': a level of 101 mm"),
    "no temperature": (250, 4, "warm", "line 252, column 'warm': 'warm'"),
    "time that stands still": (250, 0, rows()[249][0], "line 252, column 't': time stands still at"),
    "time that runs back": (250, 0, "1", "line 252, column 't': time runs back from"),
    "a cell too many": (250, 4, "20,20", "line 252: 6 cells"),
    "a quotation mark left open": (250, 4, '"20', "line 252: a quotation mark that is not closed"),
}


@pytest.mark.longer
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("size", [100, 700, 1500, 5000])
def test_faults(
    tmp_path: Path,
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
    fault: str,
    size: int,
) -> None:
    """A fault is named by its place in the file; where the file is short enough to be read at once, with the
    very words that it has then.
    """
    row, column, cell, sentence = FAULTS[fault]
    cells = rows()
    cells[row][column] = cell
    path = tmp_path / "run.csv"
    path.write_text(text_of(cells))
    with pytest.raises(InputError) as plain:
        read(path)
    whole_too = pieces.LongText.whole_too
    request.getfixturevalue("in_pieces")
    monkeypatch.setattr(pieces, "PIECE_BYTES", size)
    monkeypatch.setattr(pieces, "SAMPLE_LINES", 1)
    with pytest.raises(InputError, match=sentence.replace("(", r"\(")) as found:
        read(path)
    if fault != "half a count":  # whose scale is found by the piece
        assert str(found.value) == str(plain.value)
    monkeypatch.setattr(pieces.LongText, "whole_too", whole_too)
    with pytest.raises(InputError) as again:
        read(path)
    assert str(again.value) == str(plain.value)


@pytest.mark.parametrize("before", [0, 1, 100])
def test_time_rises_from_piece_to_piece(tmp_path: Path, in_pieces: None, before: int) -> None:
    """The first row of a piece is later than the last of the one before."""
    cells = rows()
    row = next(k for k in range(ROWS) if sum(map(len, LINES[: k + 2])) > 700)  # the first of another piece
    cells[row][0] = str(int(cells[row - 1][0]) - before)
    path = tmp_path / "run.csv"
    path.write_text(text_of(cells))
    with pytest.raises(InputError, match=rf"line {row + 2}, column 't': time (runs back|stands still)"):
        read(path)


def test_bounds_of_long_files(tmp_path: Path, in_pieces: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows, lines, bytes, and a line without an end."""
    path = tmp_path / "run.csv"
    path.write_text(PLAIN)
    monkeypatch.setattr(long_files, "MOST_ROWS", ROWS)
    monkeypatch.setattr(pieces, "MOST_LINES", ROWS + 1)
    assert len(read(path).frames) == ROWS
    for module, bound, sentence in (
        (long_files, "MOST_ROWS", f"more than {ROWS - 1} rows"),
        (pieces, "MOST_LINES", f"more than {ROWS - 1} lines"),
    ):
        with monkeypatch.context() as changed:
            changed.setattr(module, bound, ROWS - 1)
            with pytest.raises(InputError, match=sentence):
                read(path)
    monkeypatch.setattr(pieces, "MOST_LINE", 1000)
    path.write_text(PLAIN + "1" * 6000)
    with pytest.raises(InputError, match="a line of more than 1000 characters"):
        read(path)
    monkeypatch.setattr(pieces, "MOST_LONG_BYTES", 1 << 10)
    with pytest.raises(InputError, match="more than 0 MiB"):
        read(path)


CHILD = """
import resource, sys
from pathlib import Path
from dataset.admission import long_files
from dataset.admission.session_files import read_file
from dataset.files import pieces
from dataset.records import ColumnMapping, CountLaw, Liquid, Mounting, NewSession, Pad, Sensor, Tank, Unit
from dataset.store import Store

pieces.LONG_BYTES, pieces.PIECE_BYTES, long_files.HELD_BYTES = 0, 1 << 20, 0
pads = tuple(Pad(k, f"p{k}", 10.0 * k, 10.0) for k in range(4))
with Store.open(Path(sys.argv[1])) as store:
    sensor = store.add_sensor(Sensor("strip", 0, pads, 16, CountLaw.RISES, 100))
    mounting = store.add_mounting(Mounting("on", store.add_tank(Tank("can", 0, 100.0)), sensor))
    on = store.add_unit(Unit("u")), store.add_liquid(Liquid("water", 80.0)), mounting
    file = read_file(Path(sys.argv[2]), ColumnMapping("m", sensor.channel_names), sensor, mounting.tank)
    (session,) = store.add_sessions([NewSession(*on, file.frames, file.marks, file.source)])
unit = 1 if sys.platform == "darwin" else 1024
print(session.frames, unit * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.slow  # two processes, and files long enough to tell their memory from that of Python
@pytest.mark.skipif(sys.platform == "win32", reason="the system says how much memory a process took")
def test_memory_of_a_long_file(tmp_path: Path) -> None:
    """A file four times as long takes little more memory: less than its counts alone would as arrays."""
    rng = np.random.default_rng(1)
    numbers = rng.integers(1000, 1016, (1 << 17, 4))
    part = "".join(",".join(row) + "\n" for row in numbers.astype(str).tolist())
    peaks = {}
    for times in (2, 8):
        path = tmp_path / f"run{times}.csv"
        path.write_text("p0,p1,p2,p3\n" + part * times)
        command = [sys.executable, "-P", "-c", CHILD, str(tmp_path / f"{times}.db"), str(path)]
        ended = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
        frames, peak = map(int, ended.stdout.split())
        assert frames == times * len(numbers)
        peaks[times] = peak
    assert (peaks[8] - peaks[2]) / (6 * len(numbers)) < 4 * numbers.shape[1]


def test_pieces_of_a_column_of_pours(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """Whole seconds in order, -1 where a cell is empty; a column that is not there, and a cell that is no
    whole second, are told by file and line.
    """
    path, pours = tmp_path / "run.csv", [str(k // 7) if k % 5 else "" for k in range(ROWS)]
    text = text_of(
        [[*row, s] for row, s in zip(rows(), pours, strict=True)], HEADER.replace("\n", ",since\n")
    )
    path.write_text(text)
    request.getfixturevalue("in_pieces")
    found = read_file(path, COLUMNS, SENSOR, TANK, since_pour="since")
    assert isinstance(found.frames, LongFrames)
    assert found.since_pour is not None
    assert found.since_pour.tolist() == [k // 7 if k % 5 else -1 for k in range(ROWS)]
    assert found.unused == ()
    with pytest.raises(InputError, match="no column 'sinse'"):
        read_file(path, COLUMNS, SENSOR, TANK, since_pour="sinse")
    path.write_text(text.replace(",42\n", ",42.5\n"))
    with pytest.raises(InputError, match=r"line 29[0-9], column 'since': 42\.5 seconds"):
        read_file(path, COLUMNS, SENSOR, TANK, since_pour="since")


def test_pieces_of_a_column_of_pours_in_parquet(tmp_path: Path, in_pieces: None) -> None:
    """No other column is read of such a file than those that are named; null is not known."""
    pours = [k // 7 if k % 5 else None for k in range(ROWS)]
    counts = pyarrow.array(np.arange(ROWS), pyarrow.uint32())
    path = tmp_path / "run.parquet"
    pyarrow.parquet.write_table(pyarrow.table({"a": counts, "b": counts, "since": pours}), path)
    found = read_file(path, ColumnMapping("m", ("a", "b")), SENSOR, TANK, since_pour="since")
    assert isinstance(found.frames, LongFrames)
    assert found.since_pour is not None
    assert found.since_pour.tolist() == [-1 if s is None else s for s in pours]
