"""``innage gaps`` and ``innage plan``: what has been captured, what is missing, and what to capture next."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from dataset.records import GroupBy
from innage.completion import names_of
from innage.filter_options import filtered
from innage.jobs.sessions.finding import SessionFilter
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_reading
from innage.sections import SectionedCommand
from innage.terminal.output import emit, say
from innage.terminal.views.coverage import nothing, show_coverage, show_plan

BANDS, BAND_WIDTH_K = 10, 10.0  # those of dataset.coverage.gaps, which loads numpy: not for a help text


class Independent(StrEnum):
    """What sessions to come can be independent in: those of the ways to group for which a plan
    can be made.
    """

    UNIT = GroupBy.UNIT.value
    SESSION = GroupBy.SESSION.value
    BENCH = GroupBy.BENCH.value


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.command("gaps", cls=SectionedCommand)(gaps)
    app.command("plan", cls=SectionedCommand)(plan)


@filtered("void")
def gaps(
    sessions: SessionFilter,
    bands: Annotated[int, typer.Option(help="Level bands that a tank's span is cut into.")] = BANDS,
    band_width_k: Annotated[
        float, typer.Option("--band-width-k", min=0.1, help="Width of a temperature band, kelvin.")
    ] = BAND_WIDTH_K,
    picture: Annotated[
        Path | None, typer.Option(help="Also draw a heat map: a .png, .svg or .pdf file.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show what has been captured, and what is missing. Counted are independent sessions and units."""
    from innage.jobs.coverage import cover
    from innage.jobs.sessions.finding import line_of, why_none

    opened = open_reading(store)
    coverage = cover(opened, sessions, bands=bands, kelvin=band_width_k)
    if picture is not None and coverage.gaps.cells:
        from innage.pictures.heatmap import draw_gaps

        draw_gaps(coverage.gaps, picture)
    if json:
        emit(coverage.facts())
    elif not coverage.gaps.cells:
        every = opened.sessions()
        why = why_none(sessions, [line_of(session) for session in every]) if sessions.given and every else ""
        say(nothing(sessions, coverage.sessions, why))
    else:
        show_coverage(coverage, sessions.limit)
        if picture is not None:
            say(f"heat map: {picture}")


@filtered("void")
def plan(
    sessions: SessionFilter,
    limits: Annotated[
        str | None,
        typer.Option(
            help="The limits to be proved, NAME or NAME@REVISION; default: the built-in set.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    group: Annotated[Independent, typer.Option(help="What a claim speaks of.")] = Independent.UNIT,
    band_pct: Annotated[
        float,
        typer.Option(
            "--band-pct",
            min=0.0,
            max=99.9,
            help="Confidence of the band to calibrate, percent; 0 for no band.",
        ),
    ] = 90.0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the next sessions worth running, and why. Those that close the largest shortfall come first."""
    from innage.jobs.coverage import plan as plan_sessions

    planned = plan_sessions(
        open_reading(store), limits, sessions, group_by=GroupBy(group), band=band_pct / 100 or None
    )
    if json and planned.plan is not None:
        emit(planned.facts())
    else:
        show_plan(planned, sessions.limit)
