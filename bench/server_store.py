"""A store on a PostgreSQL server beside one in a file with the same rows, both on one disk: a session logged,
the list of sessions, a frozen set to arrays, and pages of the list.

The server is the one of the tests (a wheel, PostgreSQL's own settings but for a small cache, reached by a
socket): a network adds its way there and back to each statement. It answers after what it saved is on disk,
as the file does.
"""

from __future__ import annotations

import gc
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from invented import Registered, session
from measuring import Goal, Row, Runs, Way, in_turns, ratio, timed_row
from replaying import nothing_kept
from server_filling import ADMITTED, SET, copy_to_server, fill

from dataset.store import Store
from dataset.store.listing import session_lines

if TYPE_CHECKING:
    from servers import Server

FRAMES, ROUNDS, PAGES, PAGE = 100, 10, 200, 100
SIZES = (1000, 20_000)  # sessions
QUICK = {"frames": 20, "admitted": 15, "rounds": 1, "pages": 3}
HALF = Goal(0.5, at_least=True)
P95 = Goal(0.1, at_least=False, seconds=True)


def server_rows(folder: Path, quick: bool) -> list[Row]:
    """The rows; none where there is no wheel with the server's programs."""
    sys.path.append(str(Path(__file__).parents[1] / "tests" / "helpers"))
    from servers import Server, programs

    if programs() is None:
        return []
    server = Server(quick=False, shared_buffers="128MB")
    try:
        sizes = (30, 60) if quick else SIZES
        return [row for size in sizes for row in _rows(folder, server, size, quick, first=size == sizes[0])]
    finally:
        server.close()


def _rows(folder: Path, server: Server, size: int, quick: bool, *, first: bool) -> list[Row]:
    """Pages of so many sessions; of the first size the rest too."""
    how: dict[str, Any] = QUICK if quick else {"frames": FRAMES, "admitted": ADMITTED}
    file, place = folder / f"{size}.db", server.store()
    on = fill(file, size, how["frames"], how["admitted"])
    copy_to_server(file, place)
    with ExitStack() as stack:
        stores = {
            side: stack.enter_context(Store.open(where)) for side, where in (("ours", place), ("file", file))
        }
        gc.collect()
        rows = _page_rows(stores, size, how.get("pages", PAGES))
        if first:
            rows = [*_speed_rows(stores, on, size, how["frames"], how.get("rounds", ROUNDS)), *rows]
    return rows


def _speed_rows(stores: dict[str, Store], on: Registered, size: int, frames: int, rounds: int) -> list[Row]:
    """Logging, the whole list, and arrays: the server's speed over the file's."""
    numbers = {side: count(size) for side in stores}
    compared: dict[str, tuple[str, str, str, Callable[[Store, Any], Any]]] = {
        "server-logging": ("a session logged", "sessions/s", "the same hash", _log),
        "server-list": (f"a list of {size} sessions", "lists/s", "every line", _list),
        "server-frozen": ("a frozen set to arrays", "sets/s", "the arrays", _arrays),
    }
    rows = []
    for name, (what, of, same, work) in compared.items():
        news = {side: partial(_new, numbers[side], frames, on) for side in stores} if work is _log else {}
        with nothing_kept() as forget:  # a file's sets are kept for later processes, a server's are not
            ways = {side: Way(partial(work, store), news.get(side, forget)) for side, store in stores.items()}
            runs = in_turns(ways, rounds)
        rows.append(
            timed_row(
                name,
                f"{what}, on a server",
                "the same, in a file",
                of,
                (runs["ours"], runs["file"]),
                goal=HALF,
                equal=runs["ours"].result == runs["file"].result,
                compared=same,
            )
        )
    return rows


def _new(numbers: Iterator[int], frames: int, on: Registered) -> Any:
    return session(next(numbers), frames, on)


def _log(store: Store, new: Any) -> Any:
    return store.add_sessions([new])[0].sha256


def _list(store: Store, _: Any) -> Any:
    return session_lines(store.place)  # by a connection of its own, as a command does


def _arrays(store: Store, _: Any) -> Any:
    with Store.open(store.place) as opened:  # a new one, since an open store keeps what it read
        data = opened.frozen_data(opened.frozen_set(SET))
        return (data.counts.tobytes(), data.level_mm.tobytes())


def _page_rows(stores: dict[str, Store], size: int, pages: int) -> list[Row]:
    """The time in which 95 of 100 pages of an open store are had, on either."""
    after: dict[str, list[str | None]] = {side: [None] for side in stores}
    runs = {side: Runs() for side in stores}
    for number in range(pages):
        for side in list(stores)[:: 1 if number % 2 == 0 else -1]:
            start = time.perf_counter()
            page = stores[side].page_of_session_lines(limit=PAGE, after=after[side][-1])
            runs[side].seconds.append(time.perf_counter() - start)
            after[side].append(page.next)
            runs[side].result = page
    late = {side: float(np.percentile(of_side.seconds, 95)) for side, of_side in runs.items()}
    equal = after["ours"] == after["file"] and runs["ours"].result == runs["file"].result
    what, said = f"a page of {PAGE} of {size} sessions", {"ours": "on a server", "file": "in a file"}
    return [
        Row(
            f"page-{'server' if side == 'ours' else 'file'}-{size}",
            f"{what}, {said[side]}",
            f"the same, {said[other]}",
            f"time, p95 of {pages} pages",
            _of(runs[side], runs[other]),
            P95,
            equal,
            "every line",
            ours_s=late[side],
            baseline_s=late[other],
        )
        for side, other in (("ours", "file"), ("file", "ours"))
    ]


def _of(one: Runs, other: Runs) -> Any:
    return ratio(one.seconds, other.seconds)
