"""Push and pull beside ``innage merge`` from a file: the same sessions, each a whole process as a user runs
it, the service (``innage serve``) another one on loopback with a token; and pages of the list of sessions
while ten rigs push at once.

Push goes into an empty store each time, pull and merge too. The service is started outside the clock. The
rigs' pushes and the service share the machine's cores with whoever reads the list.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import httpx
import numpy as np
from commands import innage_command, output_of
from invented import register, session
from measuring import Goal, Ratio, Row, Way, in_turns, timed_row

from dataset.exchange.objects import Offered
from dataset.records import Scope
from dataset.store import Store

ROUNDS = 3
RIGS, SESSIONS, FRAMES = 10, 20, 600  # rigs at once, sessions of each, frames of a session
QUICK_RIGS, QUICK_SESSIONS = 2, 1
PAGE, PAUSE_S = 100, 0.05  # sessions on a page, and between two pages
QUIET_PAGES = 50  # read while nobody pushes
NO_SLOWER = Goal(3.0, at_least=False)


def exchange_rows(folder: Path, quick: bool, demo: Callable[[], Path]) -> list[Row]:
    """The rows."""
    own = folder / "exchange"
    own.mkdir()
    return [*_transfer_rows(own, quick, _few(own / "few.db") if quick else demo()), _list_row(own, quick)]


def _few(path: Path) -> Path:
    """A store with little in it."""
    _fill(path, "f" * 32, range(2))
    return path


def _fill(path: Path, bench: str, numbers: Iterable[int]) -> None:
    """A bench's store with these sessions."""
    with Store.open(path, bench=bench) as store:
        on = register(store)
        store.add_sessions([session(number, FRAMES, on) for number in numbers])


@dataclass(frozen=True)
class Served:
    """A store behind a URL, and a token that may do what is done here."""

    store: Path
    url: str
    token: str


def _with_token(path: Path) -> str:
    """Make the store if need be, and a token of it."""
    with Store.open(path) as store:
        return store.add_token("bench", [Scope.READ, Scope.PULL, Scope.PUSH])[1]


@contextmanager
def _served(path: Path, token: str) -> Iterator[Served]:
    """The store behind a service of its own, which listens by now."""
    command = [innage_command(), "serve", "--store", str(path), "--port", "0", "--grace-s", "1"]
    with path.with_suffix(".log").open("w", encoding="utf-8") as log:
        process = subprocess.Popen(command, stderr=log, stdout=subprocess.DEVNULL)
        try:
            yield Served(path, _url(Path(log.name), process), token)
        finally:
            process.terminate()
            process.wait()


def _url(log: Path, process: subprocess.Popen[bytes]) -> str:
    """Where it says that it listens."""
    while process.poll() is None:
        said = log.read_text(encoding="utf-8")
        if "listening on" in said and "\n" in said:
            return said.split("listening on", 1)[1].split()[0]
        time.sleep(0.02)
    raise RuntimeError(log.read_text(encoding="utf-8"))


def _with(served: Served, cache: Path) -> dict[str, str]:
    return os.environ | {"INNAGE_TOKEN": served.token, "INNAGE_CACHE": str(cache)}


def _transfer_rows(folder: Path, quick: bool, demo: Path) -> list[Row]:
    """Push and pull over merge, merge over a copy of the file."""
    numbers = count()
    empty, source, cache = folder / "empty.db", folder / "source.db", folder / "cache"
    token = _with_token(empty)
    with Store.open(demo) as store:
        objects, sessions = frozenset(store.objects()), len(store.sessions())
    shutil.copy(demo, source)
    with ExitStack() as running:
        filled = running.enter_context(_served(source, _with_token(source)))
        pushed = running.enter_context(ExitStack())  # the service of the last push

        def begun() -> Path:
            return Path(shutil.copy(empty, folder / f"into{next(numbers)}.db"))

        def begun_push() -> Served:
            pushed.close()
            rig = folder / "rig.db"
            shutil.copy(demo, rig)  # with no receipts in it
            return pushed.enter_context(_served(begun(), token))

        def push(served: Served) -> Path:
            words = ("push", served.url, "--store", str(folder / "rig.db"))
            output_of(innage_command(), *words, env=_with(served, cache))
            return served.store

        def pull(path: Path) -> Path:
            output_of(innage_command(), "pull", filled.url, "--store", str(path), env=_with(filled, cache))
            return path

        def merge(path: Path) -> Path:
            output_of(innage_command(), "merge", str(demo), "--store", str(path))
            return path

        ways = {
            "push": Way(push, begun_push),
            "pull": Way(pull, begun),
            "merge": Way(merge, begun),
            "copy": Way(lambda path: output_of("cp", str(demo), str(path)), begun),
        }
        runs = in_turns(ways, 1 if quick else ROUNDS)
    what = {
        "push": (f"innage push of {sessions} sessions", "innage merge of the same file", "merge", NO_SLOWER),
        "pull": (f"innage pull of {sessions} sessions", "innage merge of the same file", "merge", NO_SLOWER),
        "merge": (f"innage merge of {sessions} sessions", "cp of the file", "copy", None),
    }
    return [
        timed_row(
            name,
            ours,
            baseline,
            "time",
            (runs[name], runs[beside]),
            goal=goal,
            equal=objects <= _objects(runs[name].result),
            compared="every object is there",
        )
        for name, (ours, baseline, beside, goal) in what.items()
    ]


def _objects(path: Path) -> frozenset[Offered]:
    with Store.open(path) as store:
        return frozenset(store.objects())


def _list_row(folder: Path, quick: bool) -> Row:
    """The time in which 95 of 100 pages are had while the rigs push, over that while nobody does."""
    rigs, each = (QUICK_RIGS, QUICK_SESSIONS) if quick else (RIGS, SESSIONS)
    stores = [folder / f"rig{number}.db" for number in range(rigs)]
    for number, path in enumerate(stores):
        _fill(path, f"{number:02x}" * 16, range(number * each, (number + 1) * each))
    team = folder / "team.db"
    token = _with_token(team)
    with (
        _served(team, token) as served,
        httpx.Client(
            base_url=served.url, headers={"Authorization": f"Bearer {token}"}, timeout=60.0
        ) as client,
    ):
        pushes = [
            subprocess.Popen(
                [innage_command(), "push", served.url, "--store", str(path)],
                env=_with(served, folder / "cache"),
                stdout=subprocess.DEVNULL,
            )
            for path in stores
        ]
        pushing = [_page_s(client)]
        while any(push.poll() is None for push in pushes):
            pushing.append(_page_s(client))
        quiet = [_page_s(client) for _ in range(3 if quick else QUIET_PAGES)]
    there = len([one for one in _objects(team) if one.kind == "session"])
    late, least = (float(np.percentile(times, 95)) for times in (pushing, quiet))
    whole = there == rigs * each and not any(push.returncode for push in pushes)
    return Row(
        "lists-while-pushed",
        f"a page of {PAGE} of the list while {rigs} rigs push",
        "the same while nobody does",
        f"time, p95 of {len(pushing)} pages",
        Ratio(late / least, late / least, late / least),
        equal=whole,
        compared="every session is listed in the end",
        ours_s=late,
        baseline_s=least,
        note=f"{late:.3f} s, and {least:.3f} s",
    )


def _page_s(client: httpx.Client) -> float:
    start = time.perf_counter()
    client.get("/v1/objects", params={"kind": "session", "limit": PAGE}).raise_for_status()
    took = time.perf_counter() - start
    time.sleep(PAUSE_S)
    return took
