"""``innage faults``: what a model makes of a sensor chain that is broken."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import Role
from innage.options import DEFAULT_STORE, JsonOption, ModelArgument, SeedOption, StoreOption, open_store
from innage.terminal.output import emit, progress
from innage.terminal.views.models.faults import show_faults


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(faults)


def faults(
    model: ModelArgument,
    role: Annotated[
        Role | None,
        typer.Option(
            help="On the groups of this role; each opening of prove is counted. Default: those that the "
            "model was not fitted on, prove left out."
        ),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw what becomes of each fault: FILE.svg, .png or .pdf.")
    ] = None,
    seed: SeedOption = 0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Break the sensor chain, and count how often a model notices. Pads stuck, open, shorted or swapped, a
    frozen converter, old frames, trims of others: on captured sessions, one fault at a time.
    """
    from innage.jobs.models.faults import faults as faults_of

    if picture is not None:
        from innage.pictures.figures import check_picture

        check_picture(picture)  # before the work
    with open_store(store) as opened, progress("breaking") as shown:
        tried = faults_of(opened, model, role=role, seed=seed, progress=shown)
    if picture is not None:
        from innage.pictures.model_pictures import draw_faults

        of = f"sessions of {tried.frozen.name} ({tried.frozen.origin})"
        title = f"model {model} with a broken sensor chain, {of}"
        draw_faults(picture, tried.figures, title)
    if json:
        emit(tried.facts())
    else:
        show_faults(tried)
