"""Questions about models that are there: which of two is better, how much drift one stands, what trims and
features are worth to one.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.records import Role
from innage.jobs import Progress, silent
from innage.jobs.models.set_reference import set_reference
from innage.jobs.models.training import status_facts
from innage.jobs.registry import retired_remarks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from dataset.pools import Pool
    from dataset.records import Budget, FrozenData, FrozenSet, Limits, Model
    from dataset.store import Store
    from training.costs import Cost
    from training.judging.figures import Differences, KeptCost, SweepFigures
    from training.judging.judged import Judged
    from training.search.study_figures import FeatureStudy, StudyRow, TrimStudy


@dataclass(frozen=True)
class Comparison:
    """A candidate beside the model in use.

    ``hashes`` are those of their programs; ``figures`` are those of
    :func:`training.judging.comparing.compare`; ``losses`` are sentences, one for each place that matters
    where the candidate loses; ``costs`` are those of both models, None where nobody measured them;
    ``statuses`` are what both are said to be, None where nobody said; ``remarks`` say which of limits and
    budget is retired.
    """

    first: str
    second: str
    hashes: tuple[str, str]
    frozen: FrozenSet
    role: Role
    openings: int
    limits: Limits | None
    costs: tuple[Cost | KeptCost | None, ...]
    figures: Differences
    statuses: tuple[dict[str, str] | None, ...] = (None, None)
    remarks: tuple[str, ...] = ()

    @property
    def losses(self) -> list[str]:
        return list(self.figures.losses)

    @property
    def caveat(self) -> str:
        """What the figures must not be taken for; nothing on groups that were held out."""
        if self.role == Role.PROVE:
            return ""
        return "Models were chosen on these groups, so the figures only compare the two; don't quote them."

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            **self.figures.to_json(),
            "first": self.first,
            "second": self.second,
            "frozen": set_reference(self.frozen),
            "role": str(self.role),
            "openings": self.openings,
            "limits_of": None if self.limits is None else self.limits.ref,
            "costs": [_cost_facts(cost) for cost in self.costs],
            "statuses": list(self.statuses),
            "remarks": list(self.remarks),
        }


@dataclass(frozen=True)
class Yardstick:
    """What two models are held against; None stands for the first model's frozen set, for the first model's
    limits or else the second's, and for the costs that training measured.
    """

    frozen: str | None = None
    role: Role = Role.PROVE
    limits: str | None = None
    budget: str | None = None
    seed: int = 0


def compare(
    store: Store,
    first: str,
    second: str,
    by: Yardstick = Yardstick(),
    progress: Progress = silent,
) -> Comparison:
    """Compare a candidate, ``second``, with the model in use on the same frames. The prove groups, where they
    are asked for, are opened and counted: once for the same two models, since whoever looks again, such as
    for a page, sees the same.

    Raises:
        InputError: a model and itself, models for different tanks, groups that are not there, or that one of
            the models has seen; trims that are not there.
        NotFoundError: a model, frozen set, limits or a budget that the store does not have.
    """
    from training.judging.comparing import compare as difference
    from training.judging.stored import judge_model
    from training.models.trim_limits import of_model, refuse_trims
    from training.program import from_json

    models = (store.model(first), store.model(second))
    refuse_pair(*models)
    frozen = models[0].frozen if by.frozen is None else store.frozen_set(by.frozen)
    limits = store.limits(by.limits) if by.limits is not None else models[0].limits or models[1].limits
    budget = None if by.budget is None else store.budget(by.budget)
    data = store.frozen_data(frozen)
    _refuse_seen(store, frozen, data, by.role, models)
    rows = data.rows(by.role)
    for model in models:
        refuse_trims(
            from_json(model.program, f"model '{model.name}'"),
            data,
            rows,
            of_model(model.name),
            "both models need units whose trims they take: name a frozen set of the tank that both are for",
        )
    judged: list[Judged] = []
    for model in models:
        judged.append(judge_model(model, data, rows, cold=True))
        progress(model.name, len(judged), len(models))
    purpose = f"compare {first} {second}"
    opens = by.role is Role.PROVE and purpose not in store.prove_purposes(frozen)
    openings = store.open_prove(frozen, purpose) if opens else store.prove_openings(frozen)
    figures = difference(judged[0], judged[1], limits, by.seed)
    costs = tuple(_cost(model, budget) for model in models)
    statuses = tuple(status_facts(store.status(name)) for name in (first, second))
    remarks = retired_remarks(store, {"limits": limits, "budget": budget})
    return Comparison(
        first,
        second,
        (models[0].sha256, models[1].sha256),
        frozen,
        by.role,
        openings,
        limits,
        costs,
        figures,
        statuses,
        remarks,
    )


def refuse_pair(first: Model, second: Model) -> None:
    """InputError for a model beside itself, and for models that no tank has in common: they say nothing."""
    where = f"models {first.name} and {second.name}"
    if first.sha256 == second.sha256:
        raise InputError(
            where, "one and the same program", "two models that differ", "name another candidate"
        )
    tanks = [sorted({s.mounting.tank.ref for s in model.frozen.sessions}) for model in (first, second)]
    if set(tanks[0]).isdisjoint(tanks[1]):
        raise InputError(
            where,
            f"made for tank {', '.join(tanks[0])} and for tank {', '.join(tanks[1])}",
            "two models for the same tank",
            "'innage retrain' compares a model of an earlier tank with refits for the new one",
        )


def _rows_of(data: FrozenData, role: Role, hint: str, *, fields: tuple[str, ...]) -> NDArray[np.bool_]:
    """The frames to judge on, (frames,); a set without any is refused."""
    rows = data.rows(role)
    if not rows.any():
        raise InputError(
            f"frozen set {data.frozen.name}", f"no '{role}' groups", "groups to judge on", hint, fields=fields
        )
    return rows


def _refuse_seen(
    store: Store, frozen: FrozenSet, data: FrozenData, role: Role, models: tuple[Model, ...]
) -> None:
    """Sessions that a model was fitted, chosen or calibrated on say nothing of it."""
    import numpy as np

    rows = _rows_of(
        data, role, "name another with frozen, or other groups with role", fields=("frozen", "role")
    )
    if role in (Role.FIT, Role.CALIBRATE):
        raise InputError(
            "role",
            str(role),
            "prove or choose",
            "models say little on groups that they were made from",
            fields=("role",),
        )
    judged = {frozen.sessions[int(s)].sha256 for s in np.unique(data.session[rows])}
    for model in models:
        if model.frozen.sha256 == frozen.sha256:
            continue
        own = store.frozen_data(model.frozen)
        seen = {model.frozen.sessions[int(s)] for s in np.unique(own.session[~own.rows(Role.PROVE)])}
        known = sorted(s.id for s in seen if s.sha256 in judged)
        if known:
            raise InputError(
                f"model {model.name}",
                f"was made from session {known[0]}, a '{role}' one of {frozen.name}",
                "sessions it has not seen",
                "name another set with frozen, in which neither has seen them",
                fields=("frozen",),
            )


def _cost(model: Model, budget: Budget | None) -> Cost | KeptCost | None:
    """Flash, RAM, stack and cycles: measured now for a budget, or as training measured them."""
    if budget is None:
        from training.search.metrics import read_metrics

        chosen = read_metrics(json.loads(model.metrics)).chosen
        return None if chosen is None else chosen.cost
    from export.core.measure import measure
    from training.program import from_json

    return measure(from_json(model.program, f"model '{model.name}'"), budget)


def _cost_facts(cost: Cost | KeptCost | None) -> dict[str, Any] | None:
    """A cost as JSON: all that was measured now, or what training kept."""
    from training.judging.figures import KeptCost

    if cost is None or isinstance(cost, KeptCost):
        return None if cost is None else cost.to_json()
    return asdict(cost) | {"flash": cost.flash}


@dataclass(frozen=True)
class Sweep:
    """How a model fares as its counts drift, with ``figures`` of :func:`training.judging.drift.sweep`."""

    model: str
    frozen: FrozenSet
    role: Role
    openings: int
    limits: Limits | None
    pads: tuple[str, ...]
    figures: SweepFigures

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            **self.figures.to_json(),
            "model": self.model,
            "frozen": set_reference(self.frozen),
            "role": str(self.role),
            "openings": self.openings,
            "limits": None if self.limits is None else self.limits.ref,
            "pads": list(self.pads),
        }


def sweep(
    store: Store,
    model: str,
    *,
    role: Role = Role.CHOOSE,
    limits: str | None = None,
    progress: Progress = silent,
    pool: Pool | None = None,
) -> Sweep:
    """Alter captured counts until a limit fails: baseline, gain, film, one dead pad, trims as they were. The
    prove groups, where they are asked for, are opened and counted.

    Args:
        store: the open store.
        model: its name.
        role: whose groups it is judged on.
        limits: those that have to hold; None means the model's.
        progress: told how far it is.
        pool: where counts are altered and judged, which changes no result; None means on all cores of this
            machine.

    Raises:
        InputError: no such groups. NotFoundError: no such model or limits.
    """
    from training.judging.drift import sweep as swept

    judged = store.model(model)
    frozen = judged.frozen
    holding = judged.limits if limits is None else store.limits(limits)
    data = store.frozen_data(frozen)
    rows = _rows_of(data, role, "name others with role", fields=("role",))
    figures = swept(judged, data, rows, holding, progress, pool)
    openings = (
        store.open_prove(frozen, f"sweep {model}") if role is Role.PROVE else store.prove_openings(frozen)
    )
    pads = frozen.sessions[0].mounting.sensor.channel_names
    return Sweep(model, frozen, role, openings, holding, pads, figures)


@dataclass(frozen=True)
class Worth:
    """What trims, features or both are worth to a model; each is None where it wasn't asked for, else as
    :mod:`training.studies.study` gives it.
    """

    model: str
    role: Role
    origin: str
    limits: Limits | None
    openings: int
    trims: TrimStudy | None
    features: FeatureStudy | None

    @property
    def rows(self) -> dict[str, tuple[StudyRow, ...]]:
        """The variants of what was asked for, by its name."""
        both = {"trims": self.trims, "features": self.features}
        return {what: studied.rows for what, studied in both.items() if studied is not None}

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "model": self.model,
            "role": str(self.role),
            "origin": self.origin,
            "limits_of": None if self.limits is None else self.limits.ref,
            "openings": self.openings,
            **({} if self.trims is None else {"trims": self.trims.to_json()}),
            **({} if self.features is None else {"features": self.features.to_json()}),
        }


@dataclass(frozen=True)
class Question:
    """What a study asks: of trims, of features or of both, on the choose or the prove groups."""

    trims: bool = True
    features: bool = True
    role: Role = Role.CHOOSE
    seed: int = 0


def study(
    store: Store,
    model: str,
    question: Question = Question(),
    *,
    limits: str | None = None,
    budget: str | None = None,
    progress: Progress = silent,
    pool: Pool | None = None,
) -> Worth:
    """Fit a model's recipe again with other trims and groups of features. The prove groups, where they are
    asked for, are opened and counted.

    Args:
        store: the open store.
        model: the model whose recipe is fitted again.
        question: what is asked.
        limits: those to hold against; None means the model's.
        budget: each group of features is measured for it; None measures nothing.
        progress: told how far it is.
        pool: where the fits are done, which changes no result; None means on all cores of this machine.

    Raises:
        InputError: a model that no study can be made of. NotFoundError: no such model, limits or budget.
    """
    from dataset.pools import ALL_CORES
    from innage.jobs.models.training import cost_model
    from training.search.context import SearchRequest, hardware_of
    from training.search.kept_recipe import array_recipe, read_recipe
    from training.studies.study import Study, study_features, study_trims

    studied = store.model(model)
    frozen = studied.frozen
    holding = studied.limits if limits is None else store.limits(limits)
    left = None if budget is None else store.budget(budget)
    recipe, data = array_recipe(model, read_recipe(studied.recipe)), store.frozen_data(frozen)
    request = SearchRequest(
        model, holding, left, cost_model(left), question.seed, progress, pool or ALL_CORES
    )
    of = Study(data, hardware_of(data), recipe, question.role, request)
    trims = study_trims(of) if question.trims else None
    features = study_features(of) if question.features else None
    openings = (
        store.open_prove(frozen, f"study {model}")
        if question.role is Role.PROVE
        else store.prove_openings(frozen)
    )
    return Worth(model, question.role, frozen.origin, holding, openings, trims, features)
