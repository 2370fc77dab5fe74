"""The worst sessions as a program read them, thinned to what a picture shows."""

from __future__ import annotations

import numpy as np

from training.judging.curves import drawn
from training.judging.figures import SessionTrace
from training.judging.judged import Judged
from training.judging.scoring import tidy
from training.program import FLAG_BITS, GIVEN, REASON_NAMES
from training.rows import Floats, Ints, Mask

WORST = 3  # sessions by the P95 of their error; one more by the share withheld
_BUCKETS = 50  # of a session's frames, of each the first, the one furthest off and the first withheld
_MOST_RUNS = 40  # of one name; of more the longest


def worst_traces(judged: Judged) -> tuple[SessionTrace, ...]:
    """The WORST sessions by the P95 of the error of their accepted readings, the worst first, and the one
    with the largest share withheld where it is none of these. Rows of ``judged`` are in session and time
    order.
    """
    sessions, starts = np.unique(judged.places["session"].codes, return_index=True)
    pieces = np.split(np.arange(len(judged.label_mm)), np.sort(starts)[1:])
    codes = sessions[np.argsort(starts)]  # in the order of the sessions' names
    size = np.abs(judged.error_mm)
    p95 = [_p95(size[rows][judged.accepted[rows]]) for rows in pieces]
    withheld = [float((~judged.accepted[rows]).mean()) for rows in pieces]
    by_error = sorted(range(len(pieces)), key=lambda k: (-(p95[k] or 0.0), codes[k]))
    shown = [k for k in by_error if p95[k]][:WORST]
    most = max(range(len(pieces)), key=lambda k: (withheld[k], -k))
    if withheld[most] > 0 and most not in shown:
        shown.append(most)
    return tuple(_trace(judged, pieces[k], p95[k], withheld[k]) for k in shown)


def _p95(size: Floats) -> float | None:
    return tidy(np.quantile(size, 0.95, method="inverted_cdf")) if len(size) else None


def _trace(judged: Judged, rows: Ints, p95_mm: float | None, withheld: float) -> SessionTrace:
    seconds = (judged.t_ms[rows] - judged.t_ms[rows[0]]) / 1000.0
    kept = _thinned(np.abs(judged.error_mm[rows]))
    given = judged.accepted[rows][kept]

    def where_given(values: Floats) -> tuple[float | None, ...]:
        return tuple(drawn(v) if there else None for v, there in zip(values[rows][kept], given, strict=True))

    return SessionTrace(
        session=judged.places["session"].name(rows[0]),
        unit=judged.places["unit"].name(rows[0]),
        liquid=judged.places["liquid"].name(rows[0]),
        frames=len(rows),
        p95_mm=p95_mm,
        withheld_share=tidy(withheld),
        t_s=tuple(drawn(v) for v in seconds[kept]),
        label_mm=tuple(drawn(v) for v in judged.label_mm[rows][kept]),
        level_mm=where_given(judged.level_mm),
        low_mm=where_given(judged.low_mm),
        high_mm=where_given(judged.high_mm),
        runs={name: runs for name, held in _held(judged, rows).items() if (runs := _runs(held, seconds))},
    )


def _thinned(size: Floats) -> Ints:
    """Of each bucket of rows the first, the one of the largest ``size``, and the first that has none, so that
    no line is drawn across what was withheld.
    """
    buckets = np.array_split(np.arange(len(size)), min(_BUCKETS, len(size)))
    given = np.nan_to_num(size, nan=-1.0)
    kept = [row for b in buckets for row in (b[0], b[np.argmax(given[b])], b[np.argmin(given[b] >= 0)])]
    return np.unique(np.asarray(kept, np.int64))


def _held(judged: Judged, rows: Ints) -> dict[str, Mask]:
    """By name in which rows it held: reasons of withholding, flags, and what was stated."""
    withheld, held = ~judged.accepted[rows], dict[str, Mask]()
    if judged.reason is None:
        held["withheld"] = withheld
    else:
        reason = judged.reason[rows]
        held = {f"withheld: {name}": reason == k for k, name in REASON_NAMES.items() if k != GIVEN}
    held |= {
        f"flag {flag.replace('_', ' ')}": judged.flags[rows] & bit != 0 for flag, bit in FLAG_BITS.items()
    }
    return held | {"stated: foam": judged.states.foam[rows], "stated: film": judged.states.film[rows]}


def _runs(held: Mask, seconds: Floats) -> tuple[tuple[float, ...], ...]:
    """Stretches of rows one after another in which it held, from the first row's time to the last one's."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], held, [False]]).astype(np.int8)))
    runs = [(float(seconds[first]), float(seconds[stop - 1])) for first, stop in edges.reshape(-1, 2)]
    longest = sorted(range(len(runs)), key=lambda k: runs[k][0] - runs[k][1])[:_MOST_RUNS]
    return tuple((drawn(runs[k][0]), drawn(runs[k][1])) for k in sorted(longest))
