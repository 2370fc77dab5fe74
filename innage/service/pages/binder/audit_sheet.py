"""The audit chain as a page: who did what, and whether the chain is whole."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, FastAPI, Query, Request
from starlette.responses import Response

from dataset.errors import InputError, quoted
from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.tables import Form, rows_file

if TYPE_CHECKING:
    from dataset.records import AuditEntry
    from dataset.store import Store

MOST_SHOWN = 100
MOST_FILED = 5000  # rows of a file
MOST_WALKED = 2000  # rows of a chain that is walked for every page
MOST_NAME = 200
COLUMNS = (
    *("number", "at", "who", "known_by", "token", "bench", "kind", "object_sha256", "about", "reason"),
    *("previous", "sha256"),
)
LEAST_DIGITS = 4
Word = Annotated[str, Query(max_length=MOST_NAME)]


@dataclass(frozen=True)
class Wanted:
    """Which rows an address asks for; '' is any. ``before``: those before this number, 0 for the last."""

    token: str
    who: str
    about: str
    before: int

    @property
    def said(self) -> dict[str, str]:
        """What is asked for, field by field."""
        return {key: value for key, value in asdict(self).items() if value and isinstance(value, str)}

    def query(self, **more: Any) -> str:
        """The query of these rows, and what comes to it: '?...', or nothing."""
        pairs = self.said | {key: str(value) for key, value in more.items() if value}
        return f"?{urlencode(pairs)}" if pairs else ""


def _wanted(
    token: Word = "",
    who: Word = "",
    about: Word = "",
    before: Annotated[int, Query(ge=0, le=1 << 53)] = 0,
) -> Wanted:
    digits = about.strip().lower()
    if digits and (not LEAST_DIGITS <= len(digits) <= 64 or set(digits) - set("0123456789abcdef")):
        raise InputError(
            "about",
            quoted(about[:80]),
            f"the first digits of a hash, at least {LEAST_DIGITS}",
            fields=("about",),
        )
    return Wanted(token.strip(), who.strip(), digits, before)


WantedOf = Annotated[Wanted, Depends(_wanted)]


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/audit", page, methods=["GET"], **PAGE)
    app.add_api_route("/audit.{form}", table, methods=["GET"], **PAGE)


def page(request: Request, door: DoorOf, wanted: WantedOf, walk: Word = "") -> Response:
    """The last rows, the newest first."""
    store = door.store
    last = store.last_audit(1)
    rows = _rows(store, wanted, MOST_SHOWN + 1)
    walked = bool(last) and (walk == "yes" or last[0].number <= MOST_WALKED)
    facts = {
        "rows": rows[:MOST_SHOWN],
        "wanted": wanted,
        "earlier": wanted.query(before=rows[MOST_SHOWN - 1].number) if len(rows) > MOST_SHOWN else None,
        "last": last[0] if last else None,
        "walked": walked,
        "faults": store.audit_faults() if walked else (),
    }
    return sheet(request, "audit.html", facts)


def table(request: Request, door: DoorOf, wanted: WantedOf, form: Form) -> Response:
    """The same rows, the newest first, at most so many."""
    rows = [asdict(row) for row in _rows(door.store, wanted, MOST_FILED)]
    return rows_file(request, "audit", form, rows, COLUMNS)


def _rows(store: Store, wanted: Wanted, most: int) -> tuple[AuditEntry, ...]:
    """At most so many, the newest first."""
    by = {"token": wanted.token or None, "who": wanted.who or None}
    if wanted.about:
        rows = store.audit_about(wanted.about, **by)
    else:
        rows = store.last_audit(most, before=wanted.before or None, **by)
    return tuple(row for row in reversed(rows) if not wanted.before or row.number < wanted.before)[:most]
