"""What a budget affords of the candidates that a search measured. All numbers invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dataset.records import Budget
from training.judging.figures import KeptCost
from training.search.affordable import affordable
from training.search.metrics import CandidateRow

COST = KeptCost("cortex-m0plus", 900, 700, 200, 0, 64, 80, 96, 4000, 3500.0, 4400)
BUDGET = Budget("b", "cortex-m0plus", 1, 900, 64, 96, 4400)
ROW = CandidateRow(family="line", size=1, bits=8, cost=COST, error_mm=1.5)


def test_what_just_fits_is_afforded_by_its_worst_case() -> None:
    (fitting,) = affordable([ROW], BUDGET)
    assert (fitting.family, fitting.size, fitting.bits) == ("line", 1, 8)
    assert (fitting.flash, fitting.cycles, fitting.error_mm) == (900, 4400, 1.5)


@pytest.mark.parametrize("resource", ["flash_bytes", "ram_bytes", "stack_bytes", "cycles"])
def test_one_too_few_of_anything_is_too_few(resource: str) -> None:
    """Of stack and cycles the bound counts, where there is one; what was seen in use is less."""
    less = replace(BUDGET, **{resource: getattr(BUDGET, resource) - 1})
    assert affordable([ROW], less) == []
    unbounded = replace(ROW, cost=replace(COST, stack_bound=None, cycles_bound=None))
    assert bool(affordable([unbounded], less)) is (resource in ("stack_bytes", "cycles"))


def test_what_was_not_measured_or_has_no_error_is_not_named() -> None:
    assert affordable([replace(ROW, cost=None), replace(ROW, error_mm=None)], BUDGET) == []
