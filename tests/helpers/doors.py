"""Doors of stores for tests: in a thread of this process, behind a real port."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn

from dataset.exchange.objects import Parcel
from dataset.store import Store
from innage.jobs.exchange.push import beside
from innage.service.app import make_app
from innage.service.door import Settings
from innage.service.rights import Actor, Authorise, Scope

EVERYTHING = Actor("tester", frozenset(Scope))


def anybody(_header: str | None) -> Actor:
    """Lets everybody do everything."""
    return EVERYTHING


def blobs_of(store: Store, parcel: Parcel) -> list[bytes]:
    """What travels beside a document, in order."""
    own = beside(store, parcel)
    return [own.blob(place) for place in range(len(own.names))]


@contextmanager
def open_door(
    store: Store,
    settings: Settings | None = None,
    authorise: Authorise | None = anybody,
    certificates: Path | None = None,
) -> Iterator[str]:
    """A door; its URL. ``authorise`` None goes by the store's tokens; with a folder that
    :func:`certificates.write_certificates` filled it speaks TLS.
    """
    config = uvicorn.Config(
        make_app(store, settings, authorise),
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=1,
        ssl_certfile=certificates and certificates / "node.pem",
        ssl_keyfile=certificates and certificates / "node.key",
    )
    server = uvicorn.Server(config)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            while not server.started and thread.is_alive():
                time.sleep(0.002)
            yield f"http{'s' if certificates else ''}://127.0.0.1:{listener.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join()
