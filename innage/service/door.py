"""What every request goes by: the open store, who may what, and the limits of this door."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated

from fastapi import Depends, Request

from dataset.store import Store
from innage.service.open_streams import Streams
from innage.service.problems import Problem
from innage.service.rights import Actor, Authorise

if TYPE_CHECKING:
    from innage.service.kept_blobs import KeptBlobs
    from innage.service.rate import Rate

SWEEP_S = 3600.0
FAILED = 20.0  # requests that one without a good token counts for


@dataclass(frozen=True)
class Settings:
    """How a door is run.

    Attributes:
        hosts: names that a request may ask for while the store holds no token; of any port.
        threads: requests that work on the store at the same time.
        per_second: requests of one token or address that are answered in the long run.
        at_once: how many of them may come in one go.
        body_s: how long a body may take to arrive, in seconds.
        staged_hours: how long a blob waits for the document that names it.
        staged_bytes: how many bytes of blobs of one token wait at most.
        bodies_bytes: how many bytes of requests are held in memory at most, all together.
    """

    hosts: frozenset[str] = frozenset({"127.0.0.1", "localhost", "[::1]"})
    threads: int = 8
    per_second: float = 200.0
    at_once: int = 4000
    body_s: float = 120.0
    staged_hours: int = 168
    staged_bytes: int = 1 << 30
    bodies_bytes: int = 256 << 20


class Bodies:
    """The bytes of requests that are under way, all together."""

    def __init__(self) -> None:
        self.size = 0


@dataclass(frozen=True)
class Door:
    """A door that is open. Through its ``store`` itself nothing can be written: a route that writes takes
    :data:`StoreOf`.
    """

    store: Store
    settings: Settings
    authorise: Authorise
    rate: Rate
    blobs: KeptBlobs
    bodies: Bodies = field(default_factory=Bodies)
    streams: Streams = field(default_factory=Streams)
    swept: list[float] = field(default_factory=lambda: [0.0])  # when blobs that nobody named were let go

    def stage(self, actor: Actor, blobs: Mapping[str, bytes]) -> tuple[str, ...]:
        """Hold blobs of an actor's, by their hashes, until documents name them; the names of those that are
        new here.

        Raises:
            Problem: 'quota' where too many bytes that this actor sent wait already.
        """
        store = self.store.acting_as(actor.acting)
        now = time.monotonic()
        if now - self.swept[0] > SWEEP_S or self.swept[0] == 0.0:
            self.swept[0] = now
            store.drop_staged_before(self.settings.staged_hours / 24)
        if store.staged_bytes(actor.token) + sum(map(len, blobs.values())) > self.settings.staged_bytes:
            raise Problem("quota", "too many blobs wait for their documents; finish what was begun first")
        return store.stage_blobs(blobs)

    def count_failed(self, request: Request) -> None:
        """Count a token that was not good, as much as many good requests.

        Raises:
            Problem: 'rate' for too many of them.
        """
        address = request.client.host if request.client else ""
        self.count(f"address {address}", FAILED)

    def count(self, caller: str, requests: float = 1.0) -> None:
        """Count requests of a token or an address.

        Raises:
            Problem: 'rate' for too many of them.
        """
        wait = self.rate.wait_s(caller, requests)
        if wait > 0.0:
            raise Problem("rate", "try again later", {"Retry-After": str(math.ceil(wait))})


def _door(request: Request) -> Door:
    door = request.app.state.door
    assert isinstance(door, Door)
    return door


def _actor(request: Request) -> Actor:
    actor = request.state.actor
    assert isinstance(actor, Actor)
    return actor


def _store(request: Request) -> Store:
    return _door(request).store.acting_as(_actor(request).acting)


DoorOf = Annotated[Door, Depends(_door)]
ActorOf = Annotated[Actor, Depends(_actor)]  # who has the scope that the route asks for
StoreOf = Annotated[Store, Depends(_store)]  # as that one works on it: audited, and within their rights
