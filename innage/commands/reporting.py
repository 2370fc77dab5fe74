"""``innage report``: one self-contained HTML page on a session, a frozen set, a model, or two models side by
side.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.options import DEFAULT_STORE, StoreOption, open_store
from innage.terminal.output import say

app = typer.Typer(no_args_is_help=True, help="Reports: one HTML page on a session, set, model or comparison.")
OutOption = Annotated[Path, typer.Option(help="The page to write: FILE.html, which is not there yet.")]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Write over a page that is there.")]


@app.command("session")
def report_session(
    session: Annotated[
        str, typer.Argument(help="The session's id, or its first digits.", autocompletion=names_of("session"))
    ],
    out: OutOption,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """A capture session. Its warnings, the pads' response, its course, marks and conditions."""
    from innage.jobs.report_pages import session_page
    from innage.terminal.sessions import mark_summary, session_facts

    _check_out(out, replace)
    opened = open_store(store)
    found = opened.session(session)
    frames = opened.frames(found, verify=True)
    _write(
        out,
        session_page(
            found, frames, session_facts(found), [mark_summary(mark, frames) for mark in found.marks]
        ),
    )


@app.command("frozen")
def report_frozen(
    name: Annotated[str, typer.Argument(help="The frozen set.", autocompletion=names_of("frozen"))],
    out: OutOption,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """A frozen set. Groups and roles, what it has and what it lacks, every opening of 'prove'."""
    from dataset.coverage.gaps import find_gaps
    from innage.commands.freezing import facts
    from innage.jobs.report_pages import frozen_page

    _check_out(out, replace)
    opened = open_store(store)
    found = opened.frozen_set(name)
    gaps = find_gaps(found.sessions, opened.mark_temperatures(found.sessions))
    _write(
        out,
        frozen_page(found, facts(found, opened.groups(found), opened), gaps, opened.prove_purposes(found)),
    )


@app.command("model")
def report_model(
    name: Annotated[str, typer.Argument(help="The model.", autocompletion=names_of("models"))],
    out: OutOption,
    budget: Annotated[
        str | None,
        typer.Option(help="Measure it for this budget as well.", autocompletion=names_of("budget")),
    ] = None,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """A model. Its limits first, then errors, rates, risk, cost and what was tried. As found by training:
    'prove' is not opened again.
    """
    from export.bundle.manifest import model_facts
    from export.core.measure import measure
    from export.report.page import render_report
    from training.program import from_json

    _check_out(out, replace)
    opened = open_store(store)
    model = opened.model(name)
    program = from_json(model.program, f"model '{name}'")
    allowed = None if budget is None else opened.budget(budget)
    cost = None if allowed is None else measure(program, allowed)
    _write(out, render_report(model_facts(program, model, allowed, cost, {})))


@app.command("compare")
def report_compare(
    first: Annotated[str, typer.Argument(help="The model in use.", autocompletion=names_of("models"))],
    second: Annotated[str, typer.Argument(help="The candidate.", autocompletion=names_of("models"))],
    out: OutOption,
    frozen: Annotated[
        str | None,
        typer.Option(
            help="Judge on this frozen set. Default: the first model's.", autocompletion=names_of("frozen")
        ),
    ] = None,
    role: Annotated[
        Role, typer.Option(help="On the groups of this role; each opening of prove is counted.")
    ] = Role.PROVE,
    replace: ReplaceOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Two models on the same frames, as 'innage compare' finds them."""
    from innage.commands.comparing import find_difference
    from innage.jobs.report_pages import comparison_page

    _check_out(out, replace)
    with open_store(store) as opened:
        found = find_difference(opened, first, second, frozen=frozen, role=role)
    _write(out, comparison_page(found))


def _check_out(out: Path, replace: bool) -> None:
    """Before anything is opened or counted."""
    from dataset.errors import InputError

    if out.suffix.lower() not in (".html", ".htm"):
        raise InputError("--out", str(out), "a page, FILE.html", "name it so")
    if out.exists() and not replace:
        raise InputError(
            str(out),
            "is there already",
            "a new file",
            "name another with --out, or write over it with --replace",
        )


def _write(out: Path, page: str) -> None:
    from innage.jobs.folders import write_file

    write_file(out, page.encode())
    say(f"report: {out}")
