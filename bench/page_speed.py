"""The pages of a store of many sessions, models and bundles, in a file and on a server: the time in which 95
of 100 requests of each page are answered, by HTTP through a socket of this machine. Before each round a
session is tagged, so that what is kept between pages is not simply asked again. Both give the same page, byte
for byte; of the audit, whose rows have times of their own, only the speed is told. The large set has half of
all sessions, of which are those that are tagged; that it is read when first asked for counts.

The map of coverage is answered from what is kept, as its page says, and made anew behind the answer: that
takes seconds, is waited for outside the clock, and so is the first map of all.
"""

from __future__ import annotations

import sys
import time
from contextlib import ExitStack
from dataclasses import asdict
from itertools import cycle
from pathlib import Path
from typing import TYPE_CHECKING

import httpx
import numpy as np
from measuring import Goal, Row, Runs, ratio
from page_results import Filled, Sizes, fill_results
from server_filling import ADMITTED, copy_to_server, fill

from dataset.store import Store

if TYPE_CHECKING:
    from servers import Server

SESSIONS, FRAMES, ROUNDS, QUICK = 10_000, 100, 20, (60, 20, 15, 2)
RESULTS, FEW = Sizes(200, 100, 20, 50, 2000), Sizes(3, 2, 2, 1, 10)
STALE = "This map is as of "
P95 = Goal(0.3, at_least=False, seconds=True)
PAGES = {
    "contents": "/",
    "register": "/sessions",
    "filtered": "/sessions?unit={unit}&condition=foam&void=no",
    "empty": "/sessions?tag={tag}&void=yes",
    "record": "/sessions/{session}",
    "units": "/units",
    "unit": "/units/{unit}",
    "coverage": "/coverage",
    "frozen": "/frozen",
    "set": "/frozen/{set}",
    "large-set": "/frozen/{large}",
    "large-model": "/models/{large}",
    "large-bundle": "/bundles/{large_bundle}",
    "limits": "/limits",
    "models": "/models",
    "fitting": "/models?unit={unit}",
    "model": "/models/{model}",
    "compare": "/compare?first={model}&second={other}",
    "bundles": "/bundles",
    "certificate": "/bundles/{bundle}",
    "channels": "/channels",
    "channel": "/channels/{channel}",
    "release": "/release",
    "jobs": "/jobs",
    "job": "/jobs/{job}",
    "audit": "/audit",
    "search": "/search?q={session}",
    "called": "/search?q={tag}",
}


def page_rows(folder: Path, quick: bool) -> list[Row]:
    """The rows; none where there is no wheel with the server's programs."""
    sys.path.append(str(Path(__file__).parents[1] / "tests" / "helpers"))
    from reports import ARRAY

    from doors import open_door
    from servers import Server, programs

    if programs() is None:
        return []
    size, frames, admitted, rounds = QUICK if quick else (SESSIONS, FRAMES, ADMITTED, ROUNDS)
    file = folder / f"pages-{size}.db"
    fill(file, size, frames, admitted)
    with Store.open(file) as store:
        filled = fill_results(store, FEW if quick else RESULTS, ARRAY)
    server: Server = Server(quick=False, shared_buffers="128MB")
    try:
        place = server.store()
        copy_to_server(file, place)
        with ExitStack() as stack:
            stores = {
                side: stack.enter_context(Store.open(where, users=4))
                for side, where in (("server", place), ("file", file))
            }
            clients = {
                side: stack.enter_context(
                    httpx.Client(
                        base_url=stack.enter_context(open_door(store, authorise=None)),
                        headers={"Accept": "text/html", "Authorization": f"Bearer {filled.token}"},
                        timeout=600.0,
                    )
                )
                for side, store in stores.items()
            }
            return _rows(stores, clients, filled, (size, admitted), rounds)
    finally:
        server.close()


def _rows(
    stores: dict[str, Store],
    clients: dict[str, httpx.Client],
    filled: Filled,
    sizes: tuple[int, int],
    rounds: int,
) -> list[Row]:
    """Of so many sessions, of which so many were admitted: the others' hashes are invented, and no record."""
    size, admitted = sizes
    runs = {(page, side): Runs() for page in PAGES for side in stores}
    lines = stores["file"].page_of_session_lines(limit=admitted).items
    for client in clients.values():
        client.get("/coverage").raise_for_status()
    for number, line in zip(range(rounds), cycle(lines), strict=False):
        for side, store in stores.items():
            store.tag([line.id], [f"round-{number}"])
            for page, path in PAGES.items():
                of_round = {"unit": line.unit, "session": line.id, "tag": f"round-{number}"}
                asked = path.format(**asdict(filled), **of_round)
                start = time.perf_counter()
                answer = clients[side].get(asked)
                runs[page, side].seconds.append(time.perf_counter() - start)
                runs[page, side].result = answer.raise_for_status().text
            while STALE in clients[side].get("/coverage").text:
                time.sleep(0.5)
    return [
        Row(
            f"pages-{page}-{side}-{size}",
            f"{PAGES[page]} of {size} sessions, {_said(side)}",
            f"the same, {_said(other)}",
            f"time, p95 of {rounds} requests",
            ratio(runs[page, side].seconds, runs[page, other].seconds),
            P95,
            page == "audit" or _shown(runs[page, side]) == _shown(runs[page, other]),
            "the page",
            ours_s=float(np.percentile(runs[page, side].seconds, 95)),
            baseline_s=float(np.percentile(runs[page, other].seconds, 95)),
        )
        for page in PAGES
        for side, other in (("server", "file"), ("file", "server"))
    ]


def _shown(runs: Runs) -> str:
    """The page without the line that says as of when its map is."""
    return "".join(line for line in runs.result.splitlines() if STALE not in line)


def _said(side: str) -> str:
    return "on a server" if side == "server" else "in a file"
