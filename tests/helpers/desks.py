"""A browser's part in tests of pages: signing in, and what a page says."""

from __future__ import annotations

import httpx


def signed_in(browser: httpx.Client, token: str) -> httpx.Client:
    """The client with the cookie of a token. It would not send a Secure cookie over plain HTTP by itself, as
    browsers do on this machine.
    """
    answer = browser.post("/sign-in", data={"token": token})
    assert answer.status_code == 303, answer.text
    browser.headers["Cookie"] = answer.headers["set-cookie"].partition(";")[0]
    return browser
