"""Which objects go along: everything, or some sessions with what they lean on and what was said of them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from dataset.documents import Document, name_of
from dataset.errors import InputError
from dataset.exchange.groups import OF_SESSION
from dataset.exchange.objects import REGISTRY, Offered
from dataset.exchange.reading import texts_of
from innage.jobs.sessions.finding import SessionFilter, line_of, settle, why_none

if TYPE_CHECKING:
    from dataset.records import Session
    from dataset.store import Store

_LATER = (*OF_SESSION, "retirement", "trim", "unit assignment", "unit union")


def chosen_objects(store: Store, wanted: SessionFilter) -> tuple[Offered, ...]:
    """What goes along, in order of reference.

    Raises:
        NotFoundError: a name that the store does not have. InputError: no session fits.
    """
    if not wanted.given:
        return store.objects()
    sessions = store.sessions()
    wanted = settle(store, wanted)
    chosen = wanted.of_sessions(sessions)
    if not chosen:
        raise InputError(store.name, why_none(wanted, [line_of(session) for session in sessions]))
    kept = _Kept(chosen)
    others = [
        (parcel.offered, parcel.document) for parcel in store.parcels(store.objects((*REGISTRY, *_LATER)))
    ]
    while kept.more(others):
        pass
    return tuple(one for one in store.objects((*REGISTRY, "session", *_LATER)) if one in kept.objects)


class _Kept:
    """What goes along so far, and the names that it refers to."""

    def __init__(self, sessions: list[Session]) -> None:
        self._sessions = frozenset(session.sha256 for session in sessions)
        self.objects = {Offered("session", sha256) for sha256 in self._sessions}
        self._named: set[str] = set()
        for session in sessions:
            self._named.update(_references(session.as_sealed or session))

    def more(self, documents: list[tuple[Offered, Document]]) -> bool:
        """Keep what belongs to it; whether anything was new."""
        before = len(self.objects)
        for one, document in documents:
            if one not in self.objects and self._belongs(document):
                self.objects.add(one)
                self._named.update((document.name, *texts_of(document.facts)))
        return len(self.objects) > before

    def _belongs(self, document: Document) -> bool:
        facts, kind = document.facts, document.kind
        named = self._named
        if kind in OF_SESSION:
            return facts["session"] in self._sessions
        if kind == "unit assignment":
            return facts["object"] in self._sessions or Offered("trim", facts["object"]) in self.objects
        if kind == "trim":
            return facts["unit"] in named and facts.get("session") in (None, *self._sessions)
        if kind == "unit union":
            return facts["unit"] in named or facts["other"] in named
        # benches and operators are also called by what sessions state
        also = {"retirement": "object", "bench": "identity", "operator": "name"}.get(kind)
        return document.name in named or (also is not None and facts[also] in named)


def _references(session: Session) -> Iterator[str]:
    """What a session refers to, as documents are named, and benches and operators as it states them."""
    yield from (name_of(session.sealed_unit or session.unit), name_of(session.liquid))
    yield from (name_of(session.mounting), *session.instruments)
    yield from (text for text in (session.occasion.bench, session.occasion.operator) if text is not None)
