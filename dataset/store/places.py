"""Where a store is: in a file, or in a database on a PostgreSQL server.

Nothing of a server is loaded here, so that a command on a file starts no slower.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qsl, quote, unquote, urlsplit

SCHEME = "postgresql+psycopg"
_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")  # one letter is a drive
_SECRET = ("password", "sslpassword")  # of what can stand behind the '?'
HIDDEN = "***"
USERS = 5  # of a store on a server, in one process


@dataclass(frozen=True, repr=False)
class Address:
    """A database on a server, by its URL. Shown, it never holds the password."""

    url: str

    def __str__(self) -> str:
        return self.hide(self.url)

    def __repr__(self) -> str:
        return f"Address({str(self)!r})"

    @property
    def name(self) -> str:
        """What a sentence calls the store: the database and its host."""
        try:
            parts = urlsplit(self.url)
            host = parts.hostname or ""
        except ValueError:  # such as a bracket that is not closed
            return str(self)
        database = unquote(parts.path.lstrip("/")) or "database"
        return self.hide(f"{database}@{host}" if host else database)

    @property
    def known_scheme(self) -> bool:
        """Whether it is of a kind that innage works with."""
        return self.url.partition("://")[0] == SCHEME

    @property
    def for_driver(self) -> str:
        """The URL as the server's own library reads it, password and all."""
        return "postgresql" + self.url[len(SCHEME) :]

    def hide(self, text: str) -> str:
        """A text without the password, however it is spelled in it."""
        for secret in sorted(self._secrets(), key=len, reverse=True):
            text = text.replace(secret, HIDDEN)
        return text

    def _secrets(self) -> set[str]:
        """What must not be shown: as it stands in the URL, and decoded."""
        rest = self.url.partition("://")[2]
        before, _, query = rest.partition("?")
        user = before.rpartition("@")[0].partition(":")[2]  # up to the last '@', as a password may hold one
        given = {value for key, value in parse_qsl(query) if key.lower() in _SECRET} | {user}
        return {
            form for secret in given for form in (secret, unquote(secret), quote(secret, safe="")) if form
        }


Place = Path | Address


def place_of(given: str | Path | Address) -> Place:
    """The place that a URL or a path names; whether there is a store is for whoever opens it to say."""
    if isinstance(given, str) and _URL.match(given):
        return Address(given)
    return given if isinstance(given, Address) else Path(given)
