"""``innage channel``: names that point at released bundles, and bundles that are withdrawn."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.exit_codes import NOT_ENOUGH_EVIDENCE, SAID_NO
from innage.options import (
    DEFAULT_STORE,
    EvenIfAmendedOption,
    EvenIfVoidOption,
    JsonOption,
    StoreOption,
    open_existing,
    option_of,
)
from innage.terminal.output import emit, progress, say, say_aside
from innage.terminal.views.channels import show_bundle, show_channels, show_gates, show_moves

app = typer.Typer(help="Channels: names that point at released bundles.", no_args_is_help=True)

ChannelArgument = Annotated[str, typer.Argument(help="The channel, such as washer/stable.", metavar="NAME")]
HashArgument = Annotated[
    str, typer.Argument(help="The bundle: the first digits of its hash.", metavar="BUNDLE")
]
AuthorOption = Annotated[str, typer.Option("--author", help="Who says so.")]


@app.command("list")
def list_channels(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the channels and the bundles that they point at."""
    from innage.jobs.releasing.facts import channel_facts

    with open_existing(store) as opened:
        rows = [channel_facts(move, opened.bundle(move.bundle_sha256)) for move in opened.channels()]
    if json:
        emit(rows)
    else:
        show_channels(rows)


@app.command("show")
def show(name: ChannelArgument, json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """Show what a channel points at, and its moves."""
    from innage.jobs.releasing.facts import bundle_facts, move_facts
    from innage.jobs.releasing.pulling import bundle_now

    with open_existing(store) as opened:
        standing = opened.channel(name)
        moves = [move_facts(move) for move in opened.channel_moves(name)]
        bundle = bundle_facts(bundle_now(opened, standing.bundle_sha256))
    if json:
        emit({"channel": name, "moves": moves, "bundle": bundle})
    else:
        show_moves(name, moves, option_of)
        show_bundle(bundle)


@app.command("move")
def move(
    name: ChannelArgument,
    bundle: Annotated[
        str,
        typer.Argument(
            help="The bundle: its folder, its zip file, or the first digits of the hash of one that is kept."
        ),
    ],
    author: AuthorOption,
    reason: Annotated[str, typer.Option("--reason", help="Why; read a year later.")],
    anyway: Annotated[bool, typer.Option("--anyway", help="Although limits are not met.")] = False,
    even_if_unproven: Annotated[
        bool, typer.Option("--even-if-unproven", help="Although limits or vectors lack evidence.")
    ] = False,
    even_if_void: EvenIfVoidOption = False,
    even_if_amended: EvenIfAmendedOption = False,
    even_if_retired: Annotated[
        bool, typer.Option("--even-if-retired", help="Although the model is retired.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Point a channel at a bundle that passes the gates.

    The store judges: it makes the files again and compares them, answers the limits anew from its readings,
    and names void and amended sessions. Nothing is compiled or run. What was exported with --anyway or the
    like asks for the same word again. Exit 1 when a gate says no, 3 when only evidence is missing.
    """
    from innage.jobs.releasing.facts import gates_facts, move_facts
    from innage.jobs.releasing.gates import AMENDED, ANYWAY, RETIRED, UNPROVEN, VOID
    from innage.jobs.releasing.moving import GatesShutError, Wish, move_channel

    said = {ANYWAY: anyway, UNPROVEN: even_if_unproven, VOID: even_if_void}
    said |= {AMENDED: even_if_amended, RETIRED: even_if_retired}
    wish = Wish(name, author, reason, tuple(one for one, given in said.items() if given))
    with open_existing(store) as opened, progress("judging") as shown:
        try:
            moved = move_channel(opened, bundle, wish, progress=shown)
        except GatesShutError as shut:
            if json:
                emit(gates_facts(shut.judgement, shut.stopping))
            else:
                show_gates(shut.judgement, shut.stopping, option_of)
            say_aside(f"Channel {name} stays where it is.")
            raise typer.Exit(NOT_ENOUGH_EVIDENCE if shut.lacks_evidence_only else SAID_NO) from shut
    if json:
        emit({"move": move_facts(moved.move), "before": moved.before, **gates_facts(moved.judgement, ())})
    else:
        show_gates(moved.judgement, (), option_of)
        say(f"channel {name} points at bundle {moved.move.bundle_sha256[:12]} of {moved.judgement.model}")


@app.command("withdraw")
def withdraw(
    bundle: HashArgument,
    author: AuthorOption,
    reason: Annotated[str, typer.Option("--reason", help="What is wrong with it; read a year later.")],
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Say that a bundle must not be used, and why.

    It stays, and so do channels that point at it; whoever pulls it is told, and gets nothing unless they say
    --even-if-withdrawn.
    """
    from datetime import UTC, datetime

    with open_existing(store) as opened:
        event = opened.withdraw(bundle, author, reason, datetime.now(UTC))
        pointing = [move.channel for move in opened.channels() if move.bundle_sha256 == event.bundle_sha256]
    say(f"bundle {event.bundle_sha256[:12]} is withdrawn by {event.author}: {event.reason}")
    if pointing:
        say_aside(f"Still pointing at it: {', '.join(pointing)}. Move each to another bundle.")


@app.command("take-back")
def take_back(
    bundle: HashArgument,
    author: AuthorOption,
    reason: Annotated[str, typer.Option("--reason", help="Why it can be used after all.")],
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Say that a withdrawn bundle can be used after all, and why."""
    from datetime import UTC, datetime

    with open_existing(store) as opened:
        events = opened.take_back_withdrawal(bundle, author, reason, datetime.now(UTC))
    say(f"bundle {events[0].bundle_sha256[:12]} can be used again: {reason}")
