"""The known answer of a model: a short run of fixed inputs for the self-test on the chip.

It is one stream from power-on, a row of counts a frame. The rows are chosen one after another, each so that
it notices the most breaks that those before it left unnoticed, and takes sides of forks that they left out; a
valid reading, an empty and a withheld one and each flag are among them where the program can give them, and
in the last frame a channel is said to be broken. What the model remembers is part of the answer, since the
frames differ. All follows from the program alone.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from export.evidence.breaks import answers_of, breaks, last_layers, may_choose, run_broken, step_broken
from export.evidence.decisions import Decisions
from export.evidence.fills import made_fills
from export.evidence.streams import Streams
from training.program import (
    EMPTY,
    FLAG_BITS,
    NO_POUR,
    OUTPUTS,
    VALID,
    WITHHELD,
    Array,
    Program,
    digest,
    from_json,
    initial_state,
    prepare,
    to_json,
)

MOST_LEAD = 64
TEMPERATURE = 200  # tenths of a degree Celsius
FIRST_POUR = NO_POUR  # seconds since the last pour at the first frame; at each that follows a second more
_UNITS = 8  # units whose trims are tried
_TRIED = 600  # rows of counts tried for each frame
_MOST_ASKED = 300
_TIMES = 2  # that a break is to be noticed
_SEED = 0


@dataclass(frozen=True)
class KnownAnswer:
    """``trim`` (empty without one) and ``rows`` of counts, a frame each, at ``temperature``. Before them the
    first row is held for ``lead`` frames, while the model settles; in the last frame the first channel is
    said to be broken.

    ``answers``: for each frame the reading in the order of OUTPUTS, the state, and the values of ``layers``,
    the layers behind which no other stands.
    """

    trim: tuple[int, ...]
    rows: tuple[tuple[int, ...], ...]
    lead: int
    temperature: int
    layers: tuple[str, ...]
    answers: tuple[tuple[int, ...], ...]

    @property
    def readings(self) -> tuple[tuple[int, ...], ...]:
        """The reading of each frame, in the order of OUTPUTS."""
        return tuple(answer[: len(OUTPUTS)] for answer in self.answers)


def known_answer(program: Program) -> KnownAnswer:
    """The known answer of an analysed program; the same program gives the same one."""
    return _known_answer(digest(program), to_json(program))


@functools.lru_cache(maxsize=256)
def _known_answer(sha256: str, text: str) -> KnownAnswer:
    program = from_json(text, "known answer")
    trim, rows = choose(program)
    layers = last_layers(program)
    answers = run_broken(program, sequence(trim, rows, lead_of(program)), None, layers)[0]
    return KnownAnswer(
        tuple(int(v) for v in trim),
        tuple(tuple(int(v) for v in row) for row in rows),
        lead_of(program),
        TEMPERATURE,
        layers,
        tuple(tuple(int(v) for v in answer) for answer in answers),
    )


def lead_of(program: Program) -> int:
    """Frames for which the first row is held before the answer counts."""
    return min(program.settling_frames, MOST_LEAD)


def most_rows(program: Program) -> int:
    """How many rows at most: about 384 bytes of 16-bit counts, and 12 rows for a wide strip."""
    return min(max(192 // program.channels, 12), 64)


def sequence(trim: Array, rows: Array, lead: int) -> Streams:
    """The one stream of a known answer."""
    counts = np.concatenate([np.repeat(rows[:1], lead, axis=0), rows])[None]
    shape = counts.shape[:2]
    faults = np.zeros(shape, np.int64)
    faults[0, -1] = 1
    pours = np.arange(FIRST_POUR, FIRST_POUR + shape[1], dtype=np.int64)[None]
    return Streams(trim[None], counts, np.full(shape, TEMPERATURE), faults, pours)


def _poured(tried: Streams, frame: int) -> Streams:
    """The same rows as the sequence's frame of that number, by the seconds since the last pour."""
    return replace(tried, since_pour=np.full_like(tried.faults, FIRST_POUR + frame))


def choose(program: Program) -> tuple[Array, Array]:
    """Trim (trim size,) and rows of counts (rows, channels)."""
    rng = np.random.RandomState(_SEED)
    units = [made_fills(program, rng, 1, 1).trim for _ in range(_UNITS if program.trim is not None else 1)]
    tried = [_tries(program, rng, unit) for unit in units]
    best = max(range(len(tried)), key=lambda k: _merit(program, tried[k]))
    return tried[best].trim[0], _rows(program, tried[best])


def _tries(program: Program, rng: np.random.RandomState, unit: Array) -> Streams:
    """Rows of counts on one unit's trim (1, trim size), a frame each."""
    fills = made_fills(program, rng, _TRIED, 1, trim=np.repeat(unit, _TRIED, axis=0))
    return Streams(fills.trim, fills.counts, np.full((_TRIED, 1), TEMPERATURE), fills.faults)


def _merit(program: Program, tried: Streams) -> tuple[int, int]:
    """How many kinds of readings a unit's rows give, and how many different levels."""
    table = run_broken(program, tried, None, ())[:, 0]
    codes = {tuple(row) for row in table[:, 3 : len(OUTPUTS)].tolist()}
    return len(codes), len(np.unique(table[:, OUTPUTS.index("level")]))


def _rows(program: Program, tried: Streams) -> Array:
    """The rows, chosen frame by frame, until each break asked is noticed twice and each side of each fork is
    taken, where they can be.

    Only every second break is asked, so that the others can say how good the choice is.
    """
    layers = last_layers(program)
    asked = [b for b in breaks(program) if may_choose(b) and not b.state]
    asked = asked[:: max(-(-len(asked) // _MOST_ASKED), 1)]
    ready = prepare(program, tried.trim[:1] if program.trim is not None else None)
    state, wanted = _settled(program, tried, ready), _wanted(program)
    decisions = Decisions(program)
    unvisited = np.ones(len(decisions.sides), np.bool_)
    rows: list[Array] = []
    times = np.zeros(len(asked), np.int64)
    for row in range(most_rows(program)):
        tried = _poured(tried, lead_of(program) + row)
        values = step_broken(program, tried, state, ready, None)
        answers = answers_of(program, values, layers)
        noticed = np.zeros((len(asked), len(tried)), np.bool_)
        for k, broken in enumerate(asked):
            broken_values = step_broken(program, tried, state, ready, broken, values)
            noticed[k] = (answers_of(program, broken_values, layers) != answers).any(axis=1)
        fresh = times == 0
        taken = decisions.taken(values, len(tried))
        news = noticed[fresh].sum(axis=0) + taken[:, unvisited].sum(axis=1)
        merit = noticed.sum(axis=0) + len(asked) * news
        merit = merit + (len(asked) + len(unvisited) + 1) ** 2 * _kinds(wanted, answers)
        best = int(np.argmax(merit))
        if rows and not merit[best]:
            break
        rows.append(tried.counts[best, 0])
        wanted = [kind for kind in wanted if not _kinds([kind], answers[best : best + 1])[0]]
        unvisited = unvisited & ~taken[best]
        times = times + noticed[:, best]
        asked = [b for b, n in zip(asked, times, strict=True) if n < _TIMES]
        times = times[times < _TIMES]
        state = answers[best : best + 1, len(OUTPUTS) : len(OUTPUTS) + program.state_size]
    return np.asarray(rows)


def _settled(program: Program, tried: Streams, ready: Array) -> Array:
    """The state after each row was held while the model settles, (rows, state size)."""
    state = initial_state(program, len(tried))
    for frame in range(lead_of(program)):
        values = step_broken(program, _poured(tried, frame), state, ready, None)
        answers = answers_of(program, values, ())
        state = answers[:, len(OUTPUTS) :]
    return state


def _wanted(program: Program) -> list[tuple[str, int]]:
    """Kinds of readings that are to be among the answers: validities, the valid one first, and flags."""
    return [("validity", code) for code in (VALID, EMPTY, WITHHELD)] + [
        ("flags", bit) for name, bit in FLAG_BITS.items() if name in ("foam", "film")
    ]


def _kinds(wanted: Sequence[tuple[str, int]], answers: Array) -> Array:
    """For each row of answers how much it is wanted: the first kind more than all behind it."""
    much = np.zeros(len(answers), np.int64)
    for k, (output, code) in enumerate(reversed(wanted)):
        column = answers[:, OUTPUTS.index(output)]
        there = column == code if output == "validity" else (column & code) != 0
        much += there.astype(np.int64) << k
    return much
