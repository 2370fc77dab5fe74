"""What is shown of a model held against a budget."""

from __future__ import annotations

from typing import TYPE_CHECKING

from innage.jobs.models.budgets import sources_of
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from innage.jobs.models.budgets import BudgetVerdict
    from training.costs import Cost, CostLine


def _rows(lines: tuple[CostLine, ...]) -> list[tuple[object, ...]]:
    """The lines as a table: measured, upper bound, budget, headroom, verdict."""
    return [
        (
            line.resource,
            line.used,
            line.bound,
            line.allowed,
            line.headroom,
            "within" if line.within else "over",
        )
        for line in lines
    ]


_COLUMNS = ("resource", "measured", "upper bound", "budget", "headroom", "verdict")


def show_verdict(verdict: BudgetVerdict) -> None:
    """The verdict for a person: the table, what stands behind it, and when over what would fit."""
    cost = verdict.cost
    table(
        f"{verdict.name} on {cost.core} for {cost.optimise}, budget {verdict.budget.name}",
        _COLUMNS,
        _rows(verdict.lines),
    )
    say(
        f"Flash: code {cost.flash_code}, tables {cost.flash_tables}, helpers {cost.flash_helpers} B. "
        f"RAM: state {cost.ram_state}, prepared {cost.ram_prepared}, scratch {cost.ram_scratch} B."
    )
    for sentence in _cost_sentences(cost):
        say(sentence)
    if verdict.load_pct is not None:
        say(
            f"CPU load: {verdict.load_pct:.3g} % of {verdict.budget.clock_hz / 1e6:g} MHz at a "
            f"frame every {verdict.budget.frame_period_ms} ms."
        )
    sources = sources_of(cost.core)
    say(f"Compiled by {cost.compiler}. Bounds: {cost.basis}.")
    say(f"Cycles are a model of the core ({sources['source']}), not a board. Not in it: {sources['unseen']}.")
    say(gcc_sentence(verdict))
    say(_verdict(verdict.over))
    if verdict.over:
        _show_fitting(verdict)


def _of(seen: int, bound: int | None) -> str:
    return f"{seen} (at most {bound})" if bound is not None else f"{seen} (no bound)"


def _cost_sentences(cost: Cost) -> list[str]:
    """What is linked, what each part of the interface adds, and the cycles beside those of the table."""
    parts = ", ".join(("init", "prepare", "step", *cost.uses))
    adds = ", ".join(f"{name} {size}" for name, size in cost.interfaces.items() if name != "leanest")
    known = f"a piece of the known answer {_of(cost.known_cycles, cost.known_bound)}"
    leanest = cost.interfaces["leanest"]
    sentences = [
        f"Linked: {parts}. With the first three {leanest} B; to these each adds alone: {adds} B.",
        f"Cycles: prepare {_of(cost.prepare_cycles, cost.prepare_bound)}, {known}.",
    ]
    if cost.slice_bytes:
        done = f"{cost.slice_bytes} B of the tables"
        done += (
            " or a piece of the known answer" if cost.slice_known else " (the known answer at power-on only)"
        )
        slice_ = _of(cost.selftest_cycles, cost.selftest_bound)
        sentences.append(f"Worst frame: step and a slice of the self-test, {done}: {slice_}.")
    if cost.ram_selftest:
        sentences.append(f"The self-test's own memory: {cost.ram_selftest} B more of RAM while it goes on.")
    return sentences


def gcc_sentence(verdict: BudgetVerdict) -> str:
    """What another compiler makes of the same C, or why that is not known."""
    from export.compilers.gcc import GCC
    from export.cores import find_core

    gcc, core = verdict.gcc, verdict.cost.core
    if gcc is None:
        why = "is not on the PATH" if find_core(core).gcc else f"does not know {core}"
        return f"{GCC} {why}, so its bytes and cycles are not compared."
    if gcc.cost is None:
        return f"Beside it, {GCC} {gcc.version}: {gcc.refusal}."
    cost = gcc.cost
    flash = f"code {cost.flash_code}, tables {cost.flash_tables}, helpers {cost.flash_helpers}"
    cycles = f"cycles {_of(cost.cycles, cost.cycles_bound)}"
    if cost.slice_bytes:
        cycles += f", worst frame {_of(cost.frame, cost.frame_bound)}"
    return (
        f"Beside it, {cost.compiler}: {cost.flash} B flash ({flash}), stack "
        f"{_of(cost.stack, cost.stack_bound)}, {cycles}; not judged."
    )


def _verdict(over: tuple[CostLine, ...]) -> str:
    if not over:
        return "The model fits."
    return f"The model is over: {'; '.join(f'{line.resource} by {-line.headroom}' for line in over)}."


def _show_fitting(verdict: BudgetVerdict) -> None:
    say(verdict.advice)
    if verdict.fitting:
        shown = [
            (fits.family, fits.size, fits.bits, fits.flash, fits.cycles, fits.error_mm)
            for fits in verdict.fitting
        ]
        table(
            "candidates that fit", ("family", "size", "bits", "flash B", "cycles", "choose error mm"), shown
        )
