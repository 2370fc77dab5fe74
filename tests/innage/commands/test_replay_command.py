"""``innage replay`` as a user calls it, on a store with one small hand-made model; the counts
are invented.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from building import CAN, WATER, bench_store, two_pads
from dataset.records import (
    Frames,
    GroupBy,
    Mark,
    Model,
    Role,
    Trim,
    TrimKind,
)
from dataset.store import Store
from innage.cli import app
from training.program import Program, digest, to_json
from training.program.builder import Builder

_spec = importlib.util.spec_from_file_location(
    "json_documents", Path(__file__).parents[1] / "json_documents.py"
)
assert _spec is not None
assert _spec.loader is not None
documents = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(documents)

# what the model that is told makes of it: not known twice, then the seconds in 1/64 mm
POURS = "t_ms,low,high,since\n0,1,1,-1\n100,1,1,\n200,1,1,0\n300,1,1,64\n400,1,1,129\n"
LOG = "t_ms,low,high\n0,1000,1000\n100,1200,1000\n200,1200,1000\n1200,1400,1200\n"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One model: the level is the sum over pads of counts above the dry trim, in 1/64 mm; the first frame
    settles.
    """
    b = Builder("m", count_bits=16, channels=2, period_ms=100, span=6400, trim_range=(0, 2000))
    b.prepare_node("clip", "trim", low=0, high=2000, name="dry", keep=True)
    b.state("frames", (0,), (0,), (1,))
    rise = b.node("sub", "counts", "dry")
    level = b.node(
        "clip", b.node("dense", rise, weights=((1, 1),), bias=(0,)), low=0, high=6400, scale="1/64 mm"
    )
    seen = b.node("lookup", "frames", table=(0, 1))
    b.renew("frames", b.node("lookup", "frames", table=(1, 1)))
    fresh = b.node("sub", b.const(1), seen)
    program = b.finish(
        low=b.node("where", fresh, b.const(0), level),
        level=b.node("where", fresh, b.const(-1), level),
        high=b.node("where", fresh, b.const(6400), level),
        validity=seen,
        flags=b.const(0),
    )
    path = tmp_path_factory.mktemp("store") / "innage.db"
    with Store.open(path) as opened:
        bench = bench_store(
            opened, tank=CAN, sensor=two_pads(), liquid=WATER, unit=("one", "bare"), mounting="bench"
        )
        for counts, date in (((1010, 1010), "2026-01-01"), ((1000, 1000), "2026-02-01")):
            opened.add_trim(Trim(bench.unit, bench.mounting, TrimKind.DRY, counts, date, "line"))
        frames = Frames(np.arange(4) * 100, np.full((4, 2), 1000, np.uint32))
        sessions = opened.add_sessions([bench.session(0, (Mark(0, 4, 0.0),), frames=frames)])
        frozen = opened.freeze("all", sessions, GroupBy.UNIT, {"one": Role.FIT})
        for name, made in (("m", program), ("told", seconds_shown()), ("bare", without_a_band())):
            opened.add_model(Model(name, digest(made), frozen, None, "{}", "{}", "{}", to_json(made), b""))
    return path


def seconds_shown() -> Program:
    """The level is the seconds since the last pour, in 1/64 mm, 0 where they are not known."""
    b = Builder("told", count_bits=16, channels=2, period_ms=100, span=6400, longest_pour_s=600)
    level = b.node("clip", "since_pour", low=0, high=6400, scale="1/64 mm")
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def without_a_band() -> Program:
    """The level is what the first pad counts, in 1/64 mm."""
    b = Builder("bare", count_bits=16, channels=2, period_ms=100, span=6400)
    level = b.node("clip", b.node("dense", "counts", weights=((1, 0),), bias=(0,)), low=0, high=6400)
    return b.finish(low=b.const(0), level=level, high=b.const(6400), validity=b.const(1), flags=b.const(0))


def innage(store: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--store", str(store)], env={"COLUMNS": "200"})


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "field.csv"
    path.write_text(LOG, encoding="utf-8")
    return path


def test_one_row_a_frame_with_the_units_newest_trim(store: Path, log: Path) -> None:
    """200 counts above dry are 200/64 = 3.125 mm; at 1200 ms frames are missing, so the model starts anew and
    withholds.
    """
    done = innage(store, "replay", "m", str(log), "--unit", "one", "--time", "t_ms")
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines() == [
        "t_ms,low_mm,level_mm,high_mm,validity,flags,reason",
        "0,0.000000,,100.000000,withheld,,doubt",
        "100,3.125000,3.125000,3.125000,valid,,",
        "200,3.125000,3.125000,3.125000,valid,,",
        "1200,0.000000,,100.000000,withheld,,doubt",
    ]
    assert (
        "1 gap in time (a step other than 100 ms within 10 %): the model started anew after each (first "
        "at frame 3, longest step 1000 ms)" in done.stderr
    )


def test_a_band_that_nobody_calibrated_is_told(store: Path, log: Path, tmp_path: Path) -> None:
    """Low 0 and high the span in each line could be read for a band; of a calibrated one nothing is said."""
    said = "no band was calibrated: low_mm is 0 and high_mm the span in each line"
    words = ("--time", "t_ms", "--out", str(tmp_path / "out"))
    assert said in innage(store, "replay", "bare", str(log), *words).stdout
    assert said not in innage(store, "replay", "m", str(log), "--unit", "one", *words).output
    for model, unit, band in (("bare", (), False), ("m", ("--unit", "one"), True)):
        facts = json.loads(innage(store, "replay", model, str(log), *unit, *words, "--json").stdout)
        assert facts["band"] is band
    other = tmp_path / "other.csv"
    other.write_text(LOG, encoding="utf-8")
    both = ("replay", "bare", str(log), str(other), "--time", "t_ms")
    assert said in innage(store, *both).stdout


def test_a_trim_may_be_given_by_its_counts_and_the_summary_as_json(
    store: Path, log: Path, tmp_path: Path
) -> None:
    out = tmp_path / "readings.csv"
    done = innage(
        store,
        "replay",
        "m",
        str(log),
        "--trim",
        "dry=900,1000",
        "--time",
        "t_ms",
        "--out",
        str(out),
        "--json",
    )
    assert done.exit_code == 0, done.output
    facts = json.loads(done.stdout)
    assert facts["validity"] == {"withheld": 2, "valid": 2, "empty": 0}
    assert facts["restarts"] == 1
    assert out.read_text(encoding="utf-8").splitlines()[2] == "100,4.687500,4.687500,4.687500,valid,,"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "none; expected dry, which model m takes"),
        (("--unit", "bare"), "unit bare: no dry trim on bench"),
        (("--unit", "one", "--trim", "dry=1,2"), "--unit and --trim: both"),
        (("--trim", "dry=900"), "--trim: dry=900"),
        (("--trim", "full=900,900"), "--trim: full"),
        (
            ("--trim", "dry=900,2001"),
            (
                "the trim given, dry trim, pad high: 2001; expected 0 to 2000, the limits of trims that "
                "model m declares. Firmware would"
            ),
        ),
        (("--unit", "one", "--json"), "--json: no --out beside it"),
        (("--unit", "one", "--time-unit", "s"), "a median frame period of"),
        (("--unit", "one", "--count", "low"), "1 count columns"),
    ],
)
def test_what_does_not_fit_is_one_sentence(store: Path, log: Path, words: tuple[str, ...], said: str) -> None:
    done = innage(store, "replay", "m", str(log), "--time", "t_ms", *words)
    assert done.exit_code == 2, done.output
    assert said in done.stderr


@pytest.fixture
def logs(tmp_path: Path) -> list[str]:
    """Two logs, and between them a file that is none."""
    folder = tmp_path / "logs"
    folder.mkdir()
    for name, text in (("a.csv", LOG), ("b.csv", "t_ms,low\n0,1\n"), ("c.csv", LOG.replace("1400", "1500"))):
        (folder / name).write_text(text, encoding="utf-8")
    return [str(folder / name) for name in ("a.csv", "b.csv", "c.csv")]


def test_each_of_many_files_gets_what_a_call_of_its_own_gives(
    store: Path, logs: list[str], tmp_path: Path
) -> None:
    words = ("--unit", "one", "--time", "t_ms")
    done = innage(store, "replay", "m", logs[0], logs[2], *words, "--out", str(tmp_path / "out"))
    assert done.exit_code == 0, done.output
    for log, name in ((logs[0], "a.readings.csv"), (logs[2], "c.readings.csv")):
        alone = innage(store, "replay", "m", log, *words)
        assert (tmp_path / "out" / name).read_text(encoding="utf-8") == alone.stdout
    assert "2 files, 8 frames: 4 withheld, 4 valid, 0 empty" in done.stdout


def test_a_file_that_does_not_fit_is_said_and_the_others_are_replayed(
    store: Path, logs: list[str], tmp_path: Path
) -> None:
    words = ("replay", "m", *logs, "--unit", "one", "--time", "t_ms")
    done = innage(store, *words, "--out", str(tmp_path / "out"), "--json")
    assert done.exit_code == 1, done.output
    facts = json.loads(done.stdout)
    documents.check("innage replay FILE FILE ...", facts)
    assert [Path(answer["file"]).name for answer in facts["files"]] == ["a.csv", "b.csv", "c.csv"]
    refused = facts["files"][1]["refused"]
    assert "b.csv" in refused
    assert "high" in refused
    assert (facts["refused"], facts["frames"], facts["validity"]["withheld"]) == (1, 8, 4)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["a.readings.csv", "c.readings.csv"]
    shown = innage(store, *words)
    assert shown.exit_code == 1
    assert f"innage: {refused}" in shown.stderr
    assert "1 of 3 files were not replayed" in shown.stderr


def test_readings_never_take_the_place_of_a_log_or_of_one_another(
    store: Path, logs: list[str], tmp_path: Path
) -> None:
    """All of it is told before a file is read."""
    other = tmp_path / "other"
    other.mkdir()
    (other / "a.txt").write_text(LOG, encoding="utf-8")
    (tmp_path / "logs" / "a.readings.csv").write_text(LOG, encoding="utf-8")
    beside = (logs[0], str(tmp_path / "logs" / "a.readings.csv"), "--out", str(tmp_path / "logs"))
    for words, said in (
        ((logs[0], logs[0]), "a.csv twice"),
        ((logs[0], "-"), "standard input"),
        ((logs[0], str(other / "a.txt"), "--out", str(other)), "the readings of more than one file"),
        (beside, "is one of the logs"),
        ((logs[0], logs[2], "--out", logs[1]), "is no folder"),
    ):
        done = innage(store, "replay", "m", *words, "--unit", "one", "--time", "t_ms")
        assert done.exit_code == 2, done.output
        assert said in done.stderr
    assert (tmp_path / "logs" / "a.readings.csv").read_text(encoding="utf-8") == LOG
    assert [path.name for path in other.iterdir()] == ["a.txt"]


def levels(done: Result) -> list[str]:
    return [line.split(",")[2] for line in done.stdout.splitlines()[1:]]


def test_a_model_that_is_told_of_pours_reads_them_in_a_column(store: Path, log: Path, tmp_path: Path) -> None:
    """64 s are 1 mm of this model, 129 s 2.015625 mm; -1 and an empty cell are not known. Without the column
    nothing is, and that is said once, however many files there are.
    """
    log.write_text(POURS, encoding="utf-8")
    words = ("replay", "told", str(log), "--time", "t_ms")
    done = innage(store, *words, "--since-pour", "since")
    assert done.exit_code == 0, done.output
    assert levels(done) == ["0.000000", "0.000000", "0.000000", "1.000000", "2.015625"]
    assert "told when liquid last came in: 3 of 5 frames" in done.stderr
    assert "is not told" not in done.stderr
    out = str(tmp_path / "out.csv")
    facts = json.loads(innage(store, *words, "--since-pour", "since", "--out", out, "--json").stdout)
    documents.check("innage replay", facts)
    assert facts["told"] == 3

    untold = innage(store, *words)
    assert levels(untold) == ["0.000000"] * 5
    assert "model told is not told when liquid last came in; --since-pour names" in untold.stderr
    (tmp_path / "b.csv").write_text(POURS, encoding="utf-8")
    several = innage(store, *words, str(tmp_path / "b.csv"), "--json")
    documents.check("innage replay FILE FILE ...", json.loads(several.stdout))
    assert [answer["told"] for answer in json.loads(several.stdout)["files"]] == [0, 0]
    assert several.stderr.count("not told") == 1


def test_a_model_that_takes_no_pours_is_not_said_to_be_untold(store: Path, log: Path, tmp_path: Path) -> None:
    words = ("--unit", "one", "--time", "t_ms", "--out", str(tmp_path / "out.csv"), "--json")
    done = innage(store, "replay", "m", str(log), *words)
    assert "told" not in done.stderr
    assert json.loads(done.stdout)["told"] is None
    refused = innage(store, "replay", "m", str(log), *words, "--since-pour", "since")
    assert refused.exit_code == 2, refused.output
    assert "--since-pour: column 'since'; expected none. Model m is not told" in refused.stderr


@pytest.mark.parametrize(
    ("words", "cell", "said"),
    [
        (("--since-pour", "since"), "1.5", "line 5, column 'since': 1.5 seconds since liquid last came in"),
        (("--since-pour", "since"), "-2", "line 5, column 'since': -2 seconds since liquid last came in"),
        (("--since-pour", "since"), "2147483648", "2147483648 seconds since liquid last came in; expected"),
        (("--since-pour", "since"), "soon", "line 5, column 'since': 'soon'; expected a number"),
        (("--since-pour", "sinse"), "64", "no column 'sinse'"),
        (("--since-pour", "high"), "64", "--since-pour: column 'high', which holds something else"),
    ],
)
def test_pours_that_cannot_be_are_one_sentence(
    store: Path, log: Path, words: tuple[str, ...], cell: str, said: str
) -> None:
    log.write_text(POURS.replace(",64", f",{cell}"), encoding="utf-8")
    done = innage(store, "replay", "told", str(log), "--time", "t_ms", *words)
    assert done.exit_code == 2, done.output
    assert said in done.stderr


def test_a_board_has_no_way_to_tell_of_pours(store: Path, tmp_path: Path) -> None:
    """Said before the port is opened; a column is refused beside a port."""
    words = ("replay", "told", "--port", str(tmp_path / "none"))
    done = innage(store, *words)
    assert done.exit_code == 2
    assert "model told is not told when liquid last came in: a board has no way to tell it" in done.stderr
    assert "--since-pour beside --port" in innage(store, *words, "--since-pour", "since").stderr
