"""Capture sessions from long files: parsed, packed and hashed piece by piece on all cores, so that a file of
any length takes the memory of some pieces and of what its frames are packed to.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from dataset.admission.columns import LeftOut, Look, likely_left_out, numbers_in
from dataset.admission.session_columns import Columns, counts_of, levels_of, not_rising, pours_of, times_of
from dataset.admission.steps import Steps, StepTally
from dataset.blocks import BLOCK_FRAMES, Block, pack
from dataset.errors import InputError
from dataset.files.parquet import MOST_ROWS
from dataset.files.pieces import LongFile
from dataset.files.sheet_files import check_column
from dataset.files.sheets import Numbers, Sheet
from dataset.labels.marking import Run, Runs
from dataset.long_frames import LongFrames, PackedFrames, Stowed
from dataset.readings_hashes import ReadingsHasher
from dataset.records import ColumnMapping, Frames, Recording, Sensor, Tank
from dataset.threads import cores

HELD_BYTES = 64 << 20  # of frames that are kept as arrays too
TOGETHER = 4 * BLOCK_FRAMES  # frames that are packed and hashed at once

T = TypeVar("T")
Reals = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Asked:
    """What is asked of a file: its columns by ``mapping``, and of which others, by ``beside``, something may
    have been forgotten. ``since_pour``: the column of seconds since liquid last came in.
    """

    mapping: ColumnMapping
    beside: ColumnMapping
    sensor: Sensor
    tank: Tank
    since_pour: str | None = None

    def columns_of(self, sheet: Sheet) -> Columns:
        """The columns that are asked for."""
        mapping = self.mapping
        return Columns(
            sheet,
            [c for c in (*mapping.counts, mapping.time) if c],
            [
                c
                for c in (mapping.level, mapping.mass, mapping.poured, mapping.temperature, self.since_pour)
                if c
            ],
            mapping.counts if self.sensor.count_scale == 1 else (),
        )

    def labels_of(self, columns: Columns) -> Reals | None:
        """Levels in mm, masses in g or volumes in mL, NaN where a frame has none; None without a column."""
        column = self.mapping.mass if self.mapping.mass is not None else self.mapping.poured
        return levels_of(columns, self.mapping, self.tank) if column is None else columns[column]

    def pours_of(self, columns: Columns) -> Ints | None:
        """Seconds since liquid last came in, -1 where that is not known; None without a column."""
        return None if self.since_pour is None else pours_of(columns, self.since_pour)

    def check_pours(self, sheet: Sheet) -> None:
        """InputError unless the column of seconds since the last pour, where one is named, is there once."""
        if self.since_pour is not None:
            check_column(sheet, self.since_pour)


@dataclass(frozen=True)
class Recorded:
    """What was read of a file. ``runs`` are the runs of frames with one label: start, stop, label; ``where``
    names a cell. What is called may raise InputError.
    """

    sheet: Sheet
    sha256: str
    steps: Steps | None
    frames: Callable[[], Recording]
    runs: Callable[[], Sequence[Run]]
    where: Callable[[int, str], str]
    left_out: Callable[[], tuple[LeftOut, ...]]
    since_pour: Ints | None


def read_long(file: LongFile, asked: Asked) -> Recorded:
    """Read a file piece by piece.

    Raises:
        InputError: the first fault of the first piece that has one.
    """
    looks = likely_left_out(file.first, asked.beside)
    looked = [look.left_out.column for look in looks]
    asked.check_pours(file.first)
    told = [] if asked.since_pour is None else [asked.since_pour]
    wanted = [*asked.mapping.columns, *told, *looked]
    with ThreadPoolExecutor(cores()) as readers, _Frames(asked) as frames:
        reading: deque[Future[_Piece]] = deque()
        try:
            for piece in file.pieces(wanted):
                reading.append(readers.submit(_read, piece, asked, looked))
                if len(reading) > cores():
                    frames.add(reading.popleft().result(), looks)
            while reading:
                frames.add(reading.popleft().result(), looks)
        finally:
            for one in reading:
                one.cancel()
        recording = frames.finish()
    if not len(recording):
        raise InputError(str(file.first.path), "no rows below the column names", "one line a frame")
    return Recorded(
        file.first,
        file.sha256(),
        frames.steps.steps(),
        lambda: recording,
        frames.runs.all,
        lambda row, column: f"{file.first.path}, frame {row}, column {column!r}",
        lambda: tuple(look.left_out for look in looks if look.passes),
        np.concatenate(frames.pours) if told else None,
    )


@dataclass(frozen=True)
class _Piece:
    """The columns of a piece: ``t_ms`` None where there is none, ``looked`` those that may be forgotten."""

    sheet: Sheet
    t_ms: NDArray[np.int64] | None
    counts: NDArray[np.uint32]  # channels, frames
    warm: Reals | None
    labels: Reals | None
    pours: Ints | None
    looked: Sequence[Numbers | None]


def _read(piece: Callable[[], Sheet], asked: Asked, looked: Sequence[str]) -> _Piece:
    sheet, mapping, sensor = piece(), asked.mapping, asked.sensor
    if not sheet.rows:
        return _Piece(sheet, None, np.empty((sensor.channels, 0), np.uint32), None, None, None, ())
    columns = asked.columns_of(sheet)
    counts = np.stack([counts_of(columns, column, sensor) for column in mapping.counts])
    t_ms = None if mapping.time is None else times_of(columns, mapping, sensor)
    warm = None if mapping.temperature is None else columns[mapping.temperature]
    numbers = [numbers_in(sheet, column) for column in looked]
    return _Piece(sheet, t_ms, counts, warm, asked.labels_of(columns), asked.pours_of(columns), numbers)


@dataclass
class _Waiting:
    """Frames that are not yet as many as are packed at once."""

    t_ms: list[NDArray[np.int64]] = field(default_factory=list)
    counts: list[NDArray[np.uint32]] = field(default_factory=list)
    warm: list[Reals] = field(default_factory=list)
    frames: int = 0

    def add(self, t_ms: NDArray[np.int64], counts: NDArray[np.uint32], warm: Reals | None) -> None:
        self.t_ms.append(t_ms)
        self.counts.append(counts)
        self.warm += [] if warm is None else [warm]
        self.frames += len(t_ms)

    def take(self, number: int) -> Frames:
        """The first of them."""
        t_ms, counts = np.concatenate(self.t_ms), np.concatenate(self.counts, axis=1)
        warm = np.concatenate(self.warm) if self.warm else None
        rest = _Waiting()
        if number < self.frames:
            rest.add(t_ms[number:], counts[:, number:], None if warm is None else warm[number:])
        self.t_ms, self.counts, self.warm, self.frames = rest.t_ms, rest.counts, rest.warm, rest.frames
        own = np.ascontiguousarray(counts[:, :number])
        return Frames(t_ms[:number], own.T, None if warm is None else warm[:number])


class _Frames:
    """Frames as they come, packed and hashed on other threads; as arrays too while they are few."""

    def __init__(self, asked: Asked) -> None:
        self._asked, self._channels = asked, asked.sensor.channels
        self.steps, self.runs = StepTally(), Runs()
        self.pours: list[Ints] = []
        self._hasher = ReadingsHasher(self._channels, asked.mapping.temperature is not None)
        self._packers, self._hashers = ThreadPoolExecutor(cores()), ThreadPoolExecutor(1)
        self._packing: deque[Future[list[Block]]] = deque()
        self._hashing: deque[Future[None]] = deque()
        self._blocks = Stowed()
        self._held: list[Frames] | None = []
        self._waiting, self._number, self._last = _Waiting(), 0, 0

    def __enter__(self) -> _Frames:
        return self

    def __exit__(self, *_: object) -> None:
        for pool in (self._packers, self._hashers):
            pool.shutdown(cancel_futures=True)

    def add(self, piece: _Piece, looks: Sequence[Look]) -> None:
        """The next piece of the file."""
        rows = piece.counts.shape[1]
        if not rows:
            return
        t_ms = self._times_of(piece, rows)
        self.steps.add(t_ms)
        if piece.labels is not None:
            self.runs.add(piece.labels)
        self.pours += [] if piece.pours is None else [piece.pours]
        for look, numbers in zip(looks, piece.looked, strict=True):
            look.add_numbers(numbers)
        self._number, self._last = self._number + rows, int(t_ms[-1])
        if self._number > MOST_ROWS:
            where, most = str(piece.sheet.path), f"at most {MOST_ROWS}"
            raise InputError(where, f"more than {MOST_ROWS} rows", most, "cut the recording into sessions")
        self._waiting.add(t_ms, piece.counts, piece.warm)
        while self._waiting.frames >= TOGETHER:
            self._pack(self._waiting.take(TOGETHER))

    def finish(self) -> Recording:
        """All frames."""
        if self._waiting.frames:
            self._pack(self._waiting.take(self._waiting.frames))
        _wait(self._hashing, 0)
        self._stow(0)
        hashes = self._hasher.hashes()
        if self._held is None:
            return LongFrames(self._blocks, self._channels, hashes)
        t_ms = np.concatenate([np.empty(0, np.int64), *(part.t_ms for part in self._held)])
        counts = np.concatenate(
            [np.empty((self._channels, 0), np.uint32), *(part.counts.T for part in self._held)], axis=1
        )
        warm = [part.temperature_c for part in self._held if part.temperature_c is not None]
        return PackedFrames(
            t_ms, counts.T, np.concatenate(warm) if warm else None, blocks=self._blocks, hashes=hashes
        )

    def _stow(self, most: int) -> None:
        """Keep what was packed, until so many are still being packed."""
        for blocks in _wait(self._packing, most):
            for block in blocks:
                self._blocks.append(block)

    def _times_of(self, piece: _Piece, rows: int) -> NDArray[np.int64]:
        if piece.t_ms is None:
            return (self._number + np.arange(rows, dtype=np.int64)) * self._asked.sensor.period_ms
        if self._number and int(piece.t_ms[0]) <= self._last:
            mapping = self._asked.mapping
            where = piece.sheet.where(0, str(mapping.time))
            raise not_rising(where, mapping, self._last, int(piece.t_ms[0]))
        return piece.t_ms

    def _pack(self, frames: Frames) -> None:
        self._packing.append(self._packers.submit(_blocks_of, frames))
        self._hashing.append(self._hashers.submit(self._hasher.add, frames))
        _wait(self._hashing, 2 * cores())
        self._stow(2 * cores())
        if self._held is not None:
            self._held.append(frames)
            if self._number * (4 * self._channels + 16) > HELD_BYTES:
                self._held = None


def _blocks_of(frames: Frames) -> list[Block]:
    """The blocks of some frames, on this thread."""
    return [pack(_part(frames, at, at + BLOCK_FRAMES)) for at in range(0, len(frames), BLOCK_FRAMES)]


def _part(frames: Frames, start: int, stop: int) -> Frames:
    part, warm = slice(start, stop), frames.temperature_c
    return replace(
        frames,
        t_ms=frames.t_ms[part],
        counts=frames.counts[part],
        temperature_c=None if warm is None else warm[part],
    )


def _wait(futures: deque[Future[T]], most: int) -> list[T]:
    """What comes of the first of them, until so many are left."""
    results = []
    while len(futures) > most:
        results.append(futures.popleft().result())
    return results
