"""Test vectors: inputs over the declared domain and what the interpreter makes of them.

A vector is one frame of a stream that starts at power-on: the state is carried from frame to frame, so that a
difference in state shows in the frames behind it too.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dataset.errors import InputError
from training.program import OUTPUTS, Array, Program, initial_state, prepare, step
from training.program.interpreter import not_known
from training.program.reasons import reasons_of

STREAM_FRAMES = 8  # frames of a stream behind the settling
MOST_SETTLING = 248
MOST_VECTORS = 20_000  # twice what an export has, and so many as are checked in seconds
_LONGEST_TEXT = 64_000_000  # characters; vectors of an export have a tenth of that at most


@dataclass(frozen=True)
class Vectors:
    """``n`` frames in streams of equal length; row k starts a stream where ``k % stream_frames == 0``.

    Inputs: ``trim`` (n, trim size, or n, 0 without trim; the same in all rows of a stream), ``counts`` (n,
        channels),
    ``temperature`` (n,), ``faults`` (n,), ``since_pour`` (n,) seconds, None for a program that is not told.
    Expected: ``prepared`` (n, prepared size), ``readings`` (n, 6) in
    the order of ``OUTPUTS``, ``state`` (n, state size) after the frame. All int64.
    """

    stream_frames: int
    trim: Array
    counts: Array
    temperature: Array
    faults: Array
    prepared: Array
    readings: Array
    state: Array
    since_pour: Array | None = None

    def __len__(self) -> int:
        return len(self.counts)

    def head(self, streams: int) -> Vectors:
        """The first ``streams`` streams."""
        return self.rows(0, streams * self.stream_frames)

    def rows(self, start: int, stop: int) -> Vectors:
        """Rows ``start`` to ``stop``, whole streams."""
        at, pours = slice(start, stop), self.since_pour
        return Vectors(
            self.stream_frames,
            self.trim[at],
            self.counts[at],
            self.temperature[at],
            self.faults[at],
            self.prepared[at],
            self.readings[at],
            self.state[at],
            None if pours is None else pours[at],
        )

    @property
    def inputs(self) -> Array:
        """What each frame is given beside trim and state, (n, channels and what else there is): counts,
        temperature, faults, and the seconds since the last pour where the program is told.
        """
        told = () if self.since_pour is None else (self.since_pour,)
        return np.column_stack([self.counts, self.temperature, self.faults, *told])


def expect(
    program: Program,
    frames: int,
    trim: Array,
    counts: Array,
    temperature: Array,
    faults: Array,
    since_pour: Array | None = None,
) -> Vectors:
    """Vectors from counts (streams, frames, channels), temperature, faults and seconds since the last pour
    (streams, frames, or with a last axis of 1; None: not known) and trim (streams, trim size).
    """
    temperature, faults = (part.reshape(part.shape[:2]) for part in (temperature, faults))
    streams = len(counts)
    pours = not_known(since_pour, streams * frames).reshape(streams, frames)
    prepared = np.broadcast_to(
        prepare(program, trim if program.trim is not None else None), (streams, program.prepared_size)
    )
    state, readings, states = initial_state(program, streams), [], []
    for k in range(frames):
        given = (counts[:, k], temperature[:, k], faults[:, k], state, prepared, pours[:, k])
        reading, state = step(program, *given)
        readings.append(reading.table())
        states.append(state)
    n = streams * frames
    return Vectors(
        frames,
        np.repeat(trim, frames, axis=0),
        counts.reshape(n, -1),
        temperature.reshape(n),
        faults.reshape(n),
        np.repeat(prepared, frames, axis=0),
        np.stack(readings, axis=1).reshape(n, len(OUTPUTS)),
        np.stack(states, axis=1).reshape(n, program.state_size),
        pours.reshape(n) if program.longest_pour_s else None,
    )


def to_csv(vectors: Vectors) -> str:
    """The vectors as text: a line that says how long streams are, two headings, then one frame a line.

    A line that begins with 1 starts a stream and holds its trim and, at the end, its prepared values; the
    lines behind it begin with 0 and leave both out, since they stay the same.
    """
    starts = np.concatenate([vectors.trim, _each_frame(vectors), vectors.prepared], axis=1)[
        :: vectors.stream_frames
    ]
    rows = [f"0,{row}" for row in _with_commas(_each_frame(vectors))]
    rows[:: vectors.stream_frames] = [f"1,{row}" for row in _with_commas(starts)]
    sizes = [part.shape[1] for part in (vectors.trim, vectors.counts, vectors.state, vectors.prepared)]
    headings = _headings(*sizes, told=vectors.since_pour is not None)
    return "\n".join([f"# stream_frames={vectors.stream_frames}", *headings, *rows, ""])


def _with_commas(table: Array) -> list[str]:
    """The numbers of each row: the text of all at once takes less than half the time of each by itself."""
    return str(table.tolist())[2:-2].replace(" ", "").split("],[") if len(table) else []


def _each_frame(vectors: Vectors) -> Array:
    """What every line holds."""
    return np.concatenate([vectors.inputs, vectors.readings, vectors.state], axis=1)


def _headings(
    trims: int, channels: int, states: int, prepared: int, outputs: int = len(OUTPUTS), *, told: bool = False
) -> tuple[str, str]:
    """The columns of the lines that start a stream, and of the others; ``told``: the program is told of
    pours.
    """
    each = [f"count{k}" for k in range(channels)] + ["temperature", "faults"]
    each += [*(["since_pour"] if told else []), *OUTPUTS[:outputs]]
    each += [f"state{k}" for k in range(states)]
    ends = [f"prepared{k}" for k in range(prepared)]
    starts = ["first", *(f"trim{k}" for k in range(trims)), *each, *ends]
    return ",".join(starts), ",".join(["first", *each])


def from_csv(program: Program, text: str, where: str = "vectors") -> Vectors:
    """Read vectors back as they stand; InputError when the rows do not fit the program. What they expect is
    not checked here.
    """
    if len(text) > _LONGEST_TEXT:
        raise InputError(where, f"{len(text)} characters", f"at most {_LONGEST_TEXT}")
    head = text.split("\n", 1)[0]
    key, _, frames = head.removeprefix("# ").partition("=")
    most = STREAM_FRAMES + MOST_SETTLING
    if key != "stream_frames" or not re.fullmatch("[0-9]{1,4}", frames) or not 1 <= int(frames) <= most:
        raise InputError(f"{where}, line 1", repr(head[:40]), f"'# stream_frames=N', at most {most}")
    count, allowed = text.count("\n"), MOST_VECTORS + 2 * most
    if count > allowed:
        raise InputError(where, f"{count} lines", f"at most {allowed}")
    read = _from_two_widths if _is_heading(text) else _from_one_width
    return read(program, text, int(frames), where)


def _is_heading(text: str) -> bool:
    """Whether the third line is a heading too; in bundles of 0.1 it is a row."""
    return (*text.split("\n", 3), "", "", "")[2].startswith("first")


def _from_two_widths(program: Program, text: str, length: int, where: str) -> Vectors:
    """Vectors whose lines that start a stream are longer than the others."""
    _, starting, going, body = (*text.split("\n", 3), "", "", "")[:4]
    sizes = (program.trim_size, program.channels, program.state_size, program.prepared_size)
    told = int(program.longest_pour_s > 0)
    columns = _headings(*sizes, told=bool(told))
    for number, (heading, expected) in enumerate(zip((starting, going), columns, strict=True), 2):
        if heading != expected:
            raise InputError(
                f"{where}, line {number}", repr(heading[:60]), f"the columns {expected[:60]} ..."
            )
    lines = body.removesuffix("\n").split("\n")
    if not body or len(lines) % length:
        raise InputError(where, f"{len(lines) if body else 0} rows", f"whole streams of {length} rows")
    first = [line.startswith("1,") for line in lines]
    if any(starts != (k % length == 0) for k, starts in enumerate(first)):
        raise InputError(
            f"{where}, column 'first'",
            "a 1 where no stream starts, or none where one does",
            f"a 1 every {length} rows",
        )
    starts = _numbers(lines[::length], where)
    others = _numbers([line for k, line in enumerate(lines) if k % length], where)
    each = program.channels + 2 + told + len(OUTPUTS) + program.state_size
    widths = (1 + program.trim_size + each + program.prepared_size, 1 + each)
    for rows, width in ((starts, widths[0]), (others, widths[1])):
        if len(rows) and rows.shape[1] != width:
            raise InputError(where, f"rows of {rows.shape[1]} columns", f"{width} columns")
    kept = slice(1 + program.trim_size, 1 + program.trim_size + each)
    whole = np.empty((len(lines), each), np.int64)
    whole[::length] = starts[:, kept]
    whole[np.arange(len(lines)) % length > 0] = others[:, 1:] if len(others) else whole[:0]
    cuts = np.cumsum((program.channels, 1, 1, told, len(OUTPUTS)))
    counts, temperature, faults, since_pour, readings, state = np.split(whole, cuts, axis=1)
    trims, prepared = starts[:, 1 : kept.start], starts[:, kept.stop :]
    return Vectors(
        length,
        np.repeat(trims, length, axis=0),
        counts,
        temperature[:, 0],
        faults[:, 0],
        np.repeat(prepared, length, axis=0),
        readings,
        state,
        since_pour[:, 0] if told else None,
    )


def _numbers(lines: Sequence[str], where: str) -> Array:
    """Lines of integers, equally many in each."""
    if not lines:
        return np.zeros((0, 0), np.int64)
    try:
        text = io.StringIO("\n".join(lines))
        return np.loadtxt(text, dtype=np.int64, delimiter=",", comments=None, ndmin=2)
    except (ValueError, OverflowError) as error:
        raise InputError(where, f"unreadable ({str(error)[:80]})", "rows of integers") from error


def _from_one_width(program: Program, text: str, length: int, where: str) -> Vectors:
    """Vectors of bundles of 0.1, whose every line holds trim and prepared values; those of programs of the
    first format know no reason.
    """
    _, heading, body = (*text.split("\n", 2), "", "")[:3]
    outputs = len(OUTPUTS) - (program.format == 1 and OUTPUTS[-1] not in heading.split(","))
    sizes = (program.trim_size, program.channels, program.state_size, program.prepared_size)
    expected, _ = _headings(*sizes, outputs)
    if heading != expected or not body.strip():
        raise InputError(f"{where}, line 2", repr(heading[:60]), f"the columns {expected[:60]} ..., and rows")
    rows = _numbers(body.removesuffix("\n").split("\n"), where)
    widths = (
        1,
        program.trim_size,
        program.channels,
        1,
        1,
        outputs,
        program.state_size,
        program.prepared_size,
    )
    if rows.shape[1] != sum(widths) or len(rows) % length:
        shape = f"{rows.shape[0]} rows of {rows.shape[1]}"
        raise InputError(where, shape, f"whole streams of {length} rows of {sum(widths)} columns")
    first, trims, counts, temperature, faults, readings, state, prepared = np.split(
        rows, np.cumsum(widths)[:-1], axis=1
    )
    if not np.array_equal(first[:, 0], np.arange(len(rows)) % length == 0):
        wrong = "a 1 where no stream starts, or none where one does"
        raise InputError(f"{where}, column 'first'", wrong, f"a 1 every {length} rows")
    if outputs < len(OUTPUTS):
        readings = np.column_stack([readings, reasons_of(readings[:, -2], readings[:, -1])])
    return Vectors(length, trims, counts, temperature[:, 0], faults[:, 0], prepared, readings, state)
