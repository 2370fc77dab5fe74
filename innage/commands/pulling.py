"""``innage pull``: what a team's store has comes into this one."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.errors import InputError
from innage.exit_codes import NOT_ENOUGH_EVIDENCE, SAID_NO
from innage.filter_options import filtered
from innage.jobs.sessions.finding import SessionFilter
from innage.options import (
    DEFAULT_STORE,
    JsonOption,
    StoreOption,
    open_store,
    option_of,
)
from innage.sections import SectionedCommand
from innage.server_options import Connect, PlainHttpOption, TokenFileOption, at_hand_or_served
from innage.terminal.output import emit, progress, say

if TYPE_CHECKING:
    from dataset.store import Store
    from dataset.store.places import Place
    from innage.jobs.releasing.pulling import ReleaseSource

BUNDLE = "A bundle by a channel's name"
# as innage.jobs.releasing.gates has them
WITHDRAWN, VOID, AMENDED = "even_if_withdrawn", "even_if_void", "even_if_amended"
UNPROVEN = "even_if_unproven"


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("pull", cls=SectionedCommand)(pull)


@filtered("limit")
def pull(
    sessions: SessionFilter,
    url: Annotated[
        str | None,
        typer.Argument(
            help="Where it is served, such as https://store.example; with --channel the store here "
            "by default.",
            show_default=False,
        ),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would come in, and write nothing.")
    ] = False,
    channel: Annotated[
        str | None,
        typer.Option(
            "--channel",
            help="Instead: the bundle that this channel points at, verified on arrival.",
            rich_help_panel=BUNDLE,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Its folder: new, empty, or with a bundle, which is replaced; whole or not at all.",
            rich_help_panel=BUNDLE,
        ),
    ] = None,
    signed_by: Annotated[
        Path | None,
        typer.Option(
            "--signed-by", help="A public key by which it has to be signed.", rich_help_panel=BUNDLE
        ),
    ] = None,
    even_if_withdrawn: Annotated[
        bool,
        typer.Option("--even-if-withdrawn", help="Although it is withdrawn.", rich_help_panel=BUNDLE),
    ] = False,
    even_if_void: Annotated[
        bool,
        typer.Option("--even-if-void", help="Although sessions behind it are void.", rich_help_panel=BUNDLE),
    ] = False,
    even_if_amended: Annotated[
        bool,
        typer.Option(
            "--even-if-amended",
            help="Although sessions behind it were amended since.",
            rich_help_panel=BUNDLE,
        ),
    ] = False,
    even_if_unproven: Annotated[
        bool,
        typer.Option(
            "--even-if-unproven",
            help="Although checks lack evidence, as for a bundle by another version.",
            rich_help_panel=BUNDLE,
        ),
    ] = False,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Bring in what a team's store has and this one has not. What contradicts this store is held back with
    all that refers to it, and named: exit code 1.

    With --channel instead the bundle that a channel points at, into a folder of its own. Where it is
    withdrawn, or sessions behind it are void or were amended since, that is said, exit code 1, and nothing
    is written; nor where a check says no (1) or lacks evidence (3).
    """
    if channel is not None or out is not None:
        said = {WITHDRAWN: even_if_withdrawn, VOID: even_if_void, AMENDED: even_if_amended}
        said |= {UNPROVEN: even_if_unproven}
        concessions = [one for one, given in said.items() if given]
        if channel is None or out is None or sessions.given or dry_run:
            raise InputError(
                "channel", "not alone with out", "--channel NAME --out DIR", fields=("channel", "out")
            )
        connected = _connected(url, store, token_file, plain_http)
        code = _pull_bundle(connected, channel, out, concessions, signed_by, json=json)
        if code:
            raise typer.Exit(code)
        return
    if url is None:
        raise InputError("url", "none", "where a store is served", "name it, such as https://store.example")
    from innage.jobs.exchange.pull import pull
    from innage.service.client.connection import Connection
    from innage.service.client.places import fetched_folder
    from innage.service.client.secrets import find_token
    from innage.terminal.views.exchange import exchanged_facts, show_exchanged

    token = find_token(token_file)
    with (
        open_store(store) as opened,
        Connection(url, token, plain_http=plain_http) as connection,
        progress(f"pulling from {connection.name}") as show,
    ):
        folder = fetched_folder(connection.server)
        report = pull(opened, connection, folder, wanted=sessions, dry_run=dry_run, progress=show)
    if json:
        emit({"server": connection.server} | exchanged_facts(report, option_of) | {"dry_run": dry_run})
    else:
        show_exchanged(f"{connection.name} into {store.name}", report, option_of)
        ending = (
            f"nothing was written; {report.new} new without --dry-run" if dry_run else f"{report.new} new"
        )
        say(ending if report.new else f"nothing new in {connection.name}")
    if report.held:
        raise typer.Exit(SAID_NO)


def _connected(
    url: str | None, store: Place, token_file: Path | None, plain_http: bool
) -> AbstractContextManager[ReleaseSource]:
    """Where channels are: behind a URL, or in the store here."""

    def at_hand(opened: Store) -> ReleaseSource:
        from innage.jobs.releasing.pulling import StoreSource

        return StoreSource(opened)

    def served() -> Connect[ReleaseSource]:
        from innage.service.client.releases import Releases

        return Releases

    return at_hand_or_served(store, url, token_file, plain_http, at_hand=at_hand, served=served)


def _pull_bundle(
    connected: AbstractContextManager[ReleaseSource],
    channel: str,
    out: Path,
    concessions: Sequence[str],
    signed_by: Path | None,
    *,
    json: bool,
) -> int:
    """Fetch a bundle, or say why not; the exit code."""
    from innage.jobs.releasing.facts import bundle_facts, move_facts
    from innage.jobs.releasing.pulling import NotVerifiedError, StoppedError, pull_bundle
    from innage.terminal.output import say_aside
    from innage.terminal.views.models.bundle import show_verified

    try:
        with connected as source, progress("pulling") as show:
            pulled = pull_bundle(
                source, channel, out, concessions=concessions, signed_by=signed_by, progress=show
            )
    except StoppedError as stopped:
        say_aside(f"Nothing was written: {stopped.said_by(option_of)}")
        return SAID_NO
    except NotVerifiedError as refused:
        say_aside(f"Nothing was written: {refused.said_by(option_of)}")
        return NOT_ENOUGH_EVIDENCE if refused.lacks_evidence_only else SAID_NO
    for sentence in pulled.now.against().values():
        say_aside(f"warning: {sentence}")
    if json:
        emit(
            {
                "out": str(pulled.out),
                "move": move_facts(pulled.move),
                "bundle": bundle_facts(pulled.now),
                "conceded": list(pulled.conceded),
                "checks": [check.facts() for check in pulled.report.checks],
            }
        )
    else:
        show_verified(out, pulled.report)
        say(f"bundle {pulled.move.bundle_sha256[:12]} of channel {channel} is in {out}")
    return 0
