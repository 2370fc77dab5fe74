"""``innage train`` and ``innage models``: a frozen set becomes a model; what the store's models can do."""

from __future__ import annotations

import json as json_text
from typing import TYPE_CHECKING, Annotated, Any

import typer

from innage.completion import names_of
from innage.jobs.modelling import cost_model, keep, refuse_known
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say
from innage.terminal.training_view import show_model, show_models

if TYPE_CHECKING:
    from collections.abc import Callable

    from dataset.records import Budget, FrozenData, Limits, Model, Role
    from training.search.train import Trained


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(train)
    app.command()(models)


def train(
    frozen: Annotated[
        str, typer.Argument(help="The frozen set to train on.", autocompletion=names_of("frozen"))
    ],
    name: Annotated[str, typer.Option("--name", help="The new model's name.")],
    limits: Annotated[
        str | None,
        typer.Option(
            "--limits",
            help="The limits to meet; without, the best choose score wins.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    budget: Annotated[
        str | None,
        typer.Option(
            "--budget",
            help="What the firmware team left; candidates are compiled and measured for it.",
            autocompletion=names_of("budget"),
        ),
    ] = None,
    seed: Annotated[
        int, typer.Option("--seed", min=0, max=2**32 - 1, help="Seed of everything that is drawn.")
    ] = 0,
    family: Annotated[
        list[str] | None,
        typer.Option("--family", help="Only this family (may be given again): line, hinge, trees, net."),
    ] = None,
    trim: Annotated[
        str | None,
        typer.Option(
            "--trim",
            help="Pad arrays: the trim to train for: none, dry, block, partial, full; default the best.",
        ),
    ] = None,
    ablation: Annotated[
        bool,
        typer.Option(
            "--ablation",
            help="Pad arrays: fit again with other features, trims and no watcher, and keep what "
            "each is worth with the model.",
        ),
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Search for the smallest integer model that meets the limits. It is scored on groups that it has never
    seen.
    """
    with progress("training") as shown, open_store(store) as opened:
        refuse_known(opened, name)
        chosen_limits = None if limits is None else opened.limits(limits)
        allowed = None if budget is None else opened.budget(budget)
        its = opened.frozen_set(frozen)
        data = opened.frozen_data(its)
        from training.search.train import (
            train as search,
        )  # seconds of imports; the line of progress is there already

        if ablation:
            _check_ablation(data, family)
        made = search(
            data,
            name=name,
            limits=chosen_limits,
            budget=allowed,
            cost=cost_model(allowed),
            seed=seed,
            families=family,
            trim=trim,
            progress=shown,
        )
        if ablation:
            made = _ablated(made, data, name, chosen_limits, allowed, seed, shown)
        model = keep(opened, made, name, its, chosen_limits)
    facts = _facts(model)
    if json:
        emit(facts)
    else:
        show_model(facts)


def models(
    name: Annotated[
        str | None, typer.Argument(help="One model, in full.", autocompletion=names_of("model"))
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the models, or show the figures of one."""
    with open_store(store) as opened:
        found = opened.models() if name is None else (opened.model(name),)
    facts = [_facts(model) for model in found]
    if json:
        emit(facts if name is None else facts[0])
    elif name is not None:
        show_model(facts[0])
    elif facts:
        show_models(facts)
    else:
        say("no models yet: try 'innage train FROZEN --name MODEL'")


def _judged_role(data: FrozenData) -> Role:
    from dataset.records import Role

    return Role.PROVE if data.rows(Role.PROVE).any() else Role.CHOOSE


def _check_ablation(data: FrozenData, family: list[str] | None) -> None:
    """What can't be varied is refused before the work, not after it."""
    from dataset.errors import InputError
    from training.search.candidates import ARRAY_CHANNELS
    from training.search.train import hardware_of
    from training.studies.study import check_study

    channels = hardware_of(data).channels
    if channels < ARRAY_CHANNELS or family:
        found = (
            f"--family {family[0]}" if family else f"{channels} {'channel' if channels == 1 else 'channels'}"
        )
        raise InputError(
            "--ablation", found, f"a pad array of at least {ARRAY_CHANNELS} channels and no --family"
        )
    check_study(data, _judged_role(data))


def _ablated(
    made: Trained,
    data: FrozenData,
    name: str,
    limits: Limits | None,
    budget: Budget | None,
    seed: int,
    shown: Callable[[str, int, int], None],
) -> Trained:
    """The same with what features, watcher and trims are worth among its metrics."""
    from dataclasses import replace

    from training.search.refitting import recipe_of
    from training.search.train import hardware_of
    from training.studies.study import Study, ablate

    of = Study(
        data,
        hardware_of(data),
        recipe_of(name, made.recipe),
        _judged_role(data),
        limits,
        budget,
        cost_model(budget),
        seed,
    )
    return replace(made, metrics=made.metrics | {"ablation": ablate(of, shown)})


def _facts(model: Model) -> dict[str, Any]:
    """Everything about a model but the program and the float ONNX, which are exported."""
    from innage.commands.freezing import set_reference

    limits = None if model.limits is None else model.limits.ref
    return {
        "name": model.name,
        "sha256": model.sha256,
        "frozen": set_reference(model.frozen),
        "limits": limits,
        "recipe": json_text.loads(model.recipe),
        "versions": json_text.loads(model.versions),
        "metrics": json_text.loads(model.metrics),
    }
