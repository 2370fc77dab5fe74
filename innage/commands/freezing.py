"""``innage freeze`` and ``innage frozen``: immutable choices of sessions, each group with one role."""

from __future__ import annotations

from typing import Annotated

import typer

from dataset.records import GroupBy, Role
from innage.completion import names_of
from innage.filter_options import filtered
from innage.jobs.sessions.finding import SessionFilter
from innage.options import DEFAULT_STORE, AfterOption, JsonOption, LimitOption, StoreOption, open_store
from innage.sections import SectionedCommand
from innage.terminal.output import emit, say
from innage.terminal.views.frozen import listed_facts, show_frozen, show_frozen_sets, show_since
from innage.terminal.views.pages import show_next

ROLE_HELP = "Groups for '{}', separated by commas, or 'rest'."


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.command("freeze", cls=SectionedCommand)(freeze)
    app.command("frozen")(frozen)


@filtered("void", "limit")
def freeze(
    sessions: SessionFilter,
    name: str,
    group: Annotated[GroupBy, typer.Option(help="What a group is: what the claim will speak of.")],
    session: Annotated[
        list[str] | None,
        typer.Option(
            help="A session's id; repeat. Default: all that are labelled and not void.",
            autocompletion=names_of("session"),
        ),
    ] = None,
    fit: Annotated[str | None, typer.Option(help=ROLE_HELP.format("fit"))] = None,
    choose: Annotated[str | None, typer.Option(help=ROLE_HELP.format("choose"))] = None,
    calibrate: Annotated[str | None, typer.Option(help=ROLE_HELP.format("calibrate"))] = None,
    prove: Annotated[str | None, typer.Option(help=ROLE_HELP.format("prove"))] = None,
    roles: Annotated[
        str | None,
        typer.Option(
            help="Draw numbers of groups instead, such as fit:10,choose:5,calibrate:9,prove, each "
            "role with every liquid and tank where it can."
        ),
    ] = None,
    seed: Annotated[int, typer.Option(help="Seed of that draw.")] = 0,
    edges_c: Annotated[
        str | None,
        typer.Option(
            "--edges-c",
            help="Edges of temperature bands, such as 5,15,25, for --group temperature. Default: "
            "bands 10 degrees wide.",
        ),
    ] = None,
    kelvin: Annotated[
        float | None,
        typer.Option("--band-width-k", help="Another width of those bands, kelvin, around its multiples."),
    ] = None,
    allow_mixed: Annotated[
        bool, typer.Option("--allow-mixed", help="Take simulated and measured sessions together.")
    ] = False,
    even_if_warned: Annotated[
        str | None,
        typer.Option(
            "--even-if-warned",
            help="Why sessions are right although import warnings speak against them.",
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Freeze a choice of sessions; each group gets exactly one role."""
    from dataset.coverage.temperature_bands import read_edges
    from dataset.errors import InputError
    from innage.jobs.models.choosing import Choice, freeze_choice

    named = {
        role: text
        for role, text in (
            (Role.FIT, fit),
            (Role.CHOOSE, choose),
            (Role.CALIBRATE, calibrate),
            (Role.PROVE, prove),
        )
        if text is not None
    }
    if named and roles is not None:
        raise InputError(
            "roles", "given in two ways", "--fit, --choose, --calibrate, --prove with groups, or --roles"
        )
    wanted: dict[str, list[str] | int | None] = (
        {role: read_groups(text, group) for role, text in named.items()}
        if roles is None
        else dict(read_numbers(roles).items())
    )
    frozen_now = freeze_choice(
        open_store(store),
        name,
        Choice(session or None, sessions, allow_mixed, even_if_warned),
        group_by=group,
        roles=wanted,
        seed=seed,
        edges_c=() if edges_c is None else read_edges("--edges-c", edges_c),
        kelvin=kelvin,
    )
    if json:
        emit(frozen_now.facts())
        return
    for left_out, why in frozen_now.left_out:
        say(f"left out session {left_out.id}: {why}")
    show_frozen(frozen_now)


def frozen(
    name: Annotated[
        str | None,
        typer.Argument(
            help="The frozen set to show; without it all are listed.", autocompletion=names_of("frozen")
        ),
    ] = None,
    limit: LimitOption = None,
    after: AfterOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the frozen sets, or show one with its groups. --limit and --after give a page, by name."""
    from innage.jobs.models.choosing import look_at

    opened = open_store(store)
    if name is None and (limit, after) != (None, None):
        from innage.jobs.pages import AT_ONCE

        page = opened.page_of_frozen_sets(limit=limit or AT_ONCE, after=after or None)
        if json:
            emit({"items": [listed_facts(frozen_set) for frozen_set in page.items], "next": page.next})
        else:
            show_frozen_sets(page.items)
            show_next(page.next, "frozen set")
        return
    if name is None:
        frozen_sets = opened.frozen_sets()
        if json:
            emit([listed_facts(frozen_set) for frozen_set in frozen_sets])
        else:
            show_frozen_sets(frozen_sets)
        return
    looked_at = look_at(opened, name)
    if json:
        emit(looked_at.facts())
    else:
        show_frozen(looked_at)
        show_since(looked_at)


def read_groups(text: str, group_by: GroupBy) -> list[str]:
    """Names of groups, separated by commas; levels may be written with more digits than needed, temperature
    bands without their unit.
    """
    from dataset.coverage.temperature_bands import band_name

    names = [part.strip() for part in text.split(",") if part.strip()]
    written = {GroupBy.LEVEL: _level, GroupBy.TEMPERATURE: band_name}.get(group_by, str)
    return [written(name) for name in names]


def _level(name: str) -> str:
    try:
        return f"{float(name):g}"
    except ValueError:
        return name


def read_numbers(text: str) -> dict[Role, int | None]:
    """Numbers of groups from ``fit:10,choose:5,prove``; None for a role without one, which takes the rest."""
    from dataset.errors import InputError

    numbers: dict[Role, int | None] = {}
    for part in text.split(","):
        role, colon, number = (word.strip() for word in part.partition(":"))
        if (
            role not in list(Role)
            or role in numbers
            or (colon and not (number.isascii() and number.isdecimal() and len(number) <= 9))
        ):
            raise InputError(
                "--roles",
                repr(part),
                "each role once, ROLE:GROUPS, such as fit:10,choose:5,calibrate:9,prove:6; roles: "
                + ", ".join(Role),
            )
        numbers[Role(role)] = int(number) if colon else None
    return numbers
