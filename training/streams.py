"""Programs run over whole capture sessions, all at once: every session is a stream from power-on, its state carried."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dataset.records import FrozenData
from training.program import NO_TEMPERATURE, Program, initial_state, prepare
from training.program.interpreter import trace
from training.rows import Floats, Ints, Mask

_PER_MILLE_TEMPERATURE = 10  # the program's temperatures are tenths of a degree


def values_of(program: Program, data: FrozenData, chosen: Mask, trims: Ints, names: Sequence[str], counts: Sequence[Ints] | None = None) -> dict[str, Ints]:
    """The named values of ``program`` on the chosen rows, each int64 (rows, size), in the order of the rows.

    ``trims`` (sessions, trim size) as of ``trim_counts``. ``counts``: whole sessions' counts to use in place of those captured.
    Sessions of any length run side by side; a program without state takes only the chosen rows.
    """
    if not chosen.any():
        raise ValueError("no rows chosen")
    at = np.flatnonzero(chosen)
    used = np.unique(data.session[at])
    slot = {int(s): k for k, s in enumerate(used)}
    ready = prepare(program, trims[used]) if program.trim is not None else np.zeros((len(used), 0), np.int64)
    rows = np.asarray([slot[int(s)] for s in data.session[at]], np.int64)
    if not program.states:
        given = data.counts[at] if counts is None else np.concatenate([counts[int(s)][data.frame[at][data.session[at] == s]] for s in used])
        if counts is not None and not np.all(np.diff(data.session[at]) >= 0):
            raise ValueError("rows out of session order")
        _, found = trace(program, given, _tenths(data.temperature_c[at]), np.zeros(len(at), np.int64), initial_state(program, len(at)), ready[rows], names)
        return found
    return _with_state(program, data, at, used, ready, names, counts)


def _tenths(degrees: Floats) -> Ints:
    """Temperatures as programs take them; what was not measured is NO_TEMPERATURE."""
    return np.where(np.isnan(degrees), NO_TEMPERATURE, np.rint(np.nan_to_num(degrees) * _PER_MILLE_TEMPERATURE)).astype(np.int64)


def _with_state(program: Program, data: FrozenData, at: Ints, used: Ints, ready: Ints, names: Sequence[str], counts: Sequence[Ints] | None) -> dict[str, Ints]:
    whole = [np.asarray(data.frames[int(s)].counts if counts is None else counts[int(s)], np.int64) for s in used]
    warm = [_tenths(np.full(len(w), np.nan) if (t := data.frames[int(s)].temperature_c) is None else t) for s, w in zip(used, whole, strict=True)]
    last = [int(data.frame[at][data.session[at] == s].max()) for s in used]
    order = np.argsort([-n for n in last], kind="stable")
    state = initial_state(program, len(used))
    kept: list[dict[str, Ints]] = []
    for k in range(max(last) + 1):
        live = order[: sum(n >= k for n in last)]
        frame = np.stack([whole[s][k] for s in live])
        nothing = np.zeros(len(live), np.int64)
        state[live], found = trace(program, frame, np.asarray([warm[s][k] for s in live], np.int64), nothing, state[live], ready[live], names)
        spread = {name: np.zeros((len(used), value.shape[1]), np.int64) for name, value in found.items()}
        for name, value in found.items():
            spread[name][live] = value
        kept.append(spread)
    where = np.searchsorted(used, data.session[at])
    return {name: np.stack([one[name] for one in kept])[data.frame[at], where] for name in names}
