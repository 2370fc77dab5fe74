"""``innage retrain``: a model for a new tank, by the way that its few captures favour, and what more captures
would buy.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from innage.completion import names_of
from innage.jobs.modelling import cost_model, record, refuse_known
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say, table


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(retrain)


def retrain(
    model: Annotated[
        str, typer.Argument(help="The model in use on the old tank.", autocompletion=names_of("model"))
    ],
    tank: Annotated[
        str, typer.Option("--tank", help="The frozen set of the new tank.", autocompletion=names_of("frozen"))
    ],
    name: Annotated[str, typer.Option("--name", help="The new model's name.")],
    limits: Annotated[
        str | None,
        typer.Option(
            "--limits",
            help="The limits to meet. Default: the old model's.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    budget: Annotated[
        str | None,
        typer.Option(
            "--budget",
            help="What the firmware team left; the refits are compiled and measured for it.",
            autocompletion=names_of("budget"),
        ),
    ] = None,
    seed: Annotated[
        int, typer.Option("--seed", min=0, max=2**32 - 1, help="Seed of everything that is drawn.")
    ] = 0,
    steps: Annotated[
        int,
        typer.Option("--steps", min=1, help="Most steps of a refit; more take longer and may end nearer."),
    ] = 60,
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Draw the learning curve: FILE.svg, .png or .pdf.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Refit a model for a new tank, three ways, and keep the best. Compared are the old model with new trims,
    old and new sessions together, new ones alone.
    """
    from dataclasses import replace

    from training.studies.retrain import retrain as compare_ways

    with open_store(store) as opened:
        refuse_known(opened, name)
        parent = opened.model(model)
        chosen = parent.limits if limits is None else opened.limits(limits)
        allowed = None if budget is None else opened.budget(budget)
        its = opened.frozen_set(tank)
        with progress("retraining") as shown:
            made = compare_ways(
                parent,
                opened.frozen_data(parent.frozen),
                opened.frozen_data(its),
                name=name,
                limits=chosen,
                budget=allowed,
                cost=cost_model(allowed),
                seed=seed,
                steps=steps,
                progress=shown,
            )
        openings = opened.open_prove(its, f"retrain {name}")
        opened.add_model(replace(record(made.trained, name, its, chosen, openings), parent=model))
    found = made.found | {
        "name": name,
        "openings": openings,
        "limits_of": None if chosen is None else chosen.ref,
    }
    if picture is not None:
        from innage.terminal.retraining_view import draw_curve

        draw_curve(picture, found)
    if json:
        emit(found)
    else:
        _show(found)


def _show(found: dict[str, Any]) -> None:
    from innage.terminal.retraining_view import ahead_rows, curve_rows, sentences, way_rows

    origin = found["tank"]["origin"]
    if origin != "measured":
        say(f"All figures are of {origin} readings: they say nothing yet of a tank of plastic and water.\n")
    columns = (
        "way",
        "choose\nmm",
        "prove\nmm",
        "clean",
        "foam",
        "film",
        "given\n%",
        "false\nwets",
        "not\nmet",
    )
    table(f"ways to serve {found['tank']['frozen']}: P95 of the error in mm", columns, way_rows(found))
    table(
        f"less {found['kept']}, by class, on the prove groups: mean absolute error in mm",
        ("way", "class", "mm", "from", "to", "groups"),
        ahead_rows(found),
    )
    table(
        "learning curve, on the prove groups",
        ("way", "units", "sessions", "P95 mm", "accepted %", "false wets", "within limits"),
        curve_rows(found),
    )
    for sentence in sentences(found):
        say(sentence)
