"""The options by which commands ask a team's server, and what they work on: at hand, or behind a URL."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Protocol, TypeVar

import typer

from innage.options import open_existing

if TYPE_CHECKING:
    from dataset.store import Store
    from dataset.store.places import Place

P = TypeVar("P")
P_co = TypeVar("P_co", covariant=True)

ServerArgument = Annotated[str, typer.Argument(help="Where it is served, such as https://store.example.")]
ServerOption = Annotated[
    str | None,
    typer.Option("--server", help="Instead of --store: the URL of a team's store ('innage serve')."),
]
TokenFileOption = Annotated[
    Path | None,
    typer.Option(
        "--token-file",
        help="A file with the token, readable by its owner alone. Default: INNAGE_TOKEN, or the file that "
        "INNAGE_TOKEN_FILE names.",
        show_default=False,
    ),
]
PlainHttpOption = Annotated[
    bool,
    typer.Option("--plain-http", help="Show the token without TLS: only within a network that you trust."),
]


class Connect(Protocol[P_co]):
    """Connects to a server, with a token or without."""

    def __call__(
        self, url: str, token: str | None = None, *, plain_http: bool = False
    ) -> AbstractContextManager[P_co]: ...


@contextmanager
def at_hand_or_served(
    store: Place,
    server: str | None,
    token_file: Path | None,
    plain_http: bool,
    *,
    at_hand: Callable[[Store], P],
    served: Callable[[], Connect[P]],
) -> Iterator[P]:
    """What a command works on, open: ``at_hand`` of the store, which has to exist, or, where a server is
    named, a connection. ``served`` gives what connects, so that its libraries are loaded only then.
    """
    if server is None:
        with open_existing(store) as opened:
            yield at_hand(opened)
        return
    from innage.service.client.secrets import find_token

    with served()(server, find_token(token_file), plain_http=plain_http) as connection:
        yield connection
