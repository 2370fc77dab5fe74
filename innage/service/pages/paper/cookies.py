"""The cookie of somebody who signed in. ``__Host-`` lets a browser take it from this host alone, and send it
nowhere else; Secure is part of that. Browsers hold 127.0.0.1 and localhost for secure without TLS, so that it
works at the bench too; elsewhere plain HTTP loses it, and TLS ends in a proxy in front of the service.
"""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie

NAME = "__Host-innage"
_ATTRIBUTES = "Path=/; Secure; HttpOnly; SameSite=Lax"
MOST = 4096


def set_cookie(secret: str) -> str:
    """The header that hands a browser its secret, until the browser is closed."""
    return f"{NAME}={secret}; {_ATTRIBUTES}"


def no_cookie() -> str:
    """The header that takes it away."""
    return f"{NAME}=; {_ATTRIBUTES}; Max-Age=0"


def secret_in(header: str | None) -> str | None:
    """The secret in a Cookie header; None where there is none."""
    if header is None or len(header) > MOST:
        return None
    try:
        morsel = SimpleCookie(header).get(NAME)
    except CookieError:
        return None
    return None if morsel is None or not morsel.value else morsel.value
