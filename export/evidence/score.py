"""A score for the evidence: which single breaks of a program its vectors and its known answer notice.

A break counts when it changes a reading on reference frames that the evidence was not made from. Half of the
breaks (``may_choose``) took part in choosing the known answer; what is claimed rests on the other half.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from export.evidence.breaks import (
    Break,
    answers_of,
    breaks,
    may_choose,
    packed,
    prepare_broken,
    run_broken,
    step_broken,
    step_given,
)
from export.evidence.drawing import stream_frames
from export.evidence.fills import made_fills
from export.evidence.known_answer import KnownAnswer, sequence
from export.evidence.streams import Streams, streams_of
from export.vectors import Vectors
from training.judging.class_figures import upper_bound
from training.program import OUTPUTS, Array, Node, Program, initial_state, scalar, vector
from training.program.ranges import work

REFERENCE_FRAMES = 50_000
REFERENCE_SEED = 20_011  # vectors and known answers have other seeds
CONFIDENCE = 0.95
_ROWS = 2048  # frames of one portion
_VALUES = 2**22  # that one portion keeps, at most
_STEP = 8  # numbers looked at, in time, for each step down a tree
_KINDS_OF_TABLES = ("sign", "threshold ignored")

Mask = NDArray[np.bool_]
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Noticed:
    """One break: whether it changes a reading on the reference frames, and who notices it. ``held_out``: it
    had no part in choosing.
    """

    name: str
    kind: str
    held_out: bool
    counts: bool
    by_vectors: bool
    by_selftest: bool


@dataclass(frozen=True)
class Share:
    """How many of ``counting`` breaks were ``noticed``."""

    noticed: int
    counting: int

    @property
    def lower_bound(self) -> float | None:
        """The exact one-sided 95 % bound of Clopper and Pearson (Biometrika 26 (1934) 404); None of none."""
        missed = upper_bound(self.counting - self.noticed, self.counting, CONFIDENCE)
        return None if missed is None else 1.0 - missed

    @property
    def shown_bound(self) -> float | None:
        """The bound as it is shown."""
        return None if self.lower_bound is None else rounded_down(self.lower_bound)

    def reaches(self, goal: float) -> bool:
        """Whether the bound reaches ``goal``; where too few count for that, whether all are noticed."""
        best = Share(self.counting, self.counting).lower_bound
        if best is None or best < goal:
            return self.noticed == self.counting
        return (self.lower_bound or 0.0) >= goal


class TooMuchWorkError(Exception):
    """A score would take more work than is allowed it."""


@dataclass
class Allowance:
    """How much work is left: numbers that operations look at (see ``ranges.work``), frame by frame. It
    bounds the time of a score without a clock, so that the same program has a score everywhere or nowhere.
    """

    left: float = math.inf

    def spend(self, numbers: float) -> None:
        """Raise TooMuchWorkError where more is asked than is left."""
        self.left -= numbers
        if self.left < 0:
            raise TooMuchWorkError


def rounded_down(bound: float) -> float:
    """A bound to a tenth of a per cent, rounded down, so that it shows no goal that it misses."""
    return math.floor(round(1000 * bound, 6)) / 1000


def reference_streams(
    program: Program, frames: int = REFERENCE_FRAMES, seed: int = REFERENCE_SEED
) -> Streams:
    """Made fills of at least ``frames`` frames, by a seed that neither vectors nor known answers have."""
    length = stream_frames(program)
    return made_fills(program, np.random.RandomState(seed), -(-frames // length), length)


def stream_of(known: KnownAnswer) -> Streams:
    """The one stream of a known answer."""
    return sequence(np.asarray(known.trim, np.int64), np.asarray(known.rows, np.int64), known.lead)


def silent(what: str, done: int, total: int) -> None:
    """No progress shown."""


def sampled(program: Program, most: int | None, seed: int = 0) -> tuple[Break, ...]:
    """The breaks of ``program``, or ``most`` of them drawn by ``seed``, in their order."""
    every = breaks(program)
    if most is None or most >= len(every):
        return every
    picked = np.random.RandomState(seed).permutation(len(every))[:most]
    return tuple(every[k] for k in sorted(picked))


def work_of_frame(program: Program) -> int:
    """How many numbers a frame of ``program`` looks at, its prepare among them."""
    return _work_of(program).whole


def score(
    program: Program,
    vectors: Vectors,
    known: KnownAnswer,
    reference: Streams,
    asked: Sequence[Break] | None = None,
    progress: Progress = silent,
    allowance: Allowance | None = None,
) -> tuple[Noticed, ...]:
    """Every break of ``asked`` (all of the program's by default) held against vectors and known answer.

    Vectors notice a break when a reading or a state of one of their rows differs, the known answer when its
    readings, states or last layers do. ``reference``: frames that no vector was drawn from. Raises
    TooMuchWorkError where that needs more than the ``allowance``.
    """
    asked = breaks(program) if asked is None else asked
    allowance = allowance or Allowance()
    progress("breaks that count", 0, 3)
    counts = counting(program, reference, asked, allowance)
    progress("vectors", 1, 3)
    by_vectors = differing(program, streams_of(vectors), asked, (), allowance)
    progress("self-test", 2, 3)
    by_selftest = differing(program, stream_of(known), asked, known.layers, allowance)
    progress("done", 3, 3)
    return tuple(
        Noticed(b.name, b.kind, not may_choose(b), *map(bool, seen))
        for b, *seen in zip(asked, counts, by_vectors, by_selftest, strict=True)
    )


def shares(
    noticed: Iterable[Noticed], who: str, *, held_out: bool = False, kinds: Sequence[str] | None = None
) -> Share:
    """How many of the counting breaks ``who`` ('vectors' or 'self-test') notices; ``held_out``: of those that
    took no part in choosing.
    """
    taken = [
        n for n in noticed if n.counts and (n.held_out or not held_out) and (kinds is None or n.kind in kinds)
    ]
    return Share(sum(n.by_vectors if who == "vectors" else n.by_selftest for n in taken), len(taken))


def of_tables(noticed: Iterable[Noticed]) -> Share:
    """What the self-test notices of breaks of tables and thresholds that took no part in choosing."""
    return shares(noticed, "self-test", held_out=True, kinds=_KINDS_OF_TABLES)


def differing(
    program: Program,
    streams: Streams,
    asked: Sequence[Break],
    names: Sequence[str],
    allowance: Allowance | None = None,
) -> Mask:
    """Which breaks change a reading, a state or one of the ``names`` values on some frame, bool (breaks,).

    State counts as an answer, so each frame can be tried behind the state that it has without a break: the
    first frame that differs is the same.
    """
    differs = np.zeros(len(asked), np.bool_)
    for part in _portions(program, streams, allowance or Allowance()):
        for k in np.flatnonzero(~differs).tolist():
            differs[k] = part.differs(asked[k], names).any()
    return differs


def counting(
    program: Program, streams: Streams, asked: Sequence[Break], allowance: Allowance | None = None
) -> Mask:
    """Which breaks change a reading on some frame, bool (breaks,)."""
    counts = np.zeros(len(asked), np.bool_)
    for part in _portions(program, streams, allowance or Allowance()):
        for k in np.flatnonzero(~counts).tolist():
            counts[k] = part.changes_a_reading(asked[k])
    return counts


@dataclass(frozen=True)
class _Portion:
    """Some streams and every value that the program has on them, a row a frame, stream after stream."""

    program: Program
    streams: Streams
    values: Mapping[str, Array]
    work: _Work
    allowance: Allowance

    def differs(self, broken: Break, names: Sequence[str]) -> Mask:
        """Whether the answers of each frame are others, bool (rows,)."""
        whole = answers_of(self.program, self.values, names)
        return np.asarray((self._broken(broken, names) != whole).any(axis=1), np.bool_)

    def changes_a_reading(self, broken: Break) -> bool:
        """Whether some reading is another, a state that a break changed carried on."""
        answers = self._broken(broken, ())
        whole = answers_of(self.program, self.values, ())
        shape = (*self.streams.counts.shape[:2], whole.shape[1])
        other = (answers != whole).reshape(shape)
        reading, any_value = other[:, :, : len(OUTPUTS)].any(axis=2), other.any(axis=2)
        first = np.argmax(any_value, axis=1)
        rows = np.arange(len(self.streams))
        if reading[rows, first].any():
            return True
        later = np.flatnonzero(any_value.any(axis=1))
        if not later.size:
            return False
        theirs = self.streams.take(later)
        self.allowance.spend(theirs.counts.shape[0] * theirs.frames * self.work.whole)
        changed = run_broken(self.program, theirs, broken, ())[:, :, : len(OUTPUTS)]
        return bool((changed != whole.reshape(shape)[later][:, :, : len(OUTPUTS)]).any())

    def _broken(self, broken: Break, names: Sequence[str]) -> Array:
        """Answers of each frame, the state before it being that without a break."""
        program, given = self.program, dict[str, Array]()
        rows = self.streams.counts.shape[0] * self.streams.frames
        self.allowance.spend(rows * self.work.behind.get(broken.node, self.work.whole))
        if broken.state:
            given[broken.state] = self._forgotten(broken.state)
        elif any(node.name == broken.node for node in program.prepare):
            values = prepare_broken(program, self.streams, broken)
            given = {n: self._each_frame(values[n]) for n in program.prepared}
            given = {n: values for n, values in given.items() if (values != self.values[n]).any()}
        return answers_of(program, step_given(program, self.values, broken, given), names)

    def _each_frame(self, values: Array) -> Array:
        """One row a stream, or one for all of them, as a row a frame."""
        n, frames = self.streams.counts.shape[:2]
        return np.repeat(np.broadcast_to(values, (n, values.shape[1])), frames, axis=0)

    def _forgotten(self, name: str) -> Array:
        state = next(s for s in self.program.states if s.name == name)
        return np.broadcast_to(np.asarray(state.initial, np.int64), self.values[name].shape)


@dataclass(frozen=True)
class _Work:
    """Of one frame: how many numbers are looked at, by the whole program and by the nodes of its step from
    one on; and how many values there are at once.
    """

    whole: int = 0
    behind: Mapping[str, int] = field(default_factory=dict)
    values: int = 0


def _work_of(program: Program) -> _Work:
    sizes = {name: interval.size for name, interval in (program.inputs | program.prepared_intervals).items()}
    sizes |= {s.name: s.size for s in program.states} | {"trim": program.trim_size}
    sizes |= {node.name: node.size for node in (*program.prepare, *program.step)}

    def looked_at(node: Node) -> int:
        here = work(node.op, node.size, [sizes[name] for name in node.inputs], node.attributes)
        return here + _STEP * _roots(node) * (scalar(node.attributes, "depth") if node.op == "trees" else 0)

    total, behind = 0, dict[str, int]()
    for node in reversed(program.step):
        total += looked_at(node)
        behind[node.name] = total
    values = sum(sizes.values()) + 4 * max(map(_roots, program.step), default=0)
    return _Work(total + sum(map(looked_at, program.prepare)), behind, values)


def _roots(node: Node) -> int:
    """How many trees are walked at once, each frame."""
    return len(vector(node.attributes, "roots")) if node.op == "trees" else 0


def _portions(program: Program, streams: Streams, allowance: Allowance) -> Iterator[_Portion]:
    """The streams some thousand frames at a time, at first fewer, since most breaks show soon."""
    of_frame = _work_of(program)
    most = min(_ROWS, _VALUES // of_frame.values)
    start, size = 0, max(min(256, most) // streams.frames, 1)
    while start < len(streams):
        some = streams.take(slice(start, start + size))
        allowance.spend(len(some) * some.frames * of_frame.whole)
        yield _portion(program, some, of_frame, allowance)
        start += size
        size = max(min(2 * size, most // streams.frames), 1)


def _portion(program: Program, streams: Streams, of_frame: _Work, allowance: Allowance) -> _Portion:
    """Run without a break, every value kept."""
    prepared = prepare_broken(program, streams, None)
    ready = packed([prepared[name] for name in program.prepared], len(streams))
    state = initial_state(program, len(streams))
    rows: list[dict[str, Array]] = []
    for k in range(streams.frames):
        rows.append(step_broken(program, streams.frame(k), state, ready, None))
        state = answers_of(program, rows[-1], ())[:, len(OUTPUTS) :]
    n = len(streams)
    values = {
        name: np.stack([np.broadcast_to(row[name], (n, row[name].shape[1])) for row in rows], axis=1).reshape(
            n * streams.frames, -1
        )
        for name in rows[0]
    }
    return _Portion(program, streams, values, of_frame, allowance)
