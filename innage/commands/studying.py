"""``innage study``: what each kind of trim and each group of features is worth to a model, and what the
groups cost.
"""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.jobs.modelling import cost_model
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say, table


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(study)


def study(
    model: Annotated[
        str, typer.Argument(help="The model whose recipe is fitted again.", autocompletion=names_of("model"))
    ],
    trims: Annotated[
        bool, typer.Option("--trims", help="With every kind of trim that all units have.")
    ] = False,
    features: Annotated[bool, typer.Option("--features", help="With other groups of features.")] = False,
    prove: Annotated[
        bool,
        typer.Option(
            "--prove", help="Judge on the prove groups, which is counted; default the choose groups."
        ),
    ] = False,
    limits: Annotated[
        str | None,
        typer.Option(
            "--limits",
            help="The limits to hold against. Default: the model's.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    budget: Annotated[
        str | None,
        typer.Option(
            "--budget",
            help="Measure each group of features for this budget.",
            autocompletion=names_of("budget"),
        ),
    ] = None,
    seed: Annotated[
        int, typer.Option("--seed", min=0, max=2**32 - 1, help="Seed of everything that is drawn.")
    ] = 0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show what trims and features are worth to a model. Its recipe is fitted again with others. Without
    --trims and --features: both.
    """
    import json as json_text

    from training.search.refitting import recipe_of
    from training.search.train import hardware_of
    from training.studies.study import Study, study_features, study_trims

    with open_store(store) as opened:
        its = opened.model(model)
        chosen = its.limits if limits is None else opened.limits(limits)
        allowed = None if budget is None else opened.budget(budget)
        recipe, role = recipe_of(model, json_text.loads(its.recipe)), Role.PROVE if prove else Role.CHOOSE
        data = opened.frozen_data(its.frozen)
        of = Study(data, hardware_of(data), recipe, role, chosen, allowed, cost_model(allowed), seed)
        found: dict[str, Any] = {
            "model": model,
            "role": str(role),
            "origin": its.frozen.origin,
            "limits_of": chosen and chosen.ref,
        }
        with progress("study") as shown:
            if trims or not features:
                found["trims"] = study_trims(of, shown)
            if features or not trims:
                found["features"] = study_features(of, shown)
        found["openings"] = (
            opened.open_prove(its.frozen, f"study {model}") if prove else opened.prove_openings(its.frozen)
        )
    if json:
        emit(found)
    else:
        _show(found)


def _show(found: dict[str, Any]) -> None:
    from export.report.claim_tables import study_columns, study_rows

    if found["origin"] != "measured":
        say(
            f"All figures are of {found['origin']} readings: they say nothing yet of a tank of "
            "plastic and water.\n"
        )
    for what in ("trims", "features"):
        if what in found:
            table(
                f"{what} of {found['model']}: P95 on the {found['role']} groups",
                study_columns(what),
                study_rows(found[what]["rows"]),
            )
    if "trims" in found and found["limits_of"] is not None:
        needed = found["trims"]["needed"]
        least = (
            f"least trim within them is '{needed}'"
            if needed is not None
            else "no trim that all units have keeps within them"
        )
        say(f"Limits {found['limits_of']}: {least}.")
    if found["role"] == "prove":
        say(f"Opening {found['openings']} of the prove groups.")
    else:
        say("The choose groups also set the thresholds: this tells the rows apart, it is no claim.")
