"""A model or a bundle held against a budget: measured on the budget's core, and what else would fit when it
is over.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.records import Budget, Model
    from dataset.store import Store
    from export.c.source import CSource
    from export.compilers.gcc import GccSizes
    from export.volume import VolumeTable
    from training.costs import Affordable, Cost, CostLine

_MOST_SHOWN = 5


@dataclass(frozen=True)
class Judged:
    """What was found: the cost line by line, what another compiler makes of it, and when it is over what
    would fit.
    """

    name: str
    budget: Budget
    cost: Cost
    lines: tuple[CostLine, ...]
    load_pct: float | None
    gcc: GccSizes | None
    fitting: tuple[Affordable, ...]
    advice: str

    @property
    def over(self) -> tuple[CostLine, ...]:
        return tuple(line for line in self.lines if not line.within)

    def sentence(self) -> str:
        """The lines in a row."""
        return ", ".join(f"{line.resource} {line.worst} of {line.allowed}" for line in self.lines)

    def facts(self) -> dict[str, Any]:
        """As JSON."""
        gcc = None if self.gcc is None else asdict(self.gcc) | {"flash": self.gcc.flash}
        return {
            "model": self.name,
            "budget": self.budget.name,
            "within": not self.over,
            "lines": [line.facts() for line in self.lines],
            "cost": asdict(self.cost),
            "cpu_load_pct": self.load_pct,
            "model_of_core": _sources(self.cost.core),
            "gcc": gcc,
            "fitting": [asdict(its) for its in self.fitting],
            "advice": self.advice,
        }


def judge(subject: str, budget: str | None, optimise: str | None, opened: Callable[[], Store]) -> Judged:
    """Measure ``subject``: a bundle where a folder or a zip file of that name stands, else a model of the
    store.

    Raises InputError for one that is not known, ToolError when it cannot be built or run.
    """
    from dataset.errors import InputError

    if optimise is not None:
        check_optimise(optimise)
    path = Path(subject)
    if path.is_dir() or (path.suffix == ".zip" and path.is_file()):
        return _judge_bundle(path, budget, optimise, opened)
    if budget is None:
        raise InputError(
            "--budget",
            "not given",
            "the budget to hold the model against",
            "'innage budget list' shows them; only a bundle brings its own",
        )
    store = opened()
    return judge_model(store, store.model(subject), store.budget(budget), optimise or "size")


def check_optimise(optimise: str) -> None:
    """InputError unless C can be compiled so."""
    from dataset.errors import InputError
    from export.compilers.toolchain import OPTIMISE

    if optimise not in OPTIMISE:
        raise InputError("--optimise", repr(optimise), " or ".join(OPTIMISE))


def judge_model(
    store: Store,
    model: Model,
    left: Budget,
    optimise: str,
    kernels: str = "small",
    assembly: bool = False,
    volume: VolumeTable | None = None,
) -> Judged:
    """Measure a model of ``store`` against a budget; ``kernels`` as ``emit_c`` takes them, or 'auto' for the
    smallest within its cycles, ``volume`` too.
    """
    from export.core.measure import choose_kernels, measure, measured_source
    from training.program import from_json

    program = from_json(model.program, f"model '{model.name}'")
    cost = (
        choose_kernels(program, left, optimise, assembly, volume)
        if kernels == "auto"
        else measure(program, left, optimise, kernels, assembly, volume)
    )
    metrics = json.loads(model.metrics)
    return _judged(
        model.name,
        measured_source(program, cost.kernels, cost.assembly, volume),
        left,
        cost,
        metrics,
        lambda: _trained_for(metrics, store),
    )


def _judge_bundle(
    path: Path, budget: str | None, optimise: str | None, opened: Callable[[], Store]
) -> Judged:
    """The C made of the bundle's program, which must be the bundle's own; its list of candidates, measured
    for its budget.
    """
    from dataset.errors import InputError
    from dataset.records import Budget
    from export.bundle.checks import Bundle
    from export.bundle.verify import read_bundle
    from export.core.measure import MEASURED, cost_of

    bundle = Bundle(read_bundle(path))
    body = bundle.manifest.body
    try:
        own = Budget(**body["budget"])
        left = own if budget is None else opened().budget(budget)
        name, metrics, built = str(body["model"]["name"]), dict(body["metrics"]), bundle.optimise
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path}, manifest",
            f"a missing or misplaced entry ({error})",
            "the entries that an export writes",
        ) from error
    vectors = bundle.vectors.head(max(1, MEASURED // bundle.vectors.stream_frames))
    cost = cost_of(
        bundle.source, vectors, left.core, left.multiplier_cycles, left.wait_states, optimise or built
    )
    return _judged(name, bundle.source, left, cost, metrics, lambda: own)


def _judged(
    name: str,
    source: CSource,
    left: Budget,
    cost: Cost,
    metrics: Mapping[str, Any],
    searched_for: Callable[[], Budget | None],
) -> Judged:
    """The verdict on a cost that was measured. ``searched_for`` gives the budget that the candidates of
    ``metrics`` were measured for.
    """
    from export.compilers.gcc import gcc_sizes
    from training.costs import against, load_pct

    lines = against(cost, left)
    fitting: tuple[Affordable, ...] = ()
    advice = ""
    if not all(line.within for line in lines):
        fitting, advice = _what_fits(metrics, left, searched_for())
    return Judged(
        name,
        left,
        cost,
        lines,
        load_pct(cost, left),
        gcc_sizes(source, left.core, cost.optimise),
        fitting,
        advice,
    )


def _trained_for(metrics: Mapping[str, Any], store: Store) -> Budget | None:
    """The budget that the search measured its candidates for."""
    named = (metrics.get("budget") or {}).get("name")
    return next((budget for budget in store.budgets() if budget.name == named), None)


def _what_fits(
    metrics: Mapping[str, Any], left: Budget, own: Budget | None
) -> tuple[tuple[Affordable, ...], str]:
    """The nearest candidates of the model's own search, or why none can be named."""
    from training.costs import affordable, same_core

    again = f"'innage train' with --budget {left.name} looks for a model that fits"
    if own is None or not same_core(own, left):
        was = (
            "were not measured"
            if own is None
            else f"were measured for budget {own.name}, another core or other memory"
        )
        return (), f"The candidates of its search {was}: {again}."
    found = affordable(metrics.get("candidates") or (), left)
    if not found:
        return (), f"No candidate of its search that was measured fits: {again}, or ask for a larger budget."
    return tuple(found[:_MOST_SHOWN]), f"Nearest that fit, of the candidates of its search; {again}."


def _sources(core: str) -> dict[str, str]:
    from export.core.timing import sources
    from export.cores import find_core

    return asdict(sources(find_core(core)))


def rows(lines: tuple[CostLine, ...]) -> list[tuple[object, ...]]:
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


COLUMNS = ("resource", "seen", "at most", "left for it", "headroom", "verdict")


def show(found: Judged) -> None:
    """The verdict for a person: the table, what stands behind it, and when over what would fit."""
    cost = found.cost
    table(
        f"{found.name} on {cost.core} for {cost.optimise}, budget {found.budget.name}",
        COLUMNS,
        rows(found.lines),
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
    if found.load_pct is not None:
        say(
            f"CPU load: {found.load_pct:.3g} % of {found.budget.clock_hz / 1e6:g} MHz at a "
            f"frame every {found.budget.frame_period_ms} ms."
        )
    its = _sources(cost.core)
    say(f"Bounds: {cost.basis}.")
    say(f"Cycles are a model of the core ({its['source']}), not a board. Not in it: {its['unseen']}.")
    if found.gcc is not None:
        say(_gcc_sentence(found.gcc))
    say(_verdict(found.over))
    if found.over:
        _show_fitting(found)


def _of(seen: int, bound: int | None) -> str:
    return f"{seen} (at most {bound})" if bound is not None else f"{seen} (no bound)"


def _gcc_sentence(its: GccSizes) -> str:
    from export.compilers.gcc import GCC

    if its.said:
        return f"Beside it, {GCC} {its.version}: {its.said}."
    return (
        f"Beside it, {GCC} {its.version}: {its.flash} B flash (code {its.code}, tables "
        f"{its.tables}, helpers {its.helpers}); not judged."
    )


def _verdict(over: tuple[CostLine, ...]) -> str:
    if not over:
        return "The model fits."
    return (
        f"The model is over: {', '.join(f'{line.resource} by {-line.headroom}' for line in over)}. "
        "Nothing was exported."
    )


def _show_fitting(found: Judged) -> None:
    say(found.advice)
    if found.fitting:
        shown = [
            (its.family, its.size, its.bits, its.flash, its.cycles, its.error_mm) for its in found.fitting
        ]
        table(
            "candidates that fit", ("family", "size", "bits", "flash B", "cycles", "choose error mm"), shown
        )
