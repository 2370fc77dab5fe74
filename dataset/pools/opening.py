"""The pool that somebody named."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from dataset.pools.pool import Pool


@contextmanager
def pool_at(dask: str | None) -> Iterator[Pool | None]:
    """The cluster at this address, see :func:`dataset.pools.cluster.dask_cluster`; None without one: each job
    has a pool of this machine that it takes then.
    """
    if dask is None:
        yield None
        return
    from dataset.pools.cluster import dask_cluster

    with dask_cluster(dask) as cluster:
        yield cluster
