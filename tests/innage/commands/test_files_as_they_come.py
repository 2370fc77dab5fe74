"""Recordings logged as they come: counts with decimals, and what programs write around the rows.

Source of the readings: innage/demo_data/SOURCE.txt (frequency with one decimal, capacitance with two).
"""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

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
mounting add m-hundredths --tank can --sensor hundredths"""
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
    assert said == "sensor whole@2: pads p0; 16 bits, 10 steps a count, count falls with C, 2051 ms\n"
    shown = run_json("sensor", "list")
    assert [(s["name"], s["revision"], s["count_scale"]) for s in shown] == [
        ("hundredths", 1, 100),
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
