"""``innage study``: what each kind of trim and each group of features is worth to a model, and what the
groups cost.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.options import DEFAULT_STORE, DaskOption, JsonOption, SeedOption, StoreOption, open_store
from innage.terminal.output import emit, progress
from innage.terminal.views.models.judging import show_study


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
            "--prove", help="Judge on the prove groups; that opening is counted. Default: the choose groups."
        ),
    ] = False,
    limits: Annotated[
        str | None,
        typer.Option(
            "--limits",
            help="The limits to compare with. Default: the model's.",
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
    seed: SeedOption = 0,
    picture: Annotated[
        Path | None, typer.Option(help="Draw the error of each variant by class: FILE.svg, .png or .pdf.")
    ] = None,
    dask: DaskOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show what trims and features are worth to a model. Its recipe is fitted again with others. Without
    --trims and --features: both.
    """
    from dataset.pools.opening import pool_at
    from innage.jobs.models.judging import Question
    from innage.jobs.models.judging import study as study_model

    if picture is not None:
        from innage.pictures.figures import check_picture

        check_picture(picture)  # before the work
    question = Question(
        trims or not features, features or not trims, Role.PROVE if prove else Role.CHOOSE, seed
    )
    with open_store(store) as opened, pool_at(dask) as pool, progress("study") as shown:
        worth = study_model(opened, model, question, limits=limits, budget=budget, progress=shown, pool=pool)
    if picture is not None:
        from innage.pictures.model_pictures import draw_study

        title = f"{model} on {worth.role} groups ({worth.origin})"
        draw_study(picture, worth.rows, title)
    if json:
        emit(worth.facts())
    else:
        show_study(worth)
