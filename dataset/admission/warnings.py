"""Import checks: what is odd about a session, though not so wrong that it is refused.

Each check looks for one fault and says it in one sentence; a channel is blamed by one of 'dead', 'stuck',
'saturated' at most. The refusals (channels, time, period, width, levels beyond the tank) are in
:mod:`dataset.admission.rules` and :mod:`dataset.admission.session_files`. Where no source is named, a
threshold is our own judgement.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dataset.admission.columns import NAMED_OTHERWISE
from dataset.admission.plausible import (
    DEAD,
    GRAVE,
    OTHER_UNIT,
    SATURATED,
    STUCK,
    Shown,
    check_plausible,
)
from dataset.admission.steps import steps_of
from dataset.admission.tallies import FEWEST_FRAMES, Movement, Tally, tallied
from dataset.labels.conditions import stated_wet
from dataset.records import (
    CountLaw,
    DoorWarning,
    Mark,
    Mounting,
    NewSession,
    Pad,
    PadRole,
    Recording,
    Session,
)
from dataset.values import LEAST_NOISE
from dataset.words import counted

FLAT_FRAMES = 100  # in which no pad moves by one step: no converter is that quiet
WIDTHS = (8, 10, 12, 14, 16, 18, 20, 22)  # of converters whose counts stand in a wider number
WIDTH_FRAMES = 5  # at the top of such a range; fewer may be chance
SATURATED_SHARE = 0.01  # one frame in a hundred at an end of the range is no stray any more
# slices of pure noise differ by 3 standard deviations at most; at 10 the movement, not the noise, is what a
# model learns
DRIFT_SDS = 10.0
# sessions of one unit differ by half as much again; three times is another state of board, supply or cable
NOISE_FACTOR = 3.0
NOISE_SESSIONS = 3  # the median of fewer is no history
DRY_SHARE = 0.1  # of the swing: more than residue and temperature do to a dry pad
DRY_SDS = 10.0  # where the swing is not known yet
DEAD_SDS = 5.0  # a pad that the level passed moves by far more than this

# every check that :func:`check_at_door` makes, whose warnings are found anew when a session is amended
GAPS, MOVING, NOISY, WET = "gaps in time", "moving mark", "noise", "dry looks wet"
AT_DOOR = (GAPS, MOVING, NOISY, WET, *(check for check in GRAVE if check != NAMED_OTHERWISE))

Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Summary:
    """What later sessions are held against.

    ``noise`` and ``dry`` have one number a channel, NaN where unknown: the noise of steady frames and the
    median under dry marks (level 0, and no foam, film or drops stated), in counts. ``swing`` is how far a
    mark's median is from the dry one, at most. ``low`` and ``high`` are the least and greatest medians of a
    few frames each.
    """

    mounting: str
    noise: Reals
    dry: Reals
    swing: Reals
    low: Reals
    high: Reals


def summarise(session: NewSession | Session, frames: Recording) -> Summary:
    """A session's noise, dry counts and swing."""
    return summary_of(session, tallied(frames, session.marks))


def summary_of(session: NewSession | Session, tally: Tally) -> Summary:
    """As :func:`summarise`, by what is known of the counts under the session's marks."""
    is_dry = np.array(
        [m.level_mm == 0 and not stated_wet(session.stretches, m) for m in tally.marks], dtype=np.bool_
    )
    unknown = np.full(tally.counts.channels, np.nan)
    dry = np.median(tally.at_marks[is_dry], axis=0) if is_dry.any() else unknown
    swing = np.abs(tally.at_marks - dry).max(axis=0) if is_dry.any() else unknown
    low, high = (np.asarray(end(tally.slices, axis=1), np.float64) for end in (np.min, np.max))
    return Summary(session.mounting.name, tally.noise, dry, swing, low, high)


def check_at_door(
    new: NewSession,
    own: Summary,
    earlier: Sequence[Summary] = (),
    shown: Shown | None = None,
    tally: Tally | None = None,
) -> tuple[DoorWarning, ...]:
    """Every warning about a session that may come in.

    Args:
        new: the session; it has passed :func:`dataset.admission.rules.check_session`.
        own: what :func:`summarise` says of it.
        earlier: sessions of the same unit and sensor, newest last.
        shown: what is known from its trims, and from sessions of other units.
        tally: what is known of its counts, where somebody has worked it out.
    """
    pads = new.mounting.sensor.pads
    tally = tallied(new.frames, new.marks) if tally is None else tally
    faulty: set[int] = set()
    warnings: list[DoorWarning] = []
    for check in (_dead, _stuck, _saturated):
        for warning, channel in check(new, tally):
            if channel not in faulty:
                warnings.append(warning)
                faulty.add(channel)
    warnings += _gaps(new.frames)
    sound = [pad for pad in pads if pad.channel not in faulty]
    warnings += _drift(tally, sound)
    warnings += _noise(own, sound, [e.noise for e in earlier])
    wet = list(_wet(new, own, sound, [e for e in earlier if e.mounting == new.mounting.name]))
    odd = list(check_plausible(new, sound, tally, own.dry, shown or Shown()))
    if all(warning.check != OTHER_UNIT for warning in odd):  # which says the same of both sides, and why
        warnings += wet
    return (*warnings, *odd)


def _dead(new: NewSession, tally: Tally) -> Iterator[tuple[DoorWarning, int]]:
    """Channels that read 0 throughout, or do not answer although the level passed the whole pad."""
    lowest, highest = tally.lowest, tally.highest
    silent = (highest == 0) & (tally.counts.frames >= FEWEST_FRAMES)
    passed = [
        (pad.channel, *sides)
        for pad in new.mounting.sensor.pads
        if not silent[pad.channel]
        and all(sides := _beside(tally.marks, new.mounting, pad))
        and lowest[pad.channel] < highest[pad.channel]
    ]
    middles = tally.medians_over([(channel, marks) for channel, *both in passed for marks in both])
    moves = {passed[k][0]: abs(middles[2 * k + 1] - middles[2 * k]) for k in range(len(passed))}
    for pad in new.mounting.sensor.pads:
        if silent[pad.channel]:
            sentence = f"pad {pad.name} reads 0 in every frame: is it connected?"
            yield DoorWarning(DEAD, sentence), pad.channel
        elif moves.get(pad.channel, np.inf) < DEAD_SDS * tally.noise[pad.channel]:
            sentence = (
                f"pad {pad.name} does not answer: from dry to covered its count moves by "
                f"{moves[pad.channel]:.0f}, its noise is {tally.noise[pad.channel]:.1f}"
            )
            yield DoorWarning(DEAD, sentence), pad.channel


def _beside(static: Sequence[Mark], mounting: Mounting, pad: Pad) -> tuple[list[Mark], list[Mark]]:
    """The static marks below the whole pad and above the whole pad; none for a reference pad, which need not
    answer.
    """
    if pad.role is not PadRole.LEVEL:
        return [], []
    bottom = pad.bottom_mm + mounting.offset_mm
    return [m for m in static if m.level_mm <= bottom], [
        m for m in static if m.level_mm >= bottom + pad.height_mm
    ]


def _stuck(new: NewSession, tally: Tally) -> Iterator[tuple[DoorWarning, int]]:
    """Channels that never change although others do, or although the level does."""
    frames = tally.counts.frames
    if frames < FEWEST_FRAMES:
        return
    top = (1 << new.mounting.sensor.count_bits) - 1
    still = tally.lowest == tally.highest
    flat = still.all() and len({m.level_mm for m in new.marks}) < 2
    if flat and frames < FLAT_FRAMES:
        return
    for pad in new.mounting.sensor.pads:
        value = int(tally.lowest[pad.channel])
        if still[pad.channel] and 0 < value < top:
            besides = ", while other pads move" if not still.all() else ", while the level changes"
            besides = f": {counted(frames, 'frame')} without noise" if flat else besides
            yield (
                DoorWarning(STUCK, f"pad {pad.name} reads {value} in every frame{besides}"),
                pad.channel,
            )


def _saturated(new: NewSession, tally: Tally) -> Iterator[tuple[DoorWarning, int]]:
    """Channels with many frames at an end of the count's range, or of a narrower converter's."""
    bits, frames = new.mounting.sensor.count_bits, tally.counts.frames
    narrower = [(1 << width) - 1 for width in WIDTHS if width < bits]
    for pad in new.mounting.sensor.pads:
        highest = tally.highest[pad.channel]
        ends = {0: tally.lowest[pad.channel]} | dict.fromkeys(((1 << bits) - 1, *narrower), highest)
        for end in (end for end, reached in ends.items() if reached == end):
            times = tally.times(pad.channel, end)
            if times > max(1.0, SATURATED_SHARE * frames) and (end not in narrower or times >= WIDTH_FRAMES):
                range_ = f"a range of {end.bit_length()} bits" if end in narrower else "its range"
                sentence = (
                    f"pad {pad.name} reads {end}, the {'top' if end else 'bottom'} of {range_}, in "
                    f"{times} of {frames} frames"
                )
                yield DoorWarning(SATURATED, sentence), pad.channel


def _gaps(frames: Recording) -> Iterator[DoorWarning]:
    steps = steps_of(frames) if len(frames) > 2 else None
    if steps is not None and steps.long:
        sentence = (
            f"{steps.long} gap{'s' if steps.long > 1 else ''}, the longest of {steps.greatest_ms / 1000:g} s "
            f"after frame {steps.at_greatest}"
        )
        yield DoorWarning(GAPS, sentence)


@dataclass(frozen=True)
class _Movement:
    """How far the medians of a mark's slices are apart on one pad, in counts and in noise; whether the first
    is the odd one.
    """

    mark: Mark
    pad: Pad
    counts: float
    sds: float
    at_start: bool


def _drift(tally: Tally, pads: Sequence[Pad]) -> Iterator[DoorWarning]:
    """Static marks within which a pad's signal moves by many times its noise."""
    each = [
        _most(mark, movement, pads)
        for mark, movement in zip(tally.marks, tally.movements, strict=True)
        if movement is not None and pads
    ]
    moving = [m for m in each if m.sds > DRIFT_SDS]
    if not moving:
        return
    worst = max(moving, key=lambda m: m.sds)
    sentence = (
        f"in {len(moving)} of {len(each)} static marks the signal moves by more than "
        f"{DRIFT_SDS:g} times its noise, most at {worst.mark.level_mm:g} mm "
    )
    sentence += (
        f"(frames {worst.mark.start} to {worst.mark.stop - 1}: pad {worst.pad.name} by "
        f"{worst.counts:.0f} counts, {worst.sds:.0f} times)"
    )
    if len(moving) > 1:
        sentence += (
            "; levels: "
            + ", ".join(f"{level:g}" for level in sorted({m.mark.level_mm for m in moving}))
            + " mm"
        )
    starts = sum(m.at_start for m in moving)
    if starts:
        sentence += (
            f"; {starts} of them {'settles' if starts == 1 else 'settle'} at the start: wait longer before a "
            "mark begins"
        )
    yield DoorWarning(MOVING, sentence)


def _most(mark: Mark, movement: Movement, pads: Sequence[Pad]) -> _Movement:
    """The movement of the pad that moves most."""
    channels = [pad.channel for pad in pads]
    sds = movement.counts[channels] / movement.noise[channels]
    k = int(np.argmax(sds))
    at = channels[k]
    return _Movement(mark, pads[k], float(movement.counts[at]), float(sds[k]), bool(movement.at_start[at]))


def _noise(own: Summary, pads: Sequence[Pad], history: Sequence[Reals]) -> Iterator[DoorWarning]:
    for pad in pads:
        known = [noise[pad.channel] for noise in history if np.isfinite(noise[pad.channel])]
        now = own.noise[pad.channel]
        if len(known) >= NOISE_SESSIONS and now > NOISE_FACTOR * np.median(known):
            usual = f"{np.median(known):.1f} in this unit's last {counted(len(known), 'session')}"
            yield DoorWarning(
                NOISY,
                f"pad {pad.name} has a noise of {now:.1f} counts from frame to frame, {usual}: "
                "cable, supply or something close by?",
            )


def _wet(
    new: NewSession, own: Summary, pads: Sequence[Pad], earlier: Sequence[Summary]
) -> Iterator[DoorWarning]:
    """Marks at level 0 that read as if liquid were there, next to this unit's earlier dry marks on the same
    mounting.
    """
    wetter = 1.0 if new.mounting.sensor.count_law is CountLaw.RISES else -1.0
    found: list[tuple[float, str, str]] = []
    for pad in pads:
        c = pad.channel
        dry = [e.dry[c] for e in earlier if np.isfinite(e.dry[c])]
        if pad.role is not PadRole.LEVEL or not dry or not np.isfinite(own.dry[c]):
            continue
        # the session's own swing would start from the very counts in question
        swing = max((e.swing[c] for e in earlier if np.isfinite(e.swing[c])), default=0.0)
        noise = np.nanmax([own.noise[c], LEAST_NOISE])
        usual = float(np.median(dry))
        above = wetter * (float(own.dry[c]) - usual)
        if above > max(DRY_SHARE * swing, DRY_SDS * noise):
            share = f", {100 * above / swing:.0f} % of its swing" if swing else ""
            sentence = (
                f"at level 0 pad {pad.name} reads {own.dry[c]:.0f}, wetter by {above:.0f} than the "
                f"{usual:.0f} of this unit's earlier dry marks{share}"
            )
            found.append((above, pad.name, sentence))
    if found:
        _, name, sentence = max(found)
        others = ", ".join(other for _, other, _ in found if other != name)
        sentence += f" (wetter too: {others})" if others else ""
        yield DoorWarning(WET, f"{sentence}: residue, a wrong label, another board or another position?")
