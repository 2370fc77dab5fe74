"""``innage pull``: what a team's store has comes into this one."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from innage.exit_codes import SAID_NO
from innage.filter_options import filtered
from innage.jobs.sessions.finding import SessionFilter
from innage.options import (
    DEFAULT_STORE,
    JsonOption,
    PlainHttpOption,
    ServerArgument,
    StoreOption,
    TokenFileOption,
    open_store,
    option_of,
)
from innage.sections import SectionedCommand
from innage.terminal.output import emit, progress, say


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("pull", cls=SectionedCommand)(pull)


@filtered("limit")
def pull(
    url: ServerArgument,
    sessions: SessionFilter,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would come in, and write nothing.")
    ] = False,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Bring in what a team's store has and this one has not. What contradicts this store is held back with
    all that leans on it, and named: exit code 1.
    """
    from innage.jobs.exchange.pull import pull
    from innage.service.client.connection import Connection
    from innage.service.client.places import fetched_folder
    from innage.service.client.secrets import find_token
    from innage.terminal.views.store import show_exchanged

    token = find_token(token_file)
    with (
        open_store(store) as opened,
        Connection(url, token, plain_http=plain_http) as connection,
        progress(f"pulling from {connection.name}") as show,
    ):
        folder = fetched_folder(connection.server)
        report = pull(opened, connection, folder, wanted=sessions, dry_run=dry_run, progress=show)
    held = [
        {"kind": one.kind, "key": one.key, "sentence": one.error.said_by(option_of)} for one in report.held
    ]
    if json:
        document = {"server": connection.server, "taken": [asdict(one) for one in report.taken], "held": held}
        emit(document | {"remarks": list(report.remarks), "new": report.new, "dry_run": dry_run})
    else:
        show_exchanged(connection.name, store, report, [one["sentence"] for one in held])
        ending = (
            f"nothing was written; {report.new} new without --dry-run" if dry_run else f"{report.new} new"
        )
        say(ending if report.new else f"nothing new in {connection.name}")
    if held:
        raise typer.Exit(SAID_NO)
