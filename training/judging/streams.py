"""Programs run over capture sessions, all at once: every stream starts from power-on and carries its state,
as the chip does.

A step in time outside the period's tolerance starts the model anew, as the firmware has to.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dataset.labels.pours import seconds_since_pour
from dataset.records import FrozenData
from training.program import NO_POUR, NO_TEMPERATURE, Program, initial_state, prepared_values
from training.program.interpreter import check_inputs, given_inputs, trace
from training.rows import Floats, Ints, Mask, Narrow, Whole

_PER_DEGREE = 10  # the program's temperatures are tenths of a degree
_BLOCK = 1 << 16  # rows that a program without state takes at once


def restarts(t_ms: Ints, period_ms: int, tolerance_pct: float) -> Ints:
    """Frames whose step from the one before is further from the period than the tolerance; there the state is
    that of power-on.
    """
    off = np.abs(np.diff(t_ms) - period_ms) * 100 > period_ms * tolerance_pct
    return np.asarray(np.flatnonzero(off) + 1, np.int64)


def restarted(data: FrozenData) -> Mask:
    """Rows at which their session starts anew, by its sensor's own period and tolerance, (n,)."""
    anew: Mask = np.zeros(len(data.session), np.bool_)
    for k in np.unique(data.session):
        sensor, mine = data.frozen.sessions[int(k)].mounting.sensor, data.session == k
        anew[mine] = np.isin(
            data.frame[mine],
            restarts(data.frames[int(k)].t_ms, sensor.period_ms, sensor.period_tolerance_pct),
        )
    return anew


def since_pours(program: Program, data: FrozenData, sessions: Ints) -> list[Ints]:
    """Of each session the seconds since the last pour, (frames,), as an appliance would tell them; of a
    program that is not told, that nothing is known.
    """
    if not program.longest_pour_s:
        return [np.full(len(data.frames[int(k)]), NO_POUR, np.int64) for k in sessions]
    return [
        seconds_since_pour(data.frames[int(k)].t_ms, session.marks, session.stretches)
        for k, session in ((k, data.frozen.sessions[int(k)]) for k in sessions)
    ]


def since_pour_at(data: FrozenData, at: Ints) -> Ints:
    """The seconds since the last pour at the rows ``at`` of the data, (rows,); -1 where it is not known."""
    pours = np.empty(len(at), np.int64)
    for k in np.unique(data.session[at]):
        mine = data.session[at] == k
        session = data.frozen.sessions[int(k)]
        of_session = seconds_since_pour(data.frames[int(k)].t_ms, session.marks, session.stretches)
        pours[mine] = of_session[data.frame[at][mine]]
    return pours


def values_of(
    program: Program,
    data: FrozenData,
    chosen: Mask,
    trims: Ints,
    names: Sequence[str],
    counts: Sequence[Ints] | None = None,
) -> dict[str, Narrow]:
    """The named values of ``program``'s step on the chosen rows, each (rows, size), in the order of the rows.

    They are int32: every value of a program is declared to lie in its range (:func:`ops.interval`), and the
    interpreter holds each to what was declared. A sum or a product of them is to be made in int64.

    ``trims`` (sessions, trim size) as of ``trim_counts``. ``counts``: whole sessions' counts to use in place
    of those captured. Sessions of any length run side by side; a program without state takes only the chosen
    rows.
    """
    if not chosen.any():
        raise ValueError("no rows chosen")
    at = np.flatnonzero(chosen)
    used = np.unique(data.session[at])
    if not program.states:
        if counts is not None and not np.all(np.diff(data.session[at]) >= 0):
            raise ValueError("rows out of session order")
        return _in_blocks(program, data, at, trims, names, counts)
    where = np.searchsorted(used, data.session[at])
    last = np.zeros(len(used), np.int64)
    np.maximum.at(last, where, data.frame[at])
    feed = _feed(program, data, used, np.arange(len(used)), np.zeros_like(last), last + 1, counts)
    rows_of_frame = np.full(len(feed.counts), -1, np.int64)
    rows_of_frame[feed.first[where] + data.frame[at]] = np.arange(len(at))
    kept = _Kept((len(at),), np.int32)
    for rows, _, values in _steps(program, feed, _ready(program, trims, used), names):
        into = rows_of_frame[rows]
        there = into >= 0
        kept.put(into[there], {name: value[there] for name, value in values.items()})
    return kept.values


def _in_blocks(
    program: Program,
    data: FrozenData,
    at: Ints,
    trims: Ints,
    names: Sequence[str],
    counts: Sequence[Ints] | None,
) -> dict[str, Narrow]:
    """The values of a program without state at the rows ``at``, of which none knows of another."""
    kept = _Kept((len(at),), np.int32)
    for start in range(0, len(at), _BLOCK):
        rows = at[start : start + _BLOCK]
        session, frame = data.session[rows], data.frame[rows]
        used, where = np.unique(session, return_inverse=True)
        given = (
            data.counts[rows]
            if counts is None
            else np.concatenate([counts[int(s)][frame[session == s]] for s in used])
        )
        inputs = (
            np.asarray(given, np.int64),
            tenths(data.temperature_c[rows]),
            np.zeros(len(rows), np.int64),
        )
        pour = since_pour_at(data, rows) if program.longest_pour_s else None
        check_inputs(program, given_inputs(program, *inputs, pour), start)
        ready = _ready(program, trims, used)[where]
        _, values = trace(program, *inputs, initial_state(program, len(rows)), ready, names, pour)
        kept.put(slice(start, start + len(rows)), values)
    return kept.values


def run_streams(
    program: Program,
    data: FrozenData,
    session: Ints,
    start: Ints,
    length: Ints,
    trims: Ints,
    names: Sequence[str],
    counts: Sequence[Ints] | None = None,
) -> dict[str, Ints]:
    """The named values of streams that start from power-on at frame ``start`` of a session and run for
    ``length`` frames, all (streams,).

    Each is int64 (longest, streams, size), zero behind a stream's end; otherwise as :func:`values_of`.
    """
    used, where = np.unique(session, return_inverse=True)
    feed = _feed(program, data, used, where, start, length, counts)
    return run_feed(program, feed, _ready(program, trims, session), names)


@dataclass(frozen=True)
class Feed:
    """What streams are fed, frames of all sessions one behind the other: ``counts`` (rows, channels) of any
    whole type, ``tenths`` int64 (rows,) the temperatures, ``fresh`` (rows,) frames at which a stream starts
    anew; of each stream its ``first`` row and its ``length``, int64 (streams,). ``since_pour``: int64 (rows,)
    seconds.
    """

    counts: Whole
    tenths: Ints
    fresh: Mask
    first: Ints
    length: Ints
    since_pour: Ints


def _feed(
    program: Program,
    data: FrozenData,
    used: Ints,
    where: Ints,
    start: Ints,
    length: Ints,
    counts: Sequence[Ints] | None,
) -> Feed:
    """The frames of the sessions ``used``, for streams of those at ``where`` among them. Counts stay as
    narrow as they are: they are widened a step at a time.
    """
    whole = [np.asarray(data.frames[int(s)].counts if counts is None else counts[int(s)]) for s in used]
    first = np.cumsum([0, *map(len, whole)])
    warm = [
        tenths(np.full(len(w), np.nan) if (t := data.frames[int(s)].temperature_c) is None else t)
        for s, w in zip(used, whole, strict=True)
    ]
    return Feed(
        np.concatenate(whole),
        np.concatenate(warm),
        np.concatenate([fresh(data.frames[int(s)].t_ms, program) for s in used]),
        first[where] + start,
        length,
        np.concatenate(since_pours(program, data, used)),
    )


def run_feed(program: Program, feed: Feed, ready: Ints, names: Sequence[str]) -> dict[str, Ints]:
    """The named values of streams that start from power-on, as of :func:`run_streams`; ``ready`` are their
    prepared values, int64 (streams, prepared size).
    """
    kept = _Kept((int(feed.length.max()), len(feed.first)), np.int64)
    for k, (_, live, values) in enumerate(_steps(program, feed, ready, names)):
        kept.put((k, live), values)
    return kept.values


def _steps(
    program: Program, feed: Feed, ready: Ints, names: Sequence[str]
) -> Iterator[tuple[Ints, Ints, dict[str, Ints]]]:
    """Frame after frame the rows of the feed that are read, which streams read them, and their named
    values, int64 (those streams, size).
    """
    longest, power_on = int(feed.length.max()), initial_state(program, len(feed.first))
    state, order = power_on.copy(), np.argsort(-feed.length, kind="stable")
    for k in range(longest):
        live = order[: int((feed.length > k).sum())]
        rows = feed.first[live] + k
        anew = live[feed.fresh[rows]]
        state[anew] = power_on[anew]
        no_faults, pour = np.zeros(len(live), np.int64), feed.since_pour[rows]
        counts = feed.counts[rows].astype(np.int64)  # the program's arithmetic is that of whole numbers
        state[live], values = trace(
            program, counts, feed.tenths[rows], no_faults, state[live], ready[live], names, pour
        )
        yield rows, live, values


class _Kept:
    """The named values of a program: arrays of ``shape`` and each value's size; zero where none was put."""

    def __init__(self, shape: tuple[int, ...], dtype: type[np.integer[Any]]) -> None:
        self._shape, self._dtype = shape, dtype
        self.values = dict[str, Any]()

    def put(self, where: Any, values: Mapping[str, Ints]) -> None:
        for name, value in values.items():
            if name not in self.values:
                self.values[name] = np.zeros((*self._shape, value.shape[1]), self._dtype)
            self.values[name][where] = value


def _ready(program: Program, trims: Ints, session: Ints) -> Ints:
    """The prepared values of each stream, (streams, prepared size)."""
    if program.trim is None:
        return np.zeros((len(session), 0), np.int64)
    return prepared_values(program, trims[session])


def fresh(t_ms: Ints, program: Program) -> Mask:
    """Frames at which a program starts anew, (frames,)."""
    anew: Mask = np.zeros(len(t_ms), np.bool_)
    anew[restarts(t_ms, program.period_ms, program.period_tolerance_pct)] = True
    return anew


def tenths(degrees: Floats) -> Ints:
    """Temperatures in degrees Celsius as programs take them; what was not measured (NaN) is
    NO_TEMPERATURE.
    """
    return np.where(np.isnan(degrees), NO_TEMPERATURE, np.rint(np.nan_to_num(degrees) * _PER_DEGREE)).astype(
        np.int64
    )
