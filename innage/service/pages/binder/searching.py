"""A search over everything that a store calls by a name, a hash or a tag."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Annotated
from urllib.parse import quote

from fastapi import FastAPI, Query, Request
from starlette.responses import Response

from dataset.records import ID_DIGITS
from dataset.values import natural
from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import KeptOf
from innage.service.pages.paper.tables import Form, rows_file

if TYPE_CHECKING:
    from dataset.store import Store
    from innage.service.pages.paper.kept import Kept

LEAST_DIGITS = 4  # of a hash
MOST_SHOWN = 50  # of a kind
MOST_ASKED = 100
MOST_JOBS = 500  # the newest
Asked = Annotated[str, Query(max_length=MOST_ASKED)]
_HEX = frozenset("0123456789abcdef")
COLUMNS = ("kind", "name", "sha256", "by", "address")


@dataclass(frozen=True)
class Hit:
    """Something that was looked for: of which kind, what it is called, and by what it was found. ``sha256``
    are the digits of its hash that a list has; '' for what has none.
    """

    kind: str
    name: str
    sha256: str
    by: str
    address: str


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/search", page, methods=["GET"], **PAGE)
    app.add_api_route("/search.{form}", table, methods=["GET"], **PAGE)


def page(request: Request, door: DoorOf, kept: KeptOf, q: Asked = "") -> Response:
    """What fits, kind by kind; what is called so exactly first."""
    wanted = q.strip()
    hits = search(door.store, kept, wanted) if wanted else []
    kinds: dict[str, list[Hit]] = {}
    for hit in hits:
        kinds.setdefault(hit.kind, []).append(hit)
    facts = {"q": wanted, "kinds": kinds, "found": len(hits), "most": MOST_SHOWN}
    return sheet(request, "search.html", facts)


def table(request: Request, door: DoorOf, kept: KeptOf, form: Form, q: Asked = "") -> Response:
    """All that fits."""
    rows = [asdict(hit) for hit in search(door.store, kept, q.strip())] if q.strip() else []
    return rows_file(request, "search", form, rows, COLUMNS)


def search(store: Store, kept: Kept, wanted: str) -> list[Hit]:
    """Names that hold the words, hashes that begin with the digits, sessions with the tag, by kind."""
    fits = _Fits(wanted)
    hits = [*_releases(store, fits), *_results(kept, fits), *_registered(store, fits)]
    for line in kept.lines():
        by = fits.by((), line.id) or next((f"tag {tag}" for tag in line.tags if fits.named(tag)), "")
        if by:
            called = f"{line.unit}, {line.liquid}, {line.tank}"
            hits.append(Hit("Session", called, line.id, by, f"/sessions/{line.id}"))
    hits += [
        Hit("Job", f"{job.kind}, {job.state}", job.key, "hash", f"/jobs/{job.key[:ID_DIGITS]}")
        for job in (store.queued_jobs(most=MOST_JOBS) if fits.digits else ())
        if fits.by((), job.key)
    ]
    return hits


class _Fits:
    """What was asked for, as a word and as digits of a hash."""

    def __init__(self, wanted: str) -> None:
        self.word = wanted.casefold()
        is_hash = LEAST_DIGITS <= len(wanted) <= 64 and set(self.word) <= _HEX
        self.digits = self.word if is_hash else ""

    def named(self, name: str) -> bool:
        """Whether a name holds the word."""
        return self.word in name.casefold()

    def by(self, names: Iterable[str], sha256: str) -> str:
        """By what a thing was found that has these names and this hash, or the first digits of it; '' where
        it was not.
        """
        if any(map(self.named, names)):
            return "name"
        return "hash" if self.digits and sha256.startswith(self.digits[: len(sha256)]) else ""


def _releases(store: Store, fits: _Fits) -> Iterator[Hit]:
    for move in store.channels():
        if by := fits.by((move.channel,), move.sha256):
            yield Hit("Channel", move.channel, move.sha256, by, f"/channels/{quote(move.channel)}")
    for line in store.bundle_lines():
        if by := fits.by((), line.bundle_sha256):
            place = f"/bundles/{line.bundle_sha256[:ID_DIGITS]}"
            yield Hit("Bundle", f"of model {line.model}", line.bundle_sha256, by, place)


def _results(kept: Kept, fits: _Fits) -> Iterator[Hit]:
    for model in kept.models().of_name.values():
        if by := fits.by((model.name,), model.sha256):
            yield Hit("Model", model.name, model.sha256, by, f"/models/{quote(model.name)}")
    for frozen in kept.frozen_sets().of_name.values():
        if by := fits.by((frozen.name,), frozen.sha256):
            yield Hit("Frozen set", frozen.name, frozen.sha256, by, f"/frozen/{quote(frozen.name)}")


def _registered(store: Store, fits: _Fits) -> Iterator[Hit]:
    units = sorted(store.page_of_units(limit=1 << 31).items, key=lambda unit: natural(unit.name))
    for unit in units:
        if fits.named(unit.name):
            yield Hit("Unit", unit.name, "", "name", f"/units/{quote(unit.name)}")
