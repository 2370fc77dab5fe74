"""What a program costs on a core, and whether a budget affords it.

The search needs measured costs without importing ``export``: ``CostModel`` is the protocol, ``export`` implements it
and the face hands it in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from dataset.records import Budget
from training.program import Program


@dataclass(frozen=True)
class Cost:
    """Bytes and cycles of one program on one core, measured on its compiled C.

    ``flash_code`` and ``flash_tables`` are what the linker placed for the exported file, ``flash_helpers`` what it pulled in
    beside it (division). ``ram`` is state + prepared + scratch. ``stack`` is the deepest use seen. ``cycles`` is the dearest
    frame seen, ``cycles_mean`` the mean.
    """

    core: str
    flash_code: int
    flash_tables: int
    flash_helpers: int
    ram: int
    stack: int
    cycles: int
    cycles_mean: float

    @property
    def flash(self) -> int:
        return self.flash_code + self.flash_tables + self.flash_helpers


@dataclass(frozen=True)
class CostLine:
    """One resource: what is used and what is left for it."""

    resource: str
    used: int
    allowed: int

    @property
    def within(self) -> bool:
        return self.used <= self.allowed


def against(cost: Cost, budget: Budget) -> tuple[CostLine, ...]:
    """The cost beside the budget, a line a resource."""
    return (
        CostLine("flash bytes", cost.flash, budget.flash_bytes),
        CostLine("RAM bytes", cost.ram, budget.ram_bytes),
        CostLine("stack bytes", cost.stack, budget.stack_bytes),
        CostLine("cycles a frame", cost.cycles, budget.cycles),
    )


class CostModel(Protocol):
    """Measures what ``program`` costs on the core of ``budget``."""

    def __call__(self, program: Program, budget: Budget) -> Cost: ...
