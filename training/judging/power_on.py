"""Power-on at random frames: how long until the first reading, and whether readings are soon those of a chip
that was never switched off.
"""

from __future__ import annotations

import numpy as np

from dataset.records import FrozenData
from training.judging.figures import PowerOn
from training.judging.scoring import tidy
from training.judging.streams import restarts, run_streams
from training.program import LEVEL_UNITS_PER_MM, OUTPUTS, WITHHELD, Program
from training.rows import Floats, Ints, Mask

STARTS, MOST_STARTS = 4, 400  # of a session, of all together
WINDOW = 300  # frames that each start is followed for
# frames; what sixteen-frame running means started from lies near 1/4096 of itself by then: (1 - 1/16) ** 128
# = 0.00026
SETTLING = 128


def power_on(program: Program, data: FrozenData, chosen: Mask, trims: Ints, seed: int = 0) -> PowerOn:
    """Figures of seeded cold starts at frames of the chosen rows, each beside the same frames run
    from the session's first.

    Of ``starts``, ``withheld_anyway`` are at frames that a chip never switched off withholds too. Of the
    others: ``wait_p50_s``, ``wait_p95_s`` and ``wait_max_s`` from the first frame to the first reading that
        is not withheld, None where the start that the quantile asks for had none;
    ``none`` of them had none in the ``window_s`` that follow, or to the session's end. ``as_warm_share``: of
    the frames from ``settling_frames`` on, those whose outputs are equal; ``apart_mm``: by how much
    their levels differ at most. ``restarts`` are the gaps in time.
    """
    sessions, start = _starts(data, chosen, seed)
    frames = np.asarray([len(data.frames[int(s)].t_ms) for s in sessions], np.int64)
    length = np.minimum(frames - start, WINDOW)
    cold = _outputs(program, data, sessions, start, length, trims)
    used, where = np.unique(sessions, return_inverse=True)
    ends = np.asarray([(start + length)[where == k].max() for k in range(len(used))], np.int64)
    whole = _outputs(program, data, used, np.zeros_like(ends), ends, trims)
    frame = np.arange(cold.shape[0])[:, None]
    inside = frame < length
    warm = whole[np.minimum(start + frame, len(whole) - 1), where]
    given = warm[0, :, OUTPUTS.index("validity")] != WITHHELD
    waits = _waits(data, sessions, start, cold[:, :, OUTPUTS.index("validity")] != WITHHELD)[given]
    gaps = sum(
        len(restarts(data.frames[int(s)].t_ms, program.period_ms, program.period_tolerance_pct)) for s in used
    )
    settling = program.settling_frames or SETTLING
    as_warm, apart = _agreement(cold, warm, inside, settling)
    return PowerOn(
        starts=len(start),
        withheld_anyway=int((~given).sum()),
        none=int(np.isinf(waits).sum()),
        restarts=gaps,
        window_s=tidy(WINDOW * program.period_ms / 1000),
        wait_p50_s=_quantile(waits, 0.5),
        wait_p95_s=_quantile(waits, 0.95),
        wait_max_s=_quantile(waits, 1.0),
        settling_frames=settling,
        as_warm_share=as_warm,
        apart_mm=apart,
    )


def _starts(data: FrozenData, chosen: Mask, seed: int) -> tuple[Ints, Ints]:
    """Sessions and frames to start at, every session as often."""
    rng = np.random.default_rng(seed)
    sessions = np.unique(data.session[chosen])
    if len(sessions) * STARTS > MOST_STARTS:
        sessions = np.sort(rng.choice(sessions, MOST_STARTS // STARTS, replace=False))
    frames = [data.frame[chosen & (data.session == s)] for s in sessions]
    drawn = [np.sort(rng.choice(own, min(STARTS, len(own)), replace=False)) for own in frames]
    return np.repeat(sessions, [len(own) for own in drawn]), np.concatenate(drawn)


def _outputs(
    program: Program, data: FrozenData, session: Ints, start: Ints, length: Ints, trims: Ints
) -> Ints:
    """The outputs of each stream, (frames, streams, 6)."""
    nodes = [program.outputs[name] for name in OUTPUTS]
    values = run_streams(program, data, session, start, length, trims, tuple(dict.fromkeys(nodes)))
    return np.concatenate([values[node] for node in nodes], axis=2)


def _waits(data: FrozenData, sessions: Ints, start: Ints, given: Mask) -> Floats:
    """Seconds to the first frame that is ``given``, (streams,); infinite where there is none; behind its end
    a stream is all 0, withheld.
    """
    first = np.argmax(given, axis=0)
    waited = [
        int(data.frames[int(s)].t_ms[a + k] - data.frames[int(s)].t_ms[a])
        for s, a, k in zip(sessions, start, first, strict=True)
    ]
    return np.where(given.any(axis=0), np.asarray(waited) / 1000, np.inf)


def _quantile(waits: Floats, share: float) -> float | None:
    wait = float(np.quantile(waits, share, method="higher")) if len(waits) else np.inf
    return tidy(wait) if np.isfinite(wait) else None


def _agreement(cold: Ints, warm: Ints, inside: Mask, settling: int) -> tuple[float | None, float | None]:
    """How cold starts compare with the run that went on, behind the settling: the share that is equal, and
    how far levels are apart in mm.
    """
    behind = inside & (np.arange(len(cold)) >= settling)[:, None]
    if not behind.any():
        return None, None
    a, b = cold[behind], warm[behind]
    both = (a[:, OUTPUTS.index("validity")] != WITHHELD) & (b[:, OUTPUTS.index("validity")] != WITHHELD)
    level = OUTPUTS.index("level")
    apart = tidy(np.abs(a[both, level] - b[both, level]).max() / LEVEL_UNITS_PER_MM) if both.any() else None
    return tidy((a == b).all(axis=1).mean()), apart
