"""A store for commands that only read: what takes them long is loading the mapper, which this does without.

It answers the questions that lists, counts and plans ask, with the records that
:class:`dataset.store.Store` gives, every hash checked that is checked there. Anything else is asked of a
``Store``, opened when it is needed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

from dataset.errors import StoreError
from dataset.store.listing import TIMEOUT_S
from dataset.store.reachable import APPLICATION_ID, connect
from dataset.store.reading import amendments, registry, results, sessions, statuses, tagging, voiding
from dataset.store.reading import sets as frozen_sets
from dataset.store.reading.rows import Rows
from migrations import REVISIONS

if TYPE_CHECKING:
    from types import TracebackType

    from dataset.records import (
        Bench,
        BoardMeasurement,
        DoorWarning,
        Frames,
        Instrument,
        Limits,
        Liquid,
        Model,
        Mounting,
        Session,
        SessionAmendment,
        StatusEvent,
        TagEvent,
        Trim,
        Unit,
        VoidEvent,
    )
    from dataset.store import Store
    from dataset.store.places import Address

T = TypeVar("T")
_DIGITS = frozenset("0123456789abcdef")
_REVISION = "SELECT version_num FROM alembic_version"
_NAMES = "ORDER BY name"
_REVISIONS = "ORDER BY name, revision"


def open_reading(path: Path | str | Address) -> Store:
    """The store at ``path`` for reading: quick where it is a file of the newest revision, else as
    :meth:`dataset.store.Store.open` opens it.
    """
    if isinstance(path, Path) and _is_current(path):
        # it has those methods of a store that are asked for quickly, and passes on every other
        return cast("Store", QuickStore(path))
    from dataset.store import Store

    return Store.open(path)


def _is_current(path: Path) -> bool:
    if not path.is_file():
        return False
    try:
        with closing(connect(path, TIMEOUT_S)) as connection:
            ours = connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
            return ours and connection.execute(_REVISION).fetchall() == [(REVISIONS[-1],)]
    except (sqlite3.Error, StoreError, UnicodeDecodeError):  # the store itself says what is the matter
        return False


class QuickStore:
    """A store's answers without the mapper; see the methods of :class:`dataset.store.Store`."""

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        self._whole_store: Store | None = None

    def __enter__(self) -> QuickStore:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        if self._whole_store is not None:
            self._whole_store.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    @property
    def _store(self) -> Store:
        if self._whole_store is None:
            from dataset.store import Store

            self._whole_store = Store.open(self.path)
        return self._whole_store

    def _read(self, work: Callable[[Rows], T], *, whole: bool = True) -> T:
        """One consistent view."""
        try:
            with closing(connect(self.path, TIMEOUT_S)) as connection:
                connection.execute("BEGIN")
                return work(Rows(connection, whole=whole))
        except (sqlite3.Error, UnicodeDecodeError) as error:
            from dataset.store.database import translated  # says it in a sentence

            with translated(self.path, TIMEOUT_S):
                raise
            raise AssertionError from error

    def _session(self, ref: str, work: Callable[[Any], T]) -> T | None:
        """What is asked of the one session whose id begins with ``ref``; None where the store has to say what
        is wrong with that.
        """
        wanted = ref.lower()
        if not wanted or not set(wanted) <= _DIGITS:
            return None

        def of_one(rows: Rows) -> T | None:
            # a range, which finds its way by the index
            fitting = rows.select(
                "capture_session", "WHERE sha256 >= ? AND sha256 < ? ORDER BY id", wanted, wanted + "g"
            )
            if len(fitting) != 1:
                return None
            rows.keep("capture_session", "id", fitting)
            return work(fitting[0])

        return self._read(of_one, whole=False)

    # -- registry --------------------------------------------------------------------------------------------

    def all_limits(self) -> tuple[Limits, ...]:
        """All limits, by name and revision."""
        return self._read(lambda rows: tuple(map(registry.to_limits, rows.select("limits", _REVISIONS))))

    def liquids(self) -> tuple[Liquid, ...]:
        """All liquids, by name."""
        return self._read(lambda rows: tuple(map(registry.to_liquid, rows.select("liquid", _NAMES))))

    def mountings(self) -> tuple[Mounting, ...]:
        """All mountings, by name."""
        return self._read(lambda rows: tuple(map(registry.to_mounting, rows.select("mounting", _NAMES))))

    def units(self) -> tuple[Unit, ...]:
        """All units, by name; several that are one stand there once."""
        shown = f"WHERE same_as_id IS NULL {_NAMES}"
        return self._read(lambda rows: tuple(map(registry.to_unit, rows.select("unit", shown))))

    def benches(self) -> tuple[Bench, ...]:
        """The benches that units come from: this store's own first, then the others by name."""
        order = "ORDER BY own DESC, name"
        return self._read(lambda rows: tuple(map(registry.to_bench, rows.select("bench", order))))

    def calibrations(self, names: Sequence[str]) -> tuple[Instrument, ...]:
        """The calibrations that a session names."""
        return self._store.calibrations(names) if names else ()

    def standard_warnings(self, of: Sequence[Session]) -> dict[str, tuple[DoorWarning, ...]]:
        """What check standards say against sessions that came in before it was known."""
        measured = self._read(lambda rows: rows.select("check_measurement", "LIMIT 1"))
        return self._store.standard_warnings(of) if measured else {}

    def retired(self, kind: str) -> dict[str, str]:
        """What of a kind is retired, and why."""
        said = self._read(lambda rows: rows.select("retirement_event", "WHERE kind = ? LIMIT 1", kind))
        return self._store.retired(kind) if said else {}

    # -- capture sessions ------------------------------------------------------------------------------------

    def sessions(self) -> tuple[Session, ...]:
        """All sessions in the order they were logged."""
        return self._read(sessions.every_session)

    def session(self, ref: str) -> Session:
        """The session whose id (or hash) starts with ``ref``."""
        return self._session(ref, sessions.to_session) or self._store.session(ref)

    def frames(self, session: Session | str, *, verify: bool = False) -> Frames:
        """The frames of a session, with ``verify`` hashed again."""
        from dataset import blocks
        from dataset.store.reading.frames import frames_of

        ref = session if isinstance(session, str) else session.sha256

        def work(row: Any) -> Frames:
            record = sessions.to_session(row)
            frames = frames_of(row.blocks, record)
            if verify:
                sessions.check(record, frames)
            return blocks.frame_by_frame(frames)

        frames = self._session(ref, work)
        return self._store.frames(ref, verify=verify) if frames is None else frames

    def mark_temperatures(self, of: Sequence[Session]) -> dict[str, tuple[float, ...]]:
        """By session hash: the mean temperature under each mark."""
        from dataset.store.reading.temperatures import means_of_marks

        return self._read(lambda rows: means_of_marks(of, rows.temperatures()))

    def void_events(self, ref: str) -> tuple[VoidEvent, ...]:
        """When a session was voided and taken back."""
        events = self._session(ref, voiding.events)
        return self._store.void_events(ref) if events is None else events

    def tag_events(self, ref: str) -> tuple[TagEvent, ...]:
        """Which tags of a session came and went."""
        events = self._session(ref, tagging.events)
        return self._store.tag_events(ref) if events is None else events

    def amendments(self, ref: str) -> tuple[SessionAmendment, ...]:
        """The amendments of a session."""
        records = self._session(ref, amendments.amendments_of)
        return self._store.amendments(ref) if records is None else records

    def trims(self, unit: str | None = None) -> tuple[Trim, ...]:
        """The trims of a unit, or of all units."""
        if unit is not None:
            return self._store.trims(unit)
        return self._read(
            lambda rows: tuple(map(frozen_sets.to_trim, rows.select("trim", "ORDER BY sequence")))
        )

    # -- models ----------------------------------------------------------------------------------------------

    def models(self) -> tuple[Model, ...]:
        """All models, by name."""
        return self._read(lambda rows: results.to_models(rows.select("model", _NAMES)))

    def status(self, model: str) -> StatusEvent | None:
        """What a model is said to be; None where nobody said."""
        of_name = self._read(
            lambda rows: [
                statuses.current(row.statuses) for row in rows.select("model", "WHERE name = ?", model)
            ]
        )
        return of_name[0] if of_name else self._store.status(model)

    def board_measurements(self, model: str | None = None) -> tuple[BoardMeasurement, ...]:
        """What boards measured of a model, or of all of them."""
        if model is not None:
            return self._store.board_measurements(model)
        return self._read(
            lambda rows: tuple(map(results.to_measurement, rows.select("board_measurement", "ORDER BY id")))
        )
