"""``innage sweep``: how much drift a model stands before a limit fails."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.exit_codes import of_limits
from innage.options import (
    DEFAULT_STORE,
    DaskOption,
    JsonOption,
    JudgedRoleOption,
    ModelArgument,
    StoreOption,
    StrictOption,
    open_store,
)
from innage.terminal.output import emit, progress
from innage.terminal.views.models.judging import show_sweep


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(sweep)


def sweep(
    model: ModelArgument,
    role: JudgedRoleOption = Role.CHOOSE,
    limits: Annotated[
        str | None,
        typer.Option(
            help="The limits that have to hold. Default: the model's.", autocompletion=names_of("limits")
        ),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw error and accepted share against drift: FILE.svg, .png or .pdf.")
    ] = None,
    dask: DaskOption = None,
    strict: StrictOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show how much drift a model stands until a limit fails. Captured counts are altered: baseline, gain,
    film, one dead pad. Stored trims stay as they are.
    """
    from dataset.pools.opening import pool_at
    from innage.jobs.models.judging import sweep as sweep_model

    if picture is not None:
        from innage.pictures.figures import check_picture

        check_picture(picture)  # before the work
    with open_store(store) as opened, pool_at(dask) as pool, progress("sweeping") as shown:
        swept = sweep_model(opened, model, role=role, limits=limits, progress=shown, pool=pool)
    if picture is not None:
        from innage.pictures.model_pictures import draw_sweep

        title = f"{model} on {swept.role} groups of {swept.frozen.name} ({swept.frozen.origin})"
        draw_sweep(picture, swept.figures.rows, swept.pads, title)
    if json:
        emit(swept.facts())
    else:
        show_sweep(swept)
    if strict and (code := of_limits(swept.figures.answers)):
        raise typer.Exit(code)
