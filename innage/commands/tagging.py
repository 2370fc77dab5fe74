"""``innage tag``: tags of sessions."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

app = typer.Typer(
    help="Tags of sessions, added and removed; both are kept.", no_args_is_help=True, rich_markup_mode=None
)

TagArgument = Annotated[str, typer.Argument(help="The tag: a word.", autocompletion=names_of("tag"))]
SessionsArgument = Annotated[
    list[str],
    typer.Argument(
        metavar="SESSION...", help="One or several: all, or none.", autocompletion=names_of("session")
    ),
]
AuthorOption = Annotated[str | None, typer.Option("--author", help="Who says so.")]


@app.command()
def add(
    tag: TagArgument,
    sessions: SessionsArgument,
    author: AuthorOption = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Tag sessions."""
    for session in open_store(store).tag(sessions, [tag], author):
        say(f"session {session.id}: {', '.join(session.tags)}")


@app.command()
def remove(
    tag: TagArgument,
    sessions: SessionsArgument,
    author: AuthorOption = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Remove a tag from sessions."""
    for session in open_store(store).untag(sessions, [tag], author):
        say(f"session {session.id}: {', '.join(session.tags) or 'no tag'}")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the tags, each with how many sessions have it."""
    from collections import Counter

    times = Counter(tag for session in open_store(store).sessions() for tag in session.tags)
    counted = sorted(times.items())
    if json:
        emit([{"tag": tag, "sessions": count} for tag, count in counted])
    elif counted:
        table("tags", ("tag", "sessions"), counted)
    else:
        say("no tags yet: try 'innage tag add TAG SESSION'")
