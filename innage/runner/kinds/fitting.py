"""Jobs that come to a model: train and retrain."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from dataset.errors import NotFoundError
from dataset.words import JobEventKind, Role
from innage.jobs.models.training import (
    Refit,
    RefitSettings,
    Search,
    SearchSettings,
    check_search,
    day_of,
    refuse_known,
    retrain,
    train,
)
from innage.jobs.registry import in_use
from innage.runner.kind import Done, Inputs, Kind, Work, hash_of_model, hashes_of, part_of

if TYPE_CHECKING:
    from dataset.records import FrozenSet, Model
    from dataset.store import Store


@dataclass(frozen=True, kw_only=True)
class TrainSettings(SearchSettings):
    """As of :func:`innage.jobs.models.training.train`."""

    frozen: str
    name: str
    limits: str | None = None
    budget: str | None = None
    families: tuple[str, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class RetrainSettings(RefitSettings):
    """As of :func:`innage.jobs.models.training.retrain`."""

    model: str
    frozen: str
    name: str
    limits: str | None = None
    budget: str | None = None


def _settle(store: Store, settings: Any) -> Any:
    refuse_known(store, settings.name)
    check_search(settings.seed, getattr(settings, "steps", 1))
    limits = None
    if settings.limits is not None:
        limits = in_use(store, "limits", store.limits(settings.limits)).ref
    if settings.budget is not None:
        in_use(store, "budget", store.budget(settings.budget))
    return replace(settings, date=day_of(settings.date), limits=limits)


def _has_prove(frozen: FrozenSet) -> bool:
    return bool(frozen.groups(Role.PROVE))


def _train_inputs(store: Store, settings: TrainSettings) -> Inputs:
    frozen = store.frozen_set(settings.frozen)
    opens = (frozen, f"train {settings.name}") if _has_prove(frozen) else None
    return Inputs({"frozen": frozen.sha256, **_named(store, settings)}, opens)


def _retrain_inputs(store: Store, settings: RetrainSettings) -> Inputs:
    frozen, parent = store.frozen_set(settings.frozen), store.model(settings.model)
    hashes = {"frozen": frozen.sha256, "model": hash_of_model(parent), **_named(store, settings)}
    return Inputs(hashes, (frozen, f"retrain {settings.name}"))


def _named(store: Store, settings: Any) -> dict[str, str]:
    return hashes_of(
        None if settings.limits is None else store.limits(settings.limits),
        None if settings.budget is None else store.budget(settings.budget),
    )


def _train(work: Work[TrainSettings]) -> Done:
    asked = work.settings
    model = _kept_before(work) or train(
        work.store,
        asked.frozen,
        asked.name,
        limits=asked.limits,
        budget=asked.budget,
        families=asked.families,
        search=part_of(Search, asked, pool=work.pool),
        progress=work.progress,
    )
    return _came_to(model)


def _retrain(work: Work[RetrainSettings]) -> Done:
    asked = work.settings
    model = (
        _kept_before(work)
        or retrain(
            work.store,
            asked.model,
            asked.frozen,
            asked.name,
            limits=asked.limits,
            budget=asked.budget,
            refit=part_of(Refit, asked, pool=work.pool),
            progress=work.progress,
        ).model
    )
    return _came_to(model)


def _kept_before(work: Work[Any]) -> Model | None:
    """The model that an earlier attempt kept before its runner went silent: it stands."""
    told = f"model {work.settings.name}"
    if any(event.kind is JobEventKind.WROTE and event.text == told for event in work.wrote):
        try:
            return work.store.model(work.settings.name)
        except NotFoundError:  # an edited store: train again, and be refused where it clashes
            return None
    return None


def _came_to(model: Model) -> Done:
    return Done({"program": model.sha256, "float_onnx": hashlib.sha256(model.float_onnx).hexdigest()})


TRAIN = Kind(TrainSettings, _settle, _train_inputs, _train)
RETRAIN = Kind(RetrainSettings, _settle, _retrain_inputs, _retrain)
