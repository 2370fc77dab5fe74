"""A browser's part in tests of pages: signing in, and what a page says."""

from __future__ import annotations

from collections.abc import Sequence

import httpx

from dataset.records import FrozenSet, Model
from dataset.store import Store
from innage.service.rights import RULES, is_page

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
    names = {
        "/units": line.unit,
        "/frozen": _last(store.frozen_sets()),
        "/models": _last(store.models()),
    }
    paths = [path for method, path in RULES if method == "GET" and is_page(path)]
    filled = []
    for path in paths:
        name = next((name for begins, name in names.items() if path.startswith(begins)), "")
        if "{name}" in path and not name:
            continue  # there is none of it
        filled.append(path.replace("{key}", line.id).replace("{name}", name).replace("{ref}", "signed@2"))
    return [
        path.replace("{form}", form)
        for path in filled
        for form in (("json", "csv", "parquet") if "{form}" in path else ("",))
    ]


def _last(things: Sequence[FrozenSet] | Sequence[Model]) -> str:
    return things[-1].name if things else ""
