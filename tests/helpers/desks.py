"""A browser's part in tests of pages: signing in, and what a page says."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from html import unescape

import httpx

from dataset.records import FrozenSet, Model, NewJob
from dataset.store import Store
from dataset.store.events.channels import NewMove
from innage.service.rights import ON_LOOPBACK, RULES, Free, is_page

READ = (*ON_LOOPBACK.scopes, Free.PUBLIC, Free.ANY)  # what nobody in particular may
READABLE = "readable"  # a model whose program can be read


def signed_in(browser: httpx.Client, token: str) -> httpx.Client:
    """The client with the cookie of a token. It would not send a Secure cookie over plain HTTP by itself, as
    browsers do on this machine.
    """
    answer = browser.post("/sign-in", data={"token": token})
    assert answer.status_code == 303, answer.text
    browser.headers["Cookie"] = answer.headers["set-cookie"].partition(";")[0]
    return browser


def addresses(store: Store) -> list[str]:
    """Every page and file of pages that can be read, of one thing each."""
    line = store.page_of_session_lines(limit=1).items[0]
    bundles, channels = store.bundle_lines(), store.channels()
    channel = channels[0].channel if channels else ""
    things = {
        "/sessions": line.id,
        "/units": line.unit,
        "/limits": "signed@2",
        "/frozen": _last(store.frozen_sets()),
        "/models": _last(store.models()),
        "/bundles": bundles[0].bundle_sha256 if bundles else "",
        "/channels": channel,
        "/jobs": next((one.key for one in store.queued_jobs(most=1)), ""),
        "/moves": channel,  # in the query
        "/compare": _last(store.models()),
    }
    model = things["/compare"]
    queries = {
        "/moves": f"?channel={channel}",
        "/compare": f"?first={model}&second={model}",
        "/search": f"?q={line.id[:4]}",
    }
    filled = []
    paths = (path for (method, path), rule in RULES.items() if method == "GET" and rule in READ)
    for path in filter(is_page, paths):
        chapter = re.match(r"/[a-z]*", path)
        thing = things.get(chapter[0], "") if chapter else ""
        query = queries.get(chapter[0], "") if chapter else ""
        of_one = re.sub(r"{(?!form)[^}]+}", thing, path)
        if thing or (of_one == path and not (query and chapter and chapter[0] in things)):
            filled.append(of_one + query)
    return [
        path.replace("{form}", form)
        for path in filled
        for form in (("json", "csv", "parquet") if "{form}" in path else ("",))
    ]


def _last(things: Sequence[FrozenSet] | Sequence[Model]) -> str:
    return things[-1].name if things else ""


def with_work(store: Store) -> None:
    """A channel that points at a bundle which nobody judged, and a job that waits."""
    line = store.bundle_lines()[0]
    when, said = datetime(2026, 3, 2, 9, 15, tzinfo=UTC), store.said_of(line.model)
    words = ("A. Owner", "to be tried")
    store.queue_job(NewJob("sweep", {"model": line.model}, {"model": "a" * 64}, {"innage": "0"}))
    store.move_channel(NewMove("washer/stable", line.bundle_sha256, *words, when, None, said))


def table_of(page: str, ident: str) -> list[dict[str, str]]:
    """The rows of the table that is called by ``ident``: the texts of their cells by the heads of their
    columns.
    """
    part = page.partition(f'id="{ident}"')[2].partition("</table>")[0]
    heads = [_text(cell) for cell in re.findall(r'<th scope="col"[^>]*>(.*?)</th>', part)]
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", part.partition("<tbody>")[2], re.DOTALL)
    cells = ([_text(cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row)] for row in rows)
    return [dict(zip(heads, row, strict=True)) for row in cells]


def _text(cell: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", cell)).split())
