"""The store's own integrity: every page, every reference, every hash. What is damaged is named; everything
else is still looked at.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InnageError, StoreError
from dataset.files.scratch import scratch_folder
from dataset.records import ID_DIGITS
from dataset.store import (
    check_standards,
    instruments,
    registry,
    tables,
    units,
)
from dataset.store.database import (
    HISTORY,
    TIMEOUT_S,
    Database,
    no_such_file,
    prepare,
    revision_of,
    translated,
)
from dataset.store.events import channels, withdrawals
from dataset.store.events.voiding import is_void
from dataset.store.frozen_sets import prove_openings
from dataset.store.places import Address, place_of
from dataset.store.proof import check, raw
from dataset.store.queue import adding as queue
from dataset.store.queue.rows import to_event
from dataset.store.reachable import connect
from dataset.store.reading import results as results_read
from dataset.store.reading.results import to_model
from dataset.store.reading.sessions import to_session
from dataset.store.results import bundles
from dataset.store.team import chain, receipts, sign_ins, tokens
from dataset.store.whole import schema
from dataset.store.whole.each import (
    Read,
    check_export,
    check_frozen_set,
    check_measurement,
    check_open_capture,
    check_opening,
    check_retirement,
    check_session,
    check_sessions,
    check_status,
    check_tag,
    check_trim,
    check_void,
    reader,
    revisions_count_up,
)

if TYPE_CHECKING:
    from dataset.store.server.database import ServerDatabase

MOST_BYTES = 1 << 40  # of a store, so that a damaged head cannot ask for any length
MOST_LINES = 20  # of what SQLite finds wrong with the file
TOGETHER = 64  # things of a kind that are read in one transaction
Progress = Callable[[str, int, int], None]
ReadMany = Callable[[OrmSession, Sequence[int | str]], None]


DigestOf = Callable[[str], str]


@dataclass(frozen=True)
class Fault:
    """What is damaged, and a sentence that says how."""

    what: str
    sentence: str


@dataclass(frozen=True)
class IntegrityReport:
    """How many things of each kind were looked at, and what is wrong with them.

    ``warnings`` are no damage, but something that a reader of the figures must know. ``hashed_by_upgrade``
    counts records whose hash was made when the store was upgraded: it proves only what stood there then.
    """

    checked: tuple[tuple[str, int], ...]
    faults: tuple[Fault, ...]
    warnings: tuple[Fault, ...] = ()
    hashed_by_upgrade: int = 0

    @property
    def sound(self) -> bool:
        """Whether nothing was found."""
        return not self.faults


def check_store(
    path: Path | str | Address,
    *,
    timeout_s: float = TIMEOUT_S,
    digest_of: DigestOf | None = None,
    progress: Progress | None = None,
) -> IntegrityReport:
    """Read everything that the store at ``path`` holds and hash it again; nothing is written, an older file
    is upgraded first. Every column is covered: by the hash of a session, a revision of marks, a trim or a
    frozen set, or by that of its record (:mod:`dataset.store.proof`).

    Args:
        path: the store, a file or on a server; it must exist.
        timeout_s: how long to wait while another process writes.
        digest_of: the digest of a program's JSON text, to compare with the hash of its model.
        progress: called with (what, done, total).

    Raises:
        StoreError: there is no such file, it is no store, of a newer version, or damaged so that not even its
            revision can be read.
    """
    place = place_of(path)
    if isinstance(place, Address):
        from dataset.store.server.database import open_server

        with closing(open_server(place, timeout_s)) as server:
            return _look(server, digest_of, progress)
    where = place.absolute()
    if not where.exists():
        raise no_such_file(where)
    missing = cut_short(where)
    if missing:
        with scratch_folder() as folder:
            fill_up(where, folder / where.name)
            report = _check(folder / where.name, timeout_s, digest_of, progress)
        size = where.stat().st_size
        return replace(
            report, faults=(Fault("file", f"it ends after {size} of {size + missing} bytes"), *report.faults)
        )
    return _check(where, timeout_s, digest_of, progress)


def _check(
    where: Path, timeout_s: float, digest_of: DigestOf | None, progress: Progress | None
) -> IntegrityReport:
    if revision_of(where, timeout_s, HISTORY) != HISTORY.head:
        prepare(where, timeout_s=timeout_s)
    with translated(where, timeout_s), closing(connect(where, timeout_s)) as only:
        return _look(Database(where, timeout_s, only), digest_of, progress)


def _look(
    database: Database | ServerDatabase, digest_of: DigestOf | None, progress: Progress | None
) -> IntegrityReport:
    checking = _Checking(database, digest_of, progress or (lambda _what, _done, _total: None))
    checking.beneath()
    checking.everything()
    checking.schema()
    return IntegrityReport(
        tuple(checking.checked.items()),
        tuple(checking.faults),
        tuple(checking.warnings),
        checking.hashed_by_upgrade,
    )


def cut_short(path: Path) -> int:
    """How many bytes of the file at ``path`` are missing at its end, by the count of pages in its head
    (sqlite.org/fileformat2.html, 1.3).
    """
    if not path.is_file() or path.with_name(f"{path.name}-wal").exists():
        return 0  # pages that wait in there are not in the file yet
    with path.open("rb") as file:
        head = file.read(100)
    size = int.from_bytes(head[16:18], "big")
    whole = (65536 if size == 1 else size) * int.from_bytes(head[28:32], "big")
    known = (
        head.startswith(b"SQLite format 3\0") and head[24:28] == head[92:96]
    )  # only then is the count of pages valid
    return max(0, whole - path.stat().st_size) if known and whole <= MOST_BYTES else 0


def fill_up(path: Path, copy: Path) -> None:
    """Copy a file that was cut short to ``copy``, with zeros for what is missing: SQLite reads only files of
    the length that they say.
    """
    whole = path.stat().st_size + cut_short(path)
    shutil.copyfile(path, copy)
    with copy.open("rb+") as file:
        file.truncate(whole)


class _Checking:
    """One check on its way. Some things of a kind are read in one transaction; where one of them fails, each
    is read again in a transaction of its own, so that a damaged page spoils what lies on it and no more.
    """

    def __init__(
        self, database: Database | ServerDatabase, digest_of: DigestOf | None, progress: Progress
    ) -> None:
        self.database, self.digest_of, self.progress = database, digest_of, progress
        self.checked: dict[str, int] = {}
        self.faults: list[Fault] = []
        self.warnings: list[Fault] = []
        self.hashed_by_upgrade = 0

    def beneath(self) -> None:
        """What the database itself says of its pages, and references to rows that are not there."""
        if isinstance(self.database.place, Address):
            self._try("references", self._references)
            self.checked["database"] = 1
            return
        path = self.database.place
        try:
            with (
                translated(path, self.database.timeout_s),
                closing(connect(path, self.database.timeout_s)) as connection,
            ):
                lines = [str(line) for (line,) in connection.execute(f"PRAGMA integrity_check({MOST_LINES})")]
                self.faults += [Fault("file", line.strip()) for line in lines if line != "ok"]
                for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
                    self.faults.append(
                        Fault(f"row {row} of {table}", f"refers to a row of {parent} that is not there")
                    )
        except StoreError as error:
            self.faults.append(Fault("file", error.found))
        self.checked["file"] = 1

    def _references(self, orm: OrmSession) -> None:
        """A server looks after its own pages; rows that were written while its triggers were off can still
        refer to nothing.
        """
        for table in tables.Base.metadata.sorted_tables:
            for key in table.foreign_keys:
                parent = key.column.table.alias()
                there = exists().where(parent.c[key.column.name] == key.parent)
                lost = select(*table.primary_key).where(key.parent.is_not(None), ~there)
                for row in orm.execute(lost.limit(MOST_LINES)):
                    which = ", ".join(map(str, row))
                    self.faults.append(
                        Fault(
                            f"row {which} of {table.name}",
                            f"refers to a row of {key.column.table.name} that is not there",
                        )
                    )

    def schema(self) -> None:
        """Tables, columns, triggers and indexes, held against those of the revision."""
        self._try("schema", self._schema)

    def _schema(self, orm: OrmSession) -> None:
        if isinstance(self.database.place, Address):
            from dataset.store.server.schema import differences

            found = differences(orm.connection())
        else:
            found = schema.differences(cast(Any, orm.connection().connection.driver_connection))
        self.faults += [Fault(what, how) for what, how in found]

    def everything(self) -> None:
        """Every kind of record, one by one."""
        for what, row_type, to_record in (
            ("tank", tables.TankRow, registry.to_tank),
            ("sensor", tables.SensorRow, registry.to_sensor),
            ("liquid", tables.LiquidRow, registry.to_liquid),
            ("mounting", tables.MountingRow, registry.to_mounting),
            ("operator", tables.OperatorRow, registry.to_operator),
            ("instrument", tables.InstrumentRow, instruments.to_instrument),
            ("check standard", tables.CheckStandardRow, check_standards.to_standard),
            ("bench", tables.BenchRow, units.check_bench),
            ("unit", tables.UnitRow, units.check_unit),
            ("budget", tables.BudgetRow, registry.to_budget),
            ("limits", tables.LimitsRow, registry.to_limits),
            ("mapping", tables.MappingRow, registry.to_mapping),
            ("frozen set", tables.FrozenSetRow, check_frozen_set),
        ):
            self._each(what, self._keys(what, row_type, "id", "name"), reader(row_type, to_record))
        for what, row_type in (
            ("tank", tables.TankRow),
            ("sensor", tables.SensorRow),
            ("limits", tables.LimitsRow),
        ):
            self._try(f"list of {what}s", partial(revisions_count_up, what=what, row_type=row_type))
        self._try("list of units", units.check_all)
        for what, event in (
            ("unit assignment", tables.UnitAssignmentRow),
            ("unit union", tables.UnitUnionRow),
        ):
            self._each(
                what, self._keys(what, event, "sequence", "sequence"), reader(event, lambda _row: None)
            )
        self._each(
            "check measurement",
            self._keys("check measurement", tables.CheckMeasurementRow, "sequence", "date"),
            reader(tables.CheckMeasurementRow, check_measurement),
        )
        self._each("session", self._sessions(), check_session, check_sessions)
        self._each("void", self._keys("void", tables.VoidRow, "sequence", "sequence"), check_void)
        self._each("tag", self._keys("tag", tables.TagRow, "sequence", "sequence"), check_tag)
        self._each(
            "retirement", self._keys("retirement", tables.RetirementRow, "sequence", "name"), check_retirement
        )
        self._each("status", self._keys("status", tables.StatusRow, "sequence", "sequence"), check_status)
        self._each(
            "trim",
            self._keys("trim", tables.TrimRow, "sequence", "sha256"),
            reader(tables.TrimRow, check_trim),
        )
        self._each(
            "prove opening",
            self._keys("prove opening", tables.ProveOpeningRow, "sequence", "sequence"),
            check_opening,
        )
        self._each("model", self._keys("model", tables.ModelRow, "id", "name"), self._model)
        self._each("export", self._keys("export", tables.ExportRow, "id", "bundle_sha256"), check_export)
        self._each(
            "board measurement",
            self._keys("board measurement", tables.BoardMeasurementRow, "id", "bundle_sha256"),
            reader(tables.BoardMeasurementRow, results_read.to_measurement),
        )
        self._releases()
        self._each(
            "open capture",
            self._keys("open capture", tables.OpenCaptureRow, "id", "name"),
            check_open_capture,
        )
        self._team()
        self._try("list of sessions", self._duplicates)
        self._try("list of sessions", self._standards)
        self._try("hashes", self._by_upgrade)

    def _team(self) -> None:
        """Tokens, receipts, blobs on their way in, and the audit chain."""
        for what, row_type, look in (
            ("token", tables.TokenRow, tokens.check_times),
            ("revocation", tables.TokenRevocationRow, lambda _row: None),
            ("use of a token", tables.TokenUseRow, lambda _row: None),
            ("sign-in", tables.SignInRow, sign_ins.check_times),
            ("receipt", tables.ReceiptRow, receipts.to_receipt),
            ("staged blob", tables.StagedBlobRow, receipts.check_staged),
            ("job", tables.JobRow, queue.check_job),
            ("job event", tables.JobEventRow, to_event),
            ("job file", tables.JobFileRow, queue.plain),
        ):
            self._each(what, self._keys(what, row_type, "id", "id"), reader(row_type, look))
        self._try("audit chain", self._chain)

    def _chain(self, orm: OrmSession) -> None:
        for fault in chain.walk(chain.entries(partial(raw, orm.connection()))).faults:
            self.faults.append(Fault(fault.where, fault.sentence))
        self.checked["audit row"] = orm.scalar(select(func.count()).select_from(tables.AuditRow)) or 0

    def _releases(self) -> None:
        """What was let out: files of bundles, what was signed of them, channels and withdrawals."""
        content, signature = tables.BundleContentRow, tables.BundleSignatureRow
        files = self._keys("bundle file", content, "id", "sha256")
        self._each("bundle file", files, reader(content, bundles.plain))
        signed = self._keys("bundle signature", signature, "id", "bundle_sha256")
        self._each("bundle signature", signed, reader(signature, bundles.to_signature))
        moved = self._keys("channel move", tables.ChannelMoveRow, "id", "channel")
        self._each("channel move", moved, channels.check_move)
        withdrawn = self._keys("withdrawal", tables.WithdrawalRow, "id", "bundle_sha256")
        self._each("withdrawal", withdrawn, withdrawals.check_withdrawal)

    def _duplicates(self, orm: OrmSession) -> None:
        """Sessions that hold the same counts, which are refused by now where they come in."""
        held = (
            select(tables.SessionRow.counts_sha256, tables.SessionRow.sha256)
            .where(~is_void(), tables.SessionRow.counts_sha256.is_not(None))
            .order_by(tables.SessionRow.counts_sha256, tables.SessionRow.id)
        )
        for _, rows in groupby(orm.execute(held), key=lambda row: row[0]):
            first, *others = [sha256[:ID_DIGITS] for _, sha256 in rows]
            for twin in others:
                self.warnings.append(
                    Fault(
                        f"session {twin}",
                        f"has, frame by frame, the counts of session {first}: one recording, logged twice; "
                        "void the wrong one",
                    )
                )

    def _standards(self, orm: OrmSession) -> None:
        """Sessions of days on which a check standard was beyond its limits, as was known after they came
        in.
        """
        if orm.scalar(select(tables.CheckMeasurementRow.sequence).limit(1)) is None:
            return
        begun = select(tables.SessionRow).order_by(tables.SessionRow.id)
        sessions = []
        for row in orm.scalars(begun):
            with suppress(Exception):  # what cannot be read is named where sessions are looked at
                sessions.append(to_session(row))
        for sha256, warnings in check_standards.warnings_since(orm, sessions).items():
            self.warnings += [
                Fault(f"session {sha256[:ID_DIGITS]}", warning.sentence) for warning in warnings
            ]

    def _by_upgrade(self, orm: OrmSession) -> None:
        """How many records have a hash that was made when the store was upgraded."""
        marked = [
            table.name for table in tables.Base.metadata.sorted_tables if "hashed_by_upgrade" in table.c
        ]
        counts = " + ".join(f"(SELECT count(*) FROM {table} WHERE hashed_by_upgrade)" for table in marked)  # noqa: S608 - names of ours
        self.hashed_by_upgrade = raw(orm.connection(), f"SELECT {counts}").scalar() or 0

    def _each(
        self,
        what: str,
        keys: Sequence[tuple[int | str, str]],
        read: Read,
        read_many: ReadMany | None = None,
    ) -> None:
        for start in range(0, len(keys), TOGETHER):
            some = keys[start : start + TOGETHER]
            self.progress(what, start, len(keys))
            if self._sound([key for key, _ in some], read, read_many):
                continue
            for done, (key, name) in enumerate(some, start):
                self.progress(what, done, len(keys))
                self._try(f"{what} {name}", partial(read, key=key))
        self.checked[what] = len(keys)

    def _sound(self, keys: Sequence[int | str], read: Read, read_many: ReadMany | None) -> bool:
        """Whether all of these are read without an error, in one transaction."""
        try:
            with self.database.reading() as orm:
                if read_many is None:
                    for key in keys:
                        read(orm, key=key)
                else:
                    read_many(orm, keys)
        except Exception:  # whatever it is, it is told where each is read by itself
            return False
        return True

    def _try(self, what: str, read: Callable[[OrmSession], object]) -> None:
        try:
            with self.database.reading() as orm:
                read(orm)
        except InnageError as error:
            self.faults.append(
                Fault(what, f"{error.found}{'; expected ' + error.expected if error.expected else ''}")
            )
        except (
            Exception
        ) as error:  # bytes changed at random may break any reading, and the others must still be looked at
            self.faults.append(Fault(what, f"cannot be read ({type(error).__name__}: {error})"))

    def _keys(
        self, what: str, row_type: type[tables.Base], key: str, name: str
    ) -> list[tuple[int | str, str]]:
        keys: list[tuple[int | str, str]] = []
        names = f"SELECT {key}, {name} FROM {row_type.__tablename__} ORDER BY {key}"  # noqa: S608 - names of ours

        def read(orm: OrmSession) -> None:
            for k, n in map(tuple, raw(orm.connection(), names)):
                keys.append((k, str(n)[:ID_DIGITS] if "sha256" in name else str(n)))

        self._try(f"list of {what}s", read)
        return keys

    def _sessions(self) -> list[tuple[int | str, str]]:
        """Sessions by hash: SQLite finds those in the index alone, which a damaged page of the table leaves
        whole.
        """
        keys: list[tuple[int | str, str]] = []
        hashes = select(tables.SessionRow.sha256)
        self._try(
            "list of sessions",
            lambda orm: keys.extend((sha256, sha256[:ID_DIGITS]) for sha256 in orm.scalars(hashes)),
        )
        return sorted(keys)

    def _model(self, orm: OrmSession, key: int | str) -> None:
        model = to_model(orm.get_one(tables.ModelRow, key))
        for text in (model.recipe, model.versions, model.metrics):
            json.loads(text)
        actual = model.sha256 if self.digest_of is None else self.digest_of(model.program)
        check(f"model {model.name}", actual, model.sha256)
        counted, kept = json.loads(model.metrics).get("openings", 0), prove_openings(orm, model.frozen)
        if isinstance(counted, int) and counted > kept:
            raise StoreError(
                f"model {model.name}", f"{kept} openings of its prove groups are kept", f"at least {counted}"
            )
