"""Logging files: each becomes a capture session, all of them or none."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.records import ColumnMapping, NewSession, Stretch
from dataset.words import counted

if TYPE_CHECKING:
    from dataset.admission.session_files import ParsedFile
    from dataset.admission.starts import Start
    from dataset.labels.instruments import Calibrations
    from dataset.labels.marking import Labelling
    from dataset.labels.ramps import Lag
    from dataset.records import Session, Tank
    from dataset.store import Store
    from innage.jobs.sessions.circumstances import Circumstances


@dataclass(frozen=True)
class Ramp:
    """A second stream on its own clock, such as a scale's log, whose levels label the frames of one file.

    ``columns`` names its time, and its level or mass. ``lag_ms`` is how far its clock is ahead of that of the
    frames, right within +- ``lag_half_width_ms``; None: found from the counts.
    """

    path: Path
    columns: ColumnMapping
    lag_ms: float | None = None
    lag_half_width_ms: float = 0.0


@dataclass(frozen=True)
class Beside:
    """What says something of the frames beside the columns that are read: files, each of one session, and
    where a session's start stands.

    ``conditions`` is a CSV of conditions by stretch, ``instruments`` are those that levels were measured
    with.
    """

    ramp: Ramp | None = None
    conditions: Path | None = None
    start: Start | None = None
    instruments: tuple[Calibrations, ...] = ()


@dataclass(frozen=True)
class LoggedFiles:
    """The sessions, what was read for each, and the lag of the ramp's clock where it was looked for."""

    sessions: tuple[Session, ...]
    files: tuple[ParsedFile, ...]
    lag: Lag | None = None


def log_files(
    store: Store,
    paths: Sequence[Path],
    circumstances: Circumstances,
    columns: ColumnMapping,
    labelling: Labelling | None = None,
    beside: Beside | None = None,
    *,
    save_mapping: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> LoggedFiles:
    """Log files of delimited text or Parquet as capture sessions, in their order: all, or none.

    Args:
        store: the open store.
        paths: the files; ``-`` is standard input.
        circumstances: what holds for each of them.
        columns: which column holds what.
        labelling: how a mass or a poured volume becomes a level; None: as it is read.
        beside: a stream of levels, conditions by stretch.
        save_mapping: keep ``columns`` in the store, under its name.
        progress: called with (what, done, total).

    Raises:
        InputError: a file that cannot be used, with line and column, or files that don't go together; nothing
            is stored then.
    """
    from dataset.admission.columns import refuse_left_out
    from dataset.admission.rules import check_mapping
    from dataset.admission.session_files import read_file
    from dataset.admission.starts import refuse_one_start_for_many
    from dataset.labels.marking import Labelling, check_labelling

    beside, moved = beside or Beside(), progress or _silent
    labelling = labelling or Labelling(circumstances.liquid)
    sensor, tank = circumstances.mounting.sensor, circumstances.mounting.tank
    check_labelling(labelling)
    check_mapping(columns)
    refuse_one_start_for_many(beside.start, len(paths))
    files: list[ParsedFile] = []
    for path in paths:
        files.append(read_file(path, columns, sensor, tank, labelling, beside.start, beside.instruments))
        refuse_left_out(files[-1].left_out, labelled=beside.ramp is not None)
        moved(f"reading {path.name}", len(files), len(paths))
    lag = None
    if beside.ramp is not None:
        labelled, lag = _ramped(files, beside.ramp, tank, labelling)
        files = [labelled]
    new = [
        _new_session(circumstances, file, stretches)
        for file, stretches in zip(files, _stretches(circumstances, beside.conditions, files), strict=True)
    ]
    sessions = store.add_sessions(new, moved, save_mapping=columns if save_mapping else None)
    return LoggedFiles(tuple(sessions), tuple(files), lag)


def read_session(
    path: Path, circumstances: Circumstances, columns: ColumnMapping, labelling: Labelling, beside: Beside
) -> tuple[NewSession, ParsedFile]:
    """The session that a file is, not yet in a store, and what was read; arguments and errors as of
    :func:`log_files`.
    """
    from dataset.admission.columns import refuse_left_out
    from dataset.admission.rules import check_mapping
    from dataset.admission.session_files import read_file
    from dataset.labels.marking import check_labelling

    sensor, tank = circumstances.mounting.sensor, circumstances.mounting.tank
    check_labelling(labelling)
    check_mapping(columns)
    file = read_file(path, columns, sensor, tank, labelling, beside.start, beside.instruments)
    refuse_left_out(file.left_out, labelled=beside.ramp is not None)
    if beside.ramp is not None:
        file, _ = _ramped([file], beside.ramp, tank, labelling)
    (stretches,) = _stretches(circumstances, beside.conditions, [file])
    return _new_session(circumstances, file, stretches), file


def _new_session(
    circumstances: Circumstances, file: ParsedFile, stretches: tuple[Stretch, ...]
) -> NewSession:
    return NewSession(
        circumstances.unit,
        circumstances.liquid,
        circumstances.mounting,
        file.frames,
        file.marks,
        file.source,
        circumstances.note,
        stretches,
        file.warnings,
        occasion=replace(circumstances.occasion, started=file.started or circumstances.occasion.started),
        tags=circumstances.tags,
        instruments=file.used.names,
    )


def _silent(what: str, done: int, total: int) -> None:
    """No progress."""


def _ramped(
    files: Sequence[ParsedFile], ramp: Ramp, tank: Tank, labelling: Labelling
) -> tuple[ParsedFile, Lag | None]:
    """The one file with marks from the ramp, and the lag where it was looked for."""
    from dataset.admission.session_files import read_stream
    from dataset.labels.ramps import Lag, find_lag, ramp_marks
    from dataset.labels.uncertainty import rectangular
    from dataset.long_frames import as_arrays

    if len(files) > 1 or files[0].marks:
        given = (
            f"a stream for {counted(len(files), 'session')}"
            if len(files) > 1
            else "a stream, and labels in the file as well"
        )
        raise InputError("ramp", given, "one session without labels of its own", fields=("ramp",))
    levels, frames = (
        read_stream(ramp.path, ramp.columns, tank, files[0].used.over(labelling)),
        as_arrays(files[0].frames),
    )
    sought = find_lag(levels, frames) if ramp.lag_ms is None else None
    lag = sought or Lag(ramp.lag_ms or 0.0, rectangular(ramp.lag_half_width_ms))
    return replace(files[0], marks=ramp_marks(levels, frames, lag)), sought


def _stretches(
    circumstances: Circumstances, by_stretch: Path | None, files: Sequence[ParsedFile]
) -> list[tuple[Stretch, ...]]:
    """The conditions of each file's frames."""
    from dataset.labels.conditions import read_stretches

    throughout = circumstances.conditions
    if by_stretch is None:
        return [() if throughout is None else (Stretch(0, len(file.frames), throughout),) for file in files]
    if len(files) > 1:
        raise InputError(
            "conditions",
            f"one file of stretches for {counted(len(files), 'session')}",
            "one session",
            "log the files one by one, each with its own",
            fields=("conditions",),
        )
    return [read_stretches(by_stretch, files[0].frames.t_ms, throughout)]
