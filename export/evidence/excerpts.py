"""Streams taken out of capture sessions: which frames may be taken, and a choice of them that is spread over
units, liquids and conditions.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dataset.labels.conditions import conditions_text
from dataset.labels.pours import seconds_since_pour
from dataset.records import Frames, Role, Session, Trim
from export.evidence.streams import Streams, joined
from training.judging.streams import restarts, tenths
from training.program import Array, Program
from training.program.trims import accepted
from training.rows import Mask

_DRAWS = (
    np.random.RandomState
)  # its streams are frozen (NumPy enhancement proposal 19), so bundles stay the same


@dataclass(frozen=True)
class Excerpt:
    """Where a stream was taken from: the hash of a session, its first frame, how many frames, and the hashes
    of the unit's trims that it has, kind after kind.
    """

    session: str
    first: int
    frames: int
    trims: tuple[str, ...]


@dataclass(frozen=True)
class Capture:
    """A session that streams may be taken from, all its ``frames``, which of them may be taken, bool
    (frames,), and its unit's trims.
    """

    session: Session
    frames: Frames
    free: Mask
    trims: tuple[Trim, ...]


@dataclass(frozen=True)
class Excerpts:
    """Streams and where each was taken from."""

    places: tuple[Excerpt, ...]
    streams: Streams

    def __len__(self) -> int:
        return len(self.places)


@dataclass(frozen=True)
class Origins:
    """Where the streams of vectors are from: how many there are, of how many frames each, whether the export
    was told to make all of them, and by session how many are taken of it.
    """

    streams: int
    frames: int
    made_only: bool
    sessions: tuple[tuple[str, int], ...]

    @property
    def taken(self) -> int:
        """How many streams are taken of sessions."""
        return sum(count for _, count in self.sessions)

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "streams": self.streams,
            "stream_frames": self.frames,
            "made_only": self.made_only,
            "of_sessions": self.taken,
            "sessions": [{"sha256": sha256, "streams": count} for sha256, count in self.sessions],
        }


def origins(places: Sequence[Excerpt], streams: int, frames: int, *, made_only: bool) -> Origins:
    """Sums up ``places`` among ``streams`` streams."""
    counts: dict[str, int] = {}
    for place in places:
        counts[place.session] = counts.get(place.session, 0) + 1
    return Origins(streams, frames, made_only, tuple(sorted(counts.items())))


def free_frames(session: Session, roles: Sequence[Role], frames: int) -> Mask:
    """Which frames may be taken of a session whose marks have these roles, bool (frames,): none that belongs
    to 'prove'. Where some do, frames without a mark lie between them and stay out too. None of a void one.
    """
    free: Mask = np.zeros(frames, np.bool_)
    if session.void_reason is not None:
        return free
    if Role.PROVE not in roles:
        free[:] = True
        return free
    for mark, role in sorted(zip(session.marks, roles, strict=True), key=lambda pair: pair[1] is Role.PROVE):
        free[mark.start : mark.stop] = role is not Role.PROVE
    return free


def stream_of(program: Program, capture: Capture, first: int, frames: int, trim: Sequence[int]) -> Streams:
    """One stream: a session's frames from ``first`` on, as the chip is given them."""
    now, recorded = slice(first, first + frames), capture.frames
    warm = np.full(frames, np.nan) if recorded.temperature_c is None else recorded.temperature_c[now]
    pours: Array | None = None
    if program.longest_pour_s:
        session = capture.session
        pours = seconds_since_pour(recorded.t_ms, session.marks, session.stretches)[now][None]
    return Streams(
        np.asarray(trim, np.int64).reshape(1, program.trim_size),
        np.asarray(recorded.counts[now], np.int64)[None],
        tenths(warm)[None],
        np.zeros((1, frames), np.int64),
        pours,
    )


def excerpts_of(program: Program, captures: Sequence[Capture], frames: int, most: int, seed: int) -> Excerpts:
    """At most ``most`` excerpts of ``frames`` frames, drawn by ``seed``.

    Units take turns, in each unit its liquids, in each of these the conditions (heights of foam and angles of
    tilt left aside), and then sessions. No frame is in two excerpts, and none reaches over a step in time
    after which the model would start anew; counts, temperatures and trim are such as the program accepts.
    """
    rng = _DRAWS(seed)
    having: dict[str, tuple[Capture, tuple[Trim, ...]]] = {}
    parts: list[tuple[tuple[str, ...], Iterator[Excerpt]]] = []
    for capture in sorted(captures, key=lambda one: one.session.sha256):
        session, trims = capture.session, _own_trims(program, capture)
        if trims is None:
            continue
        having[session.sha256] = (capture, trims)
        place = Excerpt(session.sha256, 0, frames, tuple(trim.sha256 for trim in trims))
        for conditions, starts in _starts(program, capture, frames, rng).items():
            key = (session.unit.name, session.liquid.name, conditions)
            parts.append((key, _placed(place, rng.permutation(starts))))
    places = tuple(itertools.islice(_turns(rng, parts), most))
    streams = []
    for place in places:
        capture, trims = having[place.session]
        streams.append(stream_of(program, capture, place.first, frames, counts_of(trims)))
    return Excerpts(places, joined(streams) if streams else _no_streams(program, frames))


def counts_of(trims: Sequence[Trim]) -> list[int]:
    """The counts of trims, one trim after another."""
    return [count for trim in trims for count in trim.counts]


def _own_trims(program: Program, capture: Capture) -> tuple[Trim, ...] | None:
    """The unit's trims that the program takes, kind after kind; None where one lacks or is not accepted."""
    if program.trim is None:
        return ()
    newest = {trim.kind.value: trim for trim in sorted(capture.trims, key=lambda t: (t.date, t.sha256))}
    if not set(program.trim_kinds) <= set(newest):
        return None
    trims = tuple(newest[kind] for kind in program.trim_kinds)
    counts = np.asarray([counts_of(trims)], np.int64)
    low, high = np.asarray(program.trim.low), np.asarray(program.trim.high)
    inside = counts.shape[1] == program.trim_size and bool(((counts >= low) & (counts <= high)).all())
    return trims if inside and accepted(program, counts).all() else None


def _starts(
    program: Program, capture: Capture, frames: int, rng: np.random.RandomState
) -> Mapping[str, NDArray[np.int64]]:
    """First frames of the excerpts that a session can give, by the conditions of their last frame; no frame
    is in two of them.
    """
    recorded, ends = capture.frames, program.inputs["temperature"]
    if len(recorded) < frames or recorded.counts.shape[1] != program.channels:
        return {}
    usable = capture.free & (np.asarray(recorded.counts, np.int64) <= program.count_max).all(axis=1)
    if recorded.temperature_c is not None:
        warm = tenths(recorded.temperature_c)
        usable = usable & (warm >= ends.low[0]) & (warm <= ends.high[0])
    anew = np.zeros(len(recorded), np.int64)
    anew[restarts(recorded.t_ms, program.period_ms, program.period_tolerance_pct)] = 1
    spoilt, started = (np.concatenate([[0], np.cumsum(part)]) for part in (~usable, anew))
    first = np.arange(len(recorded) - frames + 1)
    whole = (spoilt[first + frames] == spoilt[first]) & (started[first + frames] == started[first + 1])
    stated = np.full(len(recorded), "", object)
    for stretch in capture.session.stretches:
        plain = replace(stretch.conditions, foam_mm=None, tilt_deg=None)
        stated[stretch.start : stretch.stop] = conditions_text(plain)
    first = _apart(first[whole], frames, int(rng.randint(frames)))
    conditions = stated[first + frames - 1]
    return {text: first[conditions == text] for text in sorted(set(conditions.tolist()))}


def _apart(starts: NDArray[np.int64], frames: int, shift: int) -> NDArray[np.int64]:
    """As many of ``starts``, rising, as lie ``frames`` apart; where there is room, shifted by ``shift``."""
    taken = []
    for run in np.split(starts, np.flatnonzero(np.diff(starts) > 1) + 1):
        room = (len(run) - 1) % frames + 1
        taken.append(run[shift % room :: frames] if len(run) else run)
    return np.concatenate(taken)


def _placed(place: Excerpt, starts: NDArray[np.int64]) -> Iterator[Excerpt]:
    """The excerpt moved to each of ``starts``."""
    return (replace(place, first=int(first)) for first in starts)


def _turns(
    rng: np.random.RandomState, parts: Sequence[tuple[tuple[str, ...], Iterator[Excerpt]]]
) -> Iterator[Excerpt]:
    """One of each first word of the keys in turn, in an order that is drawn, and under it of each second."""
    if all(not key for key, _ in parts):
        return _in_turn([part for _, part in parts])
    under: dict[str, list[tuple[tuple[str, ...], Iterator[Excerpt]]]] = {}
    for (first, *rest), part in parts:
        under.setdefault(first, []).append((tuple(rest), part))
    names = sorted(under)
    return _in_turn([_turns(rng, under[names[k]]) for k in rng.permutation(len(names))])


def _in_turn(parts: Sequence[Iterator[Excerpt]]) -> Iterator[Excerpt]:
    """One of each, again and again, until none has any left."""
    left = list(parts)
    while left:
        still = []
        for part in left:
            one = next(part, None)
            if one is not None:
                still.append(part)
                yield one
        left = still


def _no_streams(program: Program, frames: int) -> Streams:
    nothing: Array = np.zeros((0, frames), np.int64)
    return Streams(
        np.zeros((0, program.trim_size), np.int64),
        np.zeros((0, frames, program.channels), np.int64),
        nothing,
        nothing,
    )
