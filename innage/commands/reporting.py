"""``innage report``: one self-contained HTML page on a session, a frozen set, a model, or two models side by
side.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.options import (
    DEFAULT_STORE,
    JudgedRoleOption,
    JudgedSetOption,
    SessionArgument,
    StoreOption,
    open_store,
)
from innage.terminal.output import progress, say

app = typer.Typer(no_args_is_help=True, help="Reports: one HTML page on a session, set, model or comparison.")
OutOption = Annotated[Path, typer.Option(help="The page to write: FILE.html, which is not there yet.")]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Write over a page that is there.")]


@app.command("session")
def report_session(
    session: SessionArgument,
    out: OutOption,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """A capture session. Its warnings, the pads' response, its course, marks and conditions."""
    from innage.jobs.models.reporting import report_session as write_page

    write_page(open_store(store), session, out, replace=replace)
    say(f"report: {out}")


@app.command("frozen")
def report_frozen(
    name: Annotated[str, typer.Argument(help="The frozen set.", autocompletion=names_of("frozen"))],
    out: OutOption,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """A frozen set. Groups and roles, what it has and what it lacks, every opening of 'prove'."""
    from innage.jobs.models.reporting import report_frozen as write_page

    write_page(open_store(store), name, out, replace=replace)
    say(f"report: {out}")


@app.command("model")
def report_model(
    name: Annotated[str, typer.Argument(help="The model.", autocompletion=names_of("model", retired=True))],
    out: OutOption,
    budget: Annotated[
        str | None,
        typer.Option(help="Measure it for this budget as well.", autocompletion=names_of("budget")),
    ] = None,
    score: Annotated[
        bool,
        typer.Option("--score", help="Also count the single breaks that vectors and self-test notice."),
    ] = False,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """A model. Its limits first, then errors, rates, risk, cost and what was tried. As found by training:
    'prove' is not opened again.
    """
    from innage.jobs.models.reporting import report_model as write_page

    write_page(open_store(store), name, out, budget=budget, score=score, replace=replace)
    say(f"report: {out}")


@app.command("compare")
def report_compare(
    first: Annotated[str, typer.Argument(help="The model in use.", autocompletion=names_of("model"))],
    second: Annotated[str, typer.Argument(help="The candidate.", autocompletion=names_of("model"))],
    out: OutOption,
    frozen: JudgedSetOption = None,
    role: JudgedRoleOption = Role.PROVE,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Two models on the same frames, as 'innage compare' finds them."""
    from innage.jobs.models.judging import Yardstick
    from innage.jobs.models.reporting import report_comparison as write_page

    with open_store(store) as opened, progress("judging") as shown:
        write_page(opened, first, second, out, Yardstick(frozen, role), replace=replace, progress=shown)
    say(f"report: {out}")
