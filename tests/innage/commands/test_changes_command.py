"""``innage changes``: two bundles of programs made by hand, whose readings differ by what is known."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from bundles import stand_in_onnx
from typer.testing import CliRunner, Result

from building import CAN, WATER, bench_store, one_pad
from dataset.records import (
    Budget,
    ColumnMapping,
    CountLaw,
    Frames,
    GroupBy,
    Mark,
    Model,
    Role,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store
from export.bundle.changes import changes as stated
from export.bundle.changes import read_whole
from export.bundle.checks import Bundle
from innage import BundleOptions, export
from innage.cli import app
from innage.jobs import silent
from innage.jobs.models.changing import BundleChanges, FieldLogs, _logs
from innage.terminal.views.models.changes import show_changes
from training.program import Program, digest, to_json
from training.program.builder import Builder

LEVELS = np.repeat(np.arange(10.0, 100.0, 10.0), 10)


def reads(off: int, beyond: int) -> Program:
    """Level = counts less 1000 plus ``off``, in 1/64 mm; counts above ``beyond`` are withheld."""
    b = Builder("made", count_bits=16, channels=1, period_ms=100, span=6400)
    level = b.node("clip", b.node("add", "counts", b.const(off - 1000)), low=0, high=6400, scale="1/64 mm")
    out = b.node("greater", "counts", b.const(beyond))
    return b.finish(
        low=b.node("where", out, b.const(0), level),
        level=b.node("where", out, b.const(-1), level),
        high=b.node("where", out, b.const(6400), level),
        validity=b.node("sub", b.const(1), out),
        flags=b.const(0),
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Bundles 'old', 'near' (half a millimetre up) and 'far' (2 mm up, and 70 mm and more withheld)."""
    folder = tmp_path_factory.mktemp("changes")
    with Store.open(folder / "innage.db") as store:
        bench = bench_store(store, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER, unit="u0")
        marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 + 10 * k) for k in range(9))
        counts = (1000 + 64 * LEVELS)[:, None].astype(np.uint32)
        units = [bench.unit, store.add_unit(Unit("u1")), store.add_unit(Unit("u2"))]
        sessions = store.add_sessions(
            [
                bench.session(k, marks, unit=unit, frames=Frames(np.arange(90) * 100, counts + k))
                for k, unit in enumerate(units)
            ]
        )
        frozen = store.freeze(
            "all", sessions, GroupBy.UNIT, {"u0": Role.FIT, "u1": Role.CHOOSE, "u2": Role.PROVE}
        )
        store.freeze("unseen", sessions[2:], GroupBy.UNIT, {"u2": Role.PROVE})
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        for name, program in (
            ("old", reads(0, 8000)),
            ("near", reads(32, 8000)),
            ("far", reads(128, 1000 + 64 * 65)),
        ):
            metrics = {
                "limits": [{"metric": "p95_abs_mm", "condition": "all", "value": len(name), "answer": "met"}]
            }
            texts = ("{}", "{}", json.dumps(metrics), to_json(program))
            store.add_model(Model(name, digest(program), frozen, None, *texts, stand_in_onnx()))
            export(store, name, "roomy", folder / name, options=BundleOptions(even_if_unproven=True))
    return folder


def changes(folder: Path, old: str, new: str, *words: str) -> Result:
    store = ("--store", str(folder / "innage.db"))
    return CliRunner().invoke(app, ["changes", str(folder / old), str(folder / new), *store, *words])


def test_moved_and_lost_readings_are_counted(folder: Path, tmp_path: Path) -> None:
    """2 mm of 100 are more than a hundredth of the span: the six levels below 70 mm move, 70 to 90 mm are
    lost; two of the three units may be looked at.
    """
    out = tmp_path / "changed.csv"
    done = changes(folder, "old", "far", "--json", "--out", str(out))
    assert done.exit_code == 0, done.output
    facts = json.loads(done.stdout)
    every = facts["readings"]["classes"]["all"]
    assert (every["frames"], every["sessions"]) == (180, 2)
    assert (every["level"], every["lost"], every["gained"], every["flags"]) == (120, 60, 0, 0)
    assert every["most_mm"] == 2.0
    assert {s["unit"] for s in facts["readings"]["sessions"]} == {"u0", "u1"}
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert len(rows) == 180
    assert (rows[0]["old_level_mm"], rows[0]["new_level_mm"]) == ("10.000000", "12.000000")
    assert (rows[-1]["new_level_mm"], rows[-1]["new_validity"]) == ("", "withheld")


def test_the_store_of_the_folder_is_asked(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without --store that is innage.db where the command runs; elsewhere there are no sessions to read."""
    monkeypatch.delenv("INNAGE_STORE", raising=False)
    words = ["changes", str(folder / "old"), str(folder / "far")]
    monkeypatch.chdir(folder)
    here = json.loads(CliRunner().invoke(app, [*words, "--frozen", "all", "--json"]).stdout)
    assert here["readings"]["classes"]["all"]["frames"] == 180
    monkeypatch.chdir(tmp_path)
    assert json.loads(CliRunner().invoke(app, [*words, "--json"]).stdout)["readings"] is None
    refused = CliRunner().invoke(app, [*words, "--frozen", "all"])
    assert refused.exit_code != 0


def test_amended_sessions_are_named(folder: Path, tmp_path: Path) -> None:
    """The set keeps what was said of them: that it is no longer said is told, and nothing is without."""
    assert json.loads(changes(folder, "old", "far", "--json").stdout)["readings"]["amended"] == []
    copy = tmp_path / "innage.db"
    shutil.copy(folder / "innage.db", copy)
    with Store.open(copy) as store:
        session = store.sessions()[0].id
    words = ("--condition", "surface=foam", "--author", "mk", "--reason", "foam was seen")
    amended = CliRunner().invoke(app, ["amend", session, *words, "--store", str(copy)])
    assert amended.exit_code == 0, amended.output
    told = ["changes", str(folder / "old"), str(folder / "far"), "--store", str(copy)]
    said = " ".join(CliRunner().invoke(app, told).stdout.split())
    assert f"1 session was amended since the set was frozen ({session}): compared as frozen." in said
    facts = json.loads(CliRunner().invoke(app, [*told, "--json"]).stdout)
    assert facts["readings"]["amended"] == [session]


def test_the_other_way_readings_are_gained(folder: Path) -> None:
    facts = json.loads(changes(folder, "far", "old", "--json").stdout)
    assert [facts["readings"]["classes"]["all"][what] for what in ("gained", "lost")] == [60, 0]


def test_half_a_millimetre_is_no_change_but_is_told(folder: Path) -> None:
    """0.5 mm of 100 stays below a hundredth of the span; the one constant that differs does so by 32."""
    done = changes(folder, "old", "near", "--json")
    facts = json.loads(done.stdout)
    every = facts["readings"]["classes"]["all"]
    assert (every["level"], every["most_mm"], facts["readings"]["sessions"]) == (0, 0.5, [])
    assert [(t["operation"], t["differing"], t["most"]) for t in facts["tables"]] == [("const", 1, 32)]
    assert facts["only_old"] == facts["only_new"] == {}
    told = {(e["group"], e["what"]): (e["old"], e["new"]) for e in facts["entries"]}
    assert told["limits", "p95_abs_mm, all"] == ("3, met", "4, met")
    assert told["model", "name"] == ("old", "near")
    shown = changes(folder, "old", "near")
    assert "No reading changed." in shown.stdout


def test_a_bundle_and_itself(folder: Path) -> None:
    done = changes(folder, "old", "old")
    assert done.exit_code == 0
    assert "Both bundles hold the same program" in done.stdout
    assert "No reading changed." in done.stdout


def test_nothing_is_opened_and_prove_alone_is_refused(folder: Path) -> None:
    done = changes(folder, "old", "far", "--frozen", "unseen")
    assert done.exit_code == 2
    assert "frozen set unseen: nothing but 'prove' groups" in done.stderr
    with Store.open(folder / "innage.db") as store:
        assert [store.prove_openings(frozen) for frozen in store.frozen_sets()] == [0, 0]


def test_without_the_set_the_bundles_alone_are_compared(folder: Path, tmp_path: Path) -> None:
    Store.open(tmp_path / "innage.db").close()
    words = ["changes", str(folder / "old"), str(folder / "far"), "--store", str(tmp_path / "innage.db")]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert "Readings were not compared: frozen set all: not in this store" in done.stdout
    refused = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "x.csv")])
    assert (refused.exit_code, (tmp_path / "x.csv").exists()) == (2, False)


def test_an_edited_bundle_is_refused(folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "edited"
    copy.mkdir()
    for file in (folder / "far").iterdir():
        (copy / file.name).write_bytes(file.read_bytes())
    (copy / "innage.c").write_text("/* another */")
    done = changes(folder, "old", str(copy))
    assert done.exit_code == 2
    assert "a bundle as it was exported" in done.stderr


def a_log(folder: Path, levels: list[float], name: str = "field.csv") -> Path:
    """A frame every 100 ms but for the last, a second later; counts of each level and its column's name are
    the sensor's own.
    """
    times = [100 * k for k in range(len(levels) - 1)] + [100 * len(levels) + 900]
    path = folder / name
    lines = [f"{t},{1000 + int(64 * level)}" for t, level in zip(times, levels, strict=True)]
    path.write_text("\n".join(["t_ms,pad", *lines, ""]))
    return path


def test_a_field_log_is_compared_frame_by_frame(folder: Path, tmp_path: Path) -> None:
    """By hand: 20 and 30 mm move by 2 mm, 64 mm is given by both (counts up to 65 mm are), 70 mm is lost; the
    step of a second before the last frame starts both anew.
    """
    out = tmp_path / "changed.csv"
    log = a_log(tmp_path, [20.0, 30.0, 64.0, 70.0, 70.0])
    words = ("--log", str(log), "--time", "t_ms", "--json", "--out", str(out))
    done = changes(folder, "old", "far", *words)
    assert done.exit_code == 0, done.output
    (facts,) = json.loads(done.stdout)["logs"]
    assert (facts["file"], facts["unit"], facts["frames"]) == ("field.csv", None, 5)
    assert [facts[what] for what in ("level", "gained", "lost", "flags", "most_mm")] == [3, 0, 2, 0, 2.0]
    assert (facts["old_restarts"], facts["new_restarts"]) == (1, 1)
    rows = [row for row in csv.DictReader(out.read_text().splitlines()) if row["session"] == "field.csv"]
    assert [row["t_ms"] for row in rows] == ["0", "100", "200", "300", "1400"]
    assert (rows[3]["old_level_mm"], rows[3]["new_validity"]) == ("70.000000", "withheld")
    gained = json.loads(changes(folder, "far", "old", *words[:5]).stdout)["logs"][0]
    assert (gained["gained"], gained["lost"]) == (2, 0)
    assert "field.csv" in changes(folder, "old", "far", *words[:4]).stdout


def subtracts(off: int) -> Program:
    """Level = counts less the unit's dry trim, plus ``off``, in 1/64 mm."""
    b = Builder("dry", count_bits=16, channels=1, period_ms=100, span=6400, trim_range=(0, 9000))
    b.prepare_node("clip", "trim", low=0, high=9000, name="dry", keep=True)
    rise = b.node("add", b.node("sub", "counts", "dry"), b.const(off))
    level = b.node("clip", rise, low=0, high=6400, scale="1/64 mm")
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


@pytest.mark.longer
def test_a_log_is_read_with_its_units_newest_trim(tmp_path: Path) -> None:
    """Dry at 1000 counts, 1064 in a trim before: 20 mm are 2280 counts. The set was frozen without trims, so
    the bundle states no fault table.
    """
    with Store.open(tmp_path / "innage.db") as store:
        bench = bench_store(store, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER, unit=("u0", "u1"))
        frames = Frames(np.arange(90) * 100, (1000 + 64 * LEVELS)[:, None].astype(np.uint32))
        marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 + 10 * k) for k in range(9))
        sessions = store.add_sessions([bench.session(0, marks, frames=frames)])
        frozen = store.freeze("all", sessions, GroupBy.UNIT, {"u0": Role.FIT})
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        for count, date in ((1064, "2026-01-01"), (1000, "2026-02-01")):
            store.add_trim(Trim(bench.units[1], bench.mounting, TrimKind.DRY, (count,), date, "line"))
        for name, program in (("old", subtracts(0)), ("far", subtracts(128))):
            texts = ("{}", "{}", "{}", to_json(program))
            store.add_model(Model(name, digest(program), frozen, None, *texts, stand_in_onnx()))
            export(store, name, "roomy", tmp_path / name, options=BundleOptions(even_if_unproven=True))
    assert json.loads((tmp_path / "far" / "manifest.json").read_text("utf-8"))["faults"] is None
    out = tmp_path / "changed.csv"
    words = ("--log", str(a_log(tmp_path, [20.0, 20.0, 20.0, 30.0])), "--time", "t_ms", "--out", str(out))
    done = changes(tmp_path, "old", "far", *words, "--unit", "u1")
    assert done.exit_code == 0, done.output
    rows = [row for row in csv.DictReader(out.read_text().splitlines()) if row["session"] == "field.csv"]
    levels = [(row["old_level_mm"], row["new_level_mm"]) for row in rows]
    assert levels == [("20.000000", "22.000000")] * 3 + [("30.000000", "32.000000")]
    without = changes(tmp_path, "old", "far", *words)
    assert (without.exit_code, "--unit: none named" in without.stderr) == (2, True)
    untrimmed = changes(tmp_path, "old", "far", *words, "--unit", "u0")
    assert "unit u0: no trim in this store" in untrimmed.stderr


def test_a_model_that_is_told_of_pours_is_told_by_the_logs_column(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A program that gives the seconds back, one 64th of a millimetre a second, beside one that reads counts:
    what the column says comes back, 0 where a cell is empty. Without the column it is said that the model
    was not told.
    """
    b = Builder("told", count_bits=16, channels=1, period_ms=100, span=6400, longest_pour_s=600)
    level = b.node("clip", "since_pour", low=0, high=6400, scale="1/64 mm")
    seconds = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    old = read_whole(folder / "old")
    told = Bundle(dict(old.files) | {"program.json": to_json(seconds).encode()})
    log = tmp_path / "told.csv"
    log.write_text("t_ms,pad,since\n0,2280,128\n100,2280,\n200,2280,600\n")
    columns = ColumnMapping("columns", ("pad",), time="t_ms")
    with Store.open(folder / "innage.db") as store:
        (changed,) = _logs(store, (old, told), FieldLogs((log,), None, columns, "since"), silent)
        (without,) = _logs(store, (old, told), FieldLogs((log,), None, columns), silent)
    for of_log, frames, said in ((changed, 2, False), (without, 0, True)):
        facts = of_log.facts()
        assert (facts["old_told"], facts["new_told"]) == (None, frames)
        show_changes(BundleChanges(old, told, stated(old, old), None, "only logs", (of_log,)))
        assert (
            "knew it at no frame of the logs: --since-pour" in " ".join(capsys.readouterr().out.split())
        ) is said
    rows = list(csv.reader(changed.csv.splitlines()))
    assert [row[3:5] for row in rows] == [
        ["20.000000", "2.000000"],
        ["20.000000", "0.000000"],
        ["20.000000", "9.375000"],
    ]
    untold = changes(folder, "old", "far", "--log", str(log), "--time", "t_ms", "--since-pour", "since")
    assert untold.exit_code == 2
    assert "--since-pour: column 'since'; expected none: neither bundle's model is told" in untold.stderr
    alone = changes(folder, "old", "far", "--since-pour", "since")
    assert (alone.exit_code, "and no --log" in alone.stderr) == (2, True)


def test_a_log_that_does_not_fit_is_one_sentence(folder: Path, tmp_path: Path) -> None:
    log = a_log(tmp_path, [20.0, 30.0])
    other = ("--log", str(log), "--count", "p7")
    assert "p7" in changes(folder, "old", "far", *other).stderr
    unit = changes(folder, "old", "far", "--log", str(log), "--unit", "u1")
    assert unit.exit_code == 2
    assert "unit u1: no trim in this store" in unit.stderr
    words = ["changes", str(folder / "old"), str(folder / "far"), "--log", str(log)]
    alone = CliRunner().invoke(app, words)
    assert (alone.exit_code, "--log" in alone.stderr) == (2, True)
    with Store.open(folder / "innage.db") as store:
        assert [store.prove_openings(frozen) for frozen in store.frozen_sets()] == [0, 0]
