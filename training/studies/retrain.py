"""Tank change: what is worth most on a new tank, the model in use with new trims, old and new sessions
together, or new sessions alone.

The way that is favoured is picked on the new tank's choose groups; the prove groups then say by how much it
is ahead, and the learning curve how many sessions each way needs. Both ways of the curve fit the old model's
recipe on as many frames of the same units, taken in one seeded order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from dataset.errors import InputError, ProgramError
from dataset.records import FrozenData, GroupBy, Model, Mounting, Role, TrimKind
from training.judging.answers import answer_limits, meets_limits
from training.judging.class_figures import figures_of
from training.judging.comparing import compare, whole_figures
from training.judging.judged import Judged, judge
from training.judging.scoring import tidy
from training.models.recipes import Hardware
from training.models.trim_limits import of_model, refuse_trims
from training.models.trimming import trim_counts, usable_trims
from training.program import LEVEL_UNITS_PER_MM, VALID, Program, from_json
from training.rows import Ints, Mask
from training.search.array_recipes import ArrayRecipe
from training.search.arrays import train_array
from training.search.candidates import error_of
from training.search.context import SearchRequest, by_roles, hardware_of
from training.search.kept_recipe import EarlierSet, NamedSet, array_recipe, read_recipe
from training.search.refitting import thinned_fit
from training.search.result import SearchResult
from training.search.study_figures import Ahead, Left, NewTank, Retraining, WayFigures
from training.search.train import Trained, with_versions
from training.studies.joining import joined, mounting_of, new_level, with_choose
from training.studies.learning_curve import ALONE, TOGETHER, learning_curve, tidy_error

OLD = "old model, new trims"
# of each refit: frames of one session are alike, and the ways are to be told apart, not polished
STEPS, FIT_ROWS = 60, 6000
_JUDGED = (Role.CHOOSE, Role.PROVE)


@dataclass(frozen=True)
class Retrained:
    """The refit to keep, and the figures of all ways (also in the model's metrics)."""

    trained: Trained
    figures: Retraining


@dataclass(frozen=True)
class _Way:
    """One way to serve the new tank, judged on its choose and prove groups."""

    name: str
    program: Program
    choose: Judged
    prove: Judged


@dataclass(frozen=True)
class _FittedWay(_Way):
    """A way with a model of its own."""

    result: SearchResult


@dataclass(frozen=True)
class _Case:
    """What all ways share."""

    parent: Model
    old: FrozenData
    new: FrozenData
    both: FrozenData | None  # None where the sets can't be joined
    hardware: Hardware
    recipe: ArrayRecipe
    request: SearchRequest


def retrain(
    model: Model, old: FrozenData, new: FrozenData, request: SearchRequest, steps: int = STEPS
) -> Retrained:
    """Compare the ways on ``new``, a frozen set of the new tank, and keep the refit that its choose groups
    favour as a model of the name that ``request`` asks for.

    ``old`` are the data that ``model`` was trained on; ``steps`` are the most steps of a refit's nets.
    Raises InputError for a model that is not of a pad array, a new set without fit or prove groups, of
    several mountings or of temperature bands, or with too few groups to choose on.
    """
    _check(new)
    recipe = array_recipe(model.name, read_recipe(model.recipe))
    new = with_choose(new)
    recipe = replace(recipe, steps=min(recipe.steps, steps))
    both, left, apart = _join(old, new)
    case = _Case(model, old, new, both, hardware_of(new), _with_usable_trim(recipe, new, both), request)
    ways, refused = _ways(case)
    if apart is not None:
        refused[TOGETHER] = apart
    ranked = sorted(ways, key=lambda way: _rank(way, request))
    kept = next(way for way in ranked if isinstance(way, _FittedWay))
    figures = Retraining(
        parent=model.name,
        tank=NewTank(new.frozen.name, new.frozen.sha256, new.frozen.origin, old.frozen.name),
        ways=tuple(_row(way, request) for way in ranked),
        refused=refused,
        kept=kept.name,
        favoured=ranked[0].name,
        ahead={way.name: _ahead(way, kept, request) for way in ranked if way is not kept},
        left_out=left,
        moved_mm=None if left is None else tidy(left.moved_mm),
        recipe=case.recipe,
        trim_of_parent=recipe.trim,
        curve=learning_curve(new, both, case.hardware, case.recipe, request),
    )
    return Retrained(_trained(kept, figures, case), figures)


def _check(new: FrozenData) -> None:
    """Raise InputError for a set that no way can be judged on."""
    where = f"frozen set {new.frozen.name}"
    if not new.rows(Role.FIT).any() or not new.rows(Role.PROVE).any():
        raise InputError(
            where,
            "no frames in 'fit' or in 'prove' groups",
            "both: sessions to learn from, and units held out",
            "freeze it with groups to prove",
        )
    if new.frozen.group_by is GroupBy.TEMPERATURE:
        hint = "the earlier tank's captures may hold the bands that are to be proved"
        raise InputError(where, f"groups by {new.frozen.group_by}", "groups by unit", hint)
    mounting_of(new)


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


def _ways(case: _Case) -> tuple[list[_Way], dict[str, str]]:
    """The ways that can be had, and of the others why not."""
    ways: list[_Way] = []
    refused: dict[str, str] = {}
    for number, (name, data) in enumerate(((OLD, case.new), (TOGETHER, case.both), (ALONE, case.new))):
        case.request.progress(name, number, 3)
        try:
            if name == OLD:
                ways.append(_old_way(case))
            elif data is not None:
                ways.append(_fitted_way(name, data, case))
        except (InputError, ProgramError) as error:
            refused[name] = str(error)
    if not any(isinstance(way, _FittedWay) for way in ways):
        raise InputError(
            f"frozen set {case.new.frozen.name}",
            "no way to fit a model: " + "; ".join(refused.values()),
            "sessions that can be fitted",
        )
    return ways, refused


def _fitted_way(name: str, data: FrozenData, case: _Case) -> _FittedWay:
    """The parent's recipe fitted to ``data``, and judged on the new tank."""
    context = by_roles(thinned_fit(data, FIT_ROWS), case.hardware, case.request)
    with threadpool_limits(limits=1):
        result = train_array(context, case.recipe.trim, (case.recipe,))
    choose, prove = (_judged(result.program, case, case.new.rows(role)) for role in _JUDGED)
    return _FittedWay(name, result.program, choose, prove, result)


def _judged(program: Program, case: _Case, rows: Mask) -> Judged:
    return judge(program, case.new, rows, _trims(program, case.new), case.hardware.span_mm)


def _trims(program: Program, data: FrozenData) -> Ints:
    return trim_counts(
        data, () if program.trim is None else tuple(TrimKind(kind) for kind in program.trim_kinds)
    )


def _old_way(case: _Case) -> _Way:
    """The parent's program as it is, its levels moved with the pads.

    Raises InputError for another board, and for trims that are lacking or outside its limits.
    """
    program = from_json(case.parent.program, f"model '{case.parent.name}'")
    every = np.ones(len(case.new.session), np.bool_)
    hint = "the old model would answer such a trim with a sensor fault"
    refuse_trims(program, case.new, every, of_model(case.parent.name), hint)
    hardware, earlier = case.hardware, mounting_of(case.old)
    scale = mounting_of(case.new).sensor.count_scale
    for what, own, needed in (
        ("channels", program.channels, hardware.channels),
        ("count bits", program.count_bits, hardware.count_bits),
        ("steps a count", program.count_scale, scale),
        ("ms a frame", program.period_ms, hardware.period_ms),
    ):
        if own != needed:
            raise InputError(
                f"model {program.name}",
                f"{own} {what}",
                f"{needed}, as the new tank's sensor has",
                "its program can't run on that board",
            )
    choose, prove = (
        moved(_judged(program, case, case.new.rows(role)), earlier, mounting_of(case.new)) for role in _JUDGED
    )
    return _Way(OLD, program, choose, prove)


def moved(judged: Judged, old: Mounting, new: Mounting) -> Judged:
    """The same readings, each level that is given above empty brought to the new tank's pads, within its
    span.
    """
    there = np.clip(new_level(judged.level_mm, old, new), 0, judged.span_mm)
    return replace(judged, level_mm=np.where(judged.validity == VALID, there, judged.level_mm))


def _rank(way: _Way, request: SearchRequest) -> tuple[bool, float]:
    """Best first: within the limits on the choose groups, then the smaller error there."""
    figures = figures_of(way.choose)
    return meets_limits(request.limits, figures) is False, error_of(figures)


def _row(way: _Way, request: SearchRequest) -> WayFigures:
    figures = whole_figures(way.prove)
    return WayFigures(
        way=way.name,
        choose_mm=tidy_error(error_of(figures_of(way.choose))),
        prove_mm=tidy_error(error_of(figures)),
        classes=figures.classes,
        false_wet=figures.false_wet,
        limits=tuple(answer_limits(request.limits, figures)),
        span_mm=way.program.span / LEVEL_UNITS_PER_MM,
    )


def _ahead(way: _Way, kept: _Way, request: SearchRequest) -> Ahead:
    """By how much ``way`` errs more than what is kept on the prove groups: above 0, the kept one is ahead."""
    compared = compare(kept.prove, way.prove, request.limits, request.seed)
    return Ahead(compared.classes, losses=compared.gains, method=compared.method)


def _trained(kept: _FittedWay, figures: Retraining, case: _Case) -> Trained:
    result, frozen = kept.result, case.new.frozen
    recipe = replace(result.recipe, frozen=NamedSet(frozen.name, frozen.sha256), way=kept.name)
    if kept.name == TOGETHER and case.both is not None:
        recipe = replace(recipe, earlier=EarlierSet(case.old.frozen.name, case.both.frozen.sha256))
    return with_versions(replace(result, recipe=recipe, metrics=replace(result.metrics, retraining=figures)))
