"""What a program costs on a core: its C compiled, linked and run on the emulated core, and bounded by its
disassembly.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from dataset.records import Budget
from export.c.kernels import TIERS
from export.c.source import CSource, emit_c
from export.compilers.toolchain import FUNCTIONS, build_core
from export.core.bounds import Bound, Bounds
from export.core.emulator import Machine
from export.core.flow import NotFollowed
from export.core.timing import Timing
from export.cores import find_core
from export.evidence.drawing import make_vectors
from export.vectors import Vectors
from export.volume import VolumeTable
from training.costs import Cost
from training.program import Program, digest

MEASURED = 256  # vectors that a program is measured on


@dataclass(frozen=True)
class _Keyed:
    """A program that equals every other one of its digest."""

    digest: str
    program: Program = field(compare=False)


def measure(
    program: Program,
    budget: Budget,
    optimise: str = "size",
    kernels: str = "small",
    assembly: bool = False,
    volume: VolumeTable | None = None,
) -> Cost:
    """The cost of ``program`` on the core of ``budget``, with its multiplier and wait states, compiled for
    size or for speed.

    Flash holds every function of the interface, tables and helpers; RAM is state + prepared + scratch; stack
    and cycles are the deepest and the worst case seen on seeded vectors, corners of the domain included, and
    bounds beside them (see ``export.core.bounds``). ``kernels``, ``assembly`` and ``volume`` are those of
    ``emit_c``. Measured once per program, core and options. Raises ToolError for a core that is not known,
    and when the model cannot be built or run.
    """
    return _measured(
        _Keyed(digest(program), program),
        find_core(budget.core).name,
        budget.multiplier_cycles,
        budget.wait_states,
        optimise,
        kernels,
        assembly,
        volume,
    )


def measured_source(
    program: Program, kernels: str = "small", assembly: bool = False, volume: VolumeTable | None = None
) -> CSource:
    """The C that is measured, with the usual prefix; that of the last programs measured is kept."""
    return _written(_Keyed(digest(program), program), kernels, assembly, volume)


def choose_kernels(
    program: Program,
    budget: Budget,
    optimise: str = "size",
    assembly: bool = False,
    volume: VolumeTable | None = None,
) -> Cost:
    """The cost with the smallest kernels whose cycles the budget has, else with those that take fewest."""
    costs = [measure(program, budget, optimise, kernels, assembly, volume) for kernels in TIERS]
    return next(
        (cost for cost in costs if cost.cycles <= budget.cycles), min(costs, key=lambda cost: cost.cycles)
    )


@functools.lru_cache(maxsize=4096)
def _measured(
    keyed: _Keyed,
    core: str,
    multiplier_cycles: int,
    wait_states: int,
    optimise: str,
    kernels: str,
    assembly: bool,
    volume: VolumeTable | None,
) -> Cost:
    source, vectors = _written(keyed, kernels, assembly, volume), make_vectors(keyed.program, MEASURED)
    cost = cost_of(source, vectors, core, multiplier_cycles, wait_states, optimise)
    return replace(cost, kernels=kernels, assembly=assembly)


@functools.lru_cache(maxsize=16)
def _written(keyed: _Keyed, kernels: str, assembly: bool, volume: VolumeTable | None) -> CSource:
    return emit_c(keyed.program, volume=volume, kernels=kernels, assembly=assembly)


def cost_of(
    source: CSource, vectors: Vectors, core: str, multiplier_cycles: int, wait_states: int, optimise: str
) -> Cost:
    """The cost of C as it stands, run on ``vectors``."""
    image = build_core(source, core, optimise)
    bounds = Bounds(image, Timing(image.core, multiplier_cycles, wait_states))
    machine = Machine(image, multiplier_cycles, wait_states, bounds.watch)
    run = machine.run(vectors)
    selftest = machine.selftest_cycles()
    seen = {
        "step": int(run.cycles.max()),
        "prepare": run.worst_case["prepare"],
        selftest.name: selftest.cycles,
    }
    proven = {name: _checked(bounds.cycles(name), most) for name, most in seen.items()}
    stack, lost = _deepest(lambda: max(bounds.stack(name) for name in FUNCTIONS))
    stack_used = machine.stack_used()
    if stack is not None and stack < stack_used:
        stack, lost = None, f"{stack} computed, {stack_used} seen"
    return Cost(
        core=core,
        flash_code=image.code,
        flash_tables=image.tables,
        flash_helpers=image.helpers,
        ram=image.ram,
        stack=stack_used,
        cycles=seen["step"],
        cycles_mean=float(run.cycles.mean()),
        stack_bound=stack,
        cycles_bound=proven["step"].cycles,
        prepare_cycles=seen["prepare"],
        prepare_bound=proven["prepare"].cycles,
        selftest_cycles=selftest.cycles,
        selftest_bound=proven[selftest.name].cycles,
        slice_bytes=selftest.slice_bytes,
        ram_state=image.state_size,
        ram_prepared=image.prepared_size,
        ram_scratch=image.scratch_size,
        optimise=optimise,
        basis=_basis(proven, lost),
    )


def _checked(bound: Bound, seen: int) -> Bound:
    """A bound that a run has passed is none: the code was not followed rightly."""
    if bound.cycles is not None and bound.cycles < seen:
        return replace(bound, cycles=None, why=f"{bound.cycles} computed, {seen} seen")
    return bound


def _deepest(asked: Callable[[], int]) -> tuple[int | None, str]:
    try:
        return asked(), ""
    except NotFollowed as lost:
        return None, str(lost)


def _basis(bounds: dict[str, Bound], lost: str) -> str:
    """What is proven and what was only seen, as one sentence."""
    sentences = [f"no bound on the stack: {lost}" if lost else "stack: proven from the call graph"]
    sentences += [
        f"no bound on the cycles of {name}: {bound.why}"
        for name, bound in bounds.items()
        if bound.cycles is None
    ]
    loops = sum(bound.loops for bound in bounds.values())
    varying = sum(bound.varying for bound in bounds.values())
    seen = f"the rounds of {loops} loops as observed, " + (
        f"{varying} of them not always the same: the most" if varying else "the same at every entry"
    )
    if any(bound.cycles is not None for bound in bounds.values()):
        sentences.append(f"cycles: the dearest branch everywhere, {seen}")
    return "; ".join(sentences)
