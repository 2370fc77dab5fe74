"""Tank change: what is worth most on a new tank, the model in use with new trims, old and new sessions
together, the old ones as they are or superposed on the new tank's response, or new sessions alone.

The way that is favoured is picked by cross-validation over the new tank's units (with too few of them on its
choose groups); the prove groups then say by how much it is ahead, and the learning curve how many sessions
each way needs. All ways of the curve fit the old model's recipe on as many frames of the same units, taken in
one seeded order.
"""

from __future__ import annotations

from collections.abc import Sequence
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
from training.models.recipes import Hardware, Recipe
from training.models.superposed import Superposition, superposition
from training.models.trim_limits import of_model, refuse_trims
from training.models.trimming import trim_counts, usable_trims
from training.program import LEVEL_UNITS_PER_MM, VALID, Program, from_json
from training.rows import Ints, Mask
from training.search.array_recipes import ArrayRecipe
from training.search.arrays import Arrays
from training.search.candidates import Kind, error_of
from training.search.context import SearchRequest, by_roles, hardware_of
from training.search.few_pads import FewPads
from training.search.kept_recipe import (
    AnyKept,
    EarlierSet,
    NamedSet,
    SuperposedFrames,
    any_recipe,
    read_recipe,
)
from training.search.nets.refitting import thinned_fit
from training.search.result import SearchResult
from training.search.search import search
from training.search.study_figures import Ahead, Left, NewTank, Picking, Retraining, WayFigures
from training.search.train import Trained, with_versions
from training.studies.crossing import crossed
from training.studies.joining import joined, mounting_of, new_level, with_choose
from training.studies.learning_curve import (
    SUPERPOSED,
    TOGETHER,
    WayData,
    learning_curve,
    more_units,
    shortened,
    tidy_error,
    ways_of,
)

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
    """A way with a model of its own, and the data that it was fitted on."""

    result: SearchResult
    data: FrozenData


@dataclass(frozen=True)
class _Case:
    """What all ways share."""

    parent: Model
    old: FrozenData
    new: FrozenData
    both: FrozenData | None  # None where the sets can't be joined
    superposed: Superposition | None  # None where frames can't be superposed
    hardware: Hardware
    recipe: AnyKept
    request: SearchRequest


def retrain(
    model: Model, old: FrozenData, new: FrozenData, request: SearchRequest, steps: int = STEPS
) -> Retrained:
    """Compare the ways on ``new``, a frozen set of the new tank, and keep the refit that its fit and choose
    groups favour as a model of the name that ``request`` asks for.

    ``old`` are the data that ``model`` was trained on; ``steps`` are the most steps of a refit's nets.
    Raises InputError for a model of an unknown recipe, a new set without fit or prove groups, of
    several mountings or of temperature bands, or with too few groups to choose on.
    """
    _check(new)
    recipe = shortened(any_recipe(model.name, read_recipe(model.recipe)), steps)
    new = with_choose(new)
    both, left, apart = _join(old, new)
    superposed, why_not = _superpose(both, new, apart)
    usable = _with_usable_trim(recipe, new, both)
    case = _Case(model, old, new, both, superposed, hardware_of(new), usable, request)
    ways, refused = _ways(case)
    refused |= {name: why for name, why in ((TOGETHER, apart), (SUPERPOSED, why_not)) if why is not None}
    picking = _picking(case, ways)
    ranked = sorted(ways, key=lambda way: _rank(way, picking, request))
    kept = next(way for way in ranked if isinstance(way, _FittedWay))
    curve = learning_curve(new, both, case.hardware, case.recipe, request, superposed)
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
        curve=replace(curve, more=more_units(curve.rows, kept.name)),
        picking=picking,
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


def _superpose(
    both: FrozenData | None, new: FrozenData, apart: str | None
) -> tuple[Superposition | None, str | None]:
    """What the earlier sessions show, or why frames can't be superposed."""
    if both is None:
        return None, apart
    try:
        superposed = superposition(both, len(new.session))
        weight = superposed.weight(new.rows(Role.FIT))
    except InputError as error:
        return None, str(error)
    if not weight:
        return None, "clean frames of the new tank's units differ from the old tank's no more than units do"
    return superposed, None


def _with_usable_trim(recipe: AnyKept, new: FrozenData, both: FrozenData | None) -> AnyKept:
    """The recipe with its own trim where all units have it, else with the best that they have; few pads take
    none.
    """
    if not isinstance(recipe, ArrayRecipe):
        return recipe
    data = new if both is None else both
    kinds = usable_trims(data, np.ones(len(data.session), np.bool_))
    return recipe if recipe.trim in kinds else replace(recipe, trim=kinds[-1])


def _ways(case: _Case) -> tuple[list[_Way], dict[str, str]]:
    """The ways that can be had, and of the others why not."""
    ways: list[_Way] = []
    refused: dict[str, str] = {}
    fitted = {name: data_of(case.new.rows(Role.FIT)) for name, data_of in _fitted_ways(case).items()}
    for number, name in enumerate((OLD, *fitted)):
        case.request.progress(name, number, 1 + len(fitted))
        try:
            ways.append(_old_way(case) if name == OLD else _fitted_way(name, fitted[name], case))
        except (InputError, ProgramError) as error:
            refused[name] = str(error)
    if not any(isinstance(way, _FittedWay) for way in ways):
        raise InputError(
            f"frozen set {case.new.frozen.name}",
            "no way to fit a model: " + "; ".join(refused.values()),
            "sessions that can be fitted",
        )
    return ways, refused


def _fitted_ways(case: _Case) -> dict[str, WayData]:
    return ways_of(case.new, case.both, case.superposed)


def _fitted_way(name: str, data: FrozenData, case: _Case) -> _FittedWay:
    """The parent's recipe fitted to ``data``, and judged on the new tank."""
    context = by_roles(thinned_fit(data, FIT_ROWS), case.hardware, case.request)
    with threadpool_limits(limits=1):
        result = search(context, (_kind(case.recipe),))
    choose, prove = (_judged(result.program, case, case.new.rows(role)) for role in _JUDGED)
    return _FittedWay(name, result.program, choose, prove, result, data)


def _kind(recipe: AnyKept) -> Kind:
    """The one recipe as a kind of models to try."""
    if isinstance(recipe, ArrayRecipe):
        return Arrays(recipe.trim, (recipe,))
    return FewPads((recipe.family,), Recipe(recipe.family, recipe.size, recipe.bits))


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
    hardware = case.hardware
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
    choose, prove = (_moved(program, case, case.new.rows(role)) for role in _JUDGED)
    return _Way(OLD, program, choose, prove)


def _moved(program: Program, case: _Case, rows: Mask) -> Judged:
    """What the parent's program says of rows of the new tank, its levels moved with the pads."""
    return moved(_judged(program, case, rows), mounting_of(case.old), mounting_of(case.new))


def moved(judged: Judged, old: Mounting, new: Mounting) -> Judged:
    """The same readings, each level that is given above empty brought to the new tank's pads, within its
    span.
    """
    there = np.clip(new_level(judged.level_mm, old, new), 0, judged.span_mm)
    return replace(judged, level_mm=np.where(judged.validity == VALID, there, judged.level_mm))


def _picking(case: _Case, ways: Sequence[_Way]) -> Picking | None:
    """The ways on units left out; None with too few units."""
    used = case.new.rows(Role.FIT) | case.new.rows(Role.CHOOSE)
    as_it_is = {way.name: _moved(way.program, case, used) for way in ways if way.name == OLD}
    fitted = {name: data_of for name, data_of in _fitted_ways(case).items() if _is_among(name, ways)}
    return crossed(case.new, fitted, as_it_is, case.hardware, case.recipe, case.request)


def _is_among(name: str, ways: Sequence[_Way]) -> bool:
    return any(way.name == name for way in ways)


def _rank(way: _Way, picking: Picking | None, request: SearchRequest) -> tuple[bool, bool, float]:
    """Best first: the way that cross-validation favours, then by its errors; without it within the limits on
    the choose groups, then the smaller error there.
    """
    if picking is None:
        figures = figures_of(way.choose)
        return False, meets_limits(request.limits, figures) is False, error_of(figures)
    place = {row.way: number for number, row in enumerate(picking.ways)}
    return way.name != picking.favoured, way.name not in place, place.get(way.name, 0)


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
    if kept.name in (TOGETHER, SUPERPOSED):
        recipe = replace(recipe, earlier=EarlierSet(case.old.frozen.name, kept.data.frozen.sha256))
    if kept.name == SUPERPOSED:
        recipe = replace(recipe, superposed=_superposed_frames(kept.data, case))
    return with_versions(replace(result, recipe=recipe, metrics=replace(result.metrics, retraining=figures)))


def _superposed_frames(data: FrozenData, case: _Case) -> SuperposedFrames:
    """Which frames a model was fitted on that were computed, and from which sessions."""
    assert case.superposed is not None
    new = case.new
    computed, fit = np.arange(len(data.session)) >= len(new.session), new.rows(Role.FIT)
    return SuperposedFrames(
        int(computed.sum()),
        tuple(data.frozen.sessions[int(k)].id for k in np.unique(data.session[computed])),
        tuple(new.frozen.sessions[int(k)].id for k in np.unique(new.session[fit])),
        tidy(case.superposed.weight(fit)),
    )
