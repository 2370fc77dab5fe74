"""Tank change: what is worth most on a new tank, the model in use with new trims, old and new sessions
together, or new sessions alone.

The way that is favoured is picked on the new tank's choose groups; the prove groups then say by how much it
is ahead, and the learning curve how many sessions each way needs. Both ways of the curve fit the old model's
recipe on as many frames of the same units, taken in one seeded order.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from dataset.errors import InputError, ProgramError
from dataset.records import Budget, FrozenData, GroupBy, Limits, Model, Mounting, Role, TrimKind
from training.costs import CostModel
from training.judging.array_answers import answer_classes, meets_classes
from training.judging.comparing import compare, worst_rmse
from training.judging.judged import Judged, figures_of, judge
from training.judging.scoring import tidy
from training.models.recipes import Hardware
from training.models.trim_limits import of_model, refuse_trims
from training.models.trimming import trim_counts, usable_trims
from training.program import LEVEL_UNITS_PER_MM, VALID, Program, from_json
from training.rows import Ints, Mask
from training.search.arrays import ArrayTrained, train_array
from training.search.candidates import ArrayRecipe, error_of
from training.search.few_pads import Progress
from training.search.refitting import recipe_of, refit, spread_rows, thinned_fit
from training.search.train import Trained, hardware_of, notes_of, versions
from training.studies.joining import Left, joined, mounting_of, new_level, with_choose

OLD, TOGETHER, ALONE = "old model, new trims", "old and new together", "new alone"
STEPS, FIT_ROWS = (
    60,
    6000,
)  # of each refit: frames of one session are alike, and the ways are to be told apart, not polished
CURVE_STEPS, CURVE_ROWS = 30, 1200  # steps of a fit of the curve, and its frames of each tank
COUNTS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64)
FEWEST_ALONE = 2  # what a unit not seen would do can't be learnt from one
_JUDGED = (Role.CHOOSE, Role.PROVE)
ORDER = "fit units in one seeded order, each step holding the one before"


@dataclass(frozen=True)
class Retrained:
    """The refit to keep, and JSON-ready facts of all ways (also in the model's metrics)."""

    trained: Trained
    found: dict[str, Any]


@dataclass(frozen=True)
class _Way:
    """One way to serve the new tank, judged on its choose and prove groups; ``fitted`` is None for the old
    model.
    """

    name: str
    program: Program
    fitted: ArrayTrained | None
    choose: Judged
    prove: Judged


@dataclass(frozen=True)
class _Case:
    """What all ways share."""

    new: FrozenData
    both: FrozenData | None  # None where the sets can't be joined
    hardware: Hardware
    recipe: ArrayRecipe
    old: FrozenData
    limits: Limits | None
    seed: int


def retrain(
    model: Model,
    old: FrozenData,
    new: FrozenData,
    *,
    name: str,
    limits: Limits | None,
    budget: Budget | None,
    cost: CostModel | None,
    seed: int,
    steps: int = STEPS,
    progress: Progress | None = None,
    jobs: int = -1,
) -> Retrained:
    """Compare the ways on ``new``, a frozen set of the new tank, and keep the refit that its choose groups
    favour as a model called ``name``.

    ``old`` are the data that ``model`` was trained on; ``steps`` are the most steps of a refit's nets.
    ``progress`` is called with (what, done, total). Raises InputError for a model that is not
    of a pad array, a new set without fit or prove groups, of several mountings or of temperature bands, or
    with too few groups to choose on.
    """
    say: Progress = progress or (lambda what, done, total: None)
    if not new.rows(Role.FIT).any() or not new.rows(Role.PROVE).any():
        where = f"frozen set {new.frozen.name}"
        raise InputError(
            where,
            "no frames in 'fit' or in 'prove' groups",
            "both: sessions to learn from, and units held out",
            "freeze it with --prove",
        )
    if new.frozen.group_by is GroupBy.TEMPERATURE:
        hint = "the earlier tank's captures may hold the bands that are to be proved"
        raise InputError(
            f"frozen set {new.frozen.name}", f"groups by {new.frozen.group_by}", "groups by unit", hint
        )
    mounting_of(new)
    recipe = recipe_of(model.name, json.loads(model.recipe))
    new = with_choose(new)
    recipe = replace(recipe, steps=min(recipe.steps, steps))
    both, left, apart = _join(old, new)
    case = _Case(new, both, hardware_of(new), _with_usable_trim(recipe, new, both), old, limits, seed)
    ways, refused = _ways(case, model, budget, cost, name, say, jobs)
    if apart is not None:
        refused[TOGETHER] = apart
    ranked = sorted(ways, key=lambda way: _rank(way, limits))
    kept = next(way for way in ranked if way.fitted is not None)
    found = {
        "parent": model.name,
        "tank": {
            "frozen": new.frozen.name,
            "sha256": new.frozen.sha256,
            "origin": new.frozen.origin,
            "earlier": old.frozen.name,
        },
        "ways": [_row(way, limits) for way in ranked],
        "refused": refused,
        "kept": kept.name,
        "favoured": ranked[0].name,
        "ahead": {way.name: _ahead(way, kept, limits, seed) for way in ranked if way is not kept},
        "left_out": None if left is None else asdict(left),
        "moved_mm": None if left is None else tidy(left.moved_mm),
        "recipe": {
            key: list(value) if isinstance(value, tuple) else value
            for key, value in asdict(case.recipe).items()
        },
        "trim_of_parent": recipe.trim,
        "curve": learning_curve(case.new, both, case.hardware, case.recipe, limits, seed, say),
    }
    assert kept.fitted is not None
    return Retrained(_trained(kept.fitted, kept.name, found, case), found)


def _join(old: FrozenData, new: FrozenData) -> tuple[FrozenData | None, Left | None, str | None]:
    """Both sets as one, or why they can't be."""
    try:
        both, left = joined(old, new)
    except InputError as error:
        return None, None, str(error)
    return both, left, None


def _with_usable_trim(recipe: ArrayRecipe, new: FrozenData, both: FrozenData | None) -> ArrayRecipe:
    """The recipe with its own trim where all units have it, else with the best that they have."""
    data = new if both is None else both
    kinds = usable_trims(data, np.ones(len(data.session), np.bool_))
    return recipe if recipe.trim in kinds else replace(recipe, trim=kinds[-1])


def _ways(
    case: _Case,
    model: Model,
    budget: Budget | None,
    cost: CostModel | None,
    name: str,
    say: Progress,
    jobs: int,
) -> tuple[list[_Way], dict[str, str]]:
    ways, refused = [], {}
    for number, (way, data) in enumerate(((OLD, case.new), (TOGETHER, case.both), (ALONE, case.new))):
        say(way, number, 3)
        try:
            if way == OLD:
                program = from_json(model.program, f"model '{model.name}'")
                every = np.ones(len(case.new.session), np.bool_)
                refuse_trims(
                    program,
                    case.new,
                    every,
                    of_model(model.name),
                    "the old model would answer such a trim with a sensor fault",
                )
                ways.append(_old_way(program, case))
            elif data is not None:
                thin, notes, trim = thinned_fit(data, FIT_ROWS), notes_of(data), case.recipe.trim
                with threadpool_limits(limits=1):
                    made = train_array(
                        thin,
                        case.hardware,
                        name,
                        case.limits,
                        budget,
                        cost,
                        case.seed,
                        notes,
                        say,
                        trim,
                        (case.recipe,),
                        jobs,
                    )
                ways.append(
                    _Way(
                        way,
                        made.program,
                        made,
                        *(_judged(made.program, case, case.new.rows(role)) for role in _JUDGED),
                    )
                )
        except (InputError, ProgramError) as error:
            refused[way] = str(error)
    if not any(way.fitted is not None for way in ways):
        raise InputError(
            f"frozen set {case.new.frozen.name}",
            "no way to fit a model: " + "; ".join(refused.values()),
            "sessions that can be fitted",
        )
    return ways, refused


def _judged(program: Program, case: _Case, rows: Mask) -> Judged:
    return judge(program, case.new, rows, _trims(program, case.new), case.hardware.span_mm)


def _trims(program: Program, data: FrozenData) -> Ints:
    return trim_counts(
        data, () if program.trim is None else tuple(TrimKind(kind) for kind in program.trim_kinds)
    )


def _old_way(program: Program, case: _Case) -> _Way:
    """The program as it is, its levels moved with the pads. Raises InputError for another board, and for
    trims that are lacking or outside its limits.
    """
    hardware, earlier = case.hardware, mounting_of(case.old)
    own = {"channels": program.channels, "count bits": program.count_bits, "ms a frame": program.period_ms}
    its = {"channels": hardware.channels, "count bits": hardware.count_bits, "ms a frame": hardware.period_ms}
    for what, value in own.items():
        if value != its[what]:
            raise InputError(
                f"model {program.name}",
                f"{value} {what}",
                f"{its[what]}, as the new tank's sensor has",
                "its program can't run on that board",
            )
    return _Way(
        OLD,
        program,
        None,
        *(
            moved(_judged(program, case, case.new.rows(role)), earlier, mounting_of(case.new))
            for role in _JUDGED
        ),
    )


def moved(its: Judged, old: Mounting, new: Mounting) -> Judged:
    """The same readings, each level that is given above empty brought to the new tank's pads, within its
    span.
    """
    level = np.where(
        its.validity == VALID, np.clip(new_level(its.level_mm, old, new), 0, its.span_mm), its.level_mm
    )
    return replace(its, level_mm=level)


def _rank(way: _Way, limits: Limits | None) -> tuple[bool, float]:
    """Best first: within the limits on the choose groups, then the smaller error there."""
    figures = figures_of(way.choose)
    return meets_classes(limits, figures) is False, error_of(figures)


def _row(way: _Way, limits: Limits | None) -> dict[str, Any]:
    figures = figures_of(way.prove) | {"worst_group_rmse_mm": worst_rmse(way.prove)}
    return {
        "way": way.name,
        "choose_mm": tidy_error(error_of(figures_of(way.choose))),
        "prove_mm": tidy_error(error_of(figures)),
        "classes": figures["classes"],
        "false_wet": figures["false_wet"],
        "limits": answer_classes(limits, figures, None),
        "span_mm": way.program.span / LEVEL_UNITS_PER_MM,
    }


def tidy_error(value: float) -> float | None:
    """The figure, None where nothing was accepted."""
    return tidy(value) if np.isfinite(value) else None


def _ahead(way: _Way, kept: _Way, limits: Limits | None, seed: int) -> dict[str, Any]:
    """By how much ``way`` errs more than what is kept on the prove groups: above 0, the kept one is ahead."""
    found = compare(kept.prove, way.prove, limits, seed)
    return {"classes": found["classes"], "losses": found["gains"], "method": found["method"]}


def _trained(made: ArrayTrained, way: str, found: dict[str, Any], case: _Case) -> Trained:
    recipe = made.recipe | {
        "frozen": {"name": case.new.frozen.name, "sha256": case.new.frozen.sha256},
        "way": way,
    }
    if way == TOGETHER and case.both is not None:
        recipe["earlier"] = {"name": found["tank"]["earlier"], "joined_sha256": case.both.frozen.sha256}
    return Trained(made.program, made.float_onnx, recipe, versions(), made.metrics | {"retraining": found})


def learning_curve(
    new: FrozenData,
    both: FrozenData | None,
    hardware: Hardware,
    recipe: ArrayRecipe,
    limits: Limits | None,
    seed: int,
    progress: Progress,
) -> dict[str, Any]:
    """Errors on the new tank's prove groups against the number of its units that were fitted, with the
    earlier sessions and without.

    ``rows``: each with its way, units, sessions, the mean over classes of the P95 in mm, and whether it stays
        within the limits; ``needed`` by way.
    """
    short = replace(recipe, steps=min(recipe.steps, CURVE_STEPS))
    fit = new.rows(Role.FIT)
    order = np.random.default_rng(seed).permutation(np.unique(new.group[fit]))
    counts = [n for n in COUNTS if n < len(order)] + [len(order)]
    jobs = [
        (way, data, n)
        for way, data in ((TOGETHER, both), (ALONE, new))
        if data is not None
        for n in counts
        if way != ALONE or n >= FEWEST_ALONE
    ]
    rows = []
    for done, (way, data, n) in enumerate(jobs):
        progress(f"learning curve, {way}", done, len(jobs))
        mine = fit & np.isin(new.group, order[:n])
        rows.append(
            {"way": way, "units": n, "sessions": len(np.unique(new.session[mine]))}
            | _point(data, new, hardware, short, mine, limits, seed)
        )
    needed = {
        way: reached([row for row in rows if row["way"] == way], "reaches") for way in (TOGETHER, ALONE)
    }
    return {
        "rows": rows,
        "needed": needed,
        "ratio": _ratio(needed),
        "as_good": _as_good(rows),
        "choose_sessions": _sessions(new, Role.CHOOSE),
        "steps": short.steps,
        "order": ORDER,
        "prove_groups": len(np.unique(new.group[new.rows(Role.PROVE)])),
    }


def _point(
    data: FrozenData,
    new: FrozenData,
    hardware: Hardware,
    recipe: ArrayRecipe,
    mine: Mask,
    limits: Limits | None,
    seed: int,
) -> dict[str, Any]:
    """One fit of the curve: ``mine`` are the new tank's rows in it, all earlier rows come with them where
    ``data`` has any.
    """
    count, everything = len(new.session), len(data.session)
    own, earlier = np.zeros(everything, np.bool_), np.arange(everything) >= count
    own[:count] = mine
    fit = spread_rows(data, own, CURVE_ROWS)
    if earlier.any():
        fit |= spread_rows(data, earlier, CURVE_ROWS)
    try:
        made = refit(data, hardware, recipe, fit, data.rows(Role.CHOOSE), limits, seed)
    except (InputError, ProgramError) as error:
        return {"error_mm": None, "accepted_share": None, "reaches": False, "refused": str(error)}
    its = made.judge(data, data.rows(Role.PROVE))
    figures = figures_of(its) | {"worst_group_rmse_mm": worst_rmse(its)}
    classes = {
        name: {k: row.get(k) for k in ("p95_mm", "p95_pct", "accepted_share")}
        for name, row in figures["classes"].items()
    }
    return {
        "error_mm": tidy_error(error_of(figures)),
        "accepted_share": figures["classes"]["all"]["accepted_share"],
        "classes": classes,
        "false_wet": figures["false_wet"]["wrong"],
        "reaches": meets_classes(limits, figures),
        "refused": None,
    }


def reached(rows: list[dict[str, Any]], what: str) -> dict[str, int] | None:
    """The first of rows, in order, from which on ``what`` holds to the end, as units and sessions; None where
    it never does.
    """
    first = None
    for row in reversed(rows):
        if not row[what]:
            break
        first = {"units": row["units"], "sessions": row["sessions"]}
    return first


def _ratio(needed: Mapping[str, dict[str, int] | None]) -> float | None:
    """New sessions needed with the earlier ones, as a share of those that starting anew needs."""
    with_old, anew = needed[TOGETHER], needed[ALONE]
    return None if with_old is None or anew is None else tidy(with_old["sessions"] / anew["sessions"])


def _as_good(rows: list[dict[str, Any]]) -> dict[str, Any] | None:
    """From how many new sessions on, with the earlier ones, the error is no larger than that of all new
    sessions alone.
    """
    alone = [row for row in rows if row["way"] == ALONE and row["error_mm"] is not None]
    if not alone:
        return None
    last = alone[-1]
    together = [
        row | {"good": row["error_mm"] is not None and row["error_mm"] <= last["error_mm"]}
        for row in rows
        if row["way"] == TOGETHER
    ]
    first = reached(together, "good")
    return {
        "all_new": {"units": last["units"], "sessions": last["sessions"], "error_mm": last["error_mm"]},
        "together": first,
        "ratio": None if first is None else tidy(first["sessions"] / last["sessions"]),
    }


def _sessions(data: FrozenData, role: Role) -> int:
    return len(np.unique(data.session[data.rows(role)]))
