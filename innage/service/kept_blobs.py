"""Blobs that are asked for one by one: those of the last objects are kept, so that none is made anew for each
of its pieces.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING

from dataset.exchange.objects import Offered
from innage.jobs.exchange.push import blobs_of, frames_blobs
from innage.service.problems import Problem

if TYPE_CHECKING:
    from dataset.store import Store

MOST_BYTES = 64 << 20
Blobs = Sequence[tuple[str, bytes]]


class KeptBlobs:
    """The blobs of a store's sessions and models."""

    def __init__(self, store: Store, most_bytes: int = MOST_BYTES) -> None:
        self._store, self._most = store, most_bytes
        self._lock = threading.Lock()
        self._kept: dict[Offered, Blobs] = {}

    def of(self, one: Offered) -> Blobs:
        """The blobs of an object, in order, each with its hash; Problem 'not-found' where it is not here."""
        with self._lock:
            blobs = self._kept.get(one)
        if blobs is None:
            if self._store.lacking([one]):
                raise Problem("not-found", f"there is no such {one.kind}")
            blobs = self._made(one)
            self._keep(one, blobs)
        return blobs

    def _made(self, one: Offered) -> Blobs:
        if one.kind == "session":
            return frames_blobs(self._store, one.key)
        return [blob for parcel in self._store.parcels([one]) for blob in blobs_of(self._store, parcel)]

    def _keep(self, one: Offered, blobs: Blobs) -> None:
        with self._lock:
            self._kept[one] = blobs
            while sum(map(_size, self._kept.values())) > self._most:
                del self._kept[next(iter(self._kept))]


def _size(blobs: Blobs) -> int:
    return sum(len(content) for _, content in blobs)
