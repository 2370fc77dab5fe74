"""``innage push``: what a team's store has not acknowledged yet goes to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from innage.exit_codes import SAID_NO
from innage.filter_options import filtered
from innage.jobs.sessions.finding import SessionFilter
from innage.options import (
    DEFAULT_STORE,
    JsonOption,
    StoreOption,
    open_existing,
    option_of,
)
from innage.sections import SectionedCommand
from innage.server_options import PlainHttpOption, ServerArgument, TokenFileOption
from innage.terminal.output import emit, progress, say, say_aside

if TYPE_CHECKING:
    from dataset.store import Store
    from innage.jobs.exchange.push import Pushed
    from innage.service.client.connection import Connection


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("push", cls=SectionedCommand)(push)


@filtered("limit")
def push(
    url: ServerArgument,
    sessions: SessionFilter,
    dry_run: Annotated[
        bool,
        typer.Option("--dry-run", help="Say what would go, and what would be refused; write nothing there."),
    ] = False,
    again: Annotated[bool, typer.Option("--again", help="Ask about what was acknowledged, too.")] = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Go on until stopped: push whatever is new.")
    ] = False,
    every_s: Annotated[
        int, typer.Option("--every-s", min=1, max=86400, help="With --watch: how often.")
    ] = 60,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Send a team's store what it has not acknowledged. A session goes with all that was stated about it,
    whole or not at all; what the server does not take is named, and the rest goes: exit code 1.
    """
    from innage.service.client.connection import Connection
    from innage.service.client.secrets import find_token

    token = find_token(token_file)
    with open_existing(store) as opened, Connection(url, token, plain_http=plain_http) as connection:
        if watch:
            _watch(opened, connection, sessions, every_s)
            return
        done = _push(opened, connection, sessions, again=again, dry_run=dry_run)
    _show(connection, done, json, dry_run)
    if done.held:
        raise typer.Exit(SAID_NO)


def _push(
    store: Store, connection: Connection, sessions: SessionFilter, *, again: bool, dry_run: bool
) -> Pushed:
    from innage.jobs.exchange.push import push

    with progress(f"pushing to {connection.name}") as show:
        return push(store, connection, wanted=sessions, again=again, dry_run=dry_run, progress=show)


def _show(connection: Connection, done: Pushed, json: bool, dry_run: bool) -> None:
    from innage.terminal.views.exchange import THERE, exchanged_facts, show_exchanged

    if json:
        document = {"server": connection.server} | exchanged_facts(done, option_of) | {"dry_run": dry_run}
        emit(document | {"sent_bytes": done.sent_bytes, "not_judged": list(done.not_judged)})
        return
    show_exchanged(f"to {connection.name}", done, option_of, known=THERE)
    for sentence in done.not_judged:
        say(sentence)
    if not done.taken and not done.held:
        say(f"{connection.name} has acknowledged everything")
    elif dry_run:
        say(f"nothing was written there; {done.new} new to {connection.name} without --dry-run")
    else:
        say(f"{done.new} new to {connection.name}")


def _watch(store: Store, connection: Connection, sessions: SessionFilter, every_s: int) -> None:
    """Push now and then, whatever the line does; a line of text where something went, or could not."""
    from dataset.errors import InnageError
    from innage.jobs.exchange.push import push
    from innage.jobs.exchange.watching import watch
    from innage.terminal.stopping import asked_to_stop
    from innage.terminal.views.exchange import held_sentences

    def tell(outcome: Pushed | InnageError) -> None:
        if isinstance(outcome, InnageError):
            say(outcome.said_by(option_of))
            return
        if outcome.new:
            say(f"{outcome.new} new to {connection.name}")
        for sentence in held_sentences(outcome, option_of):
            say(f"held back: {sentence}")

    with asked_to_stop() as stopped:
        say_aside(f"pushing to {connection.name} every {every_s} s; Ctrl-C ends it")
        watch(lambda: push(store, connection, wanted=sessions), every_s, stopped, tell)
