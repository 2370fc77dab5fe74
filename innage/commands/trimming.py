"""``innage trim``: units' own stored counts, their history, and limits for a production fixture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import TrimKind
from innage.completion import names_of
from innage.options import (
    DEFAULT_STORE,
    AfterOption,
    FreeTextOption,
    JsonOption,
    LimitOption,
    StoreOption,
    open_store,
)
from innage.terminal.output import emit, say
from innage.terminal.views.pages import show_next
from innage.terminal.views.trim import show_added, show_doubts, show_limits, show_trims

app = typer.Typer(
    help="Trims: a unit's own stored counts, and limits for a fixture.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command()
def add(
    unit: Annotated[str, typer.Option(help="The unit.", autocompletion=names_of("unit"))],
    kind: Annotated[
        TrimKind,
        typer.Option(
            help="What the unit was like: board alone, dry, surrogate block, partial fill, full, "
            "learned in service."
        ),
    ],
    date: Annotated[str, typer.Option(help="When the counts were taken, YYYY-MM-DD.")],
    stage: Annotated[str, typer.Option(help="Where in the unit's life, such as end-of-line or service.")],
    mounting: Annotated[
        str | None,
        typer.Option(
            help="The mounting; with --session it is the session's.", autocompletion=names_of("mounting")
        ),
    ] = None,
    counts: Annotated[
        str | None, typer.Option(help="The counts, one a channel in channel order, such as 123,456.")
    ] = None,
    session: Annotated[
        str | None,
        typer.Option(
            help="Instead: take the robust mean of a session's frames.", autocompletion=names_of("session")
        ),
    ] = None,
    first: Annotated[int | None, typer.Option("--from", help="First frame of the session.")] = None,
    last: Annotated[int | None, typer.Option("--to", help="Last frame of the session, included.")] = None,
    temperature_c: Annotated[
        float | None,
        typer.Option("--temperature-c", help="Temperature; default: that of the session's frames."),
    ] = None,
    level_mm: Annotated[
        float | None, typer.Option("--level-mm", help="The level of a partial fill, mm.")
    ] = None,
    transfer: Annotated[
        str | None,
        typer.Option(
            help="Of a surrogate block: how much of the step from dry to full each pad sees, such "
            "as 0.62,0.6."
        ),
    ] = None,
    transfer_spread: Annotated[
        str | None,
        typer.Option("--transfer-spread", help="Standard deviation of those ratios from part to part."),
    ] = None,
    dry_because: Annotated[
        str,
        typer.Option(
            "--dry-because",
            help="How you know that the tank was dry: takes a dry trim that looks wet, and is kept with it.",
        ),
    ] = "",
    note: FreeTextOption = "",
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a trim to a unit's history. A dry one that looks wet is refused."""
    from innage.jobs.trims import NewTrim, add_trim, trim_facts

    new = NewTrim(
        unit,
        kind,
        date,
        stage,
        mounting,
        None if counts is None else _numbers("--counts", counts),
        session,
        first,
        None if last is None else last + 1,
        temperature_c,
        level_mm,
        _numbers("--transfer", transfer),
        _numbers("--transfer-spread", transfer_spread),
        note,
        dry_because,
    )
    trim = add_trim(open_store(store), new)
    if json:
        emit(trim_facts(trim))
    else:
        show_added(trim)


@app.command("list")
def list_(
    unit: Annotated[
        str | None, typer.Option(help="Only this unit's.", autocompletion=names_of("unit"))
    ] = None,
    limit: LimitOption = None,
    after: AfterOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the trims in the order they were added: each unit's history. --limit and --after, the hash of a
    trim or its first digits, give a page.
    """
    from innage.jobs.pages import AT_ONCE
    from innage.jobs.trims import trim_facts

    opened = open_store(store)
    page = (
        None
        if limit is None and after is None
        else opened.page_of_trims(unit, limit=limit or AT_ONCE, after=after or None)
    )
    trims = opened.trims(unit) if page is None else page.items
    doubts = opened.doubts_of_trims(trims)
    if json:
        facts = [
            trim_facts(trim) | ({"doubt": doubts[trim.sha256]} if trim.sha256 in doubts else {})
            for trim in trims
        ]
        emit(facts if page is None else {"items": facts, "next": page.next})
    else:
        show_trims(trims, of_one_unit=unit is not None)
        show_doubts(trims, doubts)
        if page is not None:
            show_next(page.next, "trim")


@app.command()
def limits(
    mounting: Annotated[
        str, typer.Option(help="The mounting that the units are of.", autocompletion=names_of("mounting"))
    ],
    kind: Annotated[TrimKind, typer.Option(help="Kind of the trims.")] = TrimKind.DRY,
    coverage: Annotated[float, typer.Option(help="Share of all units inside the limits.")] = 0.99,
    confidence: Annotated[float, typer.Option(help="Confidence that they hold it.")] = 0.95,
    out: Annotated[
        Path | None, typer.Option(help="Write them for production: FILE.csv or FILE.json.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Pass and reject limits of each channel, from units' trims. Each unit's newest counts; a program
    declares the same range of trims.
    """
    from innage.jobs.trims import limits_facts, limits_of_trims, write_limits

    fixture = limits_of_trims(open_store(store), mounting, kind, coverage=coverage, confidence=confidence)
    if out is not None:
        write_limits(fixture, out)
    if json:
        emit(limits_facts(fixture))
        return
    show_limits(fixture, coverage, confidence)
    if out is not None:
        say(f"{out} written")


def _numbers(option: str, text: str | None) -> tuple[float, ...]:
    from dataset.errors import InputError
    from dataset.values import plain_float

    try:
        return () if text is None else tuple(plain_float(part) for part in text.split(","))
    except ValueError as error:
        raise InputError(option, repr(text), "numbers apart by commas, one a channel") from error
