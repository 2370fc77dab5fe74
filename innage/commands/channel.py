"""``innage channel``: names that point at released bundles, and bundles that are withdrawn."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.errors import InputError
from innage.exit_codes import NOT_ENOUGH_EVIDENCE, SAID_NO
from innage.options import (
    DEFAULT_STORE,
    EvenIfAmendedOption,
    EvenIfVoidOption,
    JsonOption,
    StoreOption,
    option_of,
)
from innage.server_options import (
    Connect,
    PlainHttpOption,
    ServerOption,
    TokenFileOption,
    at_hand_or_served,
)
from innage.terminal.output import emit, progress, say, say_aside
from innage.terminal.views.channels import show_bundle, show_channels, show_gates, show_moves

if TYPE_CHECKING:
    from dataset.store import Store
    from dataset.store.places import Place
    from innage.jobs.releasing.at_hand import ReleasePlace

app = typer.Typer(help="Channels: names that point at released bundles.", no_args_is_help=True)

ChannelArgument = Annotated[str, typer.Argument(help="The channel, such as washer/stable.", metavar="NAME")]
HashArgument = Annotated[
    str, typer.Argument(help="The bundle: the first digits of its hash.", metavar="BUNDLE")
]
AuthorOption = Annotated[
    str | None, typer.Option("--author", help="Who says so; with --server the holder of the token does.")
]


def _place(
    store: Place, server: str | None, token_file: Path | None, plain_http: bool
) -> AbstractContextManager[ReleasePlace]:
    """The store where the channels are kept: at hand, or behind a URL."""

    def at_hand(opened: Store) -> ReleasePlace:
        from innage.jobs.releasing.at_hand import AtHand

        return AtHand(opened)

    def served() -> Connect[ReleasePlace]:
        from innage.service.client.releases import Releases

        return Releases

    return at_hand_or_served(store, server, token_file, plain_http, at_hand=at_hand, served=served)


def _said_by(author: str | None, server: str | None) -> str:
    """Who says so; InputError where nobody is named, or where the server knows."""
    if (author is None) == (server is None):
        found = "nobody is named" if author is None else "the server says by the token who it is"
        raise InputError("author", found, "--author NAME, or --server URL", fields=("author",))
    return author or ""


@app.command("list")
def list_channels(
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the channels and the bundles that they point at."""
    with _place(store, server, token_file, plain_http) as place:
        rows = place.channel_rows()
    if json:
        emit(rows)
    else:
        show_channels(rows)


@app.command("show")
def show(
    name: ChannelArgument,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show what a channel points at, and its moves."""
    from innage.jobs.releasing.facts import bundle_facts, move_facts

    with _place(store, server, token_file, plain_http) as place:
        standing = place.channel(name)
        moves = [move_facts(move) for move in place.channel_moves(name)]
        bundle = bundle_facts(place.bundle_now(standing.bundle_sha256))
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
    reason: Annotated[str, typer.Option("--reason", help="Why; read a year later.")],
    author: AuthorOption = None,
    anyway: Annotated[bool, typer.Option("--anyway", help="Although limits are not met.")] = False,
    even_if_unproven: Annotated[
        bool, typer.Option("--even-if-unproven", help="Although limits or vectors lack evidence.")
    ] = False,
    even_if_void: EvenIfVoidOption = False,
    even_if_amended: EvenIfAmendedOption = False,
    even_if_retired: Annotated[
        bool, typer.Option("--even-if-retired", help="Although the model is retired.")
    ] = False,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Point a channel at a bundle that passes the gates.

    The store judges: it makes the files again and compares them, answers the limits anew from its readings,
    and names void and amended sessions. Nothing is compiled or run. What was exported with --anyway or the
    like needs the same option again. Exit 1 when a gate says no, 3 when only evidence is missing.
    """
    from innage.jobs.releasing.facts import gates_facts, move_facts
    from innage.jobs.releasing.gates import AMENDED, ANYWAY, RETIRED, UNPROVEN, VOID
    from innage.jobs.releasing.moving import GatesShutError, Wish

    said = {ANYWAY: anyway, UNPROVEN: even_if_unproven, VOID: even_if_void}
    said |= {AMENDED: even_if_amended, RETIRED: even_if_retired}
    wish = Wish(name, _said_by(author, server), reason, tuple(one for one, given in said.items() if given))
    with _place(store, server, token_file, plain_http) as place, progress("judging") as shown:
        try:
            moved = place.move(bundle, wish, shown)
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
        say(f"channel {name} points at bundle {moved.move.bundle_sha256[:12]}")


@app.command("withdraw")
def withdraw(
    bundle: HashArgument,
    reason: Annotated[str, typer.Option("--reason", help="What is wrong with it; read a year later.")],
    author: AuthorOption = None,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Withdraw a bundle that must not be used, with a reason.

    It stays, and so do channels that point at it. A pull of it says so, and brings nothing without
    --even-if-withdrawn.
    """
    who = _said_by(author, server)
    with _place(store, server, token_file, plain_http) as place:
        event = place.withdraw(bundle, who, reason)
        pointing = [
            row["channel"] for row in place.channel_rows() if row["bundle_sha256"] == event.bundle_sha256
        ]
    say(f"bundle {event.bundle_sha256[:12]} is withdrawn by {event.author}: {event.reason}")
    if pointing:
        say_aside(f"Still pointing at it: {', '.join(pointing)}. Move each to another bundle.")


@app.command("take-back")
def take_back(
    bundle: HashArgument,
    reason: Annotated[str, typer.Option("--reason", help="Why it can be used after all.")],
    author: AuthorOption = None,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Take a withdrawal back: the bundle can be used after all."""
    who = _said_by(author, server)
    with _place(store, server, token_file, plain_http) as place:
        event = place.take_back(bundle, who, reason)
    say(f"bundle {event.bundle_sha256[:12]} can be used again: {reason}")
