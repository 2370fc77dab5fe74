"""Jobs that ask something of models that are there: compare, sweep and study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from dataset.canonical_text import canonical_json, sha256
from dataset.words import Role
from innage.jobs.models.judging import Question, Yardstick, compare, refuse_pair, study, sweep
from innage.runner.kind import Done, Inputs, Kind, Work, hash_of_model, hashes_of, without

if TYPE_CHECKING:
    from dataset.store import Store


@dataclass(frozen=True, kw_only=True)
class CompareSettings(Yardstick):
    """As of :func:`innage.jobs.models.judging.compare`."""

    first: str
    second: str


@dataclass(frozen=True)
class SweepSettings:
    """As of :func:`innage.jobs.models.judging.sweep`."""

    model: str
    role: Role = Role.CHOOSE
    limits: str | None = None


@dataclass(frozen=True, kw_only=True)
class StudySettings(Question):
    """As of :func:`innage.jobs.models.judging.study`."""

    model: str
    limits: str | None = None
    budget: str | None = None


def _settle(store: Store, settings: Any) -> Any:
    """With the revision of the limits."""
    if settings.limits is None:
        return settings
    return replace(settings, limits=store.limits(settings.limits).ref)


def compare_inputs(store: Store, settings: CompareSettings) -> Inputs:
    """What two models are compared on; the same two are an opening once, whoever looks again."""
    models = [store.model(name) for name in (settings.first, settings.second)]
    refuse_pair(*models)
    frozen = models[0].frozen if settings.frozen is None else store.frozen_set(settings.frozen)
    first, second = map(hash_of_model, models)
    hashes = {"first": first, "second": second, "frozen": frozen.sha256, **_named(store, settings)}
    purpose = f"compare {settings.first} {settings.second}"
    opens = settings.role is Role.PROVE and purpose not in store.prove_purposes(frozen)
    return Inputs(hashes, (frozen, purpose) if opens else None)


def _inputs(what: str, store: Store, settings: Any) -> Inputs:
    model = store.model(settings.model)
    opens = (model.frozen, f"{what} {settings.model}") if settings.role is Role.PROVE else None
    return Inputs({"model": hash_of_model(model), **_named(store, settings)}, opens)


def _sweep_inputs(store: Store, settings: SweepSettings) -> Inputs:
    return _inputs("sweep", store, settings)


def _study_inputs(store: Store, settings: StudySettings) -> Inputs:
    return _inputs("study", store, settings)


def _named(store: Store, settings: Any) -> dict[str, str]:
    budget = getattr(settings, "budget", None)
    return hashes_of(
        None if settings.limits is None else store.limits(settings.limits),
        None if budget is None else store.budget(budget),
    )


def _compare(work: Work[CompareSettings]) -> Done:
    asked = work.settings
    compared = compare(work.store, asked.first, asked.second, asked, work.progress)
    return _came_to("comparison.json", compared.facts(), "openings", "statuses", "remarks")


def _sweep(work: Work[SweepSettings]) -> Done:
    asked = work.settings
    swept = sweep(
        work.store,
        asked.model,
        role=asked.role,
        limits=asked.limits,
        progress=work.progress,
        pool=work.pool,
    )
    return _came_to("sweep.json", swept.facts(), "openings")


def _study(work: Work[StudySettings]) -> Done:
    asked = work.settings
    worth = study(
        work.store,
        asked.model,
        asked,
        limits=asked.limits,
        budget=asked.budget,
        progress=work.progress,
        pool=work.pool,
    )
    return _came_to("study.json", worth.facts(), "openings")


def _came_to(name: str, facts: Mapping[str, Any], *beside: str) -> Done:
    """Figures as JSON, and their hash without what changes ``beside`` them."""
    content = (canonical_json(facts) + "\n").encode()
    return Done({"figures": sha256(without(facts, *beside))}, {name: content})


COMPARE = Kind(CompareSettings, _settle, compare_inputs, _compare)
SWEEP = Kind(SweepSettings, _settle, _sweep_inputs, _sweep)
STUDY = Kind(StudySettings, _settle, _study_inputs, _study)
