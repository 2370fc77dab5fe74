"""A server that can write no more: its files may not grow beyond a size, as on a disk that is full."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from building import Bench, bench_store
from dataset.errors import StoreError
from dataset.records import Frames, NewSession, Session
from dataset.store import Store
from dataset.store.places import Address
from dataset.store.whole.integrity import check_store
from servers import NO_SERVER, Server, programs

MOST = 1 << 20  # bytes; what every database begins with fits, and so does a file of its log
FRAMES = 150_000  # of noise, which no packing makes small: three of these sessions do not fit

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(programs() is None, reason=NO_SERVER),
    pytest.mark.skipif(shutil.which("prlimit") is None, reason="there is no prlimit"),
]


@pytest.fixture
def own_server() -> Iterator[Server]:
    """A server whose log is in small files."""
    started = Server(log_mb=1, min_wal_size="2MB", max_wal_size="8MB")
    yield started
    started.close()


def long_session(bench: Bench, seed: int) -> NewSession:
    """A session of noise."""
    counts = np.random.default_rng(seed).integers(0, 1000, (FRAMES, 2)).astype(np.uint32)
    frames = Frames(np.arange(FRAMES, dtype=np.int64) * 100, counts, None)
    new = bench.session(seed)
    return replace(new, frames=frames, marks=(), stretches=(), source=replace(new.source, file=f"{seed}.csv"))


def log_on(store: Store, bench: Bench, saved: list[Session]) -> None:
    """More of them than there is room for."""
    for seed in range(3, 9):
        saved += store.add_sessions([long_session(bench, seed)])


def test_a_full_disk(own_server: Server) -> None:
    """One sentence, and what was saved before is there and sound; what is small still goes; once there is
    room the open store takes what it could not before.
    """
    place = own_server.store()
    with Store.open(place) as store:
        bench = bench_store(store)
        saved = list(store.add_sessions([long_session(bench, 1)]))
        own_server.limit_files(MOST)
        with pytest.raises(StoreError) as refused:
            log_on(store, bench, saved)
        said = str(refused.value)
        assert "cannot be written (could not extend file" in said
        assert "Nothing was changed; make room on the server, then try again" in said
        assert store.sessions() == tuple(saved)
        saved += store.add_sessions([bench.session(20)])
        own_server.limit_files(None)
        saved += store.add_sessions([long_session(bench, 2)])
        assert store.sessions() == tuple(saved)
    assert check_store(Address(place)).faults == ()
