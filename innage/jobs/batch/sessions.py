"""Many files, each with statements of its own: a line a file, all checked first, then all logged or none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, overload

from dataset.errors import InnageError, InputError, NotFoundError
from dataset.files.record_lines import RecordLine, over, read_record_lines
from dataset.records import Unit
from innage.jobs import Progress, silent
from innage.jobs.batch.faults import LinesRefusedError, check_each
from innage.jobs.batch.statements import Settled, Statements, settle
from innage.jobs.sessions.logging_files import read_session
from innage.jobs.stages import staged

if TYPE_CHECKING:
    from dataset.admission.session_files import ParsedFile
    from dataset.records import NewSession, Session
    from dataset.store import Store

FILE = "file"
STATEMENTS = tuple(field.name for field in fields(Statements))
HEADINGS = (FILE, *STATEMENTS)
_KEPT_BYTES = 256 << 20  # of frames between checking and logging; files beyond are read again
_STAGES = (("checking",), ("logging",))


@dataclass(frozen=True)
class LoggedLine:
    """A line's session; ``known``: it was in the store already, with the same readings and statements."""

    line: int
    session: Session
    file: ParsedFile
    known: bool


@dataclass(frozen=True)
class _Line:
    """A line that was checked: its session in the store, or its hash of readings until it is logged."""

    line: RecordLine
    path: Path
    settled: Settled
    source_sha256: str
    known: Session | None
    read: tuple[NewSession, ParsedFile] | None


def log_batch(
    store: Store,
    batch: Path,
    stated: Statements | None = None,
    *,
    add_units: bool = False,
    even_if_warned: bool = False,
    progress: Progress = silent,
) -> tuple[LoggedLine, ...]:
    """Log a file a line, each with what the line states: all of them, or none.

    What is in the store already, with the same readings and statements, is skipped, so that the same batch
    can be logged again once it has grown.

    Args:
        store: the open store.
        batch: CSV with a heading ``file`` and any that :class:`Statements` has; files stand beside it.
        stated: what holds for each line that doesn't state it.
        add_units: units that the store does not have are added.
        even_if_warned: lines are logged too whose session has a warning that :meth:`Store.freeze` refuses,
            such as levels that were read in another unit.
        progress: called with (what, done, total).

    Raises:
        InputError: headings or lines that can't be read.
        LinesRefusedError: lines that can't be used, each with what is wrong; nothing is logged then.
    """
    common, moved = stated or Statements(), staged(progress, _STAGES)
    lines = read_record_lines(batch, HEADINGS, (FILE,))
    _refuse_one_start(common, lines)
    checking = _Checking(store, common, add_units)
    check_each(batch, lines, HEADINGS, checking.check, lambda _, done, total: moved("checking", done, total))
    new = [line for line in checking.lines if line.known is None]
    accept = None if even_if_warned else partial(_refuse_warned, batch, [line.line for line in new])
    added = iter(
        store.add_sessions(
            _ToLog(new),
            lambda _, done, total: moved("logging", done, total),
            units=checking.new_units,
            accept=accept,
        )
        if new
        else ()
    )
    return tuple(
        LoggedLine(line.line.number, line.known or next(added), checking.files[k], line.known is not None)
        for k, line in enumerate(checking.lines)
    )


def _refuse_one_start(common: Statements, lines: Sequence[RecordLine]) -> None:
    """InputError for one instant that all lines would have which state none of their own."""
    from dataset.admission.starts import read_start, refuse_one_start_for_many

    if common.start is not None:
        start = read_start(common.start, common.utc_offset)
        refuse_one_start_for_many(start, sum("start" not in line.cells for line in lines))


def _refuse_warned(batch: Path, lines: Sequence[RecordLine], sessions: Sequence[Session]) -> None:
    """What draws a grave warning is seen best before many sessions would have to be voided one by one."""
    from dataset.admission.plausible import GRAVE

    warned = [
        (line, InputError(line.where, f"{warning.check}: {warning.sentence}"))
        for line, session in zip(lines, sessions, strict=True)
        for warning in session.warnings
        if warning.check in GRAVE
    ]
    if warned:
        hint = (
            "where it is right all the same, say even_if_warned=True; "
            "a line that begins with '#' is passed over"
        )
        raise LinesRefusedError(batch, len(lines), warned, HEADINGS, hint, ("even_if_warned=True",))


class _Checking:
    """Checks line by line; keeps what was read as long as there is room for it."""

    def __init__(self, store: Store, common: Statements, add_units: bool) -> None:
        self._store, self._common, self._add_units = store, common, add_units
        self._settled: dict[Statements, Settled] = {}
        self._units = {unit.name: unit for unit in store.units()}
        self._new_units: dict[str, Unit] = {}
        self._recordings: dict[str, RecordLine] = {}
        self._bytes = 0
        self.lines: list[_Line] = []
        self.files: list[ParsedFile] = []

    @property
    def new_units(self) -> tuple[Unit, ...]:
        """Units of lines that the store does not have."""
        return tuple(self._new_units.values())

    def check(self, line: RecordLine) -> list[InnageError]:
        """Check a line; raises for the first thing that is wrong with its file or its other statements, and
        gives back what is wrong with its unit, which says nothing of the rest.
        """
        if FILE not in line.cells:
            raise InputError(line.place(FILE), "an empty cell", "a file")
        path = line.path.parent / line.cells[FILE]
        if not path.is_file():
            beside = line.path.absolute().parent
            raise InputError(line.place(FILE), f"no file {line.cells[FILE]}", f"one that lies in {beside}")
        stated = over(self._common, line)
        faults = self._check_unit(stated)
        try:
            settled = self._settle(stated)
            new, file = _read(path, settled)
            known = None if faults else self._store.known_session(new)
            self._refuse_twice(line, new)
        except InnageError as error:
            return [*faults, error]
        self._bytes += new.frames.counts.nbytes + new.frames.t_ms.nbytes
        kept = (new, file) if known is None and self._bytes <= _KEPT_BYTES else None
        self.lines.append(_Line(line, path, settled, file.source.sha256, known, kept))
        self.files.append(_without_frames(file))
        return faults

    def _check_unit(self, stated: Statements) -> list[InnageError]:
        """What is wrong with the unit; one that is new stands among the units from then on."""
        from dataset.admission.rules import check_unit

        name = stated.unit
        if name is None or name in self._units:
            return []
        try:
            if "@" in name:  # of another bench: there already, or a mistake
                self._units[name] = self._store.unit(name)
                return []
            new = Unit(name, bench=self._store.bench().identity)
            check_unit(new)
            if not self._add_units:
                self._store.unit(name)
        except NotFoundError as error:
            if "@" in name:
                return [error]
            hint = f"{error.hint}; or say add_units=True to add those that are new"
            fields = (*error.fields, "add_units=True")
            return [NotFoundError(error.where, error.found, error.expected, hint, fields=fields)]
        except InnageError as error:
            return [error]
        self._units[name] = self._new_units[name] = new
        return []

    def _settle(self, stated: Statements) -> Settled:
        if stated not in self._settled:
            unit = self._units.get(stated.unit or "") or (Unit(stated.unit) if stated.unit else None)
            self._settled[stated] = settle(self._store, stated, unit=unit)
        return self._settled[stated]

    def _refuse_twice(self, line: RecordLine, new: NewSession) -> None:
        """One recording on two lines could stand on both sides of a split."""
        from dataset.readings_hashes import counts_sha256, readings_sha256

        for digest in (readings_sha256(new.frames), counts_sha256(new.frames)):
            if digest is None:
                continue
            before = self._recordings.setdefault(digest, line)
            if before is not line:
                raise InputError(
                    line.place(FILE),
                    f"the same recording as in line {before.number}, {before.cells[FILE]}",
                    "each once",
                    "remove one of the lines",
                )


def _read(path: Path, settled: Settled) -> tuple[NewSession, ParsedFile]:
    return read_session(path, settled.circumstances, settled.columns, settled.labelling, settled.beside)


def _without_frames(file: ParsedFile) -> ParsedFile:
    """What is told of a file needs none of its frames, which many files have too many of to be kept."""
    import numpy as np

    from dataset.records import Frames

    return replace(file, frames=Frames(np.zeros(0, np.int64), np.zeros((0, 0), np.uint32)))


class _ToLog(Sequence["NewSession"]):
    """The sessions of lines; those that were not kept are read again as they are asked for."""

    def __init__(self, lines: Sequence[_Line]) -> None:
        self._lines = lines

    def __len__(self) -> int:
        return len(self._lines)

    @overload
    def __getitem__(self, index: int) -> NewSession: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[NewSession]: ...
    def __getitem__(self, index: int | slice) -> NewSession | Sequence[NewSession]:
        if isinstance(index, slice):
            return _ToLog(self._lines[index])
        return self._of(self._lines[index])

    def __iter__(self) -> Iterator[NewSession]:
        return map(self._of, self._lines)

    @staticmethod
    def _of(line: _Line) -> NewSession:
        if line.read is not None:
            return line.read[0]
        new, file = _read(line.path, line.settled)
        if file.source.sha256 != line.source_sha256:
            raise InputError(line.line.place(FILE), "changed while it was logged", "", "log the batch again")
        return new
