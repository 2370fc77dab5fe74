"""``innage faults`` as a user calls it, on a model made by hand whose readings are known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bundles import stand_in_onnx
from typer.testing import CliRunner, Result

from building import CAN, WATER, bench_store, one_pad
from dataset.records import Budget, CountLaw, Frames, GroupBy, Mark, Model, Role, Trim, TrimKind
from dataset.store import Store
from innage import BundleOptions, export
from innage.cli import app
from innage.jobs.models.faults import foreign_trims
from training.program import digest, to_json
from training.program.builder import Builder

LEVELS = np.repeat(np.arange(10.0, 100.0, 10.0), 10)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model that reads counts less 1000 as 1/64 mm; one unit each to fit, choose and prove on."""
    path = tmp_path_factory.mktemp("faults") / "innage.db"
    b = Builder("m", count_bits=16, channels=1, period_ms=100, span=6400)
    level = b.node("clip", b.node("add", "counts", b.const(-1000)), low=0, high=6400, scale="1/64 mm")
    program = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    with Store.open(path) as opened:
        units = ["u0", "u1", "u2"]
        bench = bench_store(opened, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER, unit=units)
        marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 + 10 * k) for k in range(9))
        counts = (1000 + 64 * LEVELS)[:, None].astype(np.uint32)
        frames = [Frames(np.arange(90) * 100, counts + k) for k in range(3)]
        new = [bench.session(k, marks, unit=u, frames=frames[k]) for k, u in enumerate(bench.units)]
        roles = {"u0": Role.CHOOSE, "u1": Role.FIT, "u2": Role.PROVE}
        frozen = opened.freeze("all", opened.add_sessions(new), GroupBy.UNIT, roles)
        texts = ("{}", "{}", "{}", to_json(program))
        opened.add_model(Model("m", digest(program), frozen, None, *texts, stand_in_onnx()))
    return path


def innage(store: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--store", str(store)], env={"COLUMNS": "200"})


def test_a_stuck_pad_by_hand(store: Path, tmp_path: Path) -> None:
    """The fault begins at frame 22 of 90, a quarter through, at 30 mm: 8 frames of that level are left, the
    60 after it are 10 to 60 mm off, with a span of 100 mm.
    """
    done = innage(store, "faults", "m", "--json", "--picture", str(tmp_path / "f.svg"))
    assert done.exit_code == 0, done.output
    facts = json.loads(done.stdout)
    rows = {row["kind"]: row for row in facts["rows"]}
    stuck = rows["stuck pad"]
    assert (stuck["frames"], stuck["harmless"], stuck["silent"], stuck["most_pct"]) == (68, 8, 60, 60.0)
    assert (rows["none"]["harmless"], rows["none"]["frames"]) == (90, 90)
    assert (facts["roles"], facts["units"], facts["openings"]) == (["choose"], 1, 0)
    assert (tmp_path / "f.svg").stat().st_size > 1000
    shown = innage(store, "faults", "m").stdout
    assert "88.2" in shown  # 60 of 68
    assert "Not tried, another unit's trim: the model takes no trim." in shown
    told = [line for line in shown.splitlines() if line.startswith("Left to the application")]
    without = rows["none"]["silent"] / rows["none"]["frames"]
    left = [r["kind"] for r in facts["rows"] if r["frames"] and r["silent"] / r["frames"] > without + 0.01]
    assert [line.partition(" silent: ")[2] for line in told] == [f"{'; '.join(left)}."]


@pytest.mark.longer
def test_a_bundle_states_the_same_table(store: Path, tmp_path: Path) -> None:
    """What was exported is what the command says now, and 'prove' stays as it was."""
    with Store.open(store) as opened:
        opened.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        openings = opened.prove_openings(opened.frozen_set("all"))
        options = BundleOptions(even_if_unproven=True)
        export(opened, "m", "roomy", tmp_path / "bundle", options=options)
        assert opened.prove_openings(opened.frozen_set("all")) == openings
    stated = json.loads((tmp_path / "bundle" / "manifest.json").read_text("utf-8"))["faults"]
    facts = json.loads(innage(store, "faults", "m", "--json").stdout)
    assert stated == {name: value for name, value in facts.items() if name in stated}
    assert stated["rows"][1]["kind"] == "stuck pad"
    assert "Left to the application" in (tmp_path / "bundle" / "report.html").read_text("utf-8")


def test_trims_of_another_tank_are_found(tmp_path: Path) -> None:
    """Of three units beside the set's: one on another tank counts, with its newest trim; one on the set's own
    tank does not, nor one whose sensor has other counts.
    """
    b = Builder("m", count_bits=16, channels=1, period_ms=100, span=6400, trim_range=(0, 9000))
    b.prepare_node("clip", "trim", low=0, high=9000, name="dry", keep=True)
    level = b.node("clip", b.node("sub", "counts", "dry"), low=0, high=6400, scale="1/64 mm")
    program = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    with Store.open(tmp_path / "innage.db") as store:
        mine = bench_store(store, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER, unit=("a", "b"))
        twelve = replace(one_pad(CountLaw.RISES), name="twelve", count_bits=12)
        tall = replace(CAN, name="tall")
        other = bench_store(store, tank=tall, sensor=mine.sensor, liquid=WATER, unit="c", mounting="m2")
        odd = bench_store(store, tank=other.tank, sensor=twelve, liquid=WATER, unit="d", mounting="m3")
        for on, unit, count, date in (
            (mine.mounting, mine.units[0], 1000, "2026-01-01"),
            (mine.mounting, mine.units[1], 1001, "2026-01-01"),
            (other.mounting, other.units[0], 1002, "2026-01-01"),
            (other.mounting, other.units[0], 1003, "2026-01-02"),
            (odd.mounting, odd.units[0], 1004, "2026-01-01"),
        ):
            store.add_trim(Trim(unit, on, TrimKind.DRY, (count,), date, "line"))
        frames = Frames(np.arange(4) * 100, np.full((4, 1), 1000, np.uint32))
        sessions = store.add_sessions([mine.session(0, (Mark(0, 4, 0.0),), frames=frames)])
        frozen = store.freeze("all", sessions, GroupBy.UNIT, {"a": Role.FIT})
        assert foreign_trims(store, store.frozen_data(frozen), program).tolist() == [[1003]]


def test_prove_is_opened_and_counted_only_where_it_is_named(store: Path) -> None:
    assert innage(store, "faults", "m").exit_code == 0
    with Store.open(store) as opened:
        assert opened.prove_openings(opened.frozen_set("all")) == 0
    done = innage(store, "faults", "m", "--role", "prove")
    assert "Opening 1 of the prove groups." in done.stdout
    refused = innage(store, "faults", "m", "--role", "calibrate")
    assert refused.exit_code == 2
    assert "no labelled frames of 'calibrate' groups" in refused.stderr
