"""Checks at the door: what is odd about a session, though not so wrong that it is refused.

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
from dataset.admission.medians import median, medians
from dataset.admission.plausible import (
    DEAD,
    GRAVE,
    OTHER_UNIT,
    SATURATED,
    STUCK,
    Shown,
    check_plausible,
)
from dataset.labels.conditions import stated_wet
from dataset.records import (
    CountLaw,
    DoorWarning,
    Frames,
    Mark,
    Mounting,
    NewSession,
    Pad,
    PadRole,
    Session,
)
from dataset.values import GAP_PERIODS, LEAST_NOISE, MAD_TO_SD

FEWEST_FRAMES = 20  # fewer say nothing about a pad that does not move, or about noise
FLAT_FRAMES = 100  # in which no pad moves by one step: no converter is that quiet
WIDTHS = (8, 10, 12, 14, 16, 18, 20, 22)  # of converters whose counts stand in a wider number
WIDTH_FRAMES = 5  # at the top of such a range; fewer may be chance
SATURATED_SHARE = 0.01  # one frame in a hundred at an end of the range is no stray any more
SLICES = 8  # a mark is cut into at most this many slices, whose medians are compared
SLICE_FRAMES = 4  # the fewest frames whose median shrugs off one stray
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
Columns = NDArray[np.signedinteger]


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


def summarise(session: NewSession | Session, frames: Frames) -> Summary:
    """A session's noise, dry counts and swing."""
    columns = _columns(frames)
    at_marks = np.array([medians(columns[:, m.start : m.stop]) for m in _static(session.marks)]).reshape(
        -1, len(columns)
    )
    is_dry = np.array(
        [m.level_mm == 0 and not stated_wet(session.stretches, m) for m in _static(session.marks)],
        dtype=np.bool_,
    )
    unknown = np.full(len(columns), np.nan)
    dry = np.median(at_marks[is_dry], axis=0) if is_dry.any() else unknown
    swing = np.abs(at_marks - dry).max(axis=0) if is_dry.any() else unknown
    slices = _slices(columns)
    noise = _noise_of(columns, session.marks)
    return Summary(session.mounting.name, noise, dry, swing, slices.min(axis=1), slices.max(axis=1))


def _slices(columns: Columns) -> Reals:
    """Medians of ``SLICES`` frames each, channel by channel, which shrug off strays."""
    return _slice_medians(columns, max(1, columns.shape[1] // SLICES))


def _noise_of(columns: Columns, marks: Sequence[Mark]) -> Reals:
    """The noise of each channel in counts: a robust standard deviation from frame-to-frame differences under
    static marks.

    Differences shrug off slow drift, the median absolute value strays and steps. Without marks all frames
    count. NaN for too few.
    """
    parts = [slice(m.start, m.stop) for m in _static(marks)] or [slice(None)]
    # channel after channel: the differences of all take as much memory as the counts
    steps = (np.concatenate([np.diff(series[part]) for part in parts]) for series in columns)
    return np.array([_noise_in(s[None])[0] if len(s) >= FEWEST_FRAMES - 1 else np.nan for s in steps])


def _noise_in(steps: Columns) -> Reals:
    """The standard deviation of noise whose differences ``steps`` are, row by row."""
    return np.asarray(np.maximum(MAD_TO_SD * medians(np.abs(steps)) / np.sqrt(2.0), LEAST_NOISE), np.float64)


def check_at_door(
    new: NewSession, own: Summary, earlier: Sequence[Summary] = (), shown: Shown | None = None
) -> tuple[DoorWarning, ...]:
    """Every warning about a session that may come in.

    Args:
        new: the session; it has passed :func:`dataset.admission.rules.check_session`.
        own: what :func:`summarise` says of it.
        earlier: sessions of the same unit and sensor, newest last.
        shown: what is known from its trims, and from sessions of other units.
    """
    pads = new.mounting.sensor.pads
    columns = _columns(new.frames)
    faulty: set[int] = set()
    warnings: list[DoorWarning] = []
    for check in (_dead, _stuck, _saturated):
        for warning, channel in check(new, columns, own):
            if channel not in faulty:
                warnings.append(warning)
                faulty.add(channel)
    warnings += _gaps(new.frames)
    sound = [pad for pad in pads if pad.channel not in faulty]
    warnings += _drift(new, columns, sound)
    warnings += _noise(own, sound, [e.noise for e in earlier])
    wet = list(_wet(new, own, sound, [e for e in earlier if e.mounting == new.mounting.name]))
    slices = _slices(columns)
    odd = list(check_plausible(new, sound, own.noise, own.dry, slices, shown or Shown()))
    if all(warning.check != OTHER_UNIT for warning in odd):  # which says the same of both sides, and why
        warnings += wet
    return (*warnings, *odd)


def _static(marks: Sequence[Mark]) -> list[Mark]:
    return [m for m in marks if m.level_stop_mm is None]


def _columns(frames: Frames) -> Columns:
    """The counts channel by channel, signed, so that differences can be taken; shape (channels, frames)."""
    small = frames.counts.max(initial=0) < 1 << 31
    return frames.counts.T.astype(np.int32 if small else np.int64, order="C")


def _dead(new: NewSession, columns: Columns, own: Summary) -> Iterator[tuple[DoorWarning, int]]:
    """Channels that read 0 throughout, or do not answer although the level passed the whole pad."""
    for pad in new.mounting.sensor.pads:
        series = columns[pad.channel]
        if len(series) >= FEWEST_FRAMES and not series.any():
            yield (
                DoorWarning(DEAD, f"pad {pad.name} reads 0 in every frame: is it connected?"),
                pad.channel,
            )
            continue
        below, above = _beside(new.marks, new.mounting, pad)
        if below and above and series.min() < series.max():
            apart = abs(_median(series, above) - _median(series, below))
            if apart < DEAD_SDS * own.noise[pad.channel]:
                sentence = (
                    f"pad {pad.name} does not answer: from dry to covered its count moves by "
                    f"{apart:.0f}, its noise is {own.noise[pad.channel]:.1f}"
                )
                yield DoorWarning(DEAD, sentence), pad.channel


def _beside(marks: Sequence[Mark], mounting: Mounting, pad: Pad) -> tuple[list[Mark], list[Mark]]:
    """The static marks below the whole pad and above the whole pad; none for a reference pad, which need not
    answer.
    """
    if pad.role is not PadRole.LEVEL:
        return [], []
    bottom = pad.bottom_mm + mounting.offset_mm
    return [m for m in _static(marks) if m.level_mm <= bottom], [
        m for m in _static(marks) if m.level_mm >= bottom + pad.height_mm
    ]


def _median(series: Columns, marks: Sequence[Mark]) -> float:
    return median(np.concatenate([series[m.start : m.stop] for m in marks]))


def _stuck(new: NewSession, columns: Columns, _own: Summary) -> Iterator[tuple[DoorWarning, int]]:
    """Channels that never change although others do, or although the level does."""
    frames = columns.shape[1]
    if frames < FEWEST_FRAMES:
        return
    top = (1 << new.mounting.sensor.count_bits) - 1
    still = columns.min(axis=1) == columns.max(axis=1)
    flat = still.all() and len({m.level_mm for m in new.marks}) < 2
    if flat and frames < FLAT_FRAMES:
        return
    for pad in new.mounting.sensor.pads:
        value = int(columns[pad.channel, 0])
        if still[pad.channel] and 0 < value < top:
            besides = ", while other pads move" if not still.all() else ", while the level changes"
            besides = f": {frames} frames without noise" if flat else besides
            yield (
                DoorWarning(STUCK, f"pad {pad.name} reads {value} in every frame{besides}"),
                pad.channel,
            )


def _saturated(new: NewSession, columns: Columns, _own: Summary) -> Iterator[tuple[DoorWarning, int]]:
    """Channels with many frames at an end of the count's range, or of a narrower converter's."""
    bits = new.mounting.sensor.count_bits
    narrower = [(1 << width) - 1 for width in WIDTHS if width < bits]
    lowest, highest = columns.min(axis=1), columns.max(axis=1)
    for pad in new.mounting.sensor.pads:
        series = columns[pad.channel]
        ends = {0: lowest[pad.channel]} | dict.fromkeys(((1 << bits) - 1, *narrower), highest[pad.channel])
        for end in (end for end, reached in ends.items() if reached == end):
            times = int(np.count_nonzero(series == end))
            if times > max(1.0, SATURATED_SHARE * len(series)) and (
                end not in narrower or times >= WIDTH_FRAMES
            ):
                range_ = f"a range of {end.bit_length()} bits" if end in narrower else "its range"
                sentence = (
                    f"pad {pad.name} reads {end}, the {'top' if end else 'bottom'} of {range_}, in "
                    f"{times} of {len(series)} frames"
                )
                yield DoorWarning(SATURATED, sentence), pad.channel


def _gaps(frames: Frames) -> Iterator[DoorWarning]:
    steps = np.diff(frames.t_ms)
    if len(steps) < 2:
        return
    long = steps > GAP_PERIODS * median(steps)
    if long.any():
        worst = int(np.argmax(steps))
        gaps = int(np.count_nonzero(long))
        sentence = (
            f"{gaps} gap{'s' if gaps > 1 else ''}, the longest of {steps[worst] / 1000:g} s after "
            f"frame {worst}"
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


def _drift(new: NewSession, columns: Columns, pads: Sequence[Pad]) -> Iterator[DoorWarning]:
    """Static marks within which a pad's signal moves by many times its noise."""
    static = [m for m in _static(new.marks) if m.stop - m.start >= 2 * SLICE_FRAMES] if pads else []
    channels = [pad.channel for pad in pads]
    each = [_movement(columns[channels, mark.start : mark.stop], mark, pads) for mark in static]
    moving = [m for m in each if m.sds > DRIFT_SDS]
    if not moving:
        return
    worst = max(moving, key=lambda m: m.sds)
    sentence = (
        f"in {len(moving)} of {len(static)} static marks the signal moves by more than "
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
    if any(m.at_start for m in moving):
        sentence += (
            f"; {sum(m.at_start for m in moving)} of them settle at the start: wait longer before a "
            "mark begins"
        )
    yield DoorWarning(MOVING, sentence)


def _movement(columns: Columns, mark: Mark, pads: Sequence[Pad]) -> _Movement:
    """The movement of the pad that moves most; ``columns`` are the counts of ``pads`` under the mark."""
    noise = _noise_in(np.diff(columns))
    parts = _slice_medians(columns, min(SLICES, columns.shape[1] // SLICE_FRAMES))
    apart = np.ptp(parts, axis=1)
    k = int(np.argmax(apart / noise))
    odd = int(np.argmax(np.abs(parts[k] - median(columns[k]))))
    return _Movement(mark, pads[k], float(apart[k]), float(apart[k] / noise[k]), odd == 0)


def _slice_medians(columns: Columns, slices: int) -> Reals:
    """The medians of each row cut as :func:`numpy.array_split` cuts: the first slices are longer by one where
    it doesn't come out even.
    """
    length, longer = divmod(columns.shape[1], slices)
    parts = []
    for part, size in (
        (columns[:, : longer * (length + 1)], length + 1),
        (columns[:, longer * (length + 1) :], length),
    ):
        if part.shape[1]:
            parts.append(medians(part.reshape(len(part), -1, size)))
    return np.concatenate(parts, axis=1)


def _noise(own: Summary, pads: Sequence[Pad], history: Sequence[Reals]) -> Iterator[DoorWarning]:
    for pad in pads:
        known = [noise[pad.channel] for noise in history if np.isfinite(noise[pad.channel])]
        now = own.noise[pad.channel]
        if len(known) >= NOISE_SESSIONS and now > NOISE_FACTOR * np.median(known):
            usual = f"{np.median(known):.1f} in this unit's last {len(known)} sessions"
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
