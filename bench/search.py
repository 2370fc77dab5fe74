"""The default search of a pad array against scikit-learn's grid search over the same nets on the same rows, one after the other in one run.

    python bench/search.py STORE FROZEN [--limits NAME] [--budget NAME] [--folds N] [--solver adam|lbfgs]

Ours is all that ``innage train`` does before it stores a model: every level net and watcher, their integers and thresholds on the choose groups,
measured costs where a budget is named, the band, the prove groups. Theirs is GridSearchCV of MLPRegressor over the sizes of the level nets and of
MLPClassifier over those of the watchers, for each set of features: in five folds by group, as it does when nothing else is said, or with ``--folds 1``
fitted on the fit rows and scored on the choose rows, which is all that ours does. Features and trims of theirs are made before its clock starts. Errors are
of the best size's float net fitted on the fit rows, on the choose groups with nothing withheld: they say whether time is bought with accuracy.
"""

from __future__ import annotations

import argparse
import os
import time
import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np
from sklearn.exceptions import ConvergenceWarning
from sklearn.model_selection import GridSearchCV, GroupKFold, PredefinedSplit
from sklearn.neural_network import MLPClassifier, MLPRegressor
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from dataset.records import FrozenData, Role
from dataset.store import Store
from export.measure import measure
from training.array_search import default_recipes, prepare_rig, thinned
from training.train import board_of, train
from training.watch import states_of

SOLVERS: dict[str, dict[str, Any]] = {"adam": {"solver": "adam"}, "lbfgs": {"solver": "lbfgs", "max_iter": 1000}}


def ours(store: Store, data: FrozenData, limits: str | None, budget: str | None) -> tuple[float, dict[str, Any], str]:
    """Seconds of the default search, its metrics, and the trim it takes."""
    allowed = None if budget is None else store.budget(budget)
    start = time.perf_counter()
    made = train(data, name="bench", limits=None if limits is None else store.limits(limits), budget=allowed, cost=None if allowed is None else measure, seed=0)
    return time.perf_counter() - start, made.metrics, made.metrics["trim"]


def theirs(data: FrozenData, trim: str, solver: dict[str, Any], folds: int) -> tuple[float, float, int]:
    """Seconds of the grid searches, the P95 in mm on the choose rows of the best level net, and how many candidates there were."""
    fit, choose = data.rows(Role.FIT), data.rows(Role.CHOOSE)
    rig, recipes = prepare_rig(data, board_of(data), fit, fit | choose, trim), default_recipes(trim)
    at = np.concatenate([thinned(data, fit), np.flatnonzero(choose)])
    group, states, fitted = data.group[at], states_of(data).where(at), fit[at]
    split = PredefinedSplit(np.where(fitted, -1, 0)) if folds < 2 else GroupKFold(folds)
    on_it = np.column_stack([states.foam, states.film]).astype(int)
    took, best, candidates = 0.0, np.inf, 0
    for groups in sorted({r.level_groups for r in recipes}):
        sizes = sorted({r.hidden for r in recipes if r.level_groups == groups})
        x, y = rig.of(groups, at), data.level_mm[at]
        net, seconds = _grid(MLPRegressor(random_state=0, **solver), sizes, x, y, group, split)
        net.fit(x[fitted], y[fitted])
        best = min(best, float(np.quantile(np.abs(net.predict(x[~fitted]) - y[~fitted]), 0.95)))
        took, candidates = took + seconds, candidates + len(sizes)
    for groups in sorted({r.watch_groups for r in recipes}):
        sizes = sorted({r.watcher for r in recipes if r.watch_groups == groups})
        _, seconds = _grid(MLPClassifier(random_state=0, **solver), sizes, rig.of(groups, at), on_it, group, split)
        took, candidates = took + seconds, candidates + len(sizes)
    return took, best, candidates


def _grid(net: Any, sizes: Sequence[tuple[int, ...]], x: Any, y: Any, group: Any, split: Any) -> tuple[Any, float]:
    """A pipeline of the best size that a grid search on all cores finds, not fitted yet, and the seconds of the search."""
    size = f"{type(net).__name__.lower()}__hidden_layer_sizes"
    search = GridSearchCV(make_pipeline(StandardScaler(), net), {size: list(sizes)}, cv=split, n_jobs=-1, refit=False)
    start = time.perf_counter()
    search.fit(x, y, **({"groups": group} if isinstance(split, GroupKFold) else {}))
    seconds = time.perf_counter() - start
    return make_pipeline(StandardScaler(), net).set_params(**search.best_params_), seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("store")
    parser.add_argument("frozen")
    parser.add_argument("--limits")
    parser.add_argument("--budget")
    parser.add_argument("--folds", type=int, default=5)
    parser.add_argument("--solver", choices=sorted(SOLVERS), help="one solver; both without it")
    given = parser.parse_args()
    os.environ["PYTHONWARNINGS"] = "ignore"  # of the workers
    warnings.simplefilter("ignore", ConvergenceWarning)
    with Store.open(given.store) as store:
        data = store.frozen_data(store.frozen_set(given.frozen))
        seconds, metrics, trim = ours(store, data, given.limits, given.budget)
    chosen = metrics["chosen"]["choose"]["integer"]
    print(f"{'search':<34}{'candidates':>11}{'seconds':>9}{'ratio':>7}{'P95 mm, choose':>16}")
    print(f"{'ours, integers and thresholds':<34}{len(metrics['candidates']):>11}{seconds:>9.1f}{1.0:>7.2f}{chosen['p95_abs_mm']:>16.2f}")
    for name, solver in SOLVERS.items():
        if given.solver not in (None, name):
            continue
        took, p95, candidates = theirs(data, trim, solver, given.folds)
        print(f"{f'grid search, {name}':<34}{candidates:>11}{took:>9.1f}{seconds / took:>7.2f}{p95:>16.2f}")
    print("ratio: our seconds over theirs; ours accepts most readings and withholds the rest, theirs gives all")


if __name__ == "__main__":
    main()
