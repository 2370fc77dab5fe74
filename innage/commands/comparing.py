"""``innage compare``: a candidate against the model in use, on the same frames of groups that neither has
seen.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.exit_codes import NOT_ENOUGH_EVIDENCE, SAID_NO
from innage.options import (
    DEFAULT_STORE,
    JsonOption,
    JudgedRoleOption,
    JudgedSetOption,
    StoreOption,
    open_store,
)
from innage.terminal.output import emit, progress
from innage.terminal.views.models.judging import show_comparison


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(compare)


def compare(
    first: Annotated[str, typer.Argument(help="The model in use.")],
    second: Annotated[str, typer.Argument(help="The candidate.")],
    frozen: JudgedSetOption = None,
    role: JudgedRoleOption = Role.PROVE,
    limits: Annotated[
        str | None,
        typer.Option(
            help="The limits that say where it matters. Default: the first model's, else the second's.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    budget: Annotated[
        str | None,
        typer.Option(
            help="Measure both for this budget. Default: what training measured.",
            autocompletion=names_of("budget"),
        ),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw where each is worse: FILE.svg, .png or .pdf.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the draws.")] = 0,
    strict: Annotated[
        bool,
        typer.Option(
            "--strict", help="Exit 3 where there are too few groups to tell whether it has a regression."
        ),
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Compare a candidate with the model in use. Exit 1 when the candidate has a regression that matters:
    at a limit, or surely in a class that a limit names.
    """
    from innage.jobs.models.judging import Yardstick
    from innage.jobs.models.judging import compare as compare_models

    if picture is not None:
        from innage.pictures.figures import check_picture

        check_picture(picture)  # before the work, and before an opening is spent
    by = Yardstick(frozen, role, limits, budget, seed)
    with open_store(store) as opened, progress("judging") as shown:
        comparison = compare_models(opened, first, second, by, shown)
    figures = comparison.figures
    if picture is not None:
        from innage.pictures.model_pictures import draw_comparison

        draw_comparison(picture, figures.cells, comparison.first, comparison.second, comparison.frozen.origin)
    if json:
        emit(comparison.facts())
    else:
        show_comparison(comparison)
    if figures.losses:
        raise typer.Exit(SAID_NO)
    if strict and figures.undecided:
        raise typer.Exit(NOT_ENOUGH_EVIDENCE)
