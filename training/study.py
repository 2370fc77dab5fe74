"""What trims and feature groups are worth: a model's recipe fitted again, one thing changed at a time, and judged on units not fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from dataset.errors import InputError, ProgramError
from dataset.records import Budget, FrozenData, Limits, Role
from training.array_answers import meets_classes
from training.array_search import STILL, UNREST, ArrayRecipe, error_of
from training.comparing import worst_rmse
from training.costs import CostModel
from training.judged import figures_of
from training.recipes import Board
from training.refitting import refit, thinned_fit
from training.retraining import tidy_error
from training.search import Progress, cost_facts
from training.trimming import usable_trims

FIT_ROWS = 6000
FEATURES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {  # of the level net and of the watcher
    "shares only": (("shares",), ("shares",)),
    "ratios only": (("ratios",), ("ratios",)),
    "shares and ratios": (STILL, STILL),
    "with unrest": (STILL, UNREST),
}


def study_trims(data: FrozenData, board: Board, recipe: ArrayRecipe, role: Role, limits: Limits | None, seed: int, progress: Progress) -> dict[str, Any]:
    """The recipe with every kind of trim that all units have, judged on groups of ``role``; ``needed`` is the least trim within the limits.

    Raises InputError where the set has no fit, choose or ``role`` groups.
    """
    kinds = usable_trims(data, data.rows(Role.FIT) | data.rows(Role.CHOOSE) | data.rows(role))
    recipes = {kind: replace(recipe, trim=kind) for kind in kinds}
    rows = _rows(data, board, recipes, role, limits, None, None, seed, progress)
    return {"rows": rows, "needed": None if limits is None else next((row["name"] for row in rows if row["within"]), None)}


def study_features(
    data: FrozenData, board: Board, recipe: ArrayRecipe, role: Role, limits: Limits | None, budget: Budget | None, cost: CostModel | None, seed: int,
    progress: Progress,
) -> dict[str, Any]:  # fmt: skip
    """The recipe with other groups of features, measured where a budget is given. Raises as :func:`study_trims`."""
    recipes = {
        name: replace(recipe, level_groups=level, watch_groups=watcher, patience=recipe.patience and "unrest" in watcher)
        for name, (level, watcher) in FEATURES.items()
    }
    return {"rows": _rows(data, board, recipes, role, limits, budget, cost, seed, progress)}


def _rows(
    data: FrozenData, board: Board, recipes: Mapping[str, ArrayRecipe], role: Role, limits: Limits | None, budget: Budget | None, cost: CostModel | None,
    seed: int, progress: Progress,
) -> list[dict[str, Any]]:  # fmt: skip
    _check_roles(data, (Role.FIT, Role.CHOOSE, role))
    thin, rows = thinned_fit(data, FIT_ROWS), []
    for done, (name, recipe) in enumerate(recipes.items()):
        progress(name, done, len(recipes))
        rows.append({"name": name, "recipe": _listed(recipe)} | _row(thin, board, recipe, role, limits, budget, cost, seed))
    return rows


def _check_roles(data: FrozenData, roles: Sequence[Role]) -> None:
    for role in roles:
        if not data.rows(role).any():
            raise InputError(f"frozen set {data.frozen.name}", f"no frames in '{role}' groups", "groups to fit, to choose and to judge on")


def _listed(recipe: ArrayRecipe) -> dict[str, Any]:
    return {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(recipe).items()}


def _row(
    data: FrozenData, board: Board, recipe: ArrayRecipe, role: Role, limits: Limits | None, budget: Budget | None, cost: CostModel | None, seed: int
) -> dict[str, Any]:
    try:
        made = refit(data, board, recipe, data.rows(Role.FIT), data.rows(Role.CHOOSE), limits, seed)
    except (InputError, ProgramError) as error:
        return {"error_mm": None, "classes": {}, "false_wet": None, "within": False if limits is not None else None, "cost": None, "refused": str(error)}
    its = made.judge(data, data.rows(role))
    figures = figures_of(its) | {"worst_group_rmse_mm": worst_rmse(its)}
    classes = {name: {k: row.get(k) for k in ("p95_mm", "p95_pct", "accepted_share", "groups")} for name, row in figures["classes"].items()}
    return {
        "error_mm": tidy_error(error_of(figures)), "classes": classes, "false_wet": figures["false_wet"], "within": meets_classes(limits, figures),
        "cost": None if budget is None or cost is None else cost_facts(cost(made.program, budget)), "refused": None,
    }  # fmt: skip
