"""Draws the streams of a bundle's vectors: from sessions, from made fills and from corners, until every side
of every decision is visited often enough.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from export.evidence.decisions import Decisions
from export.evidence.edges import at_edges
from export.evidence.fills import drawn_pours, made_fills
from export.evidence.search import reach
from export.evidence.streams import Streams, held, joined
from export.vectors import MOST_SETTLING, STREAM_FRAMES, Vectors, expect
from training.program import EMPTY, OUTPUTS, VALID, Array, Interval, Program, into_gate

LEAST_VISITS = 50  # of each side of a decision, in frames
LEAST_INNER = 3  # of an inner side
LEAST_VALID, LEAST_EMPTY = 0.30, 0.10  # of all frames, where the program can give it
_POOL = 8  # streams to choose from for each that is chosen
_MOST_POOL = 6_000
_EDGES = 3  # a stream at an edge for so many others at most
_TRIES = 2048  # inputs tried in search of valid readings


@dataclass(frozen=True)
class Drawn:
    """Streams for vectors, made ones first. ``visits`` (sides,) counts frames by side of ``decisions``;
    ``sources`` says for each stream behind the ``made_count`` first ones which of the streams given it is.
    """

    streams: Streams
    made_count: int
    sources: tuple[int, ...]
    decisions: Decisions
    visits: Array


def make_vectors(
    program: Program, count: int = 10_000, seed: int = 0, given: Streams | None = None
) -> Vectors:
    """Vectors of at least ``count`` frames, those of ``given`` at the end, all others made; see ``draw``."""
    return vectors_of(program, draw(program, count, seed, given).streams)


def vectors_of(program: Program, streams: Streams) -> Vectors:
    """Streams with what the interpreter makes of them."""
    given = (streams.trim, streams.counts, streams.temperature, streams.faults, streams.since_pour)
    return expect(program, streams.frames, *given)


def stream_frames(program: Program) -> int:
    """How many frames a stream of vectors has: it outlasts the settling."""
    return STREAM_FRAMES + min(program.settling_frames, MOST_SETTLING)


def draw(program: Program, count: int, seed: int, given: Streams | None = None) -> Drawn:
    """Streams of at least ``count`` frames in all (more where corners need them).

    Half of them are chosen from ``given``, streams of sessions, where there are that many; the rest is made.
    What is made follows from program, count and seed and from how many streams are taken of ``given``, not
    from which.
    """
    decisions = Decisions(program)
    frames = stream_frames(program)
    wanted = -(-count // frames)
    from_sessions = 0 if given is None else min(len(given), wanted // 2)
    made_streams = _made(decisions, wanted - from_sessions, frames, seed)
    visits = decisions.visits(made_streams)
    if given is None or not from_sessions:
        return Drawn(made_streams, len(made_streams), (), decisions, visits.sum(axis=0))
    theirs = decisions.visits(given)
    picked = _pick(decisions, theirs, from_sessions, visits.sum(axis=0), count)
    total = visits.sum(axis=0) + theirs[picked].sum(axis=0)
    chosen = tuple(int(k) for k in picked)
    return Drawn(joined([made_streams, given.take(picked)]), len(made_streams), chosen, decisions, total)


def _made(decisions: Decisions, streams: int, frames: int, seed: int) -> Streams:
    """Corners first, then streams at edges, then the choice of the pool."""
    program = decisions.program
    rng = np.random.RandomState(seed)
    first = _corner_streams(program, rng, frames)
    left = max(streams - len(first), 4)
    pool = _pool(decisions, rng, min(_POOL * left, _MOST_POOL), frames)
    near = at_edges(program, pool, rng, left // _EDGES)
    if near is not None:
        first, left = joined([first, near]), left - len(near)
    corner_visits = decisions.visits(first).sum(axis=0)
    visits = decisions.visits(pool)
    picked = _pick(decisions, visits, left, corner_visits, (len(first) + left) * frames)
    return joined([first, pool.take(picked)])


def _pool(decisions: Decisions, rng: np.random.RandomState, streams: int, frames: int) -> Streams:
    """Made fills, a tenth drawn over the whole domain, some with faults, and what a search reached of sides
    that these leave out.
    """
    program = decisions.program
    pool = joined([made_fills(program, rng, streams, frames), _anywhere(program, rng, streams // 10, frames)])
    shape = pool.faults.shape
    faulty = (rng.random_sample((len(pool), 1)) < 0.05) & (rng.random_sample(shape) < 0.5)
    drawn = rng.randint(0, program.inputs["faults"].high[0] + 1, shape)
    pool = replace(pool, faults=np.where(faulty, drawn, 0))
    pool = joined([pool, *_near_valid(program, rng, streams, frames)])
    return joined([pool, *reach(decisions, pool, LEAST_VISITS, rng)])


def _near_valid(program: Program, rng: np.random.RandomState, streams: int, frames: int) -> list[Streams]:
    """Slow walks from inputs that end in a valid reading when they are held, where few enough of the domain
    do that fills may miss them.
    """
    tried = _anywhere(program, rng, _TRIES, 1)
    still = held(tried.trim, tried.counts[:, 0], frames)
    last = vectors_of(program, still).readings[frames - 1 :: frames]
    valid = np.flatnonzero(last[:, OUTPUTS.index("validity")] == VALID)
    if not valid.size:
        return []
    near = still.take(rng.choice(valid, size=max(streams // 4, 1)))
    return [replace(near, counts=_walk(rng, program.inputs["counts"], near.counts))]


def _pick(decisions: Decisions, visits: Array, streams: int, before: Array, frames: int) -> Array:
    """Which streams to take, (``streams``,), rising: greedily those that visit what is still wanted, then
    those that keep the shares of valid and empty readings.
    """
    wanted = np.where(decisions.decisive, LEAST_VISITS, LEAST_INNER)
    for k, side in enumerate(decisions.sides):
        if side.fork.node == "validity" and side.fork.kind == "output":
            code = side.fork.codes[side.index]
            share = {VALID: LEAST_VALID, EMPTY: LEAST_EMPTY}.get(code)
            if share is not None:
                wanted[k] = max(wanted[k], int(np.ceil(share * frames)))
    missing = np.maximum(wanted - before, 0).astype(np.float64)
    free = np.ones(len(visits), np.bool_)
    picked: list[int] = []
    weight = 1.0 / wanted
    while len(picked) < min(streams, len(visits)) and missing.any():
        open_sides = np.flatnonzero(missing)
        gain = np.minimum(visits[:, open_sides], missing[open_sides]) @ weight[open_sides]
        gain = np.where(free, gain, -1.0)
        best = int(np.argmax(gain))
        if gain[best] <= 0:
            break
        picked.append(best)
        free[best] = False
        missing = np.maximum(missing - visits[best], 0)
    rest = np.flatnonzero(free)[: streams - len(picked)]
    return np.sort(np.asarray([*picked, *rest], np.int64))


def corners(program: Program) -> Array:
    """The inputs at the ends of the declared domain, a row each: counts, temperature, faults, and the seconds
    since the last pour of a program that is told.

    With up to 6 channels all corners of the counts, above that all low, all high, and one high among low
    ones.
    """
    ends = program.inputs
    low, high, channels = 0, program.count_max, program.channels
    if channels <= 6:
        counts = list(itertools.product((low, high), repeat=channels))
    else:
        counts = [(low,) * channels, (high,) * channels]
        counts += [tuple(high if k == hot else low for k in range(channels)) for hot in range(channels)]
    others = [(end.low[0], end.high[0]) for name, end in ends.items() if name != "counts"]
    rows = [(*c, *other) for c in counts for other in itertools.product(*others)]
    return np.asarray(rows, dtype=np.int64)


def _corner_streams(program: Program, rng: np.random.RandomState, frames: int) -> Streams:
    """All corners one behind another, in streams whose trims are at the ends of their limits and between."""
    rows = corners(program)
    streams = max(-(-len(rows) // frames), 2)
    rows = np.resize(rows, (streams * frames, rows.shape[1]))
    trim = np.zeros((streams, 0), np.int64)
    if program.trim is not None:
        trim = uniform(rng, program.trim, (streams,))
        trim[0], trim[-1] = program.trim.low, program.trim.high
        trim = into_gate(program, trim)
    shape = (streams, frames)
    counts, others = rows[:, : program.channels], rows[:, program.channels :].T.reshape(-1, *shape)
    return Streams(trim, counts.reshape(*shape, program.channels), *others)


def _anywhere(program: Program, rng: np.random.RandomState, streams: int, frames: int) -> Streams:
    """Streams over the whole domain: uniform, slow walks, or jumps between the ends."""
    trim = np.zeros((streams, 0), np.int64)
    if program.trim is not None:
        trim = into_gate(program, uniform(rng, program.trim, (streams,)))
    counts = _wild(rng, program.inputs["counts"], streams, frames)
    temperature = _wild(rng, program.inputs["temperature"], streams, frames)[:, :, 0]
    pours = drawn_pours(program, rng, streams, frames)
    return Streams(trim, counts, temperature, np.zeros((streams, frames), np.int64), pours)


def uniform(rng: np.random.RandomState, interval: Interval, shape: Sequence[int]) -> Array:
    """Draws over an interval, (*shape, size)."""
    return np.asarray(
        rng.randint(interval.low, np.asarray(interval.high) + 1, size=(*shape, interval.size), dtype=np.int64)
    )


def _wild(rng: np.random.RandomState, interval: Interval, streams: int, frames: int) -> Array:
    """Shape (streams, frames, size): a third uniform, a third slow walks, a third jumps between the ends."""
    low, high = np.asarray(interval.low), np.asarray(interval.high)
    drawn = uniform(rng, interval, (streams, frames))
    walk = _walk(rng, interval, np.repeat(drawn[:, :1], frames, axis=1))
    jumps = np.where(rng.random_sample(drawn.shape) < 0.5, low, high)
    kind = rng.randint(0, 3, size=(streams, 1, 1))
    return np.asarray(np.choose(kind, [drawn, walk, jumps]), dtype=np.int64)


def _walk(rng: np.random.RandomState, interval: Interval, start: Array) -> Array:
    """Slow walks inside ``interval`` from the rows of ``start``, shape (streams, frames, size)."""
    low, high = np.asarray(interval.low), np.asarray(interval.high)
    paces = np.maximum((high - low) >> 10, 1)
    steps = rng.randint(-paces, paces + 1, size=start.shape)
    return np.asarray(np.clip(start + np.cumsum(steps, axis=1), low, high), np.int64)


def shares(readings: Array) -> dict[str, float]:
    """The shares of valid and of empty readings among ``readings`` (n, outputs)."""
    validity = readings[:, OUTPUTS.index("validity")]
    return {"valid": float(np.mean(validity == VALID)), "empty": float(np.mean(validity == EMPTY))}
