"""The default search of a pad array in one process, in two, and on a Dask cluster of two workers.

    python bench/spread.py STORE FROZEN [--budget NAME] [--limits NAME] [--rounds N]

The three run one after the other, in turns, after one round that is not counted; the time of one process is
divided by that of each in the same round. The cluster is started before the clock and its workers have loaded
the libraries. Ends with exit code 1 where the programs differ by a byte.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace

import asked_search

from dataset.pools import HERE, Pool, Processes
from dataset.pools.cluster import dask_cluster
from dataset.records import FrozenData
from training.program import digest
from training.search.context import SearchRequest
from training.search.train import train

WORKERS = 2


def main() -> int:
    """The table of ratios; 1 where results differ."""
    from distributed import LocalCluster

    parser = asked_search.parser(__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    data, request = asked_search.read(given)
    with (
        LocalCluster(
            n_workers=WORKERS, processes=True, threads_per_worker=1, dashboard_address=None
        ) as local,
        dask_cluster(local.scheduler_address) as cluster,
    ):
        pools: dict[str, Pool] = {
            "one process": HERE,
            f"{WORKERS} processes": Processes(WORKERS),
            f"a cluster of {WORKERS} workers": cluster,
        }
        return compared(pools, lambda pool: timed(data, request, pool), given.rounds)


def timed(data: FrozenData, request: SearchRequest, pool: Pool) -> tuple[float, str]:
    """Seconds of a search, and the digest of its program."""
    began = time.perf_counter()
    program = train(data, replace(request, pool=pool)).program
    return time.perf_counter() - began, digest(program)


def compared(pools: dict[str, Pool], search: Callable[[Pool], tuple[float, str]], rounds: int) -> int:
    """Print the median, least and greatest ratio of each pool's time to the first one's."""
    ratios: dict[str, list[float]] = {name: [] for name in pools}
    programs = set()
    for number in range(rounds + 1):
        seconds = {}
        for name, pool in pools.items():
            seconds[name], program = search(pool)
            programs.add(program)
        if number:
            first = next(iter(seconds.values()))
            for name, taken in seconds.items():
                ratios[name].append(first / taken)
    for name, of_rounds in ratios.items():
        low, high = min(of_rounds), max(of_rounds)
        print(f"{name}: {statistics.median(of_rounds):.2f} times as fast ({low:.2f} to {high:.2f})")
    print("one program" if len(programs) == 1 else f"{len(programs)} programs that differ")
    return 0 if len(programs) == 1 else 1


if __name__ == "__main__":
    sys.exit(main())
