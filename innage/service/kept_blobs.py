"""Blobs that are asked for one by one: those of the last objects are kept, of sessions their names alone,
so that nothing is hashed anew for each of its pieces.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from dataset.exchange.objects import Offered
from innage.jobs.exchange.push import Beside, beside, beside_session
from innage.service.problems import Problem

if TYPE_CHECKING:
    from dataset.store import Store

MOST_KEPT = 1000  # objects
MOST_BYTES = 64 << 20  # of models, whose float ONNX is kept with its names


class KeptBlobs:
    """The blobs of a store's sessions and models."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._kept: dict[Offered, Beside] = {}

    def of(self, one: Offered) -> Beside:
        """The blobs of an object; Problem 'not-found' where it is not here."""
        with self._lock:
            found = self._kept.get(one)
        if found is None:
            if self._store.lacking([one]):
                raise Problem("not-found", f"there is no such {one.kind}")
            found = self._made(one)
            self._keep(one, found)
        return found

    def _made(self, one: Offered) -> Beside:
        if one.kind == "session":
            return beside_session(self._store, one.key)
        (parcel,) = self._store.parcels([one])
        return beside(self._store, parcel)

    def _keep(self, one: Offered, found: Beside) -> None:
        with self._lock:
            self._kept[one] = found
            while len(self._kept) > MOST_KEPT or sum(b.held_bytes for b in self._kept.values()) > MOST_BYTES:
                del self._kept[next(iter(self._kept))]
