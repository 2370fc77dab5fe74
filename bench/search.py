"""The default search of a pad array beside scikit-learn's grid search over the same nets on the same rows.

    python bench/search.py STORE FROZEN [--limits NAME] [--budget NAME] [--solver adam|lbfgs] [--folds N]
    [--rounds N] [--cpu]

Ours is all that ``innage train`` does before it stores a model: every level net and watcher, their integers
and thresholds on the choose groups, measured costs where a budget is named, the band, the prove groups.
Theirs is GridSearchCV on all cores, of MLPRegressor over the sizes of the level nets and of MLPClassifier
over those of the watchers, for each set of features: in five folds by group, as it does when nothing else is
said, or fitted once on the fit rows and scored on the choose rows, which of ours the nets that are kept do.
With ``--cpu`` both run in one process with one thread, their processor time is compared, and it is said what
ours went into: those nets, and what theirs does not do. Features and trims of theirs are made before its
clock starts. Errors are of the best size's float net fitted on the fit
rows, on the choose groups with nothing withheld: they say whether time is bought with accuracy.
"""

from __future__ import annotations

import argparse
import math
import os
import statistics
import time
import warnings
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from measuring import Goal, Row, Way, in_turns, print_rows, processor_time, tell, timed_row
from sklearn.base import BaseEstimator
from sklearn.exceptions import ConvergenceWarning
from sklearn.model_selection import GridSearchCV, GroupKFold, PredefinedSplit
from sklearn.neural_network import MLPClassifier, MLPRegressor
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from threadpoolctl import threadpool_limits

from dataset.pools import HERE, Round
from dataset.pools import Task as PoolTask
from dataset.records import Budget, FrozenData, Limits, Role
from dataset.store import Store
from export.core.measure import measure
from training.models.trimming import usable_trims
from training.models.watch import states_of
from training.search.array_recipes import ArrayRecipe, default_recipes
from training.search.arrays import train_array
from training.search.context import SearchContext, SearchRequest, by_roles, hardware_of
from training.search.metrics import Metrics
from training.search.nets.fitting import prepare_features, thinned
from training.search.train import train

SOLVERS: dict[str, dict[str, Any]] = {
    "adam": {"solver": "adam"},
    "lbfgs": {"solver": "lbfgs", "max_iter": 1000},
}
FOLDS, ROUNDS = (5, 1), 3
GOALS = {True: 0.5, False: 1.5}  # the most of their time that ours may take: in several folds, in one split
QUICK_RECIPES, QUICK_STEPS = 1, 20


FITS = {"level net": "level nets", "error net": "watchers", "condition net": "watchers"}


@dataclass(frozen=True)
class Grid:
    """One grid search: an estimator for each size, on these features and targets."""

    net: BaseEstimator
    sizes: Sequence[tuple[int, ...]]
    x: np.ndarray
    y: np.ndarray


@dataclass(frozen=True)
class Task:
    """What both sides search over: the grids of the recipes, with each row's group and whether it is a fit
    row.
    """

    recipes: tuple[ArrayRecipe, ...]
    levels: tuple[Grid, ...]
    watchers: tuple[Grid, ...]
    group: np.ndarray
    fitted: np.ndarray

    @property
    def candidates(self) -> int:
        return sum(len(grid.sizes) for grid in (*self.levels, *self.watchers))


def task_of(data: FrozenData, recipes: tuple[ArrayRecipe, ...], solver: dict[str, Any]) -> Task:
    """The grids over the sizes that the recipes have, features made."""
    fit, choose = data.rows(Role.FIT), data.rows(Role.CHOOSE)
    table = prepare_features(_context(data), fit | choose, recipes[0].trim)
    at = np.concatenate([thinned(data, fit), np.flatnonzero(choose)])
    states = states_of(data).where(at)
    on_it = np.column_stack([states.foam, states.film]).astype(int)
    levels = [
        Grid(
            MLPRegressor(random_state=0, **solver),
            sorted({r.hidden for r in recipes if r.level_groups == groups}),
            table.of(groups, at),
            data.level_mm[at],
        )
        for groups in sorted({r.level_groups for r in recipes})
    ]
    watchers = [
        Grid(
            MLPClassifier(random_state=0, **solver),
            sorted({r.watcher for r in recipes if r.watch_groups == groups}),
            table.of(groups, at),
            on_it,
        )
        for groups in sorted({r.watch_groups for r in recipes})
    ]
    return Task(recipes, tuple(levels), tuple(watchers), data.group[at], fit[at])


class Stages:
    """What a search in one process spent its processor time on, by its progress and, of fits, by what they
    are fits of. It is the pool that the search has, which does the tasks here.
    """

    same_files = True

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.begin_search()

    def begin_search(self) -> None:
        """A search begins."""
        self._stage, self._since = "features", processor_time()

    def told(self, what: str, done: int, total: int) -> None:
        """Progress of the search."""
        self._spent()
        self._stage = what

    def small(self) -> Stages:
        """The same."""
        return self

    @contextmanager
    def begin(self) -> Iterator[Round]:
        """A round of tasks whose time counts as that of what they fit."""
        with HERE.begin() as begun:
            yield _Timed(begun, self)

    def enter(self, key: Any) -> None:
        """A task begins."""
        self._spent()
        kind = key[0] if isinstance(key, tuple) else None
        if kind in FITS:
            self._stage = f"{FITS[kind]} {'without a part of the units' if key[1] else 'that are kept'}"

    def _spent(self) -> None:
        now = processor_time()
        self.seconds[self._stage] = self.seconds.get(self._stage, 0.0) + now - self._since
        self._since = now

    def sentence(self) -> str:
        """All stages with their share."""
        total = sum(self.seconds.values())
        parts = [f"{what} {spent:.1f} s ({spent / total:.0%})" for what, spent in self.seconds.items()]
        return f"ours, {total:.0f} s of processor time: {', '.join(parts)}"

    @property
    def fits_kept(self) -> float:
        """Seconds of the fits that theirs does too in one split."""
        return sum(spent for what, spent in self.seconds.items() if what.endswith("that are kept"))


class _Timed:
    """A round of tasks done here, each of which says when it begins."""

    def __init__(self, begun: Round, stages: Stages) -> None:
        self._begun, self._stages = begun, stages

    def share(self, value: Any) -> Any:
        return self._begun.share(value)

    def add(self, task: PoolTask) -> None:
        def work(*given: Any) -> Any:
            self._stages.enter(task.key)
            return task.work(*given)

        self._begun.add(replace(task, work=work))

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        return iter(self._begun)


def ours(
    data: FrozenData,
    limits: Limits | None = None,
    budget: Budget | None = None,
    stages: Stages | None = None,
) -> Metrics:
    """The metrics of the default search; with ``stages`` in one process, which they follow."""
    request = SearchRequest("bench", limits, budget, None if budget is None else measure)
    if stages is not None:
        stages.begin_search()
        request = replace(request, pool=stages, progress=stages.told)
    return train(data, request).metrics


def ours_of(data: FrozenData, recipes: tuple[ArrayRecipe, ...]) -> Metrics:
    """The metrics of a search over these recipes."""
    return train_array(_context(data), recipes[0].trim, recipes).metrics


def _context(data: FrozenData) -> SearchContext:
    return by_roles(data, hardware_of(data), SearchRequest("bench"))


def theirs(task: Task, folds: int, jobs: int = -1) -> list[Any]:
    """The grid searches, one after the other, of ``jobs`` fits at once; the pipeline of the best size for
    each grid of level nets, not fitted yet.
    """
    with threadpool_limits(limits=1 if jobs == 1 else None):
        searches = [_searched(task, grid, folds, jobs) for grid in (*task.levels, *task.watchers)]
    return searches[: len(task.levels)]


def _searched(task: Task, grid: Grid, folds: int, jobs: int) -> Any:
    size = f"{type(grid.net).__name__.lower()}__hidden_layer_sizes"
    split = PredefinedSplit(np.where(task.fitted, -1, 0)) if folds < 2 else GroupKFold(folds)
    search = GridSearchCV(
        make_pipeline(StandardScaler(), grid.net),
        {size: list(grid.sizes)},
        cv=split,
        n_jobs=jobs,
        refit=False,
    )
    search.fit(grid.x, grid.y, **({} if folds < 2 else {"groups": task.group}))
    return make_pipeline(StandardScaler(), grid.net).set_params(**search.best_params_)


def best_p95(task: Task, best: list[Any]) -> float:
    """P95 in mm on the choose rows of the best of the level nets, each fitted on the fit rows."""
    errors = []
    for net, grid in zip(best, task.levels, strict=True):
        net.fit(grid.x[task.fitted], grid.y[task.fitted])
        errors.append(
            float(np.quantile(np.abs(net.predict(grid.x[~task.fitted]) - grid.y[~task.fitted]), 0.95))
        )
    return min(errors)


def recipes_of(data: FrozenData) -> tuple[ArrayRecipe, ...]:
    """What the default search tries, with the trim that it takes."""
    return default_recipes(usable_trims(data, np.ones(len(data.session), np.bool_))[-1])


@dataclass(frozen=True)
class Against:
    """What ours is compared with: solvers, ways to split, rounds; ``stages`` follow ours where both run in
    one process and processor time is compared.
    """

    solvers: Sequence[str]
    folds: Sequence[int]
    rounds: int
    stages: Stages | None = None


def compared(
    data: FrozenData, search: Callable[[], Metrics], recipes: tuple[ArrayRecipe, ...], against: Against
) -> list[Row]:
    """Our search and theirs in turns, a row for each solver and way to split."""
    _hush()
    stages = against.stages
    tasks = {solver: task_of(data, recipes, SOLVERS[solver]) for solver in against.solvers}

    def way(solver: str, n: int) -> Way:
        return Way(lambda _: theirs(tasks[solver], n, -1 if stages is None else 1))

    their = {(solver, n): way(solver, n) for n in against.folds for solver in against.solvers}
    names = {key: f"{key[0]}-{key[1]}" for key in their}
    runs = in_turns(
        {"ours": Way(lambda _: search())} | {names[key]: way for key, way in their.items()},
        against.rounds,
        warm=False,
        slow=True,
        clock=time.perf_counter if stages is None else processor_time,
    )
    metrics = runs["ours"].result
    tried = len(metrics.candidates)
    chosen = None if metrics.chosen is None else metrics.chosen.choose.integer
    p95 = math.nan if chosen is None or chosen.p95_abs_mm is None else chosen.p95_abs_mm
    rows = []
    for (solver, n), name in names.items():
        split = f"{n} folds" if n > 1 else "one split"
        their_p95 = best_p95(tasks[solver], runs[name].result)
        note = f"P95 on the choose groups {their_p95:.3g} mm of all floats; ours {p95:.3g} mm "
        note += "of accepted integers"
        if stages is not None:
            apart = stages.fits_kept / against.rounds / statistics.median(runs[name].seconds)
            note += f"; the nets that ours keeps alone: {apart:.2f}"
        rows.append(
            timed_row(
                f"search-{name}",
                f"innage train's search, {tried} candidate{'s' * (tried > 1)}",
                f"GridSearchCV, {solver}, {split}, {tasks[solver].candidates} nets",
                "time" if stages is None else "processor time",
                (runs["ours"], runs[name]),
                goal=Goal(GOALS[n > 1], at_least=False),
                note=note,
            )
        )
    return rows


def search_rows(quick: bool, demo: Callable[[], Path]) -> list[Row]:
    """On the demo's frozen set."""
    with Store.open(demo()) as store:
        data = store.frozen_data(store.frozen_set("canister"))
    recipes = recipes_of(data)
    if quick:
        recipes = tuple(replace(recipe, steps=QUICK_STEPS) for recipe in recipes[:QUICK_RECIPES])
        return compared(data, lambda: ours_of(data, recipes), recipes, Against(("lbfgs",), FOLDS[1:], 1))
    return compared(data, lambda: ours(data), recipes, Against(tuple(SOLVERS), FOLDS, ROUNDS))


def _hush() -> None:
    """A net that has not converged is theirs to judge, not ours to print; the workers take it from the
    environment.
    """
    os.environ["PYTHONWARNINGS"] = "ignore"
    warnings.simplefilter("ignore", ConvergenceWarning)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("store")
    parser.add_argument("frozen")
    parser.add_argument("--limits")
    parser.add_argument("--budget")
    parser.add_argument("--solver", choices=sorted(SOLVERS), help="one solver; both without it")
    parser.add_argument(
        "--folds", type=int, help="folds by group, 1 for one split; without it five, and one split"
    )
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--cpu", action="store_true", help="processor time, of one process each")
    given = parser.parse_args()
    with Store.open(given.store) as store:
        data = store.frozen_data(store.frozen_set(given.frozen))
        limits = None if given.limits is None else store.limits(given.limits)
        budget = None if given.budget is None else store.budget(given.budget)
    solvers = tuple(SOLVERS) if given.solver is None else (given.solver,)
    folds = FOLDS if given.folds is None else (given.folds,)
    recipes = recipes_of(data)
    stages = Stages() if given.cpu else None
    against = Against(solvers, folds, given.rounds, stages)
    print_rows(compared(data, lambda: ours(data, limits, budget, stages), recipes, against))
    if stages is not None:
        tell(stages.sentence())


if __name__ == "__main__":
    main()
