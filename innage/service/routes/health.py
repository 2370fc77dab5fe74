"""Whether the process lives, whether its store can be used, and what it speaks."""

from __future__ import annotations

from importlib.metadata import version

from fastapi import FastAPI

from innage.service.door import DoorOf
from innage.service.messages.wire import PROTOCOL, Limits, Protocol
from innage.service.problems import Problem


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/healthz", health, methods=["GET"])
    app.add_api_route("/readyz", ready, methods=["GET"])
    app.add_api_route("/v1", protocol, methods=["GET"])


async def health() -> dict[str, str]:
    """The process answers. Asks nothing of the store, so that a busy one is not taken for a dead one."""
    return {"status": "alive"}


def ready(door: DoorOf) -> dict[str, str]:
    """The store can be read, and is of the revision that this version works with."""
    if not door.store.is_newest():
        raise Problem("not-ready", "the store is of another revision: upgrade it with 'innage store upgrade'")
    return {"status": "ready"}


def protocol(door: DoorOf) -> Protocol:
    """The version of the protocol and what a request may hold."""
    major, minor = PROTOCOL
    return Protocol(
        protocol=f"{major}.{minor}",
        innage=version("innage"),
        store=door.store.bench().identity,
        limits=Limits(staged_hours=door.settings.staged_hours),
    )
