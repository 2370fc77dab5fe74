"""What a program costs on a core, and whether a budget affords it.

The search needs measured costs without importing ``export``: ``CostModel`` is the protocol, ``export``
implements it and the face hands it in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Protocol

from dataset.records import Budget
from training.program import Program


@dataclass(frozen=True)
class Cost:
    """Bytes and cycles of one program on one core, measured on its compiled C.

    ``flash_code`` and ``flash_tables`` are what the linker placed for the exported file, ``flash_helpers``
    what it pulled in beside it (division), for a firmware that ``uses`` these parts of the interface beside
    init, prepare and step; ``interfaces`` has the bytes without any ('leanest'), and those that each part
    alone adds. ``ram`` is state + prepared + scratch; ``ram_selftest`` comes to it while a
    self-test goes on. ``stack`` is the deepest use seen, ``stack_bound`` that of the call graph. ``cycles``
    is the worst step seen, ``cycles_mean`` the mean, ``cycles_bound`` the worst way through the code;
    prepare and a piece of the known answer (``known_cycles``) likewise. ``selftest_cycles`` is the slice of
    the self-test that runs beside step in one frame, of ``slice_bytes`` of the tables, and with
    ``slice_known`` else a piece of the known answer; 0 bytes: none does. A bound is None where the code
    could not be followed; ``basis`` says what the bounds stand on. ``compiler`` made all this;
    ``optimise``: for size or speed; ``kernels`` and ``assembly``: how layers and trees were written.
    """

    core: str
    flash_code: int
    flash_tables: int
    flash_helpers: int
    ram: int
    stack: int
    cycles: int
    cycles_mean: float
    stack_bound: int | None = None
    cycles_bound: int | None = None
    prepare_cycles: int = 0
    prepare_bound: int | None = None
    selftest_cycles: int = 0
    selftest_bound: int | None = None
    slice_bytes: int = 0
    slice_known: bool = False
    known_cycles: int = 0
    known_bound: int | None = None
    ram_state: int = 0
    ram_prepared: int = 0
    ram_scratch: int = 0
    ram_selftest: int = 0
    uses: tuple[str, ...] = ()
    interfaces: Mapping[str, int] = field(default_factory=dict)
    compiler: str = ""
    optimise: str = "size"
    basis: str = ""
    kernels: str = "small"
    assembly: bool = False

    @property
    def flash(self) -> int:
        return self.flash_code + self.flash_tables + self.flash_helpers

    @property
    def frame(self) -> int:
        """Cycles of the dearest frame seen: step, and the slice of the self-test beside it."""
        return self.cycles + self.selftest_cycles

    @property
    def frame_bound(self) -> int | None:
        """At most; None where either has no bound."""
        if self.cycles_bound is None or (self.slice_bytes and self.selftest_bound is None):
            return None
        return self.cycles_bound + (self.selftest_bound or 0)


@dataclass(frozen=True)
class CostLine:
    """One resource: what was measured, the upper bound where there is one, and the budget."""

    resource: str
    used: int
    allowed: int
    bound: int | None = None

    @property
    def of_cycles(self) -> bool:
        return self.resource.startswith("cycles")

    @property
    def worst(self) -> int:
        return max(self.used, self.bound or 0)

    @property
    def headroom(self) -> int:
        """What is left over; negative when over."""
        return self.allowed - self.worst

    @property
    def within(self) -> bool:
        return self.headroom >= 0

    def facts(self) -> dict[str, Any]:
        """The line as JSON."""
        return asdict(self) | {"headroom": self.headroom, "within": self.within}


def against(cost: Cost, budget: Budget) -> tuple[CostLine, ...]:
    """The cost of the model alone beside the budget, a line a resource: what a search goes by. What has a
    bound is judged by it: a budget is for the worst case.
    """
    return (
        CostLine("flash bytes", cost.flash, budget.flash_bytes),
        CostLine("RAM bytes", cost.ram, budget.ram_bytes),
        CostLine("stack bytes", cost.stack, budget.stack_bytes, cost.stack_bound),
        CostLine("cycles a frame", cost.cycles, budget.cycles, cost.cycles_bound),
    )


def judged(cost: Cost, budget: Budget) -> tuple[CostLine, ...]:
    """As :func:`against`, and where the self-test goes on in frames the dearest one."""
    lines = against(cost, budget)
    if not cost.slice_bytes:
        return lines
    return (*lines, CostLine("cycles, worst frame", cost.frame, budget.cycles, cost.frame_bound))


def load_pct(cost: Cost, budget: Budget) -> float | None:
    """Per cent of the CPU's time that the worst frame takes, its slice of the self-test included, from the
    budget's clock and frame period; None when either is not known.
    """
    if not budget.clock_hz or not budget.frame_period_ms:
        return None
    return 100 * max(cost.frame, cost.frame_bound or 0) * 1000 / (budget.clock_hz * budget.frame_period_ms)


def same_core(one: Budget, other: Budget) -> bool:
    """Whether costs measured for one budget hold for the other."""
    return (one.core, one.multiplier_cycles, one.wait_states) == (
        other.core,
        other.multiplier_cycles,
        other.wait_states,
    )


class CostModel(Protocol):
    """Measures what ``program`` costs on the core of ``budget``."""

    def __call__(self, program: Program, budget: Budget) -> Cost: ...
