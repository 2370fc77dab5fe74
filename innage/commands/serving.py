"""``innage serve``: a store's service for a team."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.options import DEFAULT_STORE, StoreOption, open_existing, option_of


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("serve")(serve)


def serve(
    host: Annotated[
        str, typer.Option("--host", help="The address to listen on; other than loopback needs tokens.")
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="The port; 0 takes a free one.")
    ] = 8470,
    threads: Annotated[
        int, typer.Option("--threads", min=1, max=64, help="Requests that use the store at the same time.")
    ] = 8,
    grace_s: Annotated[
        int,
        typer.Option(
            "--grace-s",
            min=1,
            max=3600,
            help="How many seconds running requests may take to end once it is stopped.",
        ),
    ] = 10,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Serve the store over HTTP, for a team. It listens on loopback only while the store holds no token. It
    speaks plain HTTP: put a proxy that ends TLS in front of it.
    """
    from innage.service.serving import Listening, listen

    with open_existing(store, threads) as opened:
        listen(opened, Listening(host, port, threads, grace_s), option_of)
