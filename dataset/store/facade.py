"""The store: everything that is registered, captured, frozen, trained and exported, in one SQLite file.

Every method is one short transaction. Records go in and come out; rows never do. A method that adds either
did all of it or nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from sqlalchemy.orm import Session as OrmSession

from dataset.admission.rules import check_identity
from dataset.coverage import roles
from dataset.errors import InnageError, InputError
from dataset.files.scratch import scratch_folder
from dataset.labels.instruments import Calibrations
from dataset.records import (
    Bench,
    BoardMeasurement,
    Budget,
    CheckMeasurement,
    CheckStandard,
    ColumnMapping,
    ExportedFile,
    Frames,
    FrozenData,
    FrozenSet,
    GroupBy,
    Instrument,
    Limits,
    Liquid,
    Mark,
    MarkRevision,
    Model,
    ModelStatus,
    Mounting,
    NewSession,
    Operator,
    Registered,
    Restatement,
    RetirementEvent,
    Role,
    Sensor,
    Session,
    SessionAmendment,
    StatusEvent,
    TagEvent,
    Tank,
    Trim,
    Unit,
    VoidEvent,
)
from dataset.store import (
    admitting,
    check_standards,
    frozen_sets,
    instruments,
    merging,
    open_captures,
    registry,
    twins,
    units,
)
from dataset.store import sessions as stored_sessions
from dataset.store import trims as stored_trims
from dataset.store.database import HISTORY, TIMEOUT_S, Database, History, in_memory, prepare
from dataset.store.events import amending, as_text, retirements, statuses
from dataset.store.events import amendments as session_amendments
from dataset.store.merging import MergeReport, SameUnit
from dataset.store.open_captures import OpenCapture
from dataset.store.results import board_measurements, models
from dataset.store.whole import texts
from dataset.store.whole.other_store import reading_other
from dataset.store.whole.texts import TextReport
from dataset.text.events import read_events
from dataset.text.read import read_text

T = TypeVar("T")


class _UndoneError(Exception):
    """What was tried in a transaction is not meant to stay."""


class Store:
    """An open store. Use :meth:`open`; as a context manager it closes itself."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        timeout_s: float = TIMEOUT_S,
        history: History = HISTORY,
        bench: str | None = None,
    ) -> Store:
        """Open the store at ``path``; one that does not exist is made, an older one upgraded after a copy was
        kept beside it.

        Args:
            path: the file.
            timeout_s: how long to wait, in seconds, while another process writes.
            history: the revisions of the schema; only tests give another.
            bench: the identity of a new store's bench, 32 hexadecimal digits; None takes a random one. A
                store that is there keeps its own.

        Raises:
            StoreError: no store, made by a newer version, damaged, busy, or not readable.
        """
        where = Path(path).absolute()
        if bench is not None:
            check_identity("bench", bench)
        prepare(where, timeout_s=timeout_s, history=history, bench=bench)
        return cls(Database(where, timeout_s))

    @classmethod
    def in_memory(cls) -> Store:
        """A new store that no file holds and that is gone when it is closed: for trying things. One thread at
        a time may use it.
        """
        return cls(in_memory())

    @property
    def path(self) -> Path:
        """The file, absolute; ``:memory:`` for a store in memory."""
        return self._database.path

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def _write(self, work: Callable[[OrmSession], T]) -> T:
        with self._database.writing() as orm:
            return work(orm)

    def _read(self, work: Callable[[OrmSession], T]) -> T:
        with self._database.reading() as orm:
            return work(orm)

    # -- registry: names of tanks, sensors and limits have revisions, the others are unique ------------------

    def add_tank(self, tank: Tank) -> Tank:
        """Add a tank; its revision is assigned. InputError when a fact cannot be, or an earlier revision is
        the same.
        """
        return self._write(lambda orm: registry.add_tank(orm, tank))

    def tank(self, ref: str) -> Tank:
        """The tank ``name`` (latest revision) or ``name@revision``; NotFoundError lists what there is."""
        return self._read(lambda orm: registry.to_tank(registry.tank_row(orm, ref)))

    def tanks(self) -> tuple[Tank, ...]:
        """All tanks, by name and revision."""
        return self._read(registry.tanks)

    def add_sensor(self, sensor: Sensor) -> Sensor:
        """Add a sensor; its revision is assigned."""
        return self._write(lambda orm: registry.add_sensor(orm, sensor))

    def sensor(self, ref: str) -> Sensor:
        """The sensor ``name`` or ``name@revision``."""
        return self._read(lambda orm: registry.to_sensor(registry.sensor_row(orm, ref)))

    def sensors(self) -> tuple[Sensor, ...]:
        """All sensors, by name and revision."""
        return self._read(registry.sensors)

    def add_limits(self, limits: Limits) -> Limits:
        """Add limits; the revision is assigned."""
        return self._write(lambda orm: registry.add_limits(orm, limits))

    def limits(self, ref: str) -> Limits:
        """The limits ``name`` or ``name@revision``."""
        return self._read(lambda orm: registry.to_limits(registry.limits_row(orm, ref)))

    def all_limits(self) -> tuple[Limits, ...]:
        """All limits, by name and revision."""
        return self._read(registry.all_limits)

    def add_liquid(self, liquid: Liquid) -> Liquid:
        """Add a liquid under a new name."""
        return self._write(lambda orm: registry.add_liquid(orm, liquid))

    def liquid(self, name: str) -> Liquid:
        """The liquid called ``name``."""
        return self._read(lambda orm: registry.to_liquid(registry.liquid_row(orm, name)))

    def liquids(self) -> tuple[Liquid, ...]:
        """All liquids, by name."""
        return self._read(registry.liquids)

    def add_mounting(self, mounting: Mounting) -> Mounting:
        """Add a mounting under a new name; its tank and sensor are records that the store has."""
        return self._write(lambda orm: registry.add_mounting(orm, mounting))

    def mounting(self, name: str) -> Mounting:
        """The mounting called ``name``."""
        return self._read(lambda orm: registry.to_mounting(registry.mounting_row(orm, name)))

    def mountings(self) -> tuple[Mounting, ...]:
        """All mountings, by name."""
        return self._read(registry.mountings)

    def benches(self) -> tuple[Bench, ...]:
        """The benches that units come from: this store's own first, then the others by name."""
        return self._read(registry.benches)

    def bench(self, ref: str | None = None) -> Bench:
        """The bench of this name, or whose identity begins with these digits (at least 6); None is this
        store's own.
        """
        return self._read(
            lambda orm: registry.to_bench(
                registry.own_bench(orm) if ref is None else registry.bench_row(orm, ref)
            )
        )

    def name_bench(self, ref: str, name: str, note: str | None = None) -> Bench:
        """Call a bench ``name`` in this store, with another note or (None) the one it has; nothing else
        changes.
        """
        return self._write(lambda orm: registry.name_bench(orm, ref, name, note))

    def unite_units(self, one: str, other: str, reason: str) -> Unit:
        """Record that two units are one sample, and why; the unit as it is shown from now on.

        Frozen sets keep the groups that they were frozen with.
        """

        def work(orm: OrmSession) -> Unit:
            rows = (registry.unit_row(orm, one), registry.unit_row(orm, other))
            units.unite(orm, *rows, reason)
            return registry.to_unit(rows[0])

        return self._write(work)

    def part_units(self, one: str, other: str, reason: str) -> tuple[Unit, ...]:
        """Take back that two units are one, and say why; the units there are then.

        Raises:
            InputError: no reason, or nothing that says that they are one.
        """

        def work(orm: OrmSession) -> tuple[Unit, ...]:
            rows = (registry.unit_row(orm, one), registry.unit_row(orm, other))
            units.part(orm, *rows, reason)
            return registry.units(orm)

        return self._write(work)

    def add_units(self, units: Sequence[Unit]) -> tuple[Unit, ...]:
        """Add physical samples, all of them or none; the names must be new."""
        return self._write(lambda orm: tuple(registry.add_unit(orm, unit) for unit in units))

    def add_unit(self, unit: Unit) -> Unit:
        """Add a unit under a new name."""
        return self._write(lambda orm: registry.add_unit(orm, unit))

    def unit(self, name: str) -> Unit:
        """The unit called ``name``."""
        return self._read(lambda orm: registry.to_unit(registry.unit_row(orm, name)))

    def units(self) -> tuple[Unit, ...]:
        """All units, by name."""
        return self._read(registry.units)

    def add_operator(self, operator: Operator) -> Operator:
        """Put an operator on the list, under a new code."""
        return self._write(lambda orm: registry.add_operator(orm, operator))

    def operator(self, code: str) -> Operator:
        """The operator of this code."""
        return self._read(lambda orm: registry.to_operator(registry.operator_row(orm, code)))

    def operators(self) -> tuple[Operator, ...]:
        """All operators, by code."""
        return self._read(registry.operators)

    def add_instrument(self, instrument: Instrument) -> Instrument:
        """Add an instrument of this store's bench, or a further calibration of one."""
        return self._write(lambda orm: instruments.add_instrument(orm, instrument))

    def instrument(self, ref: str) -> Calibrations:
        """The instrument of this name, or NAME@BENCH, with its calibrations."""
        return self._read(lambda orm: instruments.history(orm, ref))

    def instruments(self) -> tuple[Calibrations, ...]:
        """All instruments with their calibrations, by name."""
        return self._read(instruments.histories)

    def add_check_standard(self, standard: CheckStandard) -> CheckStandard:
        """Add a check standard of this store's bench under a new name."""
        return self._write(lambda orm: check_standards.add_standard(orm, standard))

    def check_standard(self, ref: str) -> CheckStandard:
        """The check standard of this name, or NAME@BENCH."""
        return self._read(lambda orm: check_standards.to_standard(check_standards.standard_row(orm, ref)))

    def check_standards(self) -> tuple[CheckStandard, ...]:
        """All check standards, by name."""
        return self._read(check_standards.standards)

    def add_check_measurement(self, measurement: CheckMeasurement) -> CheckMeasurement:
        """Add what a check standard measured on a day."""
        return self._write(lambda orm: check_standards.add_measurement(orm, measurement))

    def check_measurements(self, standard: CheckStandard) -> tuple[CheckMeasurement, ...]:
        """What a check standard measured, by date."""
        return self._read(lambda orm: check_standards.measurements(orm, standard))

    def calibrations(self, names: Sequence[str]) -> tuple[Instrument, ...]:
        """The calibrations that a session names."""
        return self._read(lambda orm: instruments.by_hash(orm, names))

    def add_budget(self, budget: Budget) -> Budget:
        """Add a budget under a new name."""
        return self._write(lambda orm: registry.add_budget(orm, budget))

    def budget(self, name: str) -> Budget:
        """The budget called ``name``."""
        return self._read(lambda orm: registry.to_budget(registry.budget_row(orm, name)))

    def budgets(self) -> tuple[Budget, ...]:
        """All budgets, by name."""
        return self._read(registry.budgets)

    def add_mapping(self, mapping: ColumnMapping) -> ColumnMapping:
        """Save a column mapping under a new name."""
        return self._write(lambda orm: registry.add_mapping(orm, mapping))

    def mapping(self, name: str) -> ColumnMapping:
        """The column mapping called ``name``."""
        return self._read(lambda orm: registry.to_mapping(registry.mapping_row(orm, name)))

    def mappings(self) -> tuple[ColumnMapping, ...]:
        """All saved column mappings, by name."""
        return self._read(registry.mappings)

    def retire(self, kind: str, ref: str, reason: str) -> str:
        """Record that something of the registry (``kind`` is 'tank', 'unit', ...) is not to be used from now
        on, and why. It stays readable, and whatever stands on it stays as it is.

        Returns:
            Its NAME@REVISION, or its name.

        Raises:
            InputError: no such kind, no reason, or retired already. NotFoundError: no such record.
        """
        return self._write(lambda orm: self._of_registry(orm, kind, ref, reason, retirements.retire))

    def take_back_retirement(self, kind: str, ref: str, reason: str) -> str:
        """Record that something retired can be used again, and why; arguments as of :meth:`retire`."""
        return self._write(lambda orm: self._of_registry(orm, kind, ref, reason, retirements.take_back))

    @staticmethod
    def _of_registry(
        orm: OrmSession,
        kind: str,
        ref: str,
        reason: str,
        say: Callable[[OrmSession, str, Registered, str], None],
    ) -> str:
        record = registry.registered(orm, kind, ref)
        say(orm, kind, record, reason)
        return retirements.label(record)

    def retired(self, kind: str) -> dict[str, str]:
        """What of a kind is retired, by NAME@REVISION or name, and why."""
        return self._read(lambda orm: registry.retired(orm, kind))

    def retirement_events(self, kind: str, ref: str) -> tuple[RetirementEvent, ...]:
        """When something of the registry was retired and taken back, in the order it came into this store,
        every hash checked.
        """
        return self._read(lambda orm: retirements.events(orm, kind, registry.registered(orm, kind, ref)))

    def refuse_retired(self, kind: str, record: Registered) -> None:
        """InputError for a record that is out of use."""
        self._read(lambda orm: retirements.refuse_retired(orm, kind, record))

    # -- capture sessions ------------------------------------------------------------------------------------

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
            return None if row is None else stored_sessions.to_session(row)

        return self._read(work)

    def sessions(self) -> tuple[Session, ...]:
        """All sessions in the order they were logged; void ones carry their reason."""
        return self._read(lambda orm: stored_sessions.to_sessions(stored_sessions.session_rows(orm)))

    def session(self, ref: str) -> Session:
        """The session whose id (or hash) starts with ``ref``."""
        return self._read(lambda orm: stored_sessions.to_session(stored_sessions.session_row(orm, ref)))

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
        return self._read(lambda orm: session_amendments.amendments_of(stored_sessions.session_row(orm, ref)))

    def void(self, ref: str, reason: str) -> Session:
        """Record that a session must not be used, and why. It stays readable; voiding it twice is refused."""
        return self._write(lambda orm: stored_sessions.to_session(stored_sessions.void(orm, ref, reason)))

    def void_sessions(self, refs: Sequence[str], reason: str) -> tuple[Session, ...]:
        """Void sessions for one reason, all of them or none; see :meth:`void`. One that is named twice is
        voided once.
        """

        def work(orm: OrmSession) -> tuple[Session, ...]:
            rows = stored_sessions.each_once(orm, refs)
            return tuple(
                stored_sessions.to_session(stored_sessions.void(orm, row.sha256, reason)) for row in rows
            )

        return self._write(work)

    def take_back_void(self, ref: str, reason: str) -> Session:
        """Record that a void session can be used after all, and why.

        Raises:
            InputError: no reason, a session that is not void, or one whose recording another session in use
                holds too.
        """

        def work(orm: OrmSession) -> Session:
            return stored_sessions.to_session(twins.take_back_void(orm, ref, reason))

        return self._write(work)

    def take_back_voids(self, refs: Sequence[str], reason: str) -> tuple[Session, ...]:
        """Take back the voids of sessions for one reason, all of them or none; see :meth:`take_back_void`."""

        def work(orm: OrmSession) -> tuple[Session, ...]:
            rows = [
                twins.take_back_void(orm, row.sha256, reason) for row in stored_sessions.each_once(orm, refs)
            ]
            return tuple(map(stored_sessions.to_session, rows))

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

    # -- another store ---------------------------------------------------------------------------------------

    def merge(
        self,
        path: Path | str,
        *,
        dry_run: bool = False,
        progress: Callable[[str, int, int], None] | None = None,
        same_units: Sequence[SameUnit] = (),
    ) -> MergeReport:
        """Bring in what the store at ``path`` has and this one has not: all of it or nothing; the other is
        never changed.

        Args:
            path: the other store; one of an older revision is copied and the copy upgraded.
            dry_run: find out what would come in, and write nothing.
            progress: called with (what, done, total).
            same_units: units that are one sample although each store registered one of its own: the name
                here, the name there, and how somebody knows.

        Raises:
            InputError: the stores contradict each other, or are the same file.
            StoreError: the other file cannot be used.
        """
        other = Path(path).absolute()
        if other.exists() and other.samefile(self.path):
            raise InputError(str(path), "is the store itself", "the store of the other bench")
        here, there = (p.name if other.name != self.path.name else str(p) for p in (self.path, other))
        with (
            reading_other(other, self._database.timeout_s, HISTORY) as theirs,
            self._database.writing() as orm,
        ):
            report = merging.merge(orm, here, theirs, there, progress, same_units)
            if dry_run:
                orm.rollback()
            return report

    # -- plain text ------------------------------------------------------------------------------------------

    def to_text(self) -> dict[str, str]:
        """Registry, limits and marks as text files, by their path in a folder; see
        :mod:`dataset.text.write`.
        """
        return self._read(texts.collect)

    def from_text(self, files: Mapping[str, str]) -> TextReport:
        """Bring in what text files hold and this store has not: all of it or nothing, as :meth:`merge` does
        with another store.

        Raises:
            InputError: a file that cannot be read, marks that do not have their hash, or text that
                contradicts the store.
        """
        content, said = read_text(files), read_events(files)
        bench = self.bench().identity  # of units for which the text names no other
        with scratch_folder() as folder, Store.open(folder / "text.db", bench=bench) as aside:
            aside._write(lambda orm: texts.add_registry(orm, content.registry))
            aside._write(lambda orm: as_text.add_events(orm, said))
            with reading_other(aside.path, TIMEOUT_S, HISTORY) as theirs, self._database.writing() as orm:
                report = merging.merge(orm, self.path.name, theirs, "the text")
                return texts.add_revisions(orm, content, said, report)

    # -- live captures ---------------------------------------------------------------------------------------

    def begin_capture(
        self, name: str, unit: Unit, liquid: Liquid, mounting: Mounting, settings: Mapping[str, Any]
    ) -> OpenCapture:
        """Open a live capture under a new name; ``settings`` is whatever the front end has to know when it
        goes on.
        """
        return self._write(lambda orm: open_captures.begin(orm, name, unit, liquid, mounting, settings))

    def append_to_capture(
        self, known: OpenCapture, frames: Frames, entries: Sequence[Mapping[str, Any]]
    ) -> int:
        """Add frames and entries to a capture as it is ``known`` to the writer; how many blocks
        were written.
        """
        return self._write(
            lambda orm: open_captures.append(
                orm, known.name, known.blocks, len(known.entries), frames, entries
            )
        )

    def open_capture(self, name: str) -> OpenCapture:
        """The open capture called ``name``; NotFoundError lists those that are open."""
        return self._read(lambda orm: open_captures.to_open(open_captures.row_of(orm, name)))

    def open_captures(self) -> tuple[OpenCapture, ...]:
        """All open captures, oldest first."""
        return self._read(
            lambda orm: tuple(open_captures.to_open(row) for row in open_captures.all_rows(orm))
        )

    def open_frames(self, name: str) -> Frames:
        """The frames of an open capture so far."""
        return self._read(lambda orm: open_captures.frames_of(orm, name))

    def seal_capture(self, name: str, new: NewSession) -> Session:
        """Make an open capture the session ``new`` and remove it, both or neither; checked like every
        session.
        """
        return self._write(lambda orm: open_captures.seal(orm, name, new))

    def discard_capture(self, name: str) -> None:
        """Remove an open capture and everything in it."""
        self._write(lambda orm: open_captures.discard(orm, name))

    # -- trims -----------------------------------------------------------------------------------------------

    def add_trim(self, trim: Trim) -> Trim:
        """Keep a trim in its unit's history.

        Raises:
            InputError: counts or facts that its kind does not allow, a dry trim that looks wet, or one that
                is there already.
        """
        return self._write(lambda orm: stored_trims.add_trim(orm, trim))

    def add_trims(self, trims: Sequence[Trim], units: Sequence[Unit] = ()) -> tuple[Trim, ...]:
        """Keep trims in their units' histories, and first add the ``units`` that are new: all, or none.
        Errors as of :meth:`add_trim`.
        """

        def work(orm: OrmSession) -> tuple[Trim, ...]:
            for unit in units:
                registry.add_unit(orm, unit)
            return stored_trims.add_trims(orm, trims)

        return self._write(work)

    def refused_trims(self, trims: Sequence[Trim], units: Sequence[Unit] = ()) -> dict[int, InnageError]:
        """Which of these trims :meth:`add_trims` would refuse, by their places, and why; adds nothing."""
        refused: dict[int, InnageError] = {}

        def work(orm: OrmSession) -> None:
            for unit in units:
                registry.add_unit(orm, unit)
            stored_trims.add_trims(orm, trims, refused)
            raise _UndoneError

        with suppress(_UndoneError):
            self._write(work)
        return refused

    def trims(self, unit: str | None = None) -> tuple[Trim, ...]:
        """The trims of a unit, or of all units, in the order they were added, every hash checked."""
        return self._read(lambda orm: stored_trims.trims(orm, unit))

    def doubts_of_trims(self, taken: Sequence[Trim]) -> dict[str, str]:
        """Which of these trims were taken from a session that says something else by now, or that is void: by
        the trim's hash, and why.
        """
        return self._read(lambda orm: stored_trims.doubts(orm, taken))

    def dry_counts(self, mounting: Mounting) -> tuple[tuple[str, tuple[float, ...]], ...]:
        """Units with frames marked at a level below every pad of a mounting, and the median count of each
        channel over those frames.
        """
        return self._read(lambda orm: stored_trims.dry_counts(orm, mounting))

    # -- frozen sets -----------------------------------------------------------------------------------------

    def freeze(
        self,
        name: str,
        sessions: Sequence[Session | str],
        group_by: GroupBy,
        roles: Mapping[str, Role],
        seed: int | None = None,
        *,
        allow_mixed: bool = False,
        edges_c: Sequence[float] = (),
        even_if_warned: str | None = None,
    ) -> FrozenSet:
        """Freeze a choice of sessions, each group with its role.

        Args:
            name: a new name.
            sessions: sessions or their ids; none void, all of one kind of sensor, each with a labelled frame.
            group_by: what the groups are.
            roles: every group's role; see :func:`dataset.coverage.roles.groups_of` for the groups there are.
            seed: kept beside the set when the roles were drawn with one; not part of the hash.
            allow_mixed: take simulated and measured sessions together; the set then says 'partly simulated'.
            edges_c: of temperature bands, rising, degrees Celsius, where these are the groups; kept with the
                set, and part of its hash.
            even_if_warned: why sessions may be in it whose readings and statements do not go together, by the
                checks at the door, and trims of sessions that were amended since or are void; kept with the
                set, not part of the hash.
        """
        refs = [s if isinstance(s, str) else s.sha256 for s in sessions]
        return self._write(
            lambda orm: frozen_sets.add_frozen_set(
                orm,
                name,
                refs,
                group_by,
                roles,
                seed,
                frozen_sets.Allowed(allow_mixed, even_if_warned),
                edges_c,
            )
        )

    def frozen_set(self, name: str) -> FrozenSet:
        """The frozen set called ``name``, its hash checked."""
        return self._read(lambda orm: frozen_sets.to_frozen_set(frozen_sets.frozen_set_row(orm, name)))

    def frozen_sets(self) -> tuple[FrozenSet, ...]:
        """All frozen sets, by name."""
        return self._read(frozen_sets.frozen_sets)

    def frozen_data(self, frozen: FrozenSet) -> FrozenData:
        """The labelled frames of a frozen set, every hash checked; InputError when one of its sessions was
        voided since.
        """
        return self._read(lambda orm: frozen_sets.data(orm, frozen))

    def groups(self, frozen: FrozenSet) -> tuple[roles.Group, ...]:
        """The groups of a frozen set, with their labelled frames and their sessions."""
        return self._read(lambda orm: frozen_sets.groups(orm, frozen))

    def frames_outside(self, frozen: FrozenSet) -> int:
        """How many labelled frames were measured outside the temperature band that their mark's mean lies in;
        0 where groups are something else.
        """
        return self._read(lambda orm: frozen_sets.frames_outside(orm, frozen))

    def open_prove(self, frozen: FrozenSet, purpose: str) -> int:
        """Record that the prove groups are looked at; the count of openings so far, this one included.

        Openings of the same choice under another name count: it is the same data.
        """
        return self._write(lambda orm: frozen_sets.open_prove(orm, frozen, purpose))

    def prove_openings(self, frozen: FrozenSet) -> int:
        """How often the prove groups were opened."""
        return self._read(lambda orm: frozen_sets.prove_openings(orm, frozen))

    def prove_purposes(self, frozen: FrozenSet) -> tuple[str, ...]:
        """What the prove groups were opened for under this name, in order."""
        return self._read(lambda orm: frozen_sets.prove_purposes(orm, frozen))

    # -- models and exports ----------------------------------------------------------------------------------

    def add_model(self, model: Model) -> Model:
        """Keep a model under a new name; its frozen set and limits are records that the store has."""
        return self._write(lambda orm: models.add_model(orm, model))

    def model(self, name: str) -> Model:
        """The model called ``name``."""
        return self._read(lambda orm: models.to_model(models.model_row(orm, name)))

    def models(self) -> tuple[Model, ...]:
        """All models, by name."""
        return self._read(models.models)

    def set_status(self, model: str, status: ModelStatus, author: str, reason: str) -> StatusEvent:
        """Record what a model is from now on, who says so and why.

        Raises:
            InputError: no author or reason, or what it is already. NotFoundError: no such model.
        """
        return self._write(lambda orm: statuses.set_status(orm, model, status, author, reason))

    def status(self, model: str) -> StatusEvent | None:
        """What a model is said to be; None where nobody said."""
        return self._read(lambda orm: statuses.current(models.model_row(orm, model).statuses))

    def status_events(self, model: str) -> tuple[StatusEvent, ...]:
        """What was said of a model, in the order it came into this store, every hash checked."""
        return self._read(lambda orm: tuple(map(statuses.to_event, models.model_row(orm, model).statuses)))

    def add_export(self, model: Model, bundle_sha256: str, files: Mapping[str, str]) -> None:
        """Record the files (name -> SHA-256) that an export of ``model`` wrote; the same bundle again changes
        nothing.
        """
        self._write(lambda orm: models.add_export(orm, model, bundle_sha256, files))

    def exported(self, sha256: str) -> tuple[ExportedFile, ...]:
        """Every exported file with this SHA-256; NotFoundError when this store exported none."""
        return self._read(lambda orm: models.exported(orm, sha256))

    def add_board_measurement(self, measured: BoardMeasurement) -> None:
        """Record what a board measured; the same again changes nothing."""
        self._write(lambda orm: board_measurements.add(orm, measured))

    def board_measurements(self, model: str | None = None) -> tuple[BoardMeasurement, ...]:
        """What boards measured of a model, or of all of them, in the order in which it was recorded."""
        return self._read(lambda orm: board_measurements.of_model(orm, model))
