"""Lists by page, without what a filter leaves out."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol, TypeVar

from dataset.store.listing import SessionLine
from innage.jobs.sessions.finding import SessionFilter, line_of, settle

if TYPE_CHECKING:
    from dataset.records import Model, Session, Unit
    from dataset.store import Store
    from dataset.store.pages import Page

T = TypeVar("T")
AT_ONCE = 100  # items of a page, where nobody says how many


class _Pages(Protocol[T]):
    """A method of a store that gives pages."""

    def __call__(self, *, limit: int, after: str | None) -> Page[T]: ...


def page_of_sessions(store: Store, wanted: SessionFilter, after: str | None) -> Page[Session]:
    """At most ``wanted.limit`` sessions that have all that is asked for, as they were logged, behind the
    session of the id ``after``. NotFoundError for a name, or a session, that the store does not have.
    """
    settled = settle(store, wanted)
    fits = (lambda session: settled.fits(line_of(session))) if wanted.given else None
    return fitting(store.page_of_sessions, fits, lambda session: session.id, wanted.limit, after)


def page_of_lines(store: Store, wanted: SessionFilter, after: str | None) -> Page[SessionLine]:
    """As :func:`page_of_sessions`, of each what a list shows."""
    settled = settle(store, wanted)
    fits = settled.fits if wanted.given else None
    return fitting(store.page_of_session_lines, fits, lambda line: line.id, wanted.limit, after)


def page_of_models(store: Store, wanted: SessionFilter, after: str | None) -> Page[Model]:
    """At most ``wanted.limit`` models whose frozen set has a session that the filter leaves, by name, behind
    the name ``after``.
    """
    if not wanted.given:
        return fitting(store.page_of_models, None, _name, wanted.limit, after)
    left = {session.sha256 for session in settle(store, wanted).of_sessions(store.sessions())}

    def fits(model: Model) -> bool:
        return any(session.sha256 in left for session in model.frozen.sessions)

    return fitting(store.page_of_models, fits, _name, wanted.limit, after)


def page_of_units(
    store: Store, limit: int | None, after: str | None, left_out: frozenset[str] = frozenset()
) -> Page[Unit]:
    """At most ``limit`` units by name, behind the name ``after``, without those of the names ``left_out``."""
    return fitting(store.page_of_units, lambda unit: unit.name not in left_out, _name, limit, after)


def fitting(
    pages: _Pages[T],
    fits: Callable[[T], bool] | None,
    key: Callable[[T], str],
    limit: int | None,
    after: str | None,
) -> Page[T]:
    """A page of what fits, from as many pages of the store as it takes; ``fits`` is None where all does."""
    from dataset.store.pages import Page

    most, items = AT_ONCE if limit is None else limit, list[T]()
    while True:
        read = pages(limit=most if fits is None else max(most, AT_ONCE), after=after)
        for item in filter(fits, read.items) if fits else read.items:
            if len(items) == most:
                return Page(tuple(items), key(items[-1]))
            items.append(item)
        if read.next is None or fits is None:
            return Page(tuple(items), None if read.next is None else key(items[-1]))
        after = read.next


def _name(named: Model | Unit) -> str:
    return named.name
