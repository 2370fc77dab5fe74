"""One unit on two benches: what its counts were at the same levels, and whether they agree.

A difference has an uncertainty (GUM eq. 10): of each bench how well its mean is known, and of the levels, by
the slope of counts over level. The number that says whether two results agree within both is E_n, the
difference over its expanded uncertainty of k = 2 (ISO 13528; from memory).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dataset.records import Frames, Session

K = 2.0  # coverage factor of the expanded uncertainty
SLICES = 8  # of a mark, whose means tell how much they vary; noise alone would leave drift out
Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Difference:
    """Counts of one channel at one level in one liquid: the mean on each bench, in steps, how many marks that
    is of, the difference of the first less the second and its standard uncertainty. ``level_part`` is what
    the levels' uncertainties make of it; None where one level alone gives no slope.
    """

    liquid: str
    mounting: str
    level_mm: float
    channel: str
    first: float
    second: float
    marks: tuple[int, int]
    u: float
    level_part: float | None

    @property
    def difference(self) -> float:
        return self.first - self.second

    @property
    def e_n(self) -> float:
        """Within -1 and 1 the two agree within their expanded uncertainty."""
        return self.difference / (K * self.u)


@dataclass(frozen=True)
class _Held:
    """A mark: mean counts of each channel (channels,), their standard uncertainties, and those of the level:
    independent, and common to a session.
    """

    mean: Reals
    u: Reals
    u_mm: float
    u_common_mm: float


Place = tuple[str, str, float]  # liquid, mounting, level in mm


def differences(
    first: Iterable[tuple[Session, Frames]], second: Iterable[tuple[Session, Frames]]
) -> tuple[Difference, ...]:
    """Every level that both benches have a mark at, in the same liquid and on the same mounting, channel by
    channel; ramps are left out.

    Args:
        first: sessions of the unit on one bench, with their frames.
        second: those on the other.
    """
    here, there = _held(first), _held(second)
    names = {s.mounting.name: s.mounting.sensor.channel_names for s, _ in here.sessions}
    shared = sorted(here.marks.keys() & there.marks.keys())
    result = []
    for place in shared:
        liquid, mounting, level = place
        slope = _slope(here.marks, there.marks, place)
        sides = [_side(held.marks[place]) for held in (here, there)]
        parts = None if slope is None else np.abs(slope) * math.hypot(sides[0].u_mm, sides[1].u_mm)
        for k, channel in enumerate(names[mounting]):
            part = None if parts is None else float(parts[k])
            own = math.hypot(float(sides[0].u[k]), float(sides[1].u[k]))
            numbers = (len(here.marks[place]), len(there.marks[place]))
            means = (float(sides[0].mean[k]), float(sides[1].mean[k]))
            u = math.hypot(own, part or 0.0)
            result.append(Difference(liquid, mounting, level, channel, *means, numbers, u, part))
    return tuple(result)


@dataclass(frozen=True)
class _Bench:
    sessions: list[tuple[Session, Frames]]
    marks: Mapping[Place, list[_Held]]


def _held(sessions: Iterable[tuple[Session, Frames]]) -> _Bench:
    marks: defaultdict[Place, list[_Held]] = defaultdict(list)
    known = list(sessions)
    for session, frames in known:
        for mark in session.marks:
            if mark.level_stop_mm is not None:
                continue
            under = frames.counts[mark.start : mark.stop].astype(np.float64)
            place = (session.liquid.name, session.mounting.name, round(mark.level_mm, 6))
            mean, u = under.mean(axis=0), _u_of_mean(under)
            marks[place].append(_Held(mean, u, mark.u_mm or 0.0, mark.u_common_mm or 0.0))
    return _Bench(known, marks)


def _u_of_mean(counts: Reals) -> Reals:
    """Standard uncertainty of the mean of a mark's counts, (frames, channels): by the means of its slices,
    and at least that of rounding one step.
    """
    slices = np.array_split(counts, min(SLICES, len(counts)))
    means = np.array([part.mean(axis=0) for part in slices])
    floor = 1 / math.sqrt(12 * len(counts))
    if len(means) < 2:
        return np.full(counts.shape[1], floor)
    return np.asarray(np.maximum(means.std(axis=0, ddof=1) / math.sqrt(len(means)), floor), np.float64)


def _side(marks: Sequence[_Held]) -> _Held:
    """The mean of a bench's marks at one place. Where several scatter more than each alone says, their
    scatter counts. ``u_mm`` is of the level, the common part included, which does not average out.
    """
    means, n = np.array([mark.mean for mark in marks]), len(marks)
    u = np.sqrt((np.array([mark.u for mark in marks]) ** 2).sum(axis=0)) / n
    if n > 1:
        u = np.maximum(u, means.std(axis=0, ddof=1) / math.sqrt(n))
    common = max(mark.u_common_mm for mark in marks)
    own = math.sqrt(sum(mark.u_mm**2 for mark in marks)) / n
    return _Held(means.mean(axis=0), u, math.hypot(own, common), common)


def _slope(
    here: Mapping[Place, list[_Held]], there: Mapping[Place, list[_Held]], place: Place
) -> Reals | None:
    """Counts per mm at a level, (channels,): between its neighbours on either bench; None without one."""
    liquid, mounting, level = place
    levels = sorted({at for side in (here, there) for *where, at in side if where == [liquid, mounting]})
    if len(levels) < 2:
        return None
    k = levels.index(level)
    low, high = levels[max(k - 1, 0)], levels[min(k + 1, len(levels) - 1)]
    at = [
        np.mean([m.mean for side in (here, there) for m in side.get((liquid, mounting, end), ())], axis=0)
        for end in (low, high)
    ]
    return np.asarray((at[1] - at[0]) / (high - low), np.float64)
