"""``innage budget check``: a model's cost beside what is left for it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from dataset.errors import InputError
from dataset.records import Budget
from innage.commands import budget
from training.judging.figures import KeptCost
from training.program import Builder, to_json


@pytest.fixture
def left(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """A store with one model, and one budget that a test may change."""
    b = Builder("plain", count_bits=16, channels=1, period_ms=100, span=65535)
    program = b.finish(low="counts", level="counts", high="counts", validity=b.const(1), flags=b.const(0))
    small = Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000)
    its = SimpleNamespace(budget=small, searched=small)
    model = SimpleNamespace(name="plain", program=to_json(program), metrics="{}")
    its.metrics = lambda text: setattr(model, "metrics", text)
    store = SimpleNamespace(
        budget=lambda name: its.budget, budgets=lambda: (its.searched,), model=lambda name: model
    )
    monkeypatch.setattr(budget, "open_store", lambda path: store)
    return its


@pytest.mark.longer
def test_a_model_that_fits(left: SimpleNamespace) -> None:
    """Inside the budget: a row a resource, and exit 0."""
    done = CliRunner().invoke(budget.app, ["check", "plain", "--budget", "small"])
    assert done.exit_code == 0
    assert "The model fits." in done.stdout
    for resource in ("flash bytes", "RAM bytes", "stack bytes", "cycles a frame"):
        assert resource in done.stdout


def test_a_model_that_is_over(left: SimpleNamespace) -> None:
    """Over: exit 1, the resource and the excess are named, and that nothing was exported."""
    left.budget = Budget("tiny", "cortex-m0plus", 1, 1536, 2, 128, 2000)
    done = CliRunner().invoke(budget.app, ["check", "plain", "--budget", "tiny"])
    assert done.exit_code == 1
    assert re.search(r"over: RAM bytes by [1-9]\d*\.\n", done.stdout)


def test_json(left: SimpleNamespace) -> None:
    """The same as JSON, with each line's verdict and the whole cost."""
    left.budget = Budget("tiny", "cortex-m0plus", 1, 1536, 2, 128, 2000)
    done = CliRunner().invoke(budget.app, ["check", "plain", "--budget", "tiny", "--json"])
    assert done.exit_code == 1
    found = json.loads(done.stdout)
    assert found["within"] is False
    assert {line["resource"]: line["within"] for line in found["lines"]} == {
        "flash bytes": True,
        "RAM bytes": False,
        "stack bytes": True,
        "cycles a frame": True,
        "cycles, worst frame": True,
    }
    assert found["cost"]["ram"] > 2


def test_bounds_headroom_and_load(left: SimpleNamespace) -> None:
    """Each line has its headroom, stack and cycles a bound beside what was seen; the load follows from clock
    and period.
    """
    left.budget = replace(left.budget, clock_hz=1_000_000, frame_period_ms=10)
    found = json.loads(
        CliRunner().invoke(budget.app, ["check", "plain", "--budget", "small", "--json"]).stdout
    )
    lines = {line["resource"]: line for line in found["lines"]}
    for line in lines.values():
        assert line["headroom"] == line["allowed"] - max(line["used"], line["bound"] or 0)
    cycles = lines["cycles a frame"]
    assert 0 < cycles["used"] <= cycles["bound"]
    assert lines["stack bytes"]["bound"] >= lines["stack bytes"]["used"]
    assert found["cpu_load_pct"] == pytest.approx(
        100 * lines["cycles, worst frame"]["bound"] / 10_000
    )  # 10 ms of 1 MHz are 10,000 cycles
    assert "DDI 0484" in found["model_of_core"]["source"]


@pytest.mark.longer
@pytest.mark.parametrize(("core", "multiplier"), [("cortex-m33", 1), ("rv32imc", 32)])
def test_other_cores(left: SimpleNamespace, core: str, multiplier: int) -> None:
    """A core without a published table says that its cycles are a model."""
    left.budget = replace(left.budget, core=core, multiplier_cycles=multiplier)
    done = CliRunner().invoke(budget.app, ["check", "plain", "--budget", "small", "--optimise", "speed"])
    assert done.exit_code == 0
    assert f"plain on {core} for speed" in done.stdout
    assert "a model" in done.stdout


def _candidate(size: int, flash: int, error: float | None) -> dict[str, object]:
    cost = KeptCost("cortex-m0plus", flash, flash, 0, 0, 1, 8, None, 50, 50.0, 60).to_json()
    return {
        "family": "net",
        "size": size,
        "bits": 8,
        "cost": cost,
        "error_mm": error,
        "choose": {"integer": {}},
    }


def test_candidates_that_fit(left: SimpleNamespace) -> None:
    """Over budget: those of the search that fit and are beaten by none, the least error first; none without
    an error or a cost.
    """
    left.budget = Budget("tiny", "cortex-m0plus", 1, 100, 2, 128, 2000)
    of = ((1, 60, 3.0), (2, 90, 1.5), (3, 95, 1.5), (4, 101, 0.5), (5, 20, None), (6, 50, 4.0))
    candidates = [_candidate(*its) for its in of]
    left.metrics(json.dumps({"budget": {"name": "small"}, "candidates": candidates}))
    done = CliRunner().invoke(budget.app, ["check", "plain", "--budget", "tiny", "--json"])
    assert done.exit_code == 1
    assert [its["size"] for its in json.loads(done.stdout)["fitting"]] == [2, 1, 6]
    shown = CliRunner().invoke(budget.app, ["check", "plain", "--budget", "tiny"]).stdout
    assert "candidates that fit" in shown
    assert "Nearest that fit" in shown


@pytest.mark.longer
def test_candidates_of_another_core_are_not_named(left: SimpleNamespace) -> None:
    """Costs that were measured for another core say nothing here."""
    left.budget = Budget("tiny", "cortex-m4", 1, 100, 2, 128, 2000)
    left.metrics(json.dumps({"budget": {"name": "small"}, "candidates": [_candidate(1, 60, 3.0)]}))
    found = json.loads(
        CliRunner().invoke(budget.app, ["check", "plain", "--budget", "tiny", "--json"]).stdout
    )
    assert found["fitting"] == []
    assert "were measured for budget small, another core" in found["advice"]


def test_unknown_optimisation_and_missing_budget(left: SimpleNamespace) -> None:
    """Both are refused before anything is measured."""
    for words, said in (
        (["--budget", "small", "--optimise", "fast"], "size or speed"),
        ([], "what the model is held against"),
    ):
        done = CliRunner().invoke(budget.app, ["check", "plain", *words])
        assert isinstance(done.exception, InputError)
        assert said in str(done.exception)
