"""Measured costs: what they count, and that a realistic model fits a small budget."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import pytest

from dataset.errors import ToolError
from dataset.records import Budget
from export.c.extras import USES, USUAL, Extras
from export.c.kernels import TIERS
from export.c.source import CSource, emit_c
from export.compilers.core_build import compile_model, link_model
from export.core import measure as module
from export.core.bounds import Bound, Bounds
from export.core.emulator import Machine
from export.core.measure import (
    SLICES,
    Chip,
    choose_kernels,
    interface_bytes,
    measure,
    measure_source,
    measured_source,
)
from training.costs import Cost, CostLine, CostModel, against, judged, load_pct
from training.program import Program, from_json, to_json

BUDGET = Budget(
    "small",
    "cortex-m0plus",
    multiplier_cycles=1,
    flash_bytes=1536,
    ram_bytes=64,
    stack_bytes=128,
    cycles=2000,
)


@pytest.mark.longer
def test_smallest_useful_model_fits_a_small_budget(all_built: dict[str, Any]) -> None:
    """One channel, reciprocal, 16 segments and flags: inside 1,536 bytes of flash with everything, and 64
    bytes of RAM.
    """
    model: CostModel = measure
    cost = model(all_built["inverse_law"].program, BUDGET)
    assert all(line.within for line in against(cost, BUDGET))
    assert cost.flash < 1000


@pytest.mark.longer
def test_cost_is_that_of_the_image_and_the_run(all_built: dict[str, Any]) -> None:
    """Flash and RAM are the linker's and the compiler's; cycles are the dearest frame; the mean lies below
    it.
    """
    its = all_built["strip"]
    cost = measure(its.program, BUDGET)
    linked = link_model(compile_model(its.c), Extras(USUAL).functions)
    assert cost.flash == len(linked.flash) < len(its.image.flash)
    assert (cost.flash_tables, cost.flash_helpers, cost.ram) == (
        its.image.tables,
        its.image.helpers,
        its.image.ram,
    )
    assert cost.ram == its.image.state_size + its.image.prepared_size + its.image.scratch_size
    assert 0 < cost.cycles_mean < cost.cycles
    assert cost.stack >= 16


@pytest.mark.slow
def test_multiplier_and_wait_states_cost_cycles_only(all_built: dict[str, Any]) -> None:
    """A slow multiplier and wait states cost cycles; flash, RAM and stack stay."""
    program = all_built["strip"].program
    plain = measure(program, BUDGET)
    slow = measure(program, replace(BUDGET, multiplier_cycles=32))
    waiting = measure(program, replace(BUDGET, wait_states=1))
    assert min(slow.cycles, waiting.cycles) > plain.cycles
    its = asdict(plain)
    for other in (slow, waiting):
        assert other.slice_bytes <= plain.slice_bytes
        differing = {name for name, value in asdict(other).items() if value != its[name]}
        assert differing <= {
            "cycles",
            "cycles_mean",
            *(f"{what}_bound" for what in ("cycles", "prepare", "selftest", "known")),
            *(f"{what}_cycles" for what in ("prepare", "selftest", "known")),
            "slice_bytes",
            "slice_known",
        }


@pytest.mark.longer
def test_kernels_are_chosen_by_what_the_budget_has(all_built: dict[str, Any]) -> None:
    """Enough cycles: the smallest code; too few for it: faster kernels, at more bytes; too few for any: those
    that take fewest.
    """
    program = all_built["two_nets"].program
    small, threes, fast, fastest = (
        measure(program, BUDGET, kernels=tier) for tier in ("small", "threes", "fast", "fastest")
    )
    assert fast.cycles < small.cycles
    assert small.flash < fast.flash
    least = measure(program, replace(BUDGET, cycles=1))
    barely = max(line.worst for line in judged(least, BUDGET) if line.of_cycles)
    assert choose_kernels(program, replace(BUDGET, cycles=barely)) == least
    assert choose_kernels(program, replace(BUDGET, cycles=barely - 1)).kernels == "threes"
    fewest = min(cost.cycles for cost in (threes, fast, fastest))
    assert choose_kernels(program, replace(BUDGET, cycles=1)).cycles == fewest


@pytest.mark.longer
def test_bounds_lie_above_what_was_seen(all_built: dict[str, Any]) -> None:
    """Stack and cycles have bounds that no run passes and that lie near; what they stand on is said."""
    cost = measure(all_built["strip"].program, BUDGET)
    for seen, bound in (
        (cost.stack, cost.stack_bound),
        (cost.cycles, cost.cycles_bound),
        (cost.prepare_cycles, cost.prepare_bound),
    ):
        assert bound is not None
        assert 0 < seen <= bound <= 1.5 * seen
    assert 0 < cost.selftest_cycles <= (cost.selftest_bound or 0)
    assert 0 < cost.known_cycles <= (cost.known_bound or 0)
    assert (cost.ram_state, cost.ram_prepared, cost.ram_scratch) != (0, 0, 0)
    assert cost.ram == cost.ram_state + cost.ram_prepared + cost.ram_scratch
    assert cost.basis.startswith(
        "stack: proven from the call graph; cycles: worst-case branches, loop counts as measured ("
    )


def test_a_bound_decides() -> None:
    """What was seen fits and its bound does not: over, by what the bound is too much; without a bound what
    was seen decides.
    """
    line = CostLine("stack bytes", 80, 100, 112)
    assert (line.within, line.headroom) == (False, -12)
    assert CostLine("flash bytes", 100, 100).within


@pytest.mark.longer
def test_for_speed(all_built: dict[str, Any]) -> None:
    """Compiled for speed a model is larger and takes fewer cycles: what that option is for."""
    program = all_built["strip"].program
    small, fast = measure(program, BUDGET), measure(program, BUDGET, "speed")
    assert fast.cycles < small.cycles
    assert fast.flash > small.flash
    assert (small.optimise, fast.optimise) == ("size", "speed")


def test_measured_once(all_built: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that was measured is not built again for another budget on the same core."""
    program = all_built["strip"].program
    cost = measure(program, BUDGET)
    monkeypatch.setattr(module, "compile_model", None)
    assert measure(program, replace(BUDGET, name="other", flash_bytes=1)) == cost


@pytest.mark.longer
def test_c_is_made_once_for_what_is_measured(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Measuring, and asking for the C that was measured, makes it once for each way of writing it, also when
    the same program is read again.
    """
    made = list[str]()

    def counted(program: Program, **written: Any) -> CSource:
        made.append(written["kernels"])
        return emit_c(program, **written)

    program = samples["every_op"]
    program = replace(program, name="made_once")
    monkeypatch.setattr(module, "emit_c", counted)
    choose_kernels(program, replace(BUDGET, cycles=1))  # looks at every way
    again = from_json(to_json(program))
    assert [measured_source(again, kernels) for kernels in TIERS] == [
        emit_c(program, kernels=kernels) for kernels in TIERS
    ]
    measure(again, BUDGET)
    assert made == list(TIERS)


def test_unknown_core(all_built: dict[str, Any]) -> None:
    """A budget for a core that cannot be emulated is refused, with those that can."""
    with pytest.raises(ToolError, match="core: 'cortex-m7'; expected one of cortex-m0plus"):
        measure(all_built["constant"].program, replace(BUDGET, core="cortex-m7"))


def test_a_bound_below_what_was_seen_is_none(
    all_built: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Code that was followed wrongly proves nothing: no bound is given, and why is said."""
    monkeypatch.setattr(Bounds, "cycles", lambda bounds, name, without="": Bound(1))
    monkeypatch.setattr(Bounds, "stack", lambda bounds, name: 1)
    cost = measure(all_built["constant"].program, BUDGET)
    assert (cost.cycles_bound, cost.prepare_bound, cost.known_bound, cost.stack_bound) == (None,) * 4
    assert cost.selftest_bound is None
    assert f"no bound on the cycles of step: 1 computed, {cost.cycles} seen" in cost.basis
    assert f"no bound on the stack: 1 computed, {cost.stack} seen" in cost.basis


def test_a_budget_is_judged_by_the_worse_of_seen_and_bound() -> None:
    """Whichever is more counts, for the load as well."""
    for used, bound in ((900, 700), (700, 900), (900, None)):
        assert CostLine("cycles a frame", used, 800, bound).worst == 900
        cost = Cost("core", 1, 1, 0, 1, 1, used, 1.0, None, bound)
        budget = replace(BUDGET, clock_hz=1_000_000, frame_period_ms=10)
        assert load_pct(cost, budget) == 9.0  # 900 of the 10 000 cycles of a frame


@pytest.mark.longer
def test_the_dearest_frame_is_judged(all_built: dict[str, Any]) -> None:
    """Step with the slice of the self-test beside it is a row of its own; the slice is the largest that fits,
    with pieces of the known answer where these fit; where no slice fits, the row is over.
    """
    program = all_built["two_nets"].program
    roomy = measure(program, replace(BUDGET, cycles=1_000_000))
    assert (roomy.slice_bytes, roomy.slice_known) == (64, True)
    step, known = roomy.cycles_bound or 0, roomy.known_bound or 0
    least = measure(program, replace(BUDGET, cycles=1))
    assert (least.slice_bytes, least.slice_known) == (1, False)
    rooms = (known, known - 1, 1500, 500, least.selftest_bound or 0)
    for cycles in (step + room for room in rooms):
        budget = replace(BUDGET, cycles=cycles)
        cost = measure(program, budget)
        line = judged(cost, budget)[-1]
        assert (line.resource, line.used) == ("cycles, worst frame", cost.cycles + cost.selftest_cycles)
        assert line.within, cycles
        assert line.bound == step + (cost.selftest_bound or 0)
        assert cost.slice_known == (step + known <= cycles)
        if not cost.slice_known:
            assert (cost.selftest_bound or 0) * 2 > cycles - step  # the next size would not fit
    budget = replace(BUDGET, cycles=step + (least.selftest_bound or 0) - 1)
    assert not judged(measure(program, budget), budget)[-1].within
    assert len(against(least, BUDGET)) == 4  # a search goes by step alone


def test_a_slice_on_the_core_takes_no_more_than_its_bound(all_built: dict[str, Any]) -> None:
    """Every slice of the tables at each size, run to the end, stays within the bound that a few gave."""
    its = all_built["two_nets"]
    machine = Machine(its.image)
    measured = measure_source(its.c, its.vectors.head(1), Chip(its.image.core, 1, 0), "size", USUAL)
    assert [piece.size for piece in measured.slices] == list(SLICES)
    for size, bound in ((piece.size, piece.bound) for piece in measured.slices):
        pieces = -(-its.image.layout.tables.size // size)
        assert machine.selftest_cycles(size, pieces) <= (bound or 0), size


@pytest.mark.longer
def test_what_is_linked_is_counted(all_built: dict[str, Any]) -> None:
    """Each part of the interface adds bytes to the leanest firmware; the usual one lies between that and one
    with everything; without the self-test no frame has a slice of it.
    """
    its = all_built["strip"]
    adds = interface_bytes(its.c, "cortex-m0plus", "size")
    lean = measure(its.program, BUDGET, extras=Extras(()))
    usual, everything = measure(its.program, BUDGET), measure(its.program, BUDGET, extras=Extras(USES))
    assert lean.flash == adds["leanest"] < usual.flash < everything.flash
    assert all(size > 0 for size in adds.values())
    assert set(adds) == {"leanest", "selftest", "trim-check", "code-crc", "identity"}
    assert interface_bytes(all_built["single_channel"].c, "cortex-m0plus", "size") != adds
    assert usual.flash <= adds["leanest"] + adds["selftest"] + adds["trim-check"]
    assert (lean.slice_bytes, lean.selftest_cycles, len(judged(lean, BUDGET))) == (0, 0, 4)
    power_on = measure(its.program, BUDGET, extras=Extras(("selftest", "trim-check")))
    assert (power_on.flash, power_on.slice_bytes) == (usual.flash, 0)
