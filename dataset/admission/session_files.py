"""Capture sessions from files: any delimiter, any column names; a fault is named by file, line and column."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.admission.columns import LeftOut, left_out, named_otherwise, unused_columns
from dataset.admission.long_files import Asked, Recorded, read_long
from dataset.admission.rules import check_period
from dataset.admission.session_columns import Columns, counts_of, first_of, levels_of, times_of
from dataset.admission.starts import Start, start_of
from dataset.admission.steps import steps_of
from dataset.admission.tallies import warmth_of
from dataset.errors import InputError
from dataset.files.delimited import DELIMITERS
from dataset.files.pieces import long_file
from dataset.files.sheet_files import STANDARD_INPUT, read_content, sheet_of
from dataset.labels.instruments import NOTHING_USED, Calibrations, Used, used_at
from dataset.labels.marking import Labelling, Method, Run, Runs, level_of, marks_of_runs
from dataset.labels.ramps import Stream
from dataset.records import (
    ColumnMapping,
    DoorWarning,
    Frames,
    Mark,
    Recording,
    Sensor,
    Source,
    Tank,
    TimeUnit,
)


@dataclass(frozen=True)
class ParsedFile:
    """One file's frames and marks. ``gaps`` counts steps of time longer than 1.5 median periods; ``labelled``
    counts frames. ``unused`` are the names of the columns that no field took, ``left_out`` those of them that
    look like a time, level or temperature that is not there. ``warnings`` are those of the columns' names.
    ``started`` is when it began, where that was asked for, ``used`` the instruments that its levels rest on.
    ``since_pour``, int64 (frames,), is what the column said that was asked for: whole seconds since liquid
    last came in, -1 where that is not known; None: none was asked for.
    """

    frames: Recording
    marks: tuple[Mark, ...]
    source: Source
    delimiter: str
    gaps: int
    median_period_ms: float | None
    unused: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    warnings: tuple[DoorWarning, ...] = ()
    started: str | None = None
    used: Used = NOTHING_USED
    since_pour: NDArray[np.int64] | None = field(default=None, compare=False)

    @property
    def labelled(self) -> int:
        return sum(m.stop - m.start for m in self.marks)


def read_file(
    path: Path,
    mapping: ColumnMapping,
    sensor: Sensor,
    tank: Tank,
    labelling: Labelling | None = None,
    start: Start | None = None,
    instruments: Sequence[Calibrations] = (),
    since_pour: str | None = None,
) -> ParsedFile:
    """Read one capture session.

    Args:
        path: delimited text in UTF-8 or a Parquet file, as in :mod:`dataset.files.sheet_files`.
        mapping: which column holds what.
        sensor: gives channels, count width and period.
        tank: gives the span that levels lie within, and the profile that turns volumes into levels.
        labelling: how masses and poured volumes become levels; only needed where the mapping has a column of
            them.
        start: when the session began, or where the file says it; None is not stated.
        instruments: that levels were measured with, which adds their uncertainties to the labels.
        since_pour: the column of whole seconds since liquid last came in; None: there is none.

    Raises:
        InputError: the first fault: file, line, column, what was found, what was expected.
    """
    if len(mapping.counts) != sensor.channels:
        pads = ", ".join(sensor.channel_names)
        named = f"{len(mapping.counts)} count columns ({', '.join(mapping.counts)})"
        raise InputError(
            str(path),
            named,
            f"{sensor.channels}, one for each pad of {sensor.ref} in channel order: {pads}",
        )
    beside = mapping if start is None or start.way != "column" else _left_to(mapping, start.text)
    beside = beside if since_pour is None else _left_to(beside, since_pour)
    asked = Asked(mapping, beside, sensor, tank, since_pour)

    def parsed(recorded: Recorded) -> ParsedFile:
        if recorded.steps is not None:
            check_period(str(path), sensor, recorded.steps.median_ms)
        started = None if start is None else start_of(start, recorded.sheet)
        used = used_at(instruments, started)
        frames = recorded.frames()
        return ParsedFile(
            frames=frames,
            marks=_labels(
                recorded, frames, mapping, tank, None if labelling is None else used.over(labelling)
            ),
            source=Source("standard input" if path == STANDARD_INPUT else path.name, recorded.sha256),
            delimiter=recorded.sheet.delimiter,
            gaps=0 if recorded.steps is None else recorded.steps.long,
            median_period_ms=None if recorded.steps is None else recorded.steps.median_ms,
            unused=unused_columns(recorded.sheet, beside),
            left_out=recorded.left_out(),
            warnings=(*named_otherwise(recorded.sheet, mapping), *used.warnings),
            started=started,
            used=used,
            since_pour=recorded.since_pour,
        )

    long = long_file(path, mapping)
    if long is not None:
        try:
            with closing(long):
                return parsed(read_long(long, asked))
        except InputError:
            if not long.whole_too():
                raise  # a fault of a file that can be read at once is told as it is then
    return parsed(_read_whole(path, asked))


def _read_whole(path: Path, asked: Asked) -> Recorded:
    """A file that is read at once."""
    content = read_content(path)
    sheet = sheet_of(path, content, asked.mapping)
    asked.check_pours(sheet)
    columns = asked.columns_of(sheet)
    counts = np.stack([counts_of(columns, column, asked.sensor) for column in asked.mapping.counts], axis=1)
    t_ms = times_of(columns, asked.mapping, asked.sensor)
    warm = asked.mapping.temperature
    return Recorded(
        sheet,
        hashlib.sha256(content).hexdigest(),
        steps_of(Frames(t_ms, counts)),
        lambda: Frames(t_ms, counts, None if warm is None else columns[warm]),
        lambda: _runs_of(asked.labels_of(columns)),
        sheet.where,
        lambda: left_out(sheet, asked.beside),
        asked.pours_of(columns),
    )


def _runs_of(labels: NDArray[np.float64] | None) -> list[Run]:
    return [] if labels is None else Runs().add(labels).all()


def _left_to(mapping: ColumnMapping, column: str) -> ColumnMapping:
    """The mapping, ``column`` of which somebody else reads."""
    return replace(mapping, ignore=(*mapping.ignore, column))


def _labels(
    recorded: Recorded, frames: Recording, mapping: ColumnMapping, tank: Tank, labelling: Labelling | None
) -> tuple[Mark, ...]:
    """A mark for every run of frames with one level, one mass, or one volume poured."""
    column, method = (
        (mapping.mass, Method.MASS) if mapping.mass is not None else (mapping.poured, Method.POURED)
    )
    if column is None:
        u_mm = mapping.level_u_mm if labelling is None else labelling.level_u(mapping.level_u_mm)
        common = None if labelling is None else labelling.level_u_common_mm or None
        return tuple(Mark(a, b, level + 0.0, u_mm, common) for a, b, level in recorded.runs())
    if labelling is None:
        raise InputError(
            f"column {column!r}",
            f"holds a {method.value}, and nothing says how it becomes a level",
            "tare and liquid",
        )
    return marks_of_runs(
        lambda row: recorded.where(row, column), method, recorded.runs(), warmth_of(frames), tank, labelling
    )


def read_stream(path: Path, mapping: ColumnMapping, tank: Tank, labelling: Labelling) -> Stream:
    """A stream of levels on its own clock, such as a scale's log.

    Args:
        path: as for sessions.
        mapping: columns of time and of level or mass; none of counts.
        tank: as for sessions.
        labelling: as for sessions; without a column of temperature its temperature is the liquid's.

    Raises:
        InputError: the first fault: file, line, column, what was found, what was expected.
    """
    if mapping.time is None or (mapping.level is None) == (mapping.mass is None):
        raise InputError(
            str(path),
            "columns " + ", ".join(mapping.columns),
            "one of time, and one of level or mass",
            "name them with ramp_time and ramp_level or ramp_mass",
            fields=("ramp_time", "ramp_level", "ramp_mass"),
        )
    sheet = sheet_of(path, read_content(path), mapping)
    columns = Columns(sheet, mapping.columns, ())
    values = columns[mapping.time]
    t_ms = values * 1000 if mapping.time_unit is TimeUnit.SECONDS else values
    row = first_of(np.diff(t_ms) <= 0)
    if row is not None:
        raise InputError(
            sheet.where(row + 1, mapping.time),
            f"time does not rise after {values[row]:g}",
            "each line later than the one before",
        )
    level = levels_of(columns, mapping, tank)
    if level is not None:
        zero = np.zeros(len(level))
        read_off = labelling.level_u(mapping.level_u_mm) or 0.0
        return Stream(str(path), t_ms, level, zero + read_off, zero + labelling.level_u_common_mm)
    column = str(mapping.mass)
    masses, first, back = np.unique(columns[column], return_index=True, return_inverse=True)
    levels = [
        level_of(sheet.where(int(k), column), Method.MASS, float(m), None, tank, labelling)
        for m, k in zip(masses, first, strict=True)
    ]
    level, u_mm, common = (
        np.array([getattr(f, name) for f in levels])[back] for name in ("value", "u", "u_common")
    )
    return Stream(str(path), t_ms, level, u_mm, common)


def common_delimiters(files: Sequence[ParsedFile]) -> str:
    """The delimiters that were used, most frequent first, in words."""
    return ", ".join(DELIMITERS.get(d, repr(d)) for d, _ in Counter(f.delimiter for f in files).most_common())
