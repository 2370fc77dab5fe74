"""A model or a bundle held against a budget: measured on the budget's core, and what else would fit when it
is over.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataset.records import Budget, Model
    from dataset.store import Store
    from export.c.extras import Extras
    from export.c.source import CSource
    from export.core.gcc_cost import GccCost
    from export.vectors import Vectors
    from export.volume import VolumeTable
    from training.costs import Cost, CostLine
    from training.search.affordable import Affordable
    from training.search.metrics import Metrics

_MOST_SHOWN = 5


@dataclass(frozen=True)
class BudgetVerdict:
    """What was found: the cost line by line, what another compiler makes of it, and when it is over what
    would fit.
    """

    name: str
    budget: Budget
    cost: Cost
    lines: tuple[CostLine, ...]
    load_pct: float | None
    gcc: GccCost | None
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
        return {
            "model": self.name,
            "budget": self.budget.name,
            "within": not self.over,
            "lines": [line.facts() for line in self.lines],
            "cost": asdict(self.cost),
            "cpu_load_pct": self.load_pct,
            "model_of_core": sources_of(self.cost.core),
            "gcc": None if self.gcc is None else self.gcc.facts(),
            "fitting": [asdict(candidate) for candidate in self.fitting],
            "advice": self.advice,
        }


def judge(
    subject: str,
    budget: str | None,
    optimise: str | None,
    opened: Callable[[], Store],
    uses: tuple[str, ...] | None = None,
) -> BudgetVerdict:
    """Measure ``subject``: a bundle where a folder or a zip file of that name stands, else a model of the
    store. ``uses``: what the firmware uses of the interface, words of ``export.c.extras.USES``; None: what a
    bundle was exported for, else what is usual.

    Raises InputError for one that is not known, ToolError when it cannot be built or run.
    """
    from export.c.extras import USUAL, Extras, check_uses

    if uses is not None:
        uses = check_uses(uses)
    from dataset.errors import InputError

    if optimise is not None:
        check_optimise(optimise)
    path = Path(subject)
    if path.is_dir() or (path.suffix == ".zip" and path.is_file()):
        return _judge_bundle(path, budget, optimise, opened, uses)
    if budget is None:
        raise InputError(
            "budget",
            "not given",
            "what the model is held against",
            "see Store.budgets(); only a bundle brings its own",
            fields=("budget", "Store.budgets()"),
        )
    store = opened()
    extras = Extras(USUAL if uses is None else uses)
    return judge_model(store, store.model(subject), store.budget(budget), optimise or "size", extras=extras)


def check_optimise(optimise: str) -> None:
    """InputError unless C can be compiled so."""
    from dataset.errors import InputError
    from export.compilers.core_build import OPTIMISE

    if optimise not in OPTIMISE:
        raise InputError("optimise", repr(optimise), " or ".join(OPTIMISE), fields=("optimise",))


def judge_model(
    store: Store,
    model: Model,
    left: Budget,
    optimise: str,
    kernels: str = "small",
    assembly: bool = False,
    volume: VolumeTable | None = None,
    extras: Extras | None = None,
) -> BudgetVerdict:
    """Measure a model of ``store`` against a budget; ``kernels`` as ``emit_c`` takes them, or 'auto' for the
    smallest within its cycles, ``volume`` and ``extras`` too.
    """
    from export.c.extras import PLAIN_EXTRAS
    from export.core.measure import MEASURED, choose_kernels, measure, measured_source
    from export.evidence.drawing import make_vectors
    from training.program import from_json
    from training.search.metrics import read_metrics

    program, asked = from_json(model.program, f"model '{model.name}'"), extras or PLAIN_EXTRAS
    cost = (
        choose_kernels(program, left, optimise, assembly, volume, asked)
        if kernels == "auto"
        else measure(program, left, optimise, kernels, assembly, volume, asked)
    )
    metrics = read_metrics(json.loads(model.metrics))
    return _judged(
        model.name,
        measured_source(program, cost.kernels, cost.assembly, volume, asked),
        make_vectors(program, MEASURED),
        left,
        cost,
        metrics,
        lambda: _trained_for(metrics, store),
    )


def _judge_bundle(
    path: Path,
    budget: str | None,
    optimise: str | None,
    opened: Callable[[], Store],
    uses: tuple[str, ...] | None,
) -> BudgetVerdict:
    """The C made of the bundle's program, which must be the bundle's own; its list of candidates, measured
    for its budget.
    """
    from dataset.errors import InputError
    from dataset.records import Budget
    from export.bundle.checks import Bundle, NotEnoughEvidence
    from export.bundle.verify import read_bundle
    from export.core.measure import MEASURED, Chip, measure_source
    from export.cores import find_core
    from training.search.metrics import read_metrics

    bundle = Bundle(read_bundle(path))
    body = bundle.manifest.body
    try:
        own = Budget(**body["budget"])
        left = own if budget is None else opened().budget(budget)
        name, built = str(body["model"]["name"]), bundle.optimise
        metrics = read_metrics(dict(body["metrics"]))
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path}, manifest",
            f"a missing or misplaced entry ({error})",
            "the entries that an export writes",
        ) from error
    try:
        source = bundle.source
    except NotEnoughEvidence as missing:
        hint = "export the model again with this version"
        raise InputError(str(path), str(missing), "C that is made of program.json here", hint) from missing
    vectors = bundle.vectors.head(max(1, MEASURED // bundle.vectors.stream_frames))
    chip = Chip(find_core(left.core), left.multiplier_cycles, left.wait_states)
    used = bundle.manifest.written.extras.uses if uses is None else uses
    cost = measure_source(source, vectors, chip, optimise or built, used).fitted(left.cycles)
    form = bundle.manifest.written
    cost = replace(cost, kernels=form.kernels, assembly=form.assembly)
    return _judged(name, source, vectors, left, cost, metrics, lambda: own)


def _judged(
    name: str,
    source: CSource,
    vectors: Vectors,
    left: Budget,
    cost: Cost,
    metrics: Metrics,
    searched_for: Callable[[], Budget | None],
) -> BudgetVerdict:
    """The verdict on a cost that was measured. ``searched_for`` gives the budget that the candidates of
    ``metrics`` were measured for; ``vectors`` what it was run on.
    """
    from export.core.gcc_cost import gcc_cost
    from export.core.measure import Chip, interface_bytes
    from export.cores import find_core
    from training.costs import judged, load_pct

    lines = judged(cost, left)
    cost = replace(cost, interfaces=interface_bytes(source, cost.core, cost.optimise))
    chip = Chip(find_core(left.core), left.multiplier_cycles, left.wait_states)
    fitting: tuple[Affordable, ...] = ()
    advice = ""
    if not all(line.within for line in lines):
        fitting, advice = _what_fits(metrics, left, searched_for(), cost.uses)
    return BudgetVerdict(
        name,
        left,
        cost,
        lines,
        load_pct(cost, left),
        gcc_cost(source, vectors, chip, cost.optimise, cost.uses, left.cycles),
        fitting,
        advice,
    )


def _trained_for(metrics: Metrics, store: Store) -> Budget | None:
    """The budget that the search measured its candidates for."""
    named = None if metrics.budget is None else metrics.budget.name
    return next((budget for budget in store.budgets() if budget.name == named), None)


def _what_fits(
    metrics: Metrics, left: Budget, own: Budget | None, uses: tuple[str, ...]
) -> tuple[tuple[Affordable, ...], str]:
    """The nearest candidates of the model's own search, or why none can be named."""
    from training.costs import same_core
    from training.search.affordable import affordable

    again = f"'innage train' with --budget {left.name} looks for a model that fits"
    if own is None or not same_core(own, left):
        was = (
            "were not measured"
            if own is None
            else f"were measured for budget {own.name}, another core or other memory"
        )
        return (), f"The candidates of its search {was}: {again}."
    if uses and metrics.budget is not None and metrics.budget.leanest:
        lean = "were measured for a firmware that uses init, prepare and step alone, as --uses leanest does"
        return (), f"The candidates of its search {lean}."
    fitting = affordable(metrics.candidates, left)
    if not fitting:
        return (), f"No candidate of its search that was measured fits: {again}, or ask for a larger budget."
    return tuple(fitting[:_MOST_SHOWN]), f"Nearest that fit, of the candidates of its search; {again}."


def sources_of(core: str) -> dict[str, str]:
    """What stands behind the figures of a core, and what is not in them."""
    from export.core.timing import sources
    from export.cores import find_core

    return asdict(sources(find_core(core)))
