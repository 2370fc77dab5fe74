"""What training a model needs besides the search: a name that is free, costs that are measured, and the
record that the store keeps.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataset.records import Budget, FrozenSet, Limits, Model
    from dataset.store import Store
    from training.costs import CostModel
    from training.search.train import Trained


def train(
    store: Store,
    frozen: str,
    name: str,
    *,
    limits: str | None = None,
    budget: str | None = None,
    seed: int = 0,
    families: Sequence[str] | None = None,
    trim: str | None = None,
    progress: Callable[[str, int, int], None] | None = None,
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
        seed: of everything that is drawn, 0 to 2**32 - 1.
        families: ``line``, ``hinge``, ``trees``, ``net``; None means all, or for four pads and more the pad
            array's own search.
        trim: pad arrays: the trim to train for; None means the best that all units have.
        progress: called with (what, done, total).

    Returns:
        The model as the store keeps it: ``program`` is canonical JSON (see :func:`innage.program_of`),
        ``metrics`` and ``recipe`` are JSON.

    Raises:
        InputError: a name that is taken, void sessions, mixed sensors, too few groups, an unknown family or
            trim.
        NotFoundError: a frozen set, limits or a budget that the store does not have.
        ToolError: the compiler or the emulator did not do its part.
    """
    from training.search.train import train as search

    refuse_known(store, name)
    chosen_limits = None if limits is None else store.limits(limits)
    allowed = None if budget is None else store.budget(budget)
    its = store.frozen_set(frozen)
    made = search(
        store.frozen_data(its),
        name=name,
        limits=chosen_limits,
        budget=allowed,
        cost=cost_model(allowed),
        seed=seed,
        families=families,
        trim=trim,
        progress=progress,
    )
    return keep(store, made, name, its, chosen_limits)


def keep(store: Store, made: Trained, name: str, its: FrozenSet, limits: Limits | None) -> Model:
    """Count the opening of 'prove', where there is one, and add the model to the store."""
    openings = store.open_prove(its, f"train {name}") if made.metrics["prove"] else store.prove_openings(its)
    return store.add_model(record(made, name, its, limits, openings))


def refuse_known(store: Store, name: str) -> None:
    """A name that is taken is refused before the work, not after it."""
    from dataset.errors import InputError
    from dataset.values import check_name

    check_name("model", name)
    if any(model.name == name for model in store.models()):
        raise InputError(
            f"model {name}", "exists already", "a new name", "models never change; give this one another name"
        )


def cost_model(budget: Budget | None) -> CostModel | None:
    """How candidates are measured for a budget; None without one."""
    if budget is None:
        return None
    from export.core.measure import measure

    return measure


def record(made: Trained, name: str, frozen: FrozenSet, limits: Limits | None, openings: int) -> Model:
    """A trained model as the store keeps it."""
    from dataset.records import Model
    from training.program import digest, to_json

    def text(facts: dict[str, Any]) -> str:
        return json.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)

    metrics = made.metrics | {"openings": openings}
    return Model(
        name,
        digest(made.program),
        frozen,
        limits,
        text(made.recipe),
        text(made.versions),
        text(metrics),
        to_json(made.program),
        made.float_onnx,
    )
