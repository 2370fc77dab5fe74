"""Models from frozen sets: trained anew, or refitted for a new tank; and what is told of those there are."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from dataset.values import natural
from innage.jobs import Progress, silent
from innage.jobs.models.set_reference import set_reference
from innage.jobs.registry import in_use
from innage.jobs.sessions.finding import SessionFilter, settle
from innage.jobs.stages import staged

if TYPE_CHECKING:
    from dataset.pools import Pool
    from dataset.records import (
        BoardMeasurement,
        Budget,
        FrozenData,
        FrozenSet,
        Limits,
        Model,
        Role,
        StatusEvent,
    )
    from dataset.store import Store
    from training.costs import CostModel
    from training.judging.figures import AnsweredLimit
    from training.search.context import SearchRequest
    from training.search.study_figures import Retraining
    from training.search.train import Trained


@dataclass(frozen=True)
class SearchSettings:
    """How a model is searched for, wherever that is.

    Attributes:
        seed: of everything that is drawn, 0 to 2**32 - 1.
        trim: pad arrays: the trim to train for; None means the best that all units have.
        recipe: fit this one and no other, as ``hinge-8-16``: family, size and bits of a model without trims.
        ablation: pad arrays: fit again with other features, trims and no watcher, and keep what each is worth
            with the model.
        date: the day that the model is said to be trained on, ISO 8601; None is the host's.
        since_pour: pad arrays: the firmware tells how many seconds ago liquid last came in.
    """

    seed: int = 0
    trim: str | None = None
    ablation: bool = False
    date: str | None = None
    recipe: str | None = None
    since_pour: bool = False


@dataclass(frozen=True)
class Search(SearchSettings):
    """How a model is searched for: what :class:`SearchSettings` has, and where.

    Attributes:
        pool: where the fits are done, which changes no result; None means on all cores of this machine.
    """

    pool: Pool | None = None


def train(
    store: Store,
    frozen: str,
    name: str,
    *,
    limits: str | None = None,
    budget: str | None = None,
    families: Sequence[str] | None = None,
    search: Search = Search(),
    progress: Progress = silent,
) -> Model:
    """Search for the smallest integer model that meets the limits, score it once on 'prove', and keep it in
    the store.

    As ``innage train``: the opening of 'prove' is counted.

    Args:
        store: the open store.
        frozen: the frozen set to train on.
        name: the new model's name.
        limits: NAME or NAME@REVISION; without, the best choose score wins.
        budget: what the firmware team left; candidates are compiled and measured for it.
        families: of ``line``, ``hinge``, ``trees``, ``net`` and, for four pads and more, ``array``; None
            means ``array`` for these, and all others for fewer pads.
        search: the seed, and what only pad arrays have: the trim to train for, an ablation.
        progress: called with (what, done, total).

    Returns:
        The model as the store keeps it: ``program`` is canonical JSON (see :func:`innage.program_of`),
        ``metrics`` and ``recipe`` are JSON.

    Raises:
        InputError: a name that is taken, void sessions, mixed sensors, too few groups, an unknown family,
            trim or recipe, a recipe beside families, an ablation of what is no pad array, the time since a
            pour without a pad array or a 'fit' session that says when liquid came in.
        NotFoundError: a frozen set, limits or a budget that the store does not have.
        ToolError: the compiler or the emulator did not do its part.
    """
    refuse_known(store, name)
    date = day_of(search.date)
    to_meet = None if limits is None else in_use(store, "limits", store.limits(limits))
    left = None if budget is None else in_use(store, "budget", store.budget(budget))
    frozen_set = store.frozen_set(frozen)
    data = store.frozen_data(frozen_set)
    progress("loading", 0, 1)  # seconds of imports
    from dataset.pools import ALL_CORES
    from training.search.context import SearchRequest
    from training.search.train import train as search_model

    if search.ablation:
        _check_ablation(data, _families_of(families, search.recipe))
    stages = _stages(
        data, _families_of(families, search.recipe), budgeted=left is not None, ablation=search.ablation
    )
    shown = staged(progress, stages)
    request = SearchRequest(
        name,
        to_meet,
        left,
        cost_model(left),
        search.seed,
        shown,
        search.pool or ALL_CORES,
        lean_cost_model(left),
    )
    trained = search_model(
        data,
        request,
        families=families,
        trim=search.trim,
        recipe=search.recipe,
        since_pour=search.since_pour,
    )
    if search.ablation:
        trained = _ablated(trained, data, request)
    openings = (
        store.open_prove(frozen_set, f"train {name}")
        if trained.metrics.prove is not None
        else store.prove_openings(frozen_set)
    )
    record = _record(trained, name, frozen_set, to_meet, openings)
    return store.add_model(replace(record, date=date))


@dataclass(frozen=True)
class RefitSettings:
    """How a model is refitted, wherever that is.

    Attributes:
        seed: of everything that is drawn, 0 to 2**32 - 1.
        steps: the most of a refit; more take longer and may end nearer.
        date: the day that the model is said to be trained on, ISO 8601; None is the host's.
    """

    seed: int = 0
    steps: int = 60
    date: str | None = None


@dataclass(frozen=True)
class Refit(RefitSettings):
    """How a model is refitted: what :class:`RefitSettings` has, and where.

    Attributes:
        pool: where the fits are done, which changes no result; None means on all cores of this machine.
    """

    pool: Pool | None = None


@dataclass(frozen=True)
class Retrained:
    """The refit that was kept, and ``figures`` of all ways as :func:`training.studies.retrain.retrain` gives
    them; ``openings`` counts those of 'prove' of the new tank's frozen set.
    """

    model: Model
    openings: int
    figures: Retraining

    @property
    def answers(self) -> tuple[AnsweredLimit, ...]:
        """The model's answers to its limits."""
        from training.search.metrics import read_metrics

        return read_metrics(json.loads(self.model.metrics)).limits

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            **self.figures.to_json(),
            "name": self.model.name,
            "openings": self.openings,
            "answers": [answer.to_json() for answer in self.answers],
            "limits_of": None if self.model.limits is None else self.model.limits.ref,
        }


def retrain(
    store: Store,
    model: str,
    frozen: str,
    name: str,
    *,
    limits: str | None = None,
    budget: str | None = None,
    refit: Refit = Refit(),
    progress: Progress = silent,
) -> Retrained:
    """Refit a model for a new tank, some ways, and keep the best: the old model with new trims, old and new
    sessions together, the old ones superposed on the new tank's response, new ones alone. The opening of
    'prove' is counted.

    Args:
        store: the open store.
        model: the model in use on the old tank.
        frozen: the frozen set of the new tank.
        name: the new model's name.
        limits: those to meet; None means the old model's.
        budget: what the firmware team left; the refits are compiled and measured for it.
        refit: the seed, and the most steps.
        progress: called with (what, done, total).

    Raises:
        InputError: a name that is taken, a model whose recipe is not whole, a set that has not the roles it
            takes.
        NotFoundError: a model, frozen set, limits or a budget that the store does not have.
    """
    from dataset.pools import ALL_CORES
    from training.search.context import SearchRequest
    from training.studies.crossing import LEAVING_OUT
    from training.studies.learning_curve import ALONE, SUPERPOSED, TOGETHER
    from training.studies.retrain import OLD
    from training.studies.retrain import retrain as compare_ways

    refuse_known(store, name)
    date = day_of(refit.date)
    parent = store.model(model)
    to_meet = parent.limits if limits is None else in_use(store, "limits", store.limits(limits))
    left = None if budget is None else in_use(store, "budget", store.budget(budget))
    frozen_set = store.frozen_set(frozen)
    fitted = (TOGETHER, SUPERPOSED, ALONE)
    curve = tuple(f"learning curve, {way}" for way in fitted)
    shown = staged(progress, ((OLD, *fitted), (LEAVING_OUT,), curve))
    compared = compare_ways(
        parent,
        store.frozen_data(parent.frozen),
        store.frozen_data(frozen_set),
        SearchRequest(name, to_meet, left, cost_model(left), refit.seed, shown, refit.pool or ALL_CORES),
        refit.steps,
    )
    openings = store.open_prove(frozen_set, f"retrain {name}")
    kept = store.add_model(
        replace(_record(compared.trained, name, frozen_set, to_meet, openings), parent=model, date=date)
    )
    return Retrained(kept, openings, compared.figures)


def find_models(store: Store, only: SessionFilter) -> tuple[Model, ...]:
    """The models whose frozen set has a session that a filter leaves, as people count; all of them without
    one. What a session says is what it says now. NotFoundError for a name that the store does not have.
    """
    models = sorted(store.models(), key=lambda model: natural(model.name))
    if not only.given:
        return tuple(models)
    fitting = {session.sha256 for session in settle(store, only).of_sessions(store.sessions())}
    return tuple(model for model in models if any(s.sha256 in fitting for s in model.frozen.sessions))


def model_facts(
    model: Model, boards: Iterable[BoardMeasurement] = (), status: StatusEvent | None = None
) -> dict[str, Any]:
    """Everything about a model but the program and the float ONNX, which are exported; ready for JSON.
    ``boards``: what boards measured, of which those of this model are taken. ``status``: what it is said to
    be.
    """
    from training.search.metrics import read_metrics

    metrics = json.loads(model.metrics)
    return {
        "name": model.name,
        "sha256": model.sha256,
        "frozen": set_reference(model.frozen),
        "uneven_spans_mm": model.frozen.uneven_spans_mm,
        "limits": None if model.limits is None else model.limits.ref,
        "date": model.date,
        "parent": model.parent,
        "status": status_facts(status),
        "recipe": json.loads(model.recipe),
        "versions": json.loads(model.versions),
        "metrics": metrics | {"limits": [answer.to_json() for answer in read_metrics(metrics).limits]},
        "boards": [board_facts(measured) for measured in boards if measured.model == model.name],
    }


def status_facts(status: StatusEvent | None) -> dict[str, str] | None:
    """What a model is said to be, ready for JSON; None where nobody said."""
    if status is None:
        return None
    return {"status": str(status.status), "author": status.author, "reason": status.reason}


def status_text(status: StatusEvent) -> str:
    """The same in a few words."""
    return f"{status.status}, by {status.author}: {status.reason}"


def board_facts(measured: BoardMeasurement) -> dict[str, Any]:
    """What a board measured, ready for JSON."""
    return {name: value for name, value in asdict(measured).items() if name != "model"}


def cost_model(budget: Budget | None) -> CostModel | None:
    """How candidates are measured for a budget; None without one."""
    if budget is None:
        return None
    from export.core.measure import measure

    return measure


def lean_cost_model(budget: Budget | None) -> CostModel | None:
    """The same for a firmware that uses nothing but init, prepare and step."""
    if budget is None:
        return None
    from export.core.measure import measure_leanest

    return measure_leanest


def _families_of(families: Sequence[str] | None, recipe: str | None) -> Sequence[str] | None:
    """The families that are tried: that of the recipe, where one is named."""
    return families if recipe is None else [recipe.split("-")[0]]


def _judged_role(data: FrozenData) -> Role:
    from dataset.records import Role

    return Role.PROVE if data.rows(Role.PROVE).any() else Role.CHOOSE


def _check_ablation(data: FrozenData, families: Sequence[str] | None) -> None:
    """What can't be varied is refused before the work, not after it."""
    from dataset.errors import InputError
    from training.search.array_recipes import ARRAY, ARRAY_CHANNELS
    from training.search.context import hardware_of
    from training.search.train import families_tried
    from training.studies.study import check_study

    channels = hardware_of(data).channels
    if channels < ARRAY_CHANNELS or families_tried(channels, families) != (ARRAY,):
        counted = f"{channels} {'channel' if channels == 1 else 'channels'}"
        raise InputError(
            "ablation",
            f"families {families[0]}" if families else counted,
            f"a pad array of at least {ARRAY_CHANNELS} channels and no family but '{ARRAY}'",
            "the curves of other families take no trims and have no features to vary",
            fields=("ablation", "families"),
        )
    check_study(data, _judged_role(data))


def _stages(
    data: FrozenData, families: Sequence[str] | None, *, budgeted: bool, ablation: bool
) -> list[tuple[str, ...]]:
    """The stages of a search, by the names that it gives them."""
    from training.models.families import FAMILIES
    from training.search.array_recipes import ARRAY, ARRAY_CHANNELS

    many = data.counts.shape[1] >= ARRAY_CHANNELS
    wanted = families or ((ARRAY,) if many else tuple(FAMILIES))
    stages = list[tuple[str, ...]]()
    if ARRAY in wanted:
        stages += [("fitting level nets",), ("fitting watchers",), ("judging candidates",)]
    curves = tuple(family for family in wanted if family != ARRAY)
    stages += [curves] if curves else []
    stages += [("measuring the cost",)] if budgeted else []
    stages += [("scoring",)]
    return [*stages, ("fitting again",), ("judging and measuring",)] if ablation else stages


def _ablated(trained: Trained, data: FrozenData, request: SearchRequest) -> Trained:
    """The same with what features, watcher and trims are worth among its metrics."""
    from training.search.context import hardware_of
    from training.search.kept_recipe import array_recipe
    from training.studies.study import Study, ablate

    recipe = array_recipe(request.name, trained.recipe)
    study = Study(data, hardware_of(data), recipe, _judged_role(data), request)
    return replace(trained, metrics=replace(trained.metrics, ablation=ablate(study)))


def check_search(seed: int, steps: int = 1) -> None:
    """InputError for a seed or a number of steps that no search takes."""
    from dataset.errors import InputError

    if not 0 <= seed < 2**32:
        raise InputError("seed", str(seed), "0 to 4294967295", fields=("seed",))
    if steps < 1:
        raise InputError("steps", str(steps), "1 at least", fields=("steps",))


def day_of(given: str | None) -> str:
    """The day that a model is said to be trained on; InputError before the work."""
    from dataset.errors import naming
    from dataset.values import check_day, today

    if given is None:
        return today()
    with naming("date"):
        check_day("date", given)
    return given


def refuse_known(store: Store, name: str) -> None:
    """A name that is taken is refused before the work, not after it."""
    from dataset.errors import InputError, NotFoundError
    from dataset.values import check_name

    check_name("model", name)
    try:
        store.model(name)
    except NotFoundError:
        return
    raise InputError(
        f"model {name}", "exists already", "a new name", "models never change; give this one another name"
    )


def _record(trained: Trained, name: str, frozen: FrozenSet, limits: Limits | None, openings: int) -> Model:
    """A trained model as the store keeps it."""
    from dataset.records import Model
    from training.program import digest, to_json

    def text(facts: dict[str, Any]) -> str:
        return json.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)

    metrics = replace(trained.metrics, openings=openings)
    return Model(
        name,
        digest(trained.program),
        frozen,
        limits,
        text(trained.recipe.to_json()),
        text(trained.versions),
        text(metrics.to_json()),
        to_json(trained.program),
        trained.float_onnx,
    )
