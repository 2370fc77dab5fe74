"""``innage gaps`` and ``innage plan`` as a user sees them."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from building import bench_store, make_frames, put
from dataset.coverage.gaps import BANDS
from dataset.coverage.temperature_bands import KELVIN
from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
    Limit,
    Limits,
    Liquid,
    Mark,
    Pad,
    Sensor,
    Stretch,
    Surface,
    Tank,
    Wall,
)
from dataset.store import Store
from innage.cli import app
from innage.commands import gaps

EVERYTHING = Conditions(
    (Surface.FOAM, Surface.SLOSHING),
    None,
    (Wall.FILM, Wall.DROPS, Wall.SCALE),
    (1.0, 0.0),
    appliance="circulation pump on",
)


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A path for a store, which the commands find by the environment."""
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "innage.db"))
    return tmp_path / "innage.db"


@pytest.fixture
def store(empty: Path) -> Store:
    """Two sessions of one unit, one of them under foam and much else, one void; long names."""
    made = Store.open(empty)
    pads = tuple(Pad(k, f"p{k}", 15.0 * k, 15.0, None, 1e5) for k in range(8))
    bench = bench_store(
        made,
        tank=Tank("detergent-canister", 0, 120.0),
        sensor=Sensor("eight-pad-strip", 0, pads, 16, CountLaw.RISES, 100),
        liquid=Liquid("concentrated-detergent", 78.3, 0.05),
        unit="unit-1",
    )
    made.add_limits(
        Limits("owner", 0, (Limit("rmse_mm", 2.0, "all", 0.9), Limit("p95_abs_mm", 4.0, "foam", None, 3)))
    )
    rng = np.random.default_rng(0)
    frames = [
        Frames(np.arange(40) * 100, rng.integers(0, 60000, (40, 8)).astype(np.uint32), np.full(40, 21.0))
        for _ in range(3)
    ]
    stretches = [(), (Stretch(0, 40, EVERYTHING),), ()]
    new = [
        replace(bench.session(k, (Mark(0, 40, 30.0 + 30 * k),), frames=frames[k]), stretches=stretches[k])
        for k in range(3)
    ]
    made.void(made.add_sessions(new)[2].id, "wrong liquid")
    return made


def run(line: str, code: int = 0) -> Result:
    result = CliRunner().invoke(app, line.split(), catch_exceptions=False)
    assert result.exit_code == code, result.output + result.stderr
    return result


def test_the_table_fits_80_columns(store: Store) -> None:
    """Long names and many conditions are broken; sessions and units are counted, void ones named."""
    said = run("gaps").output
    assert max(len(line) for line in said.splitlines()) <= 80
    assert "void sessions left out: 1" in said
    assert "1/1" in said
    assert "cannot be told from the liquid" in " ".join(said.split())


def test_the_matrix_as_json(store: Store) -> None:
    """Cells carry every axis, their levels in millimetres and their sessions; the void one is in none."""
    found = json.loads(run("gaps --json --bands 4").output)
    first, second = found["cells"]
    assert (first["condition"], first["levels_mm"], first["warmth"], first["unit"]) == (
        [],
        [30.0, 60.0],
        "15 to 25 C",
        "unit-1",
    )
    assert (second["condition"][0], second["levels_mm"]) == ("foam", [60.0, 90.0])
    assert (found["void"], found["telling_apart"][0]["best"]) == (1, "cannot be told from the liquid")


@pytest.mark.longer
def test_the_picture(store: Store, tmp_path: Path) -> None:
    """The heat map is written with the same bytes each time; another suffix is refused."""
    for name in ("a.svg", "b.svg"):
        run(f"gaps --picture {tmp_path / name}")
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert "one of .svg, .png, .pdf" in run(f"gaps --picture {tmp_path / 'a.gif'}", code=2).stderr


def test_nothing_says_what_to_try(empty: Path) -> None:
    """An empty store, a filter without hits, a filter whose sessions are all void, and a name that isn't
    there.
    """
    assert run("gaps").output.startswith("no sessions yet: try 'innage log FILE")
    with Store.open(empty) as made:
        put(made, Tank("can", 0, 100.0), Liquid("oil"))
    assert "There are: can" in run("gaps --tank cann", code=2).stderr


def test_filters(store: Store) -> None:
    """A tank by name or revision, a liquid by name; without a hit the sentence says what to try."""
    put(store, Liquid("oil"), Tank("detergent-canister", 0, 180.0))
    for words, number in (
        ("--tank detergent-canister", 2),
        ("--tank detergent-canister@1", 2),
        ("--tank detergent-canister@2", 0),
    ):
        assert len(json.loads(run(f"gaps --json {words}").output)["lines"]) == number, words
    assert run("gaps --liquid oil").output.startswith(
        "no session: liquid oil (there are: concentrated-detergent): try 'innage log FILE --tank TANK "
        "--sensor SENSOR --liquid oil"
    )
    for session in store.sessions()[:2]:
        store.void(session.id, "all wrong")
    assert run("gaps").output.startswith("every session here is void (3): log another")


def test_a_plan_on_the_command_line(store: Store) -> None:
    """Needs, numbered sessions and what no session will show; the same as JSON; limits by name or the
    built-in ones.
    """
    said = run("plan --limits owner").output
    assert "groups (units) asked for by owner@1" in said
    assert "1. 5 sessions on detergent-canister@1: 5 new units" in " ".join(said.split())
    assert "cannot be told from the liquid" in " ".join(said.split())
    assert max(len(line.rstrip()) for line in said.splitlines()) <= 80
    found = json.loads(run("plan --limits owner --json").output)
    assert [(n["condition"], n["groups"], n["have"]) for n in found["needs"]] == [
        ("all", 21, 1),
        ("foam", 6, 1),
    ]
    assert len(found["proposals"]) == 20
    assert "the built-in limits" in run("plan").output
    put(store, Tank("detergent-canister", 0, 180.0))  # nothing is mounted on it: there is nothing to plan
    assert json.loads(run("plan --limits owner --json").output) == found
    assert "is not one of 'unit', 'session', 'bench'" in run("plan --group liquid", code=2).stderr


def test_benches_in_gaps_and_plans(store: Store) -> None:
    """What has one bench only is missing; for a claim about a bench never seen, benches are counted, and
    sessions that say none are told.
    """
    assert "bench" not in run("gaps").output
    run("unit name-bench north")
    first = store.sessions()[0].id
    run(f"amend {first} --bench north --author ab --reason seen")
    said = " ".join(run("gaps").output.split())
    assert "- detergent-canister@1: only on bench north" in said
    assert "- sessions that do not say their bench: 1" in said
    assert json.loads(run("gaps --json --bench north").output)["missing"][-1].endswith("only on bench north")
    found = json.loads(run("plan --limits owner --group bench --json").output)
    assert [(n["condition"], n["have"]) for n in found["needs"]] == [("all", 1), ("foam", 0)]
    assert found["proposals"][0]["bench"] == "a new bench 1"
    assert found["remarks"][-1] == "sessions that do not say their bench, and do not count: 1"
    said = " ".join(run("plan --limits owner --group bench").output.split())
    assert "groups (benches) asked for by owner@1" in said
    assert "; on 6 new benches; " in said
    assert "--group bench --roles" in said


def test_a_plan_without_a_bench(empty: Path) -> None:
    """Without a mounting the sentence says what to try."""
    assert run("plan").output.startswith("no mountings yet: try 'innage mounting add")


def test_the_defaults_are_those_of_the_search() -> None:
    """The command restates them, so that its help needs no numpy."""
    assert (gaps.BANDS, gaps.BAND_WIDTH_K) == (BANDS, KELVIN)


@pytest.mark.longer
@pytest.mark.parametrize("command", ["gaps", "plan"])
def test_short_sessions_are_counted_without_arrays(command: str, empty: Path) -> None:
    """Temperatures included: to load numpy takes longer than to read the blocks of a bench."""
    with Store.open(empty) as store:
        bench = bench_store(store)
        for seed in range(2):
            store.add_sessions([bench.session(seed, frames=make_frames(seed, 40, warm=True))])
    code = f"""
import sys
sys.argv = ["innage", {command!r}]
from innage.cli import app
try:
    app()
finally:
    print("numpy" in sys.modules, file=sys.stderr)
"""
    asked = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True, timeout=120
    )
    assert "canister@1" in asked.stdout
    assert asked.stderr.splitlines()[-1] == "False"
