"""Import checks that hold what is stated of a session against what its pads say: levels against the
heights of pads, a temperature given as a level, the unit against its own trims, counts against what the
sensor has shown. Where no source is named, a threshold is our own judgement.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dataset.admission.columns import NAMED_OTHERWISE
from dataset.admission.medians import medians
from dataset.admission.tallies import Tally, warmth_of
from dataset.labels.trims import SHARE_PER_K
from dataset.records import (
    CountLaw,
    DoorWarning,
    Mark,
    Mounting,
    NewSession,
    Pad,
    PadRole,
    Surface,
    Wall,
)

LEVEL_AND_PADS, LEVEL_AND_WARMTH, NOT_FOLLOWED = (
    "level against pads",
    "temperature as level",
    "level not followed",
)
OTHER_UNIT, NEVER_SHOWN = "other than its trim", "never shown"
DEAD, STUCK, SATURATED = "dead channel", "stuck pad", "saturated pad"
# what nobody should learn from unless somebody says why
GRAVE = (
    NAMED_OTHERWISE,
    LEVEL_AND_PADS,
    LEVEL_AND_WARMTH,
    NOT_FOLLOWED,
    OTHER_UNIT,
    NEVER_SHOWN,
    DEAD,
    STUCK,
    SATURATED,
)

SDS = 10.0  # movements of fewer times the noise say nothing
LIKE_REACHED = (
    0.6  # of the swing of a pad that the level reached: more than a film leaves on one that it did not
)
BY_COUNT = 0.1  # of the count: where no pad was reached, more than temperature does
SAME_C = 0.05  # levels and temperatures that differ by less everywhere are the same column
FEWEST_SAME, FEWEST_LEVELS = 5, 20  # distinct levels that tell
OVERLAP = 0.25  # of a pad's height, over which a level that is one moves its count
FOLLOWS = 0.5  # rank correlation of a pad's count with the level
OTHER_SHARE = 0.02  # of the count, from a unit's own dry trim
ODD_SHARE = 0.25  # of the swing, beyond the driest that was shown; nothing is drier than dry
DRIER_COUNT = 0.05  # of the count, where no swing is known
FEWEST_SHOWN = 3  # sessions
_HARMLESS: frozenset[Surface | Wall] = frozenset((Surface.STILL, Wall.CLEAN))
FEWEST_BEYOND = 3  # slices
END_FRAMES = 8  # of a ramp, whose median is that of its end

Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Shown:
    """What is known of a session's unit and sensor from elsewhere.

    ``dry_trim`` is the unit's newest dry trim on the mounting with its date, or None, ``trim_c`` that trim's
    temperature where it is known; ``low`` and ``high`` are the least and greatest counts of each channel in
    some earlier sessions, shape (sessions, channels).
    """

    dry_trim: tuple[tuple[int, ...], str] | None = None
    low: Reals | None = None
    high: Reals | None = None
    trim_c: float | None = None


def check_plausible(
    new: NewSession, pads: Sequence[Pad], tally: Tally, dry: Reals, shown: Shown
) -> Iterator[DoorWarning]:
    """Warnings about a session whose statements and pads do not go together.

    Args:
        new: the session.
        pads: those without a fault of their own.
        tally: what is known of its counts.
        dry: of each channel, the median under dry marks, NaN where there are none.
        shown: what is known from elsewhere.
    """
    level_pads = [pad for pad in pads if pad.role is PadRole.LEVEL]
    marks = [m for m in new.marks if not _disturbed(new, m)]
    levels, medians = _points(tally, marks)
    quiet = np.where(np.isnan(tally.noise), np.inf, tally.noise)  # of too few frames nothing is said
    above = list(_above_levels(new.mounting, levels, medians, level_pads, quiet))
    yield from above or _followed(new.mounting, levels, medians, level_pads)
    yield from _warmth(new, marks)
    yield from _own_trim(new, level_pads, quiet, dry, shown)
    yield from _never_shown(new, pads, quiet, tally.slices, shown)


def _points(tally: Tally, marks: Sequence[Mark]) -> tuple[Reals, Reals]:
    """Levels and the median counts at them: of each static mark, and of both ends of each ramp; shapes (n,)
    and (n, channels).
    """
    static = {mark.start: k for k, mark in enumerate(tally.marks)}
    points: list[tuple[float, Reals]] = []
    for mark in marks:
        if mark.level_stop_mm is None:
            points.append((mark.level_mm, tally.at_marks[static[mark.start]]))
        else:
            first = tally.counts.part(mark.start, min(mark.start + END_FRAMES, mark.stop))
            last = tally.counts.part(max(mark.start, mark.stop - END_FRAMES), mark.stop)
            points += [(mark.level_mm, medians(first)), (mark.level_stop_mm, medians(last))]
    levels = np.array([level for level, _ in points], np.float64)
    at_levels = np.array([counts for _, counts in points], np.float64)
    return levels, at_levels.reshape(-1, tally.counts.channels)


def _disturbed(new: NewSession, mark: Mark) -> bool:
    """Whether something is stated under a mark that wets pads above the level."""
    return any(
        s.start < mark.stop
        and mark.start < s.stop
        and (
            not _HARMLESS.issuperset((*s.conditions.wall, *s.conditions.surface))
            or any(s.conditions.tilt_deg or ())
        )
        for s in new.stretches
    )


def _reach(mounting: Mounting, pad: Pad) -> tuple[float, float]:
    bottom = pad.bottom_mm + mounting.offset_mm
    return bottom, bottom + pad.height_mm


def _above_levels(
    mounting: Mounting, levels: Reals, medians: Reals, pads: Sequence[Pad], noise: Reals
) -> Iterator[DoorWarning]:
    """Pads that stay dry by the stated levels, and whose count moves as if the level passed."""
    if len(levels) < 2:
        return
    high, moved = float(levels.max()), np.ptp(medians, axis=0)
    dry = [p for p in pads if _reach(mounting, p)[0] >= high]
    reached = [moved[p.channel] for p in pads if p not in dry]
    odd = [
        p
        for p in dry
        if moved[p.channel] > SDS * noise[p.channel]
        and moved[p.channel]
        > (LIKE_REACHED * max(reached) if reached else BY_COUNT * np.median(medians[:, p.channel]))
    ]
    if odd:
        pad = max(odd, key=lambda p: float(moved[p.channel]))
        counts = medians[:, pad.channel]
        others = f" and {len(odd) - 1} other" + ("s" if len(odd) > 2 else "") if len(odd) > 1 else ""
        sentence = (
            f"pad {pad.name}{others}, from {_reach(mounting, pad)[0]:g} mm up, moves from "
            f"{counts.min():.0f} to {counts.max():.0f} as if the level passed, and no level is above "
            f"{high:g} mm: the levels' unit, the datum or the mounting's offset?"
        )
        yield DoorWarning(LEVEL_AND_PADS, sentence)


def _warmth(new: NewSession, marks: Sequence[Mark]) -> Iterator[DoorWarning]:
    """Levels that are, mark by mark, the temperatures."""
    if len({m.level_mm for m in marks}) < FEWEST_SAME:
        return
    warm = warmth_of(new.frames)
    if warm is None:
        return
    if all(bool((np.abs(warm(m.start, m.stop) - m.level_mm) <= SAME_C).all()) for m in marks):
        yield DoorWarning(
            LEVEL_AND_WARMTH,
            f"in each of {len(marks)} marks the level is the temperature: one column for both?",
        )


def _followed(
    mounting: Mounting, levels: Reals, medians: Reals, pads: Sequence[Pad]
) -> Iterator[DoorWarning]:
    """Levels that no pad beside them follows, such as those of another quantity."""
    if len(set(levels.tolist())) < FEWEST_LEVELS:
        return
    low, high = float(levels.min()), float(levels.max())
    beside = [
        p
        for p in pads
        if min(high, _reach(mounting, p)[1]) - max(low, _reach(mounting, p)[0]) >= OVERLAP * p.height_mm
    ]
    alike = [abs(_rank_correlation(levels, medians[:, p.channel])) for p in beside]
    if alike and max(alike) < FOLLOWS:
        names = ", ".join(p.name for p in beside)
        sentence = (
            f"{len(set(levels.tolist()))} levels from {low:g} to {high:g} mm, and no pad beside them follows "
            f"({names}: rank correlation at most {max(alike):.2f}): is it the level?"
        )
        yield DoorWarning(NOT_FOLLOWED, sentence)


def _rank_correlation(a: Reals, b: Reals) -> float:
    """Spearman's, equal values on one rank; 0 for a constant."""
    if np.ptp(a) == 0 or np.ptp(b) == 0:
        return 0.0
    ranks = np.array([np.unique(x, return_inverse=True)[1] for x in (a, b)], np.float64)
    correlation: Reals = np.asarray(np.corrcoef(ranks), np.float64)
    return float(correlation[0, 1])


def _own_trim(
    new: NewSession, pads: Sequence[Pad], noise: Reals, dry: Reals, shown: Shown
) -> Iterator[DoorWarning]:
    """A unit that reads, dry, other than its own dry trim on most of its pads, by more than warmth makes:
    another unit's board?
    """
    if shown.dry_trim is None:
        return
    counts, date = shown.dry_trim
    told = [p for p in pads if np.isfinite(dry[p.channel])]
    apart = {p: float(dry[p.channel] - counts[p.channel]) for p in told}
    share = OTHER_SHARE + _share_of_warmth(new, shown.trim_c)
    odd = [p for p in told if abs(apart[p]) > max(SDS * noise[p.channel], share * counts[p.channel])]
    if odd and 2 * len(odd) > len(told):
        pad = max(odd, key=lambda p: abs(apart[p]))
        sentence = (
            f"at level 0 {len(odd)} of {len(told)} pads read other than unit {new.unit.name}'s dry trim of "
            f"{date}, most {pad.name}: {dry[pad.channel]:.0f}, trim {counts[pad.channel]}: is it this unit?"
        )
        yield DoorWarning(OTHER_UNIT, sentence)


def _share_of_warmth(new: NewSession, trim_c: float | None) -> float:
    """What the temperatures between a dry trim and the session's dry marks may make, as a share of the count;
    0 where one of them is not known.
    """
    warm = None if trim_c is None else warmth_of(new.frames)
    if warm is None or trim_c is None:
        return 0.0
    of_marks = [warm(m.start, m.stop) for m in new.marks if m.level_mm == 0 and m.level_stop_mm is None]
    measured = np.concatenate([np.empty(0), *of_marks])
    measured = measured[np.isfinite(measured)]
    return SHARE_PER_K * abs(float(np.mean(measured)) - trim_c) if len(measured) else 0.0


def _never_shown(
    new: NewSession, pads: Sequence[Pad], noise: Reals, slices: NDArray[np.floating], shown: Shown
) -> Iterator[DoorWarning]:
    """Pads that read far drier than they ever did, or beyond their wettest by as much as they ever moved."""
    if shown.low is None or shown.high is None or len(shown.low) < FEWEST_SHOWN:
        return
    low, high = shown.low.min(axis=0), shown.high.max(axis=0)
    rises = new.mounting.sensor.count_law is CountLaw.RISES
    for pad in pads:
        c = pad.channel
        swing, dry = float(high[c] - low[c]), float(low[c] if rises else high[c])
        dry_side = max(ODD_SHARE * swing, DRIER_COUNT * dry, SDS * noise[c])
        wet_side = max(swing, BY_COUNT * dry, SDS * noise[c])
        below = low[c] - (dry_side if rises else wet_side)
        above = high[c] + (wet_side if rises else dry_side)
        beyond = (slices[c] < below) | (slices[c] > above)
        if swing > BY_COUNT * dry and np.count_nonzero(beyond) >= FEWEST_BEYOND:
            odd = slices[c][beyond]
            sentence = (
                f"pad {pad.name} reads {odd.min():.0f} to {odd.max():.0f} in {100 * beyond.mean():.0f} % of "
                f"the frames, and {low[c]:.0f} to {high[c]:.0f} in {len(shown.low)} earlier sessions: is it "
                "connected?"
            )
            yield DoorWarning(NEVER_SHOWN, sentence)
