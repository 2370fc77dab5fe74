"""Lists that grow, a page at a time."""

from __future__ import annotations

from dataset.records import FrozenSet, Model, Session, Trim, Unit
from dataset.store import pages, standing
from dataset.store.doors.transactions import Transactions
from dataset.store.listing import SessionLine
from dataset.store.pages import AT_ONCE, Asked, Page
from dataset.store.registry import unit_ids
from dataset.store.standing import Standing


class PagesDoor(Transactions):
    """Pages of sessions, units, trims, frozen sets and models: at most ``limit`` of them behind the key
    ``after``, which is that of the page before (:attr:`Page.next`), or any other's; None is the beginning.
    InputError for a ``limit`` below one.
    """

    def page_of_sessions(self, *, limit: int = AT_ONCE, after: str | None = None) -> Page[Session]:
        """Sessions as they were logged, void ones included. The key is the hash, or its first digits;
        NotFoundError where no session has it.
        """
        return self._read_rows(lambda rows: pages.sessions(rows, Asked(limit, after)))

    def page_of_session_lines(self, *, limit: int = AT_ONCE, after: str | None = None) -> Page[SessionLine]:
        """As :meth:`page_of_sessions`, of each what a list shows: many times quicker."""
        return self._read_rows(lambda rows: pages.session_lines(rows, Asked(limit, after)))

    def counts(self) -> dict[str, int]:
        """How many there are of each kind of thing: tanks, sessions, models and so on."""
        return self._read_rows(pages.counts)

    def state_of_sessions(self) -> tuple[int, ...]:
        """Numbers that are others once anything came in, or was said, of sessions and of what they were taken
        on: whoever keeps what they come to asks for these first.
        """
        return self._read_rows(standing.state_of_sessions)

    def standing_lines(self, before: Standing[SessionLine] | None = None) -> Standing[SessionLine]:
        """Every session as lists show it; where ``before`` is what this gave earlier, only those are read
        that came in since, or of which something was said.
        """
        return self._read_rows(lambda rows: standing.standing_lines(rows, before))

    def standing_sessions(self, before: Standing[Session] | None = None) -> Standing[Session]:
        """As :meth:`standing_lines`, each session whole; those that stayed as they were are the same
        records.
        """
        return self._read_rows(lambda rows: standing.standing_sessions(rows, before), whole=before is None)

    def page_of_trims(
        self, unit: str | None = None, *, limit: int = AT_ONCE, after: str | None = None
    ) -> Page[Trim]:
        """The trims of a unit, or of all units, in the order they were added. The key is the hash, or its
        first digits; NotFoundError where no trim has it, and for a unit that is not there.
        """
        units = None if unit is None else self._read(lambda orm: unit_ids(orm, unit))
        return self._read_rows(lambda rows: pages.trims(rows, units, Asked(limit, after)))

    def page_of_units(self, *, limit: int = AT_ONCE, after: str | None = None) -> Page[Unit]:
        """Units by name, byte by byte. The key is the name, which need not be there."""
        return self._read_rows(lambda rows: pages.units(rows, Asked(limit, after)))

    def page_of_frozen_sets(self, *, limit: int = AT_ONCE, after: str | None = None) -> Page[FrozenSet]:
        """Frozen sets by name, byte by byte. The key is the name, which need not be there."""
        return self._read_rows(lambda rows: pages.frozen_sets(rows, Asked(limit, after)))

    def page_of_models(self, *, limit: int = AT_ONCE, after: str | None = None) -> Page[Model]:
        """Models by name, byte by byte. The key is the name, which need not be there."""
        return self._read_rows(lambda rows: pages.models(rows, Asked(limit, after)))
