"""How much drift a model stands: captured counts altered step by step, and the limits answered again at each
step.

Kinds: 'baseline' adds a share of each channel's swing to its counts, 'gain' multiplies the counts, 'dead pad'
holds one channel at its dry count. 'film' wets every pad above the liquid by a share of its swing, a pad that
is partly under in proportion to what is above: a law of counts, for a film of one thickness all over; no
field is solved. Trims stay as they were stored: drift is what comes after them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dataset.pools import ALL_CORES, HERE, Pool, Task, as_asked
from dataset.records import CountLaw, FrozenData, Limits, Model, Sensor, TrimKind
from training.judging.answers import answer_limits
from training.judging.comparing import whole_figures
from training.judging.figures import AnsweredLimit, DriftFigures, Figures, Stands, SweepFigures
from training.judging.stored import judge_model
from training.rows import Floats, Ints, Mask

STEPS_PCT = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
DIRECTIONS = (1, -1)
_EDGE = 0.01  # of the frames: what lies beyond is no measure of a swing

_WORTH_CORES = 10_000  # frames: with fewer, to start processes takes longer than to judge

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Drift:
    """One alteration: its kind, and its size in per cent (of the swing, of the counts) or the
    dead channel.
    """

    kind: str
    amount: float


def drifts(channels: int) -> tuple[Drift, ...]:
    """Every alteration that a sweep tries, smallest first in each kind and direction."""
    moved = tuple(
        Drift(kind, sign * step) for kind in ("baseline", "gain") for sign in DIRECTIONS for step in STEPS_PCT
    )
    return (
        *moved,
        *(Drift("film", step) for step in STEPS_PCT),
        *(Drift("dead pad", k) for k in range(channels)),
    )


def altered(data: FrozenData, chosen: Mask, drift: Drift) -> list[Ints]:
    """The whole sessions' counts after a drift, rounded and kept within the count width; int64 (frames,
    channels) for each session.
    """
    sensor = data.frozen.sessions[0].mounting.sensor
    most = (1 << sensor.count_bits) - 1
    low, high = np.quantile(data.counts[chosen], [_EDGE, 1 - _EDGE], axis=0)
    sessions = []
    for k, frames in enumerate(data.frames):
        counts = np.asarray(frames.counts, np.float64)
        if drift.kind == "baseline":
            counts = counts + drift.amount / 100 * (high - low)
        elif drift.kind == "gain":
            counts = counts * (1 + drift.amount / 100)
        elif drift.kind == "film":
            sign = 1 if sensor.count_law is CountLaw.RISES else -1
            counts = counts + sign * drift.amount / 100 * (high - low) * _above(data, k, len(counts), sensor)
        else:
            pad = int(drift.amount)
            counts[:, pad] = _dry(data, k, low if sensor.count_law is CountLaw.RISES else high)[pad]
        sessions.append(np.clip(np.rint(counts), 0, most).astype(np.int64))
    return sessions


def _above(data: FrozenData, session: int, frames: int, sensor: Sensor) -> Floats:
    """How much of each pad is above the liquid, 0 to 1, (frames, channels); frames without a label take their
    level from those around them.
    """
    mine = data.session == session
    level = (
        np.interp(np.arange(frames), data.frame[mine], data.level_mm[mine])
        if mine.any()
        else np.full(frames, np.inf)
    )
    above, offset = np.zeros((frames, sensor.channels)), data.frozen.sessions[session].mounting.offset_mm
    for pad in sensor.pads:
        top = pad.bottom_mm + pad.height_mm + offset
        above[:, pad.channel] = np.clip((top - level) / pad.height_mm, 0, 1)
    return above


def _dry(data: FrozenData, session: int, otherwise: Floats) -> Floats:
    trim = data.trim(session, TrimKind.DRY)
    return otherwise if trim is None else np.asarray(trim.counts, np.float64)


def sweep(
    model: Model,
    data: FrozenData,
    chosen: Mask,
    limits: Limits | None,
    progress: Progress | None = None,
    pool: Pool | None = None,
) -> SweepFigures:
    """What each drift does, for each kind how far it may go, and the answers to the limits without drift; a
    drift is a task of the ``pool``, None: of all cores where there are many frames to judge.

    A limit fails where it was met without drift and is not any more.
    """
    say = progress or (lambda what, done, total: None)
    tried: Sequence[Drift] = (Drift("none", 0), *drifts(data.counts.shape[1]))
    rows: list[DriftFigures] = []
    met: set[int] = set()
    without: list[AnsweredLimit] = []

    def tasks(share: Callable[[Any], Any]) -> Iterator[Task]:
        given = share(model), share(data), share(chosen)
        return (Task(k, _drifted, (*given, drift)) for k, drift in enumerate(tried))

    every = as_asked(pool or (ALL_CORES if chosen.sum() >= _WORTH_CORES else HERE), tasks)
    for done, drift in enumerate(tried):
        say("no drift" if drift.kind == "none" else f"{drift.kind} {drift.amount:g}", done, len(tried))
        figures = next(every)
        answers = answer_limits(limits, figures)
        now = {k for k, answer in enumerate(answers) if answer.answer == "met"}
        if drift.kind == "none":
            met, without = now, answers
        fails = [f"{answers[k].metric} {answers[k].condition}" for k in sorted(met - now)]
        rows.append(_row(drift, figures, fails))
    say("done", len(tried), len(tried))
    return SweepFigures(tuple(rows), stands(rows) if met else None, tuple(without))


def _drifted(model: Model, data: FrozenData, chosen: Mask, drift: Drift) -> Figures:
    """What a model says of counts that have drifted."""
    counts = None if drift.kind == "none" else altered(data, chosen, drift)
    return whole_figures(judge_model(model, data, chosen, counts))


def _row(drift: Drift, figures: Figures, fails: list[str]) -> DriftFigures:
    every = figures.classes["all"]
    return DriftFigures(
        kind=drift.kind,
        amount=drift.amount,
        p95_mm=every.p95_mm,
        accepted_share=every.accepted_share,
        false_wet_episodes=figures.false_wet.wrong,
        empty_episodes=figures.false_wet.episodes,
        fails=tuple(fails),
    )


def stands(rows: Sequence[DriftFigures]) -> Stands:
    """For baseline, gain and film, how many per cent before a limit fails (the last step that held, 0 for
    none); for pads, which may die.
    """

    def held(kind: str, sign: int) -> float:
        return _held([row for row in rows if row.kind == kind and row.amount * sign > 0])

    up, down = DIRECTIONS
    return Stands(
        film_pct=_held([row for row in rows if row.kind == "film"]),
        baseline_up_pct=held("baseline", up),
        baseline_down_pct=held("baseline", down),
        gain_up_pct=held("gain", up),
        gain_down_pct=held("gain", down),
        dead_pads=tuple(int(row.amount) for row in rows if row.kind == "dead pad" and not row.fails),
    )


def _held(rows: Sequence[DriftFigures]) -> float:
    """The size of the last step before the first that fails."""
    held = 0.0
    for row in rows:
        if row.fails:
            break
        held = abs(row.amount)
    return held
