"""Which candidates of a stored model's search a budget affords. Light to import."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dataset.records import Budget
from training.judging.figures import KeptCost
from training.search.metrics import CandidateRow


@dataclass(frozen=True)
class Affordable:
    """A candidate of a model's search that fits a budget: its recipe, its cost as stored, its error in mm on
    the choose groups.
    """

    family: str
    size: int | str
    bits: int | None
    flash: int
    cycles: int
    error_mm: float


def affordable(candidates: Iterable[CandidateRow], budget: Budget) -> list[Affordable]:
    """The candidates that were measured and fit ``budget``, those none of which another beats in both error
    and flash; the least error first.

    ``candidates`` were measured for a budget of the same core (:func:`training.costs.same_core`).
    """
    costed = []
    for row in candidates:
        if row.cost is None or row.error_mm is None or not _fits(row.cost, budget):
            continue
        cycles = _worst_cycles(row.cost)
        costed.append(Affordable(row.family, row.size, row.bits, row.cost.flash, cycles, float(row.error_mm)))
    costed.sort(key=lambda candidate: (candidate.error_mm, candidate.flash))
    return [
        candidate
        for k, candidate in enumerate(costed)
        if all(candidate.flash < better.flash for better in costed[:k])
    ]


def _fits(cost: KeptCost, budget: Budget) -> bool:
    return (
        cost.flash <= budget.flash_bytes
        and cost.ram <= budget.ram_bytes
        and max(cost.stack, cost.stack_bound or 0) <= budget.stack_bytes
        and _worst_cycles(cost) <= budget.cycles
    )


def _worst_cycles(cost: KeptCost) -> int:
    return max(cost.cycles, cost.cycles_bound or 0)
