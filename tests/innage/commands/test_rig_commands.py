"""The virtual rig's commands on a small scenario whose response is made by hand: no field is solved here."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from dataset.live.board import LineReader, SerialSource
from dataset.live.capture import Capture
from dataset.live.loop import run
from dataset.live.plans import plan_of_levels
from dataset.live.stated import View
from dataset.records import TrimKind
from dataset.rig import response
from dataset.rig.scenario import load_scenario
from dataset.rig.slices import COUPLINGS
from dataset.store import Store
from innage.cli import app

INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")
PLAN = 'plan = [["water", "steps"], ["water", "foam"]]'
TANK = """
[[tank]]
name = "cup"
span_mm = 40.0
headspace_mm = 6.0
wall_mm = 2.0
depth_mm = 30.0
pads = 3
first_mm = 0.0
height_mm = 12.0
pitch_mm = 13.0
liquids = ["water"]
units = 3

[[liquid]]
name = "water"
permittivity = 80.1
conductivity = 0.05
density = 998.2

[[recipe]]
name = "steps"
path = "steps"
frames = 100

[[recipe]]
name = "foam"
path = "steps"
foam = true
frames = 60
"""


def write_tables(its: Any, cache: Path) -> None:
    """What the field solution would leave in the cache: pads that answer evenly to the level, by 1.5 pF, and
    to nothing else.
    """
    shape = its.slice(0)
    low, high = np.asarray(shape.pads).T
    levels = np.arange(-4.0, 46.0, 0.5)
    clean = 2.0 + 1.5 * np.clip((levels[:, None] - low) / (high - low), 0, 1)
    n, (k, pads) = len(COUPLINGS), clean.shape
    tables = {
        "levels": levels,
        "coarse": levels,
        "clean": np.stack([clean] * n),
        "foams": np.zeros((n, 2, 2, k, pads)),
        "films": np.zeros((n, 2, k, pads)),
        "neighbours": np.zeros((n, k, pads - 1)),
    }
    key = response._key(
        shape, its.find_liquid("water").medium, its.tank[0].span_mm + its.tank[0].headspace_mm / 2
    )
    response._write(cache / f"{key}.npz", tables)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """An empty store to copy, so that not every test waits for the migrations."""
    path = tmp_path_factory.mktemp("empty") / "innage.db"
    Store.open(path).close()
    return path.read_bytes()


@pytest.fixture
def small(tmp_path: Path, store: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A scenario of one cup with three pads, its tables in the cache; commands take the store beside it."""
    text = resources.files("dataset.rig.scenarios").joinpath("washer.toml").read_text("utf-8")
    path = tmp_path / "small.toml"
    head = re.sub(r"(?ms)^plan = .*?^\]$", PLAN, text[: text.index("[[tank]]")])
    path.write_text(head.replace("glassware-washer", "small") + TANK, "utf-8")
    monkeypatch.setenv("INNAGE_CACHE", str(tmp_path))
    write_tables(load_scenario(str(path)), tmp_path)
    return path


def innage(*words: object) -> str:
    """What a command prints that goes well."""
    result = CliRunner().invoke(app, [str(w) for w in words])
    assert result.exit_code == 0, result.output
    return result.output


def log(small: Path, *words: object) -> list[dict[str, Any]]:
    """The sessions that 'innage rig log' says it has logged."""
    made: list[dict[str, Any]] = json.loads(
        innage("rig", "log", small, "--tank", "cup", "--liquid", "water", "--json", *words)
    )
    return made


def test_a_new_store_gets_all_that_a_session_needs(small: Path) -> None:
    """Two recipes: simulated sessions with marks, conditions and a source; registry, unit and trims are there
    without a further command.
    """
    made = log(small, "--unit", 1, "--recipe", "steps", "--recipe", "foam")
    assert [(m["simulated"], m["frames"], m["unit"], m["file"]) for m in made] == [
        (True, 100, "cup-1-01", "rig small, recipe steps"),
        (True, 60, "cup-1-01", "rig small, recipe foam"),
    ]
    with Store.open(os.environ["INNAGE_STORE"]) as store:
        steps, foam = store.sessions()
        assert all(session.simulated for session in (steps, foam))
        assert steps.marks
        assert {surface for stretch in foam.stretches for surface in stretch.conditions.surface} >= {"foam"}
        assert {trim.kind for trim in store.trims("cup-1-01")} >= {TrimKind.DRY, TrimKind.FULL}
        assert (steps.mounting.tank.name, steps.mounting.sensor.channels) == ("cup", 3)


@pytest.mark.slow
def test_each_call_logs_another_session_and_each_store_the_same_ones(
    small: Path, tmp_path: Path, bench: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same three calls in two stores give the same three hashes, all different; another seed is another
    unit and gives others.
    """

    def hashes(name: str) -> list[str]:
        (tmp_path / name).write_bytes(bench)
        monkeypatch.setenv("INNAGE_STORE", str(tmp_path / name))
        return [log(small, "--unit", unit)[0]["sha256"] for unit in ("0", "0", "cup-1-02")]

    first = hashes("one.db")
    assert len(set(first)) == 3
    assert hashes("two.db") == first
    assert log(small, "--unit", 0, "--seed", 5)[0]["sha256"] not in first


def test_a_plan_fills_a_store(small: Path) -> None:
    """Each of two units with its four trims and a session for every row of the plan; again into the same
    store, nothing is logged twice.
    """
    said = json.loads(innage("rig", "fill", small, "--tank", "cup", "--units", 2, "--json"))
    assert (said["simulated"], said["units"], said["sessions"], said["frames"]) == (True, 2, 4, 320)
    with Store.open(os.environ["INNAGE_STORE"]) as store:
        made = [(s.unit.name, s.note, s.simulated) for s in store.sessions()]
        kinds = [t.kind for t in store.trims("cup-1-01")]
    assert made == [(f"cup-1-{unit:02d}", recipe, True) for unit in (0, 1) for recipe in ("steps", "foam")]
    assert kinds == [TrimKind.DRY, TrimKind.FULL, TrimKind.PARTIAL, TrimKind.BLOCK]


def test_another_tank_of_that_name_is_not_taken(small: Path, refused: Callable[..., str]) -> None:
    """A store that knows a cup of another size keeps it, and gets no simulated session for it."""
    innage("tank", "add", "cup", "--span-mm", 55)
    assert "tank cup@1: the store has another of that name" in refused(
        *(word.format(small=small) for word in LOG)
    )
    with Store.open(os.environ["INNAGE_STORE"]) as store:
        assert not store.sessions()


def test_what_is_played_is_what_is_logged(small: Path) -> None:
    """The lines on standard output, read by the reader of the protocol, are the frames that 'rig log' puts
    into the store.
    """
    log(small, "--unit", 2)
    played = innage(
        "rig", "play", small, "--tank", "cup", "--unit", 2, "--times", 1, "--speed", 10_000, "--stdout"
    )
    got = LineReader(3, 16).feed(played.encode())
    with Store.open(os.environ["INNAGE_STORE"]) as store:
        frames = store.frames(store.sessions()[0], verify=True)
    assert np.array_equal([line.counts for line in got], frames.counts)
    assert [line.t_ms for line in got] == frames.t_ms.tolist()
    assert frames.temperature_c is not None
    assert [line.temperature_c for line in got] == frames.temperature_c.tolist()


def test_a_scenario_is_shown(small: Path) -> None:
    """Tanks with revisions, liquids and recipes, also for machines."""
    shown = json.loads(innage("rig", "show", small, "--json"))
    assert shown["simulated"] is True
    assert [(t["tank"], t["pads"], t["liquids"]) for t in shown["tanks"]] == [("cup@1", 3, ["water"])]
    assert [r["recipe"] for r in shown["recipes"]] == ["steps", "foam"]
    assert "detergent-canister@2" in innage("rig", "show", "washer")


LOG = ("rig", "log", "{small}", "--tank", "cup", "--liquid", "water", "--unit", "0")
PLAY = ("rig", "play", "{small}", "--tank", "cup", "--stdout")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((*LOG, "--tank", "cup@2"), "one of cup@1"),
        ((*LOG, "--liquid", "milk"), "one of water"),
        ((*LOG, "--unit", "3"), "0 to 2"),
        ((*LOG, "--recipe", "storm"), "one of steps, foam"),
        (("rig", "log", "no-such-scenario", *LOG[3:]), "Built in: washer"),
        ((*PLAY, "--speed", "0"), "--speed"),
        ((*PLAY, "--levels-mm", "0,50"), "0 to 40 mm"),
        ((*PLAY, "--levels-mm", "0,high"), "levels in mm"),
        ((*PLAY, "--levels-mm", "0,10", "--hold-s", "0"), "--hold-s"),
    ],
)
def test_what_does_not_go_is_refused(
    small: Path, refused: Callable[..., str], words: tuple[str, ...], said: str
) -> None:
    """One sentence that names the option and what would go."""
    assert said in refused(*(word.format(small=small) for word in words))


def test_without_pseudo_terminals_there_is_another_way(
    small: Path, refused: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "openpty", raising=False)
    assert "--stdout | innage capture --port -" in refused(*(word.format(small=small) for word in PLAY[:-1]))


@pytest.fixture
def port(small: Path) -> Iterator[str]:
    """The port of a rig that stands for 300 frames each at 0, 20 and 40 mm, over and over, a hundred times as
    fast as a board.
    """
    words = (
        "rig",
        "play",
        str(small),
        "--tank",
        "cup",
        "--levels-mm",
        "0,20,40",
        "--hold-s",
        "30",
        "--speed",
        "100",
    )
    process = subprocess.Popen([*INNAGE, *words], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    yield process.stdout.readline().partition(":")[0]
    process.kill()
    process.communicate()


@pytest.mark.longer
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_a_fill_plan_is_captured_live_from_the_rig(small: Path, port: str) -> None:
    """The operator confirms each step once the level stands; the marks hold what the pads show there, the
    session passes the door and is simulated.
    """
    log(small, "--unit", 0)  # tank, sensor, mounting, liquid and unit
    with Store.open(os.environ["INNAGE_STORE"]) as store:
        mounting, source = store.mountings()[0], SerialSource(port, 115200)
        steps = plan_of_levels([0.0, 20.0, 40.0], mounting.sensor, mounting.tank, 2.0)
        capture = Capture.begin(store, "run", store.unit("cup-1-00"), store.liquid("water"), mounting, steps)

        # a read brings some 150 frames at most, so that a mark of 20 frames ends within its 300 however late
        # the reader is
        def operator(view: View) -> str | None:
            return (
                ""
                if capture.step is not None and not view.holding and view.frames >= 300 * capture.step + 20
                else None
            )

        run(capture, source, operator, lambda view: None, stop_at=1200)
        source.close()
        session = capture.seal()
        frames = store.frames(session)
    assert session.simulated
    assert [mark.level_mm for mark in session.marks] == [0.0, 20.0, 40.0]
    assert (np.diff(frames.t_ms) == 100).all()
    assert not session.warnings
    at = np.stack([frames.counts[mark.start : mark.stop].mean(axis=0) for mark in session.marks])
    # 1.5 pF of 9000 counts each, by the share of a pad of 12 mm that is covered: pads begin at 0, 13 and 26
    # mm
    assert (at - at[0]) / 13_500 == pytest.approx(np.array([[0, 0, 0], [1, 7 / 12, 0], [1, 1, 1]]), abs=0.15)


@pytest.mark.longer
def test_sessions_of_the_rig_begin_when_it_is_stated(small: Path, tmp_path: Path) -> None:
    """At no time unless it is; else one after the other, five minutes apart; the readings are the same."""
    words = ("--unit", "0", "--recipe", "steps", "--recipe", "foam")
    start = ("--start", "2026-03-02T09:15+01:00")
    plain = log(small, *words, "--store", tmp_path / "plain.db")
    stated = log(small, *words, *start, "--store", tmp_path / "stated.db")
    assert [session["started"] for session in plain] == [None, None]
    first, second = [session["started"] for session in stated]
    assert first == "2026-03-02T09:15:00+01:00"
    with Store.open(tmp_path / "plain.db") as store:
        lasted_ms = int(store.frames(plain[0]["id"]).t_ms[-1])
    assert second == f"2026-03-02T09:20:{lasted_ms // 1000:02}+01:00"
    assert [s["file_sha256"] for s in plain] == [s["file_sha256"] for s in stated]
    assert not {s["sha256"] for s in plain} & {s["sha256"] for s in stated}
    innage("rig", "fill", small, "--tank", "cup", "--units", 1, *start)
    begun = [session["started"] for session in json.loads(innage("sessions", "--json"))]
    assert begun == [first, second]
