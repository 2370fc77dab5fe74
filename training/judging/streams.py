"""Programs run over capture sessions, all at once: every stream starts from power-on and carries its state,
as the chip does.

A step in time outside the period's tolerance starts the model anew, as the firmware has to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dataset.labels.pours import seconds_since_pour
from dataset.records import FrozenData
from training.program import NO_POUR, NO_TEMPERATURE, Program, initial_state, prepared_values
from training.program.interpreter import trace
from training.rows import Floats, Ints, Mask

_PER_DEGREE = 10  # the program's temperatures are tenths of a degree


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
) -> dict[str, Ints]:
    """The named values of ``program`` on the chosen rows, each int64 (rows, size), in the order of the rows.

    ``trims`` (sessions, trim size) as of ``trim_counts``. ``counts``: whole sessions' counts to use in place
    of those captured. Sessions of any length run side by side; a program without state takes only the chosen
    rows.
    """
    if not chosen.any():
        raise ValueError("no rows chosen")
    at = np.flatnonzero(chosen)
    used = np.unique(data.session[at])
    where = np.searchsorted(used, data.session[at])
    if not program.states:
        ready = _ready(program, trims, used)
        given = (
            data.counts[at]
            if counts is None
            else np.concatenate([counts[int(s)][data.frame[at][data.session[at] == s]] for s in used])
        )
        if counts is not None and not np.all(np.diff(data.session[at]) >= 0):
            raise ValueError("rows out of session order")
        _, values = trace(
            program,
            given,
            tenths(data.temperature_c[at]),
            np.zeros(len(at), np.int64),
            initial_state(program, len(at)),
            ready[where],
            names,
            since_pour_at(data, at) if program.longest_pour_s else None,
        )
        return values
    last = np.asarray([data.frame[at][where == k].max() for k in range(len(used))], np.int64)
    streams = run_streams(program, data, used, np.zeros_like(last), last + 1, trims, names, counts)
    return {name: stream[data.frame[at], where] for name, stream in streams.items()}


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
    whole = [
        np.asarray(data.frames[int(s)].counts if counts is None else counts[int(s)], np.int64) for s in used
    ]
    first = np.cumsum([0, *map(len, whole)])
    warm = [
        tenths(np.full(len(w), np.nan) if (t := data.frames[int(s)].temperature_c) is None else t)
        for s, w in zip(used, whole, strict=True)
    ]
    feed = Feed(
        np.concatenate(whole),
        np.concatenate(warm),
        np.concatenate([fresh(data.frames[int(s)].t_ms, program) for s in used]),
        first[where] + start,
        length,
        np.concatenate(since_pours(program, data, used)),
    )
    return run_feed(program, feed, _ready(program, trims, session), names)


@dataclass(frozen=True)
class Feed:
    """What streams are fed, frames of all sessions one behind the other: ``counts`` int64 (rows, channels),
    ``tenths`` int64 (rows,) the temperatures, ``fresh`` (rows,) frames at which a stream starts anew; of each
    stream its ``first`` row and its ``length``, int64 (streams,). ``since_pour``: int64 (rows,) seconds.
    """

    counts: Ints
    tenths: Ints
    fresh: Mask
    first: Ints
    length: Ints
    since_pour: Ints


def run_feed(program: Program, feed: Feed, ready: Ints, names: Sequence[str]) -> dict[str, Ints]:
    """The named values of streams that start from power-on, as of :func:`run_streams`; ``ready`` are their
    prepared values, int64 (streams, prepared size).
    """
    longest, power_on = int(feed.length.max()), initial_state(program, len(feed.first))
    state, order = power_on.copy(), np.argsort(-feed.length, kind="stable")
    kept: dict[str, Ints] = {}
    for k in range(longest):
        live = order[: int((feed.length > k).sum())]
        rows = feed.first[live] + k
        anew = live[feed.fresh[rows]]
        state[anew] = power_on[anew]
        no_faults, pour = np.zeros(len(live), np.int64), feed.since_pour[rows]
        state[live], values = trace(
            program, feed.counts[rows], feed.tenths[rows], no_faults, state[live], ready[live], names, pour
        )
        for name, value in values.items():
            kept.setdefault(name, np.zeros((longest, len(state), value.shape[1]), np.int64))[k, live] = value
    return kept


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
