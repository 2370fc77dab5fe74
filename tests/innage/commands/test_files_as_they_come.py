"""Recordings logged as they come: counts with decimals, and what programs write around the rows.

Source of the readings: innage/demo_data/SOURCE.txt (frequency with one decimal, capacitance with two).
"""

from __future__ import annotations

import csv
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from building import put
from calling import READINGS, run, run_json, run_lines
from dataset.canonical import sensor_key
from dataset.records import CountLaw, Pad, Sensor
from dataset.store import Store

SENSORS = """tank add can --span-mm 100
liquid add water
unit add u1
sensor add whole --pad p0:0:100 --count-bits 16 --count-law falls --period-ms 2051
sensor add tenths --pad p0:0:100 --count-bits 18 --count-law falls --period-ms 2051 --count-scale 10
sensor add hundredths --pad p0:0:100 --count-bits 14 --count-law rises --period-ms 2051 --count-scale 100
mounting add m-whole --tank can --sensor whole
mounting add m-tenths --tank can --sensor tenths
mounting add m-hundredths --tank can --sensor hundredths
sensor add pair --pad a:0:50 --pad b:50:50 --count-bits 12 --count-law rises --period-ms 100
mounting add m-pair --tank can --sensor pair"""
LEVELS = [
    "--time",
    "elapsed_ms",
    "--level",
    "level_cm",
    "--level-unit",
    "cm",
    "--unit",
    "u1",
    "--liquid",
    "water",
]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with sensors of one pad that keep whole counts, tenths and hundredths."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        run_lines(SENSORS)
    return path.read_bytes()


def readings(column: str) -> list[str]:
    with READINGS.open(newline="") as file:
        return [row[column] for row in csv.DictReader(file)]


@pytest.mark.parametrize(
    ("sensor", "column", "scale"), [("tenths", "f_meas_Hz", 10), ("hundredths", "C_raw_pF", 100)]
)
def test_converted_values_are_logged_as_they_come(store: Path, sensor: str, column: str, scale: int) -> None:
    """Hz with one decimal and pF with two are kept as whole steps, each the digits that stand in the file."""
    (logged,) = run_json("log", READINGS, *LEVELS, "--mounting", f"m-{sensor}", "--count", column)
    digits = len(str(scale)) - 1
    expected = [int(f"{float(cell):.{digits}f}".replace(".", "")) for cell in readings(column)]
    with Store.open(store) as opened:
        frames = opened.frames(opened.session(logged["id"]), verify=True)
    np.testing.assert_array_equal(frames.counts[:, 0], expected)


@pytest.mark.parametrize(("column", "needed"), [("f_meas_Hz", 10), ("C_raw_pF", 100)])
@pytest.mark.usefixtures("store")
def test_what_is_finer_than_the_scale_is_refused_with_the_scale(
    refused: Callable[..., str], column: str, needed: int
) -> None:
    """One sentence that says which scale would do; with a sensor of that scale the file is logged."""
    said = refused("log", READINGS, *LEVELS, "--mounting", "m-whole", "--count", column)
    assert f"column {column!r}: a count of " in said
    assert "; expected a whole number, as sensor whole@1 has it. " in said
    assert said.endswith(f" Add a sensor revision with --count-scale {needed}, which would do\n")
    assert run_json("sessions") == []


def test_another_scale_is_another_sensor(store: Path, refused: Callable[..., str]) -> None:
    """The scale is shown, makes a revision of its own, and changes the key only where it is not 1."""
    said = run(
        "sensor",
        "add",
        "whole",
        "--pad",
        "p0:0:100",
        "--count-bits",
        16,
        "--count-law",
        "falls",
        "--period-ms",
        2051,
        "--count-scale",
        10,
    )
    assert said == (
        "sensor whole@2: pads p0; 16 bits, 10 steps a count, count falls with C, 2051 ms\n"
        "whole exists: this is revision 2 of it, which 'whole' means from now on; what stands on whole@1 "
        "stays on it\n"
    )
    shown = run_json("sensor", "list")
    assert [(s["name"], s["revision"], s["count_scale"]) for s in shown] == [
        ("hundredths", 1, 100),
        ("pair", 1, 1),
        ("tenths", 1, 10),
        ("whole", 1, 1),
        ("whole", 2, 10),
    ]
    with Store.open(store) as opened:
        assert sensor_key(opened.sensor("whole@1")) != sensor_key(opened.sensor("whole@2"))
    said = refused(
        "sensor",
        "add",
        "x",
        "--pad",
        "p0:0:100",
        "--count-bits",
        16,
        "--count-law",
        "falls",
        "--period-ms",
        2051,
        "--count-scale",
        65_536,
    )
    assert (
        said == "innage: sensor x, count scale: 65536; expected at least 1 and at most 65535 steps a count\n"
    )


@pytest.mark.usefixtures("store")
def test_a_trim_is_given_as_the_board_sends_it(refused: Callable[..., str], tmp_path: Path) -> None:
    """Counts of a trim have the decimals of the scale, stored bytes carry steps and scale, and what is finer
    is refused.
    """
    add = ["trim", "add", "--kind", "dry", "--unit", "u1", "--date", "2026-01-31", "--stage", "end-of-line"]
    on = ["--mounting", "m-hundredths"]
    assert run(*add, *on, "--counts", "22.82").endswith(": p0 22.82\n")
    assert "22.82" in run("trim", "list")
    (trim,) = run_json("trim", "list")
    assert trim["counts"] == [2282]
    made = run_json("trim", "bytes", "u1", "--out", tmp_path / "trim.bin")
    (record,) = run_json("trim", "read", tmp_path / "trim.bin")
    assert made["records"] == [record]
    assert (record["counts"], record["count_scale"]) == ([2282], 100)
    said = refused(*add, *on, "--counts", "22.825")
    assert said == "innage: --counts: 22.825; expected steps of 1/100, the sensor's count scale\n"
    said = refused(*add, "--mounting", "m-whole", "--counts", "22.5")
    assert said == "innage: --counts: 22.5; expected whole numbers\n"


def test_stores_from_before_have_a_scale_of_one(tmp_path: Path) -> None:
    """A sensor without a scale hashes as if there were no such fact: its row holds none."""
    with Store.open(tmp_path / "s.db") as store:
        (sensor,) = put(store, Sensor("s", 0, (Pad(0, "p", 0.0, 10.0),), 16, CountLaw.RISES, 100))
        assert sensor.count_scale == 1
    with closing(sqlite3.connect(tmp_path / "s.db")) as connection:
        assert connection.execute("SELECT count_scale FROM sensor").fetchall() == [(None,)]


PAIR = ["--mounting", "m-pair", "--unit", "u1", "--liquid", "water", "--count", "a", "--count", "b"]
ALL = [*PAIR, "--time", "t", "--level", "level", "--temperature", "warm"]
TABLE = "t,a,b,level,warm\n" + "".join(
    f"{100 * k},{k},{4095 - k * k},{k // 2 * 10},{20 + k / 4}\n" for k in range(8)
)
BELOW = {
    "as a spreadsheet writes it": ("sep=;\n" + TABLE.replace(",", ";").replace(".", ",")).encode(),
    "with a quoted separator": ('"sep=|"\r\n' + TABLE.replace(",", "|").replace("\n", "\r\n")).encode(),
    "units in brackets": TABLE.replace("warm\n", "warm\n[ms],-,,[mm],[\u00b0C]\n", 1).encode(),
    "plain units": TABLE.replace("warm\n", "warm\nms,counts,counts,mm,degC\n", 1).encode(),
    "both, and remarks": ("sep=,\n# bench 2\n" + TABLE.replace("warm\n", "warm\nms,x,x,mm,C\n", 1)).encode(),
}


def logged_frames(store: Path, session: str) -> tuple[list[list[int]], list[float]]:
    """Counts and temperatures of a session."""
    with Store.open(store) as opened:
        frames = opened.frames(opened.session(session))
    assert frames.temperature_c is not None
    return frames.counts.tolist(), frames.temperature_c.tolist()


@pytest.mark.parametrize("name", BELOW)
def test_what_programs_write_around_the_rows(store: Path, tmp_path: Path, name: str) -> None:
    """A line 'sep=;' and a row of units are no rows: one table gives one session, whatever is around it."""
    path = tmp_path / "run.csv"
    path.write_bytes(BELOW[name])
    (logged,) = run_json("log", path, *ALL)
    assert (logged["frames"], logged["levels"], logged["warnings"]) == (8, 4, [])
    counts, warm = logged_frames(store, logged["id"])
    assert counts == [[k, 4095 - k * k] for k in range(8)]
    assert warm == [20 + k / 4 for k in range(8)]


def test_a_fault_below_them_is_named_by_its_own_line(
    store: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    """Lines are counted as an editor counts them."""
    path = tmp_path / "run.csv"
    path.write_text("sep=;\nt;a;b\nms;-;-\n0;1;2\n100;x;4\n")
    assert f"{path}, line 5, column 'a': 'x'; expected a number" in refused("log", path, *PAIR, "--time", "t")
    assert store.is_file()


@pytest.mark.longer
@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "utf-16-le", "latin-1"])
def test_another_encoding_is_named(
    store: Path, tmp_path: Path, refused: Callable[..., str], encoding: str
) -> None:
    """Text of another encoding is refused with the option that says it, and is kept in a mapping."""
    path = tmp_path / "run.csv"
    path.write_bytes(TABLE.replace("warm", "w\u00e4rme \u00b0C").encode(encoding))
    warm = ["--temperature", "w\u00e4rme \u00b0C"]
    said = refused("log", path, *ALL[:-2], *warm)
    assert "zero byte" in said if encoding == "utf-16-le" else "--encoding" in said
    (logged,) = run_json("log", path, *ALL[:-2], *warm, "--encoding", encoding, "--save-mapping", "bench")
    assert logged_frames(store, logged["id"])[1] == [20 + k / 4 for k in range(8)]
    assert run_json("mapping", "show", "bench")["encoding"] == encoding
    assert "was logged already" in refused("log", path, *PAIR[:6], "--mapping", "bench")


@pytest.mark.usefixtures("store")
def test_what_is_no_encoding(tmp_path: Path, refused: Callable[..., str]) -> None:
    """A name that is none, one of a codec that gives no text, and bytes that are none in it."""
    path = tmp_path / "run.csv"
    path.write_bytes(TABLE.encode() + b"\x81")
    for name in ("cp9999", "hex", "x" * 300):
        assert "expected an encoding such as utf-8, utf-16, latin-1" in refused(
            "log", path, *ALL, "--encoding", name
        )
    said = refused("log", path, *ALL, "--encoding", "cp1252")
    assert "line 10: byte 0x81 is no text in cp1252; expected another --encoding" in said


WORKBOOKS = {
    "readings.xlsx": (b"PK\x03\x04" + bytes(26) + b"[Content_Types].xml", "is a workbook"),
    "readings.ods": (
        b"PK\x03\x04" + bytes(26) + b"mimetypeapplication/vnd.oasis.opendocument",
        "is a workbook",
    ),
    "readings.xls": (bytes.fromhex("d0cf11e0a1b11ae1") + bytes(504), "is a workbook"),
    "readings.csv": (b"PK\x03\x04" + bytes(26) + b"xl/workbook.xml", "is a workbook"),
    "readings.zip": (b"PK\x03\x04" + bytes(26) + b"monday.csv", "is a ZIP archive"),
    "readings.csv.gz": (b"\x1f\x8b\x08" + bytes(20), "is compressed by gzip"),
}


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize("name", WORKBOOKS)
def test_a_workbook_is_refused_with_the_way_out(
    tmp_path: Path, refused: Callable[..., str], name: str
) -> None:
    """By its first bytes, whatever it is called (MS-CFB 2.2; APPNOTE.TXT 4.3.7; OPC and OpenDocument name
    their parts in the clear).
    """
    content, what = WORKBOOKS[name]
    path = tmp_path / name
    path.write_bytes(content)
    way = "Open it and save the sheet with the readings as CSV" if "workbook" in what else "Unpack it first"
    assert refused("log", path, *ALL) == f"innage: {path}: {what}; expected a text or Parquet file. {way}\n"


LEFT_OUT = {
    "time": ("t_ms,a,b\n0,1,2\n100,3,4\n", "t_ms", "time"),
    "elapsed": ("elapsedMs,a,b\n0,1,2\n100,3,4\n", "elapsedMs", "time"),
    "level": ("a,b,Level [mm]\n1,2,5\n3,4,\n", "Level [mm]", "level"),
    "a bare unit": ("a,b,cm\n1,2,5\n3,4,5\n", "cm", "level"),
    "temperature": ("a,b,T_C\n1,2,21.5\n3,4,21.5\n", "T_C", "temperature"),
    "in words": ("a,b,Temperatur \u00b0C\n1,2,21.5\n3,4,21.5\n", "Temperatur \u00b0C", "temperature"),
}


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize("name", LEFT_OUT)
def test_a_column_that_was_probably_meant(tmp_path: Path, refused: Callable[..., str], name: str) -> None:
    """A time, level or temperature that nothing reads is refused, with the option for it and the one that
    leaves it out on purpose.
    """
    text, column, field = LEFT_OUT[name]
    path = tmp_path / "run.csv"
    path.write_text(text)
    assert refused("log", path, *PAIR) == (
        f"innage: {path}, line 1: column {column!r} looks like the {field}, and no column is named for that; "
        "expected a column for it, or that it is left out on purpose. "
        f"Say --{field} {column!r} or --ignore {column!r}\n"
    )
    assert "columns not used" not in run("log", path, *PAIR, "--ignore", column)


@pytest.mark.usefixtures("store")
def test_columns_not_used_are_named(tmp_path: Path) -> None:
    """Once, on standard error; none of them stands in the way: names that say nothing of the three, a time
    that does not run, a level that is words, an uncertainty.
    """
    path = tmp_path / "run.csv"
    path.write_text("t,a,b,gate_time,level state,level_u_mm,pump\n0,1,2,2,low,0.5,1\n100,3,4,2,low,0.5,1\n")
    said = run("log", path, *PAIR, "--time", "t")
    assert said.startswith("columns not used: gate_time, level state, level_u_mm, pump\nsession ")
    path.write_text("t,a,b,pump\n0,5,2,2\n100,3,4,2\n")
    assert run_json("log", path, *PAIR, "--time", "t")[0]["unused"] == ["pump"]


OTHERWISE = {
    "cm read as mm": (
        "t,a,b,level_cm\n0,1,2,5\n100,3,4,5\n",
        ["--level", "level_cm"],
        "'level_cm' speaks of cm and is read in mm",
    ),
    "a unit below": (
        "t,a,b,fill\nms,-,-,cm\n0,1,2,5\n100,3,4,5\n",
        ["--level", "fill"],
        "'fill' speaks of cm and is read in mm",
    ),
    "temperature as level": (
        "t,a,b,temp\n0,1,2,21\n100,3,4,21\n",
        ["--level", "temp"],
        "the level is read from 'temp', which speaks of a temperature",
    ),
    "fahrenheit": (
        "t,a,b,T [F]\n0,1,2,70\n100,3,4,70\n",
        ["--temperature", "T [F]"],
        "'T [F]' speaks of other degrees and is read in degrees Celsius",
    ),
}


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize("name", OTHERWISE)
def test_a_name_that_says_another_unit_is_warned_of(tmp_path: Path, name: str) -> None:
    """The name of a column, or the unit below it, against what it is read as."""
    text, options, sentence = OTHERWISE[name]
    path = tmp_path / "run.csv"
    path.write_text(text)
    (logged,) = run_json("log", path, *PAIR, "--time", "t", *options)
    assert [w for w in logged["warnings"] if w["check"] == "column named otherwise"] == [
        {"check": "column named otherwise", "sentence": sentence}
    ]


def rows_of(name: str) -> list[str]:
    """The lines of a data set's numbers, as its file has them."""
    path = Path(__file__).parents[2] / "data" / "nist_strd" / name
    lines = path.read_text(encoding="ascii").splitlines()
    return [line for line in lines if re.fullmatch(r"\s*[0-9.]+(E0)?\s+[0-9.]+(E0)?\s*", line)]


def test_a_calibration_with_four_decimals(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Ultrasonic responses against a distance: numbers with exponents in columns of blanks, four decimals.

    Source: NIST/ITL Statistical Reference Datasets, Chwirut1 (tests/data/nist_strd/SOURCE.txt).
    """
    path = tmp_path / "chwirut1.dat"
    path.write_text("\n".join(rows_of("Chwirut1.dat")))
    bare = [path, "--unit", "u1", "--liquid", "water", "--no-header", "--count", 1, "--level", 2]
    said = refused("log", *bare, "--mounting", "m-whole")
    assert said.endswith("Add a sensor revision with --count-scale 10000, which would do\n")
    run(
        "sensor",
        "add",
        "us",
        "--pad",
        "p:0:10",
        "--count-bits",
        20,
        "--count-law",
        "falls",
        "--period-ms",
        100,
        "--count-scale",
        10_000,
    )
    run("mounting", "add", "m-us", "--tank", "can", "--sensor", "us")
    (logged,) = run_json("log", *bare, "--mounting", "m-us")
    with Store.open(store) as opened:
        counts = opened.frames(opened.session(logged["id"])).counts[:, 0]
    assert counts.tolist() == [int(Decimal(row.split()[0]) * 10_000) for row in rows_of("Chwirut1.dat")]


@pytest.mark.usefixtures("store")
def test_more_decimals_than_any_scale(tmp_path: Path, refused: Callable[..., str]) -> None:
    """Five decimals: no scale that a stored trim has room for would do, and the sentence says so.

    Source: NIST/ITL Statistical Reference Datasets, Pontius (tests/data/nist_strd/SOURCE.txt).
    """
    path = tmp_path / "pontius.dat"
    path.write_text("\n".join(rows_of("pontius.dat")))
    bare = [path, "--unit", "u1", "--liquid", "water", "--no-header", "--count", 1, "--mounting", "m-whole"]
    assert "No --count-scale would do: write fewer decimals\n" in refused("log", *bare)


def test_a_disconnected_electrode_is_not_learnt(
    store: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    """155 rows at 63,010 to 74,078 in a sensor of 24 bits, said to be at 0 mm, after three sessions of real
    readings: warned of on import, and frozen for a reason only.
    """
    run(
        "sensor",
        "add",
        "wide",
        "--pad",
        "p0:0:100",
        "--count-bits",
        24,
        "--count-law",
        "falls",
        "--period-ms",
        2051,
    )
    run("mounting", "add", "m-wide", "--tank", "can", "--sensor", "wide")
    with READINGS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    where = [
        "--mounting",
        "m-wide",
        "--unit",
        "u1",
        "--liquid",
        "water",
        "--time",
        "t",
        "--count",
        "n",
        "--level",
        "mm",
    ]

    def log(name: str, lines: list[str]) -> dict[str, Any]:
        path = tmp_path / name
        path.write_text("\n".join(["t,n,mm", *lines, ""]))
        (logged,) = run_json("log", path, *where)
        return dict(logged)

    for k in range(3):
        part = rows[k::3]
        lines = [
            f"{2051 * n},{row['N_counts']},{10 * float(row['level_cm']):g}" for n, row in enumerate(part)
        ]
        grave = {w["check"] for w in log(f"{k}.csv", lines)["warnings"]} - {"moving mark", "gaps in time"}
        assert grave <= {"noise"}
    off = np.linspace(63_010, 74_078, 155).round().astype(int)
    bad = log("off.csv", [f"{2051 * n},{count},0" for n, count in enumerate(off)])
    said = next(w["sentence"] for w in bad["warnings"] if w["check"] == "never shown")
    assert "in 100 % of the frames, and " in said
    said = refused("freeze", "all", "--group", "session", "--roles", "fit:3,prove")
    assert (
        f"frozen set: session {bad['id']} (from off.csv) was warned of: never shown, pad p0 reads 63" in said
    )
    assert "say by --even-if-warned why it is right" in said
    told = ["--even-if-warned", "it is a test of the alarm"]
    assert "it is a test of the alarm" in run(
        "freeze", "all", "--group", "session", "--roles", "fit:3,prove", *told
    )
    assert run_json("frozen", "all")["even_if_warned"] == "it is a test of the alarm"
    assert store.is_file()
