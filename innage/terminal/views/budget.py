"""What is shown of a model held against a budget."""

from __future__ import annotations

from typing import TYPE_CHECKING

from innage.jobs.models.budgets import sources_of
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from export.compilers.gcc import GccSizes
    from innage.jobs.models.budgets import BudgetVerdict
    from training.costs import CostLine


def _rows(lines: tuple[CostLine, ...]) -> list[tuple[object, ...]]:
    """The lines as a table: seen, at most, left for it, headroom, verdict."""
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


_COLUMNS = ("resource", "seen", "at most", "left for it", "headroom", "verdict")


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
    slice_ = f"a self-test slice of {cost.slice_bytes} B" if cost.slice_bytes else "the self-test"
    say(
        f"Cycles: prepare {_of(cost.prepare_cycles, cost.prepare_bound)}, {slice_} "
        f"{_of(cost.selftest_cycles, cost.selftest_bound)}."
    )
    if verdict.load_pct is not None:
        say(
            f"CPU load: {verdict.load_pct:.3g} % of {verdict.budget.clock_hz / 1e6:g} MHz at a "
            f"frame every {verdict.budget.frame_period_ms} ms."
        )
    sources = sources_of(cost.core)
    say(f"Bounds: {cost.basis}.")
    say(f"Cycles are a model of the core ({sources['source']}), not a board. Not in it: {sources['unseen']}.")
    if verdict.gcc is not None:
        say(_gcc_sentence(verdict.gcc))
    say(_verdict(verdict.over))
    if verdict.over:
        _show_fitting(verdict)


def _of(seen: int, bound: int | None) -> str:
    return f"{seen} (at most {bound})" if bound is not None else f"{seen} (no bound)"


def _gcc_sentence(sizes: GccSizes) -> str:
    from export.compilers.gcc import GCC

    if sizes.refusal:
        return f"Beside it, {GCC} {sizes.version}: {sizes.refusal}."
    return (
        f"Beside it, {GCC} {sizes.version}: {sizes.flash} B flash (code {sizes.code}, tables "
        f"{sizes.tables}, helpers {sizes.helpers}); not judged."
    )


def _verdict(over: tuple[CostLine, ...]) -> str:
    if not over:
        return "The model fits."
    return (
        f"The model is over: {', '.join(f'{line.resource} by {-line.headroom}' for line in over)}. "
        "Nothing was exported."
    )


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
