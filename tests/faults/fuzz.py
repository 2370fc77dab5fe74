"""Hostile bytes for every reader, for a given time each, in a process of its own with bounded memory and a
bounded time for each input (``make fuzz``).

With the package atheris this can be guided by coverage (``--guided``):

    PYTHONPATH=tests/helpers python -P tests/faults/fuzz.py --seconds 600 [--only csv ...]

What a reader may do stands in ``helpers/readers.py``. Bounds: 2 GB of memory, 20 s an input, inputs up to
64 kB.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from readers import INPUT_BYTES, READERS, mutated, tried

MEMORY_BYTES, INPUT_S = 2 << 30, 20


def _drawn(name: str, seed: int) -> Iterator[bytes]:
    draw, samples = np.random.default_rng(seed), READERS[name].samples()
    yield from samples
    while True:
        edits = [
            (
                int(draw.integers(6)),
                int(draw.integers(1 << 16)),
                int(draw.integers(1, 20)),
                int(draw.integers(64)),
            )
            for _ in range(draw.integers(1, 7))
        ]
        yield mutated(samples[int(draw.integers(len(samples)))], edits)


def _one(name: str, seconds: float, seed: int, keep: Path) -> None:
    """Go on with one reader in this process; what is being tried lies in ``keep``, so that it is there after
    a crash.
    """
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    begun, count, refused, slowest = time.monotonic(), 0, 0, 0.0
    with tempfile.TemporaryDirectory() as folder:
        for content in _drawn(name, seed):
            now = time.monotonic()
            if now - begun > seconds:
                break
            keep.write_bytes(content)
            signal.alarm(INPUT_S)
            refused += tried(name, content, Path(folder)) is not None
            signal.alarm(0)
            slowest = max(slowest, time.monotonic() - now)
            count += 1
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(
        json.dumps(
            {
                "reader": name,
                "inputs": count,
                "refused": refused,
                "slowest s": round(slowest, 2),
                "peak MB": peak,
            }
        )
    )


def _guided(name: str, seconds: float, seed: int, keep: Path) -> None:
    """The same, guided by coverage of the project's own code."""
    import atheris

    corpus = keep.with_suffix(".corpus")
    corpus.mkdir(exist_ok=True)
    for k, sample in enumerate(READERS[name].samples()):
        (corpus / f"sample{k}").write_bytes(sample)
    folder = Path(tempfile.mkdtemp())
    for module in [
        m
        for n, m in sys.modules.items()
        if n.partition(".")[0] in ("dataset", "export", "training") and getattr(m, "__file__", None)
    ]:
        own = [f for f in vars(module).values() if getattr(f, "__module__", None) == module.__name__]
        for function in [
            *own,
            *(method for kind in own if isinstance(kind, type) for method in vars(kind).values()),
        ]:
            if hasattr(function, "__code__"):
                atheris.instrument_func(function)

    def one(content: bytes) -> None:
        tried(name, content, folder)

    limits = [
        f"-max_total_time={int(seconds)}",
        f"-seed={seed}",
        f"-rss_limit_mb={MEMORY_BYTES >> 20}",
        f"-timeout={INPUT_S}",
        f"-max_len={INPUT_BYTES}",
    ]
    atheris.Setup(
        [sys.argv[0], *limits, f"-artifact_prefix={keep}.", "-print_final_stats=1", str(corpus)], one
    )
    atheris.Fuzz()


def main() -> None:
    """One process a reader, one after another; exit 1 when any of them found something."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=list(READERS), choices=list(READERS))
    parser.add_argument("--keep", type=Path, default=Path("fuzz-findings"))
    parser.add_argument("--guided", action="store_true", help="guided by coverage; needs atheris")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    chosen.keep.mkdir(parents=True, exist_ok=True)
    if chosen.one:
        (_guided if chosen.guided else _one)(
            chosen.only[0], chosen.seconds, chosen.seed, chosen.keep / chosen.only[0]
        )
        return
    failed = 0
    for name in chosen.only:
        words = [
            "--one",
            "--only",
            name,
            "--seconds",
            str(chosen.seconds),
            "--seed",
            str(chosen.seed),
            "--keep",
            str(chosen.keep),
        ]
        finished = subprocess.run(
            [sys.executable, "-P", __file__, *words, *(["--guided"] if chosen.guided else [])],
            check=False,
            env=os.environ,
        )
        if finished.returncode:
            where = (
                f"{chosen.keep / name}.crash-* (or timeout-*, oom-*)"
                if chosen.guided
                else str(chosen.keep / name)
            )
            print(
                f"{name}: exit code {finished.returncode}; the input is {where}, the error stands above",
                flush=True,
            )
            failed += 1
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
