"""Logging, listing, showing and voiding sessions on the command line."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from building import bench_store
from calling import READINGS, TWO_SENSORS, run, run_json, run_lines
from dataset.records import Liquid, Tank
from dataset.store import Store
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Cylinder
from innage.cli import app

REAL = ["--tank", "can", "--liquid", "water", "--sensor", "osc", "--unit", "u1"]
REAL += ["--time", "elapsed_ms", "--count", "N_counts"]
REAL += ["--level", "level_cm", "--level-unit", "cm", "--level-u-mm", "0.5"]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with a bench for the real readings and, beside it, a sensor of two pads."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        run_lines(TWO_SENSORS)
        run("unit", "add", "u1")
    return path.read_bytes()


def sessions() -> Any:
    return run_json("sessions")


def write(path: Path, seed: int, text: str = "") -> Path:
    """A file for the pair of pads."""
    rng = np.random.default_rng(seed)
    path.write_text(
        text
        or "t,a,b,mm\n"
        + "".join(
            f"{k * 100},{x},{y},{k // 10 * 5}\n" for k, (x, y) in enumerate(rng.integers(0, 4096, (30, 2)))
        )
    )
    return path


UNUSED = ["--ignore", "t", "--ignore", "mm"]
PAIR = ["--tank", "can", "--liquid", "water", "--sensor", "pair", "--unit", "u1"]


def test_real_readings_end_to_end(store: Path) -> None:
    """The real readings are logged, listed and shown; per level the mean counts are those of the csv module
    and a plain loop.

    Source: innage/demo_data/SOURCE.txt.
    """
    said = run("log", READINGS, *REAL, "--save-mapping", "tidy")
    assert "levels_tidy.csv (comma): 768 frames, 768 labelled at 20 levels from 0 to 100 mm\n" in said
    assert "\n  warning, gaps in time: 19 gaps, the longest of 346.619 s after frame " in said
    assert said.endswith("\nmapping tidy saved\n")
    (session,) = sessions()
    assert (session["frames"], session["labelled"], session["levels"], session["void_reason"]) == (
        768,
        768,
        20,
        None,
    )
    assert said.startswith(
        f"columns not used: sample_index, f_meas_Hz, C_raw_pF, Tgate_s\nsession {session['id']} from"
    )
    shown = run_json("show", session["id"][:6])
    with READINGS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for mark in shown["marks"]:
        counts = [
            float(row["N_counts"])
            for row in rows
            if float(row["level_cm"]) * 10 == pytest.approx(mark["level_mm"])
        ]
        assert len(counts) == mark["stop"] - mark["start"]
        (found,) = mark["counts"]
        assert found["mean"] == pytest.approx(sum(counts) / len(counts), rel=1e-12)
        assert (found["min"], found["max"], mark["u_mm"]) == (min(counts), max(counts), 0.5)
    assert (
        sum(m["stop"] - m["start"] for m in shown["marks"] if m["level_mm"] in {0, *range(15, 100, 10)})
        == 380
    )
    assert session["id"] in run("sessions")
    assert "50768.6" in run("show", session["id"])
    assert run_json("mapping", "list")[0]["counts"] == ["N_counts"]
    assert "elapsed_ms" in run("mapping", "list")
    assert "level_cm" in run("mapping", "show", "tidy")


def test_many_files_with_a_saved_mapping(store: Path, tmp_path: Path) -> None:
    """Many files in one call are a session each, in their order; a saved mapping reads them as its options
    did.
    """
    files = [write(tmp_path / f"r{k}.csv", k) for k in range(12)]
    run("log", files[0], *PAIR, "--time", "t", "--level", "mm", "--save-mapping", "bench")
    said = run("log", *files[1:], *PAIR, "--mapping", "bench")
    assert said.count("\n") == 12
    assert said.endswith("11 sessions logged, 330 frames\n")
    assert [(s["file"], s["labelled"], s["levels"]) for s in sessions()] == [
        (f"r{k}.csv", 30, 3) for k in range(12)
    ]


def test_all_files_or_none(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """One bad file among many leaves the store as it was, byte for byte, and is named with line
    and column.
    """
    files = [write(tmp_path / f"r{k}.csv", k) for k in range(3)]
    files.append(write(tmp_path / "bad.csv", 9, "t,a,b,mm\n0,1,2,5\n100,4096,2,5\n"))
    before = store.read_bytes()
    sentence = refused("log", *files, *PAIR, "--time", "t", "--level", "mm", "--save-mapping", "bench")
    assert (
        f"{files[-1]}, line 3, column 'a': a count of 4096; expected a whole number from 0 to "
        "4095 (12 bits, sensor pair@1)" in sentence
    )
    files[-1] = files[0]
    assert "was logged already" in refused(
        "log", *files, *PAIR, "--time", "t", "--level", "mm", "--save-mapping", "bench"
    )
    assert store.read_bytes() == before
    assert sessions() == []


def test_log_as_json(store: Path, tmp_path: Path) -> None:
    """With --json the ids and facts come as a list, the delimiter by its name."""
    path = write(
        tmp_path / "r.csv",
        1,
        "t\ta\tb\tmm\n0\t1\t2\t5\n100\t2\t2\t\n400\t3\t3\t6\n500\t3\t4\t6\n600\t3\t3\t6\n",
    )
    (found,) = run_json("log", path, *PAIR, "--time", "t", "--level", "mm")
    assert (found["frames"], found["labelled"], found["levels"], found["marks"]) == (5, 4, 2, 2)
    assert (found["gaps"], found["delimiter"], found["median_period_ms"]) == (1, "tab", 100.0)
    assert sessions()[0]["id"] == found["id"]


def test_pad_names_are_the_default_columns(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Without --count the columns named like the pads are taken; when they are not there, the error lists the
    columns.
    """
    run("log", write(tmp_path / "r.csv", 1), *PAIR, *UNUSED)
    path = write(tmp_path / "x.csv", 2, "t,c0,c1\n0,1,2\n")
    assert "no column 'a'; expected one of 't', 'c0', 'c1'. Name the columns with --count" in refused(
        "log", path, *PAIR, *UNUSED
    )


def test_delimiters_by_name(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """--delimiter takes a character or a word; letters, digits and marks that numbers need are refused."""
    run("log", write(tmp_path / "r.csv", 1, "a;b\n1;2\n"), *PAIR, "--delimiter", "semicolon")
    run("log", write(tmp_path / "s.csv", 1, "a!b\n3;2\n".replace(";", "!")), *PAIR, "--delimiter", "!")
    for bad in ("ab", "5", "."):
        assert "--delimiter" in refused("log", tmp_path / "r.csv", *PAIR, "--delimiter", bad)


def test_which_mounting(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """One mounting that joins tank and sensor is found; none, several, and a contradiction are refused with
    the candidates.
    """
    path = write(tmp_path / "r.csv", 1)
    rest = ["--liquid", "water", "--unit", "u1"]
    assert "--tank and --sensor: one is missing" in refused("log", path, *rest, "--tank", "can")
    assert "expected osc@1, which mounting m-osc is of" in refused("log", path, *PAIR, "--mounting", "m-osc")
    run("mounting", "add", "second", "--tank", "can", "--sensor", "pair", "--offset-mm", "3")
    assert "2 of sensor pair@1 on tank can@1: m-pair, second" in refused("log", path, *PAIR)
    run("log", path, *rest, *UNUSED, "--mounting", "second")
    run("tank", "add", "can", "--span-mm", "120")
    sentence = refused("log", path, *PAIR)
    assert (
        "none for sensor pair@1 on tank can@2. There are: m-osc (sensor osc@1 on tank can@1), m-pair"
        in sentence
    )
    assert sessions()[0]["mounting"] == "second"


def test_mapping_or_options(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """A saved mapping and options for columns do not mix, and a mapping that is not there is named."""
    path = write(tmp_path / "r.csv", 1)
    assert "one or the other" in refused("log", path, *PAIR, "--mapping", "x", "--time", "t")
    assert "mapping x: is not in the store" in refused("log", path, *PAIR, "--mapping", "x")


def test_voiding(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """A void session stays in the list with its reason; voiding it again is refused; one without labels says
    so.
    """
    said = run("log", write(tmp_path / "r.csv", 1), *PAIR, "--time", "t", "--ignore", "mm")
    assert (
        "0 labelled; levels come from a column (--level, --mass or --poured) or afterwards "
        "from 'innage mark'\n" in said
    )
    id_ = sessions()[0]["id"]
    assert run("show", id_).endswith("no marks: no frame of this session is labelled\n")
    assert run("void", id_[:8], "--reason", "hose slipped") == f"session {id_} is void: hose slipped\n"
    assert sessions()[0]["void_reason"] == "hose slipped"
    assert "void: hose" in run("sessions")
    assert "is void already ('hose slipped')" in refused("void", id_, "--reason", "again")


def test_many_are_voided_in_one_call_or_none(
    store: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    """A session that is void already, or that is not there, keeps the others as they are; one that is named
    twice is voided once. Taking back is all or none too.
    """
    run("log", *(write(tmp_path / f"r{k}.csv", k) for k in range(3)), *PAIR, *UNUSED)
    first, second, third = (session["id"] for session in sessions())

    def void() -> set[str]:
        return {session["id"] for session in sessions() if session["void_reason"]}

    run("void", second, "--reason", "hose slipped")
    assert f"session {second}: is void already" in refused("void", first, second, "--reason", "batch")
    assert "ffffff" in refused("void", first, "ffffff", "--reason", "batch")
    assert void() == {second}
    said = run("void", first, third[:9], first[:8], "--reason", "batch of the wrong day")
    assert said == "".join(f"session {id_} is void: batch of the wrong day\n" for id_ in (first, third))
    run("void", first, "--take-back", "--reason", "was right")
    assert "is not void" in refused("void", third, first, "--take-back", "--reason", "all right")
    assert void() == {second, third}
    run("void", third, second, "--take-back", "--reason", "all right")
    assert void() == set()


def test_conditions(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Conditions of whole sessions and of stretches are logged and shown; a file of stretches is for one
    session.
    """
    files = [write(tmp_path / f"r{k}.csv", k) for k in range(3)]
    run(
        "log", *files[:2], *PAIR, "--time", "t", "--ignore", "mm", "--condition", "wall=film,coupling=earthed"
    )
    for session in sessions():
        (stretch,) = run_json("show", session["id"])["conditions"]
        assert stretch == {"start": 0, "stop": 30, "wall": ["film"], "coupling": "earthed"}
    stretches = tmp_path / "c.csv"
    stretches.write_text("from_ms,to_ms,surface\n0,950,foam:20-45\n1000,2900,still\n")
    assert "for 2 sessions" in refused("log", *files[1:], *PAIR, *UNUSED, "--conditions", stretches)
    run("log", files[2], *PAIR, *UNUSED, "--conditions", stretches, "--condition", "wall=film")
    shown = run("show", sessions()[2]["id"])
    assert "0-9     surface=foam:20-45,wall=film" in shown
    assert "10-29   surface=still,wall=film" in shown


def test_labels_by_weighing(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """A column of masses becomes marks through tare, density and profile; poured volumes and half-widths of
    levels too.

    Source: h = (m - tare) B / (rho A) by hand, B = 1.0010534 and rho = 998.2072 kg/m3 for water at 20 C
        (IAPWS-95), D = 100 mm.
    """
    with Store.open(store) as opened:
        bench_store(
            opened,
            tank=Tank("drum", 0, 100.0, profile=to_json(stack([Cylinder(100.0, 110.0)]))),
            sensor=opened.sensor("pair"),
            liquid=Liquid("tap", model="water"),
            unit="u1",
            mounting="m-drum",
        )
    bench = ["--mounting", "m-drum", "--liquid", "tap", "--unit", "u1"]
    path = write(tmp_path / "r.csv", 1, "a,b,g,ml,mm\n1,2,150,,\n2,3,550,500,20\n2,4,550,500,20\n3,4,,,\n")
    options = [
        "--tare-g",
        150,
        "--label-temperature-c",
        20,
        "--scale-half-width-g",
        0.5,
        "--dimension-half-width-mm",
        0.2,
    ]
    assert "3 labelled at 2 levels from 0 to 51.07 mm" in run("log", path, *bench, "--mass", "g", *options)
    empty, mark = run_json("show", sessions()[0]["id"])["marks"]
    assert (empty["level_mm"], empty["method"], mark["start"], mark["stop"]) == (0, "mass", 1, 3)
    assert mark["level_mm"] == pytest.approx(
        0.4 * 1.0010534 / (998.2072 * math.pi / 4 * 0.1**2) * 1000, abs=1e-4
    )
    assert (mark["u_mm"], mark["u_common_mm"]) == pytest.approx((0.0369, 0.118), abs=5e-4)
    assert "0.12" in run("show", sessions()[0]["id"])
    again = write(tmp_path / "s.csv", 1, "a,b,g,ml,mm\n1,2,150,0,\n2,3,550,500,20\n2,4,550,500,20\n3,5,,,\n")
    run("log", again, *bench, "--poured", "ml", "--poured-half-width-ml", 5)
    (_, mark) = run_json("show", sessions()[1]["id"])["marks"]
    assert mark["level_mm"] == pytest.approx(500_000 / (math.pi * 2500), abs=1e-6)
    assert mark["u_mm"] == pytest.approx(5000 / math.sqrt(3) / (math.pi * 2500), rel=1e-6)
    third = write(tmp_path / "t.csv", 1, "a,b,g,ml,mm\n1,2,1200,0,\n2,3,550,500,20\n2,7,550,500,20\n")
    run("log", third, *bench, "--level", "mm", "--level-half-width-mm", 0.5)
    assert run_json("show", sessions()[2]["id"])["marks"][0]["u_mm"] == pytest.approx(0.5 / math.sqrt(3))
    fault = refused("log", third, *bench, "--mass", "g", "--label-temperature-c", 20)
    assert (
        f"{third}, line 2, column 'g': 1200 g, which is 1203 mL above the datum; expected 0 to 863.9 mL"
        in fault
    )
    assert "one of level, mass and poured" in refused("log", third, *bench, "--mass", "g", "--level", "mm")
    assert "both; expected one" in refused(
        "log", third, *bench, "--level-u-mm", 1, "--level-half-width-mm", 1
    )
    assert "--scale-half-width-g: -1" in refused(
        "log", third, *bench, "--mass", "g", "--scale-half-width-g", -1
    )


def test_labels_from_a_ramp(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """A scale's log on its own clock labels the frames: the lag is found and said, or given. Made up: the
    stream is 7.3 s ahead.
    """
    rng = np.random.default_rng(2)
    t_ms = np.arange(0, 60_000, 100)
    mm = np.interp(t_ms, [10_000, 30_000, 40_000, 50_000], [10, 40, 40, 60])
    counts = np.rint(1000 + 20 * mm[:, None] * [1, 0.7] + rng.normal(0, 2, (600, 2))).astype(int)
    frames = tmp_path / "f.csv"
    frames.write_text("t,a,b\n" + "".join(f"{t},{a},{b}\n" for t, (a, b) in zip(t_ms, counts, strict=True)))
    scale = tmp_path / "scale.csv"
    scale.write_text(
        "s;cm\n"
        + "".join(
            f"{t / 1000 + 7.3};{level / 10}\n" for t, level in zip(t_ms[5:590:2], mm[5:590:2], strict=True)
        )
    )
    ask = [
        frames,
        *PAIR,
        "--time",
        "t",
        "--ramp",
        scale,
        "--ramp-time",
        "s",
        "--ramp-time-unit",
        "s",
        "--ramp-level",
        "cm",
        "--level-unit",
        "cm",
    ]
    result = CliRunner().invoke(app, ["log", *map(str, ask)], catch_exceptions=False)
    assert result.exit_code == 0
    lag, u = re.findall(
        r"its clock is (\S+) s ahead of the frames', standard uncertainty (\S+) s", result.stderr
    )[0]
    assert float(lag) == pytest.approx(7.3, abs=3 * float(u))
    marks = run_json("show", sessions()[0]["id"])["marks"]
    (rise,) = [m for m in marks if m["level_mm"] < 12 and (m["level_stop_mm"] or 0) > 35]
    assert rise["u_common_mm"] == pytest.approx(1.5 * float(u), rel=0.1)
    assert "one of level or mass" in refused(
        "log", frames, *PAIR, *UNUSED, "--ramp", scale, "--ramp-time", "s"
    )
    again = tmp_path / "g.csv"
    counts[0, 0] += 1  # another recording, by a hair
    again.write_text("t,a,b\n" + "".join(f"{t},{a},{b}\n" for t, (a, b) in zip(t_ms, counts, strict=True)))
    run("log", again, *ask[1:], "--ramp-lag-ms", 7300, "--ramp-lag-half-width-ms", 100)
    marks = run_json("show", sessions()[1]["id"])["marks"]
    (rise,) = [m for m in marks if m["level_mm"] < 12 and (m["level_stop_mm"] or 0) > 35]
    assert rise["u_common_mm"] == pytest.approx(1.5 * 0.1 / math.sqrt(3), rel=0.02)


def test_no_sessions_yet(store: Path) -> None:
    """An empty list says what to try."""
    assert run("sessions").startswith("no sessions yet: try 'innage log FILE")
    assert sessions() == []
