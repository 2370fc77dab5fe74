"""``innage budget check``: a model's cost beside what is left for it."""

from __future__ import annotations

import json
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from dataset.records import Budget
from innage.commands import budget
from training.program import Builder, to_json


@pytest.fixture
def left(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """A store with one model, and one budget that a test may change."""
    b = Builder("plain", count_bits=16, channels=1, period_ms=100, span=65535)
    program = b.finish(low="counts", level="counts", high="counts", validity=b.const(1), flags=b.const(0))
    its = SimpleNamespace(budget=Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000))
    store = SimpleNamespace(budget=lambda name: its.budget, model=lambda name: SimpleNamespace(name=name, program=to_json(program)))
    monkeypatch.setattr(budget, "open_store", lambda path: store)
    return its


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
    assert "over: RAM bytes by 1. Nothing was exported" in done.stdout


def test_json(left: SimpleNamespace) -> None:
    """The same as JSON, with each line's verdict and the whole cost."""
    left.budget = Budget("tiny", "cortex-m0plus", 1, 1536, 2, 128, 2000)
    done = CliRunner().invoke(budget.app, ["check", "plain", "--budget", "tiny", "--json"])
    assert done.exit_code == 1
    found = json.loads(done.stdout)
    assert found["within"] is False
    assert {line["resource"]: line["within"] for line in found["lines"]} == {
        "flash bytes": True, "RAM bytes": False, "stack bytes": True, "cycles a frame": True,
    }  # fmt: skip
    assert found["cost"]["ram"] == 3
