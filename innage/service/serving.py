"""A door that listens: on loopback, or elsewhere once the store holds tokens."""

from __future__ import annotations

import os
import signal
import socket
import sys
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING

import uvicorn

from dataset.errors import InputError
from innage.service import logs
from innage.service.addresses import HOST, PORT, is_loopback
from innage.service.app import make_app
from innage.service.door import Settings
from innage.service.open_streams import Streams
from innage.service.rights import any_tokens

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType

    from dataset.store import Store

BACKLOG = 256
KEEP_ALIVE_S = 30


@dataclass(frozen=True)
class Listening:
    """Where a door listens, and how.

    Attributes:
        host: the address, or a name of this machine's.
        port: the port; 0 takes one that is free.
        threads: requests that work on the store at the same time.
        grace_s: how long requests under way may take to end, in seconds.
    """

    host: str = HOST
    port: int = PORT
    threads: int = 8
    grace_s: int = 10


def listen(store: Store, where: Listening, spell: Callable[[str], str] = logs.as_in_python) -> None:
    """Answer until the process is told to end (SIGTERM, Ctrl-C); then end what is under way, for a while. The
    log names fields of errors as ``spell`` does.

    Raises:
        InputError: another address than loopback, and no tokens; an address that cannot be listened on.
    """
    if not is_loopback(where.host) and not any_tokens(store):
        raise InputError(
            "host",
            f"{where.host}, and the store holds no token",
            "127.0.0.1, where it can only be read",
            "make a token first; and let a proxy in front of it end TLS: the service speaks plain HTTP",
            fields=("host",),
        )
    listener = _listener(where)
    logs.to_stderr(spell)
    app = make_app(store, Settings(threads=where.threads))
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=KEEP_ALIVE_S,
        # a client that keeps a request open would keep the process alive for ever
        timeout_graceful_shutdown=where.grace_s,
    )
    host, port = listener.getsockname()[:2]
    shown = f"[{host}]" if ":" in host else host
    url, tokens = f"http://{shown}:{port}", any_tokens(store)
    who = "" if tokens else "; it holds no token: it can be read on this machine, and not be written"
    print(f"innage: listening on {url} (store {store.place}{who})", file=sys.stderr, flush=True)
    logs.log_event("begun", url=url, store=str(store.place), tokens=tokens, innage=version("innage"))
    with listener:
        Server(config, app.state.door.streams).run(sockets=[listener])


class Server(uvicorn.Server):
    """One whose streams end when it is told to end: it would wait for them for as long as it has."""

    def __init__(self, config: uvicorn.Config, streams: Streams) -> None:
        super().__init__(config)
        self._streams = streams

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Take note of a signal."""
        name, grace_s = signal.Signals(sig).name, self.config.timeout_graceful_shutdown
        logs.log_event("told to end", signal=name, grace_s=grace_s)
        self._streams.ending.set()
        super().handle_exit(sig, frame)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Let requests under way end."""
        await super().shutdown(sockets)
        logs.log_event("ended")


def _listener(where: Listening) -> socket.socket:
    try:
        family, _, _, _, address = socket.getaddrinfo(
            where.host.strip("[]"), where.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        return socket.create_server(address[:2], family=family, backlog=BACKLOG)
    except (OSError, UnicodeError) as error:
        # the system's own words: Python's repeat the address
        known = isinstance(error, OSError) and not isinstance(error, socket.gaierror) and error.errno
        raise InputError(
            f"host {where.host}, port {where.port}",
            os.strerror(known) if known else "no such address",
            "an address of this machine, and a port that is free",
            fields=("host", "port"),
        ) from error
