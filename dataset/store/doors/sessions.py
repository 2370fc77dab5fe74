"""Capture sessions, and what is said of them later."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sqlalchemy.orm import Session as OrmSession

from dataset.records import (
    ColumnMapping,
    Frames,
    Mark,
    MarkRevision,
    NewSession,
    Restatement,
    Session,
    SessionAmendment,
    TagEvent,
    Unit,
    VoidEvent,
)
from dataset.store import (
    admitting,
    registry,
    twins,
)
from dataset.store import sessions as stored_sessions
from dataset.store.doors.transactions import Transactions
from dataset.store.events import amending
from dataset.store.reading import amendments as amendments_read
from dataset.store.reading import sessions as sessions_read


class SessionsDoor(Transactions):
    """Sessions: logged, read, amended, voided, tagged."""

    def add_sessions(
        self,
        sessions: Sequence[NewSession],
        progress: Callable[[str, int, int], None] | None = None,
        *,
        save_mapping: ColumnMapping | None = None,
        units: Sequence[Unit] = (),
        accept: Callable[[Sequence[Session]], None] | None = None,
    ) -> tuple[Session, ...]:
        """Write and seal sessions: all of them in one transaction, or none.

        Args:
            sessions: the sessions; unit, liquid and mounting as the store gives them.
            progress: called with (what, done, total) after each.
            save_mapping: saved under its name in the same transaction.
            units: added first, in the same transaction.
            accept: given what was written, the checks' warnings too; nothing stays where it raises.

        Raises:
            InputError: frames or marks that do not fit sensor or tank, or readings that the store already
                has.
        """

        def work(orm: OrmSession) -> tuple[Session, ...]:
            for unit in units:
                registry.add_unit(orm, unit)
            if save_mapping is not None:
                registry.add_mapping(orm, save_mapping)
            added = admitting.add_sessions(orm, sessions, progress)
            if accept is not None:
                accept(added)
            return added

        return self._write(work)

    def known_session(self, new: NewSession) -> Session | None:
        """The session of the store that ``new`` is already, reading for reading and statement for statement;
        None where it could be added.

        Raises:
            InputError: it could not be added, as of :meth:`add_sessions`.
        """

        def work(orm: OrmSession) -> Session | None:
            row = admitting.known_session(orm, new)
            return None if row is None else sessions_read.to_session(row)

        return self._read(work)

    def sessions(self) -> tuple[Session, ...]:
        """All sessions in the order they were logged; void ones carry their reason."""
        return self._read_rows(sessions_read.every_session, whole=True)

    def sessions_now(self, frozen_set: str) -> tuple[Session, ...]:
        """The sessions of the frozen set of that name as they are now, whatever was said since, in the order
        they were logged.
        """
        return self._read_rows(lambda rows: sessions_read.of_frozen_set(rows, frozen_set))

    def session(self, ref: str) -> Session:
        """The session whose id (or hash) starts with ``ref``."""
        return self._read(lambda orm: sessions_read.to_session(stored_sessions.session_row(orm, ref)))

    def frames(self, session: Session | str, *, verify: bool = False) -> Frames:
        """The frames of a session; with ``verify`` the whole content is hashed again and StoreError raised
        when it differs.
        """
        ref = session if isinstance(session, str) else session.sha256
        return self._read(lambda orm: stored_sessions.frames_of(orm, ref, verify))

    def mark_temperatures(self, sessions: Sequence[Session]) -> dict[str, tuple[float, ...]]:
        """By session hash: the mean temperature, degrees Celsius, measured under each mark (of all frames
        where there is none), or NaN.
        """
        return self._read(lambda orm: stored_sessions.mark_temperatures(orm, sessions))

    def amend_marks(self, ref: str, marks: Sequence[Mark], author: str, reason: str) -> MarkRevision:
        """Write a new revision of a session's marks. The session's hash and every frozen set made before keep
        the marks they had.

        Raises:
            InputError: no author or reason, marks that do not fit the session, the marks it has already, or a
                void session.
        """
        return self._write(lambda orm: stored_sessions.amend_marks(orm, ref, marks, author, reason))

    def mark_revisions(self, ref: str) -> tuple[MarkRevision, ...]:
        """The later revisions of a session's marks, oldest first, every hash checked; the sealed marks are
        not one of them.
        """
        return self._read(lambda orm: stored_sessions.mark_revisions(orm, ref))

    def amend_session(self, ref: str, stated: Restatement, author: str, reason: str) -> SessionAmendment:
        """State anew what a session says beside its readings and marks; what is None stays as it is. The
        session's hash and every frozen set made before keep what they had. Where amendments stand beside one
        another, it follows them all.

        Raises:
            InputError: no author or reason, statements that the readings and marks refuse or that the session
                makes already, a void session, or amendments that differ in what is not stated.
        """
        return self._write(lambda orm: amending.amend_session(orm, ref, stated, author, reason))

    def amendments(self, ref: str) -> tuple[SessionAmendment, ...]:
        """The amendments of a session, each after those that it follows, every hash checked."""
        return self._read(lambda orm: amendments_read.amendments_of(stored_sessions.session_row(orm, ref)))

    def void(self, ref: str, reason: str) -> Session:
        """Record that a session must not be used, and why. It stays readable; voiding it twice is refused."""
        return self._write(lambda orm: sessions_read.to_session(stored_sessions.void(orm, ref, reason)))

    def void_sessions(self, refs: Sequence[str], reason: str) -> tuple[Session, ...]:
        """Void sessions for one reason, all of them or none; see :meth:`void`. One that is named twice is
        voided once.
        """

        def work(orm: OrmSession) -> tuple[Session, ...]:
            rows = stored_sessions.each_once(orm, refs)
            return tuple(
                sessions_read.to_session(stored_sessions.void(orm, row.sha256, reason)) for row in rows
            )

        return self._write(work)

    def take_back_void(self, ref: str, reason: str) -> Session:
        """Record that a void session can be used after all, and why.

        Raises:
            InputError: no reason, a session that is not void, or one whose recording another session in use
                holds too.
        """

        def work(orm: OrmSession) -> Session:
            return sessions_read.to_session(twins.take_back_void(orm, ref, reason))

        return self._write(work)

    def take_back_voids(self, refs: Sequence[str], reason: str) -> tuple[Session, ...]:
        """Take back the voids of sessions for one reason, all of them or none; see :meth:`take_back_void`."""

        def work(orm: OrmSession) -> tuple[Session, ...]:
            rows = [
                twins.take_back_void(orm, row.sha256, reason) for row in stored_sessions.each_once(orm, refs)
            ]
            return tuple(map(sessions_read.to_session, rows))

        return self._write(work)

    def void_events(self, ref: str) -> tuple[VoidEvent, ...]:
        """When a session was voided and taken back, in the order it came into this store, every hash
        checked.
        """
        return self._read(lambda orm: stored_sessions.void_events(orm, ref))

    def tag(self, refs: Sequence[str], tags: Sequence[str], author: str | None = None) -> tuple[Session, ...]:
        """Tag sessions, all of them or none; a tag is an event beside the session, whose hash stays.

        Raises:
            InputError: a tag that cannot be, or where every session has every tag.
        """
        return self._write(lambda orm: stored_sessions.tag(orm, refs, tags, author))

    def untag(
        self, refs: Sequence[str], tags: Sequence[str], author: str | None = None
    ) -> tuple[Session, ...]:
        """Remove tags from sessions, from all of them or none; both events stay.

        Raises:
            InputError: a session that has not all of the tags.
        """
        return self._write(lambda orm: stored_sessions.untag(orm, refs, tags, author))

    def tag_events(self, ref: str) -> tuple[TagEvent, ...]:
        """Which tags of a session came and went, in the order it came into this store, every hash checked."""
        return self._read(lambda orm: stored_sessions.tag_events(orm, ref))
