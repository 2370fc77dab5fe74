"""``innage token``: who may do what through a store's service."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_existing
from innage.terminal.output import emit, say, say_aside, table

if TYPE_CHECKING:
    from dataset.records import Token

app = typer.Typer(
    help="Tokens: who may do what through the service.", no_args_is_help=True, rich_markup_mode=None
)


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="Whose it is, or what it is for.")],
    scope: Annotated[
        list[str],
        typer.Option(
            "--scope",
            help="What it allows, with commas between: read, pull, push, amend, sign, run, release, admin.",
        ),
    ],
    days: Annotated[int, typer.Option("--days", help="For how many days it is valid, at most 366.")] = 90,
    bench: Annotated[
        str | None,
        typer.Option("--bench", help="The only bench for which it may write, by name or identity."),
    ] = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Make a token, and print it: once, and nowhere else. The store keeps a hash of it.

    Standard output is the token alone. From the first token on, the service asks everybody for one, and the
    store keeps an audit chain.
    """
    from innage.jobs.team import bench_of, scopes_of

    with open_existing(store) as opened:
        token, shown = opened.add_token(name, scopes_of(scope), days, bench_of(opened, bench))
    print(shown)
    of_bench = "" if token.bench is None else f", of bench {token.bench} alone"
    say_aside(f"token {token.id} for {name}: {', '.join(token.scopes)}{of_bench}; good until {token.expires}")
    say_aside("It is shown this once. Keep it where only its holder can read it.")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the tokens, without their secrets."""
    with open_existing(store) as opened:
        tokens, now = opened.tokens(), opened.time_now()
    if json:
        emit([asdict(token) | {"state": _state(token, now)} for token in tokens])
    elif tokens:
        columns = ("token", "name", "scopes", "bench", "expires", "last used", "state")
        table("tokens", columns, [_cells(token, now) for token in tokens])
    else:
        say("no tokens yet: try 'innage token add NAME --scope push,read'")


def _cells(token: Token, now: str) -> tuple[object, ...]:
    bench = None if token.bench is None else token.bench[:6]
    state = _state(token, now)
    if token.revoked_for is not None:
        state = f"{state}: {token.revoked_for}"
    return (token.id, token.name, ", ".join(token.scopes), bench, token.expires[:10], token.last_used, state)


def _state(token: Token, now: str) -> str:
    if token.revoked is not None:
        return "revoked"
    return "good" if now < token.expires else "expired"


@app.command()
def revoke(
    token: Annotated[str, typer.Argument(help="The token's id, as 'innage token list' shows it.")],
    reason: Annotated[str, typer.Option("--reason", help="Why it is revoked.")],
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Revoke a token for good, with a reason."""
    with open_existing(store) as opened:
        revoked = opened.revoke_token(token, reason)
    say(f"token {revoked.id} for {revoked.name} is revoked: {reason}")
