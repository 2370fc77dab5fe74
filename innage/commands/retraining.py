"""``innage retrain``: a model for a new tank, by the way that its few captures favour, and what more captures
would buy.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.completion import names_of
from innage.exit_codes import of_limits
from innage.options import (
    DEFAULT_STORE,
    DaskOption,
    JsonOption,
    NewModelOption,
    SeedOption,
    StoreOption,
    StrictOption,
    TrainedOption,
    open_store,
)
from innage.terminal.output import emit, progress


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(retrain)


def retrain(
    model: Annotated[
        str, typer.Argument(help="The model in use on the old tank.", autocompletion=names_of("model"))
    ],
    frozen: Annotated[
        str,
        typer.Option("--frozen", help="The frozen set of the new tank.", autocompletion=names_of("frozen")),
    ],
    name: NewModelOption,
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
    seed: SeedOption = 0,
    date: TrainedOption = None,
    steps: Annotated[
        int,
        typer.Option("--steps", min=1, help="Most steps of a refit; more take longer and may end nearer."),
    ] = 60,
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Draw the learning curve: FILE.svg, .png or .pdf.")
    ] = None,
    dask: DaskOption = None,
    strict: StrictOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Refit a model for a new tank; compare options, keep the best. The options are the old model with new
    trims; old and new sessions together; the old ones superposed on the new tank's response; and new ones
    alone. They are chosen by cross-validation over the new tank's units.
    """
    from dataset.pools.opening import pool_at
    from innage.jobs.models.training import Refit
    from innage.jobs.models.training import retrain as retrain_model

    if picture is not None:
        from innage.pictures.figures import check_picture

        check_picture(picture)  # before a model is stored
    with open_store(store) as opened, pool_at(dask) as pool, progress("retraining") as shown:
        retrained = retrain_model(
            opened,
            model,
            frozen,
            name,
            limits=limits,
            budget=budget,
            refit=Refit(seed, steps, date, pool),
            progress=shown,
        )
    if picture is not None:
        from innage.pictures.learning_curve import draw_curve

        draw_curve(
            picture,
            retrained.figures,
            None if retrained.model.limits is None else retrained.model.limits.ref,
        )
    if json:
        emit(retrained.facts())
    else:
        from innage.terminal.views.models.retraining import show_retraining

        show_retraining(retrained)
    if strict and (code := of_limits(retrained.answers)):
        raise typer.Exit(code)
