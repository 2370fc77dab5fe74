"""Faults of the sensor chain, from pad to program, put on captured counts: what each kind alters, and where.

Which faults there are is common practice, no source. That a diagnosis is told by the failure modes that it
detects is IEC 61508-2:2010, C.2; that a control's software is held against faults of converter, multiplexer
and the timing of data is IEC 60730-1, annex H (its table H.11.12.7). Each is a law of counts: no circuit is
solved.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from dataset.records import CountLaw
from training.program.model import NO_TEMPERATURE, TEMPERATURE_RANGE
from training.rows import Floats, Ints

STEP_SHARE = 0.2  # of the swing
REPEATS = 10  # times that each frame comes
OLD_FRAMES = 50
LOOP_FRAMES = 16
WARMER_TENTHS = 200
MOST_OTHERS = 3  # trims of other units, and of other tanks


@dataclass(frozen=True)
class Chain:
    """What one session's unit hands to the program: ``counts`` int64 (frames, channels), ``tenths`` int64
    (frames,) the temperatures, ``trim`` int64 (trim size,), kind after kind.
    """

    counts: Ints
    tenths: Ints
    trim: Ints


@dataclass(frozen=True)
class Around:
    """What a fault of a session's chain needs to know.

    ``dry`` and ``full``: counts of a dry pad and of a covered one, (channels,); ``most``: the largest count;
    ``others`` and ``foreign``: trims of other units and of other tanks, int64 (n, trim size); ``seed``: of
    what is drawn, its own for each session.
    """

    dry: Floats
    full: Floats
    most: int
    law: CountLaw
    others: Ints
    foreign: Ints
    temperature: bool
    seed: int

    @property
    def channels(self) -> int:
        return len(self.dry)


Alter = Callable[[Chain, int, int, Around], Chain]  # of a chain, the place and the frame from which on
Places = Callable[[Around], int]


@dataclass(frozen=True)
class Fault:
    """One kind of fault: what it is, in a sentence; at how many places it can be; whether it comes in
    service, or is there from power-on; how it alters a chain.
    """

    says: str
    places: Places
    in_service: bool
    alter: Alter


def _pads(around: Around) -> int:
    return around.channels


def _steps(around: Around) -> int:
    """Each channel, up and down."""
    return 2 * around.channels


def _pairs(around: Around) -> int:
    """Channels beside each other."""
    return around.channels - 1


def _once(around: Around) -> int:
    return 1


def _if_turned(around: Around) -> int:
    """From three channels on; with two it is the same as swapping them."""
    return int(around.channels > 2)


def _at(
    chain: Chain, onset: int, channels: slice | list[int], values: Floats | Ints, around: Around
) -> Chain:
    """The chain with other counts at some channels from ``onset`` on, rounded and kept in the width."""
    counts = chain.counts.copy()
    counts[onset:, channels] = np.clip(np.rint(values), 0, around.most).astype(np.int64)
    return replace(chain, counts=counts)


def _stuck(chain: Chain, place: int, onset: int, around: Around) -> Chain:
    return _at(chain, onset, [place], chain.counts[onset, [place]], around)


def _held(count_of: Callable[[Around, int], float]) -> Alter:
    """One channel at a count from then on."""

    def alter(chain: Chain, place: int, onset: int, around: Around) -> Chain:
        return _at(chain, onset, [place], np.asarray([count_of(around, place)]), around)

    return alter


def _floating(chain: Chain, place: int, onset: int, around: Around) -> Chain:
    """Anything between dry and full, anew each frame."""
    draw = np.random.default_rng([around.seed, place])
    low, high = sorted((float(around.dry[place]), float(around.full[place])))
    counts = draw.uniform(low, high, (len(chain.counts) - onset, 1))
    return _at(chain, onset, [place], counts, around)


def _saturated(chain: Chain, place: int, onset: int, around: Around) -> Chain:
    """Nothing beyond halfway from dry to full."""
    halfway = (around.dry[place] + around.full[place]) / 2
    limit = np.minimum if around.full[place] >= around.dry[place] else np.maximum
    return _at(chain, onset, [place], limit(chain.counts[onset:, [place]], halfway), around)


def _step(chain: Chain, place: int, onset: int, around: Around) -> Chain:
    channel, sign = place // 2, 1 - 2 * (place % 2)
    step = sign * STEP_SHARE * (around.full[channel] - around.dry[channel])
    return _at(chain, onset, [channel], chain.counts[onset:, [channel]] + step, around)


def _shorted(joined: Callable[[Floats, Floats, CountLaw], Floats]) -> Alter:
    """Two channels beside each other that read the same."""

    def alter(chain: Chain, place: int, onset: int, around: Around) -> Chain:
        first, second = np.asarray(chain.counts[onset:, [place, place + 1]], np.float64).T
        both = joined(first, second, around.law)
        return _at(chain, onset, [place, place + 1], np.stack([both, both], axis=1), around)

    return alter


def _sum(first: Floats, second: Floats, law: CountLaw) -> Floats:
    """Capacitances add: so do counts that rise with them; of others the reciprocals do."""
    if law is CountLaw.RISES:
        return first + second
    return first * second / np.maximum(first + second, 1)


def _mean(first: Floats, second: Floats, law: CountLaw) -> Floats:
    return (first + second) / 2


def _reordered(order_of: Callable[[int, int], Ints], with_trim: bool) -> Alter:
    """Channels in another order; with the trim too where it was taken so."""

    def alter(chain: Chain, place: int, onset: int, around: Around) -> Chain:
        order = order_of(around.channels, place)
        counts = chain.counts.copy()
        counts[onset:] = chain.counts[onset:, order]
        trim = chain.trim.reshape(-1, around.channels)[:, order].reshape(-1) if with_trim else chain.trim
        return replace(chain, counts=counts, trim=trim)

    return alter


def _swapped(channels: int, place: int) -> Ints:
    order = np.arange(channels)
    order[[place, place + 1]] = place + 1, place
    return order


def _turned(channels: int, place: int) -> Ints:
    return np.arange(channels)[::-1].copy()


def _frames_of(frame_of: Callable[[Ints, int], Ints]) -> Alter:
    """Frames of another time: counts and temperature of ``frame_of(frame, onset)``, from ``onset`` on."""

    def alter(chain: Chain, place: int, onset: int, around: Around) -> Chain:
        frame = np.arange(len(chain.counts))
        frame[onset:] = np.maximum(frame_of(frame[onset:], onset), 0)
        return replace(chain, counts=chain.counts[frame], tenths=chain.tenths[frame])

    return alter


def _looped(frame: Ints, onset: int) -> Ints:
    """The last frames before the onset, over and over."""
    loop = min(LOOP_FRAMES, onset + 1)
    return onset - loop + 1 + (frame - onset) % loop


def _converter(chain: Chain, place: int, onset: int, around: Around) -> Chain:
    return _at(chain, onset, slice(None), chain.counts[onset], around)


def _trim_of(which: Callable[[Around], Ints]) -> Alter:
    def alter(chain: Chain, place: int, onset: int, around: Around) -> Chain:
        return replace(chain, trim=which(around)[place])

    return alter


def _temperature_stuck(chain: Chain, place: int, onset: int, around: Around) -> Chain:
    tenths = chain.tenths.copy()
    tenths[onset:] = tenths[onset]
    return replace(chain, tenths=tenths)


def _temperature_off(chain: Chain, place: int, onset: int, around: Around) -> Chain:
    low, high = TEMPERATURE_RANGE
    moved = np.clip(chain.tenths + (1 - 2 * place) * WARMER_TENTHS, low + 1, high)
    moved = np.where(chain.tenths == NO_TEMPERATURE, NO_TEMPERATURE, moved)
    return replace(chain, tenths=np.where(np.arange(len(moved)) < onset, chain.tenths, moved))


FAULTS: dict[str, Fault] = {
    "stuck pad": Fault("one channel stays at its count", _pads, True, _stuck),
    "dead pad": Fault(
        "one channel reads its dry count", _pads, True, _held(lambda around, k: float(around.dry[k]))
    ),
    "pad at lowest count": Fault("one channel reads 0", _pads, True, _held(lambda around, k: 0.0)),
    "pad at highest count": Fault(
        "one channel reads all the width holds", _pads, True, _held(lambda around, k: float(around.most))
    ),
    "floating pad": Fault(
        "one channel reads anything between dry and full, anew each frame", _pads, True, _floating
    ),
    "saturated pad": Fault("one channel gets no further than halfway to full", _pads, True, _saturated),
    "offset step": Fault(
        f"one channel is off by {100 * STEP_SHARE:g} % of its swing, up or down", _steps, True, _step
    ),
    "pads swapped": Fault(
        "two channels beside each other change places, the trim was taken before",
        _pairs,
        False,
        _reordered(_swapped, with_trim=False),
    ),
    "pads swapped, trim too": Fault(
        "two channels beside each other change places, the trim was taken so",
        _pairs,
        False,
        _reordered(_swapped, with_trim=True),
    ),
    "connector turned": Fault(
        "all channels in the opposite order, the trim was taken before",
        _if_turned,
        False,
        _reordered(_turned, with_trim=False),
    ),
    "connector turned, trim too": Fault(
        "all channels in the opposite order, the trim was taken so",
        _if_turned,
        False,
        _reordered(_turned, with_trim=True),
    ),
    "pads shorted, sum": Fault(
        "two channels beside each other both read their capacitances added", _pairs, True, _shorted(_sum)
    ),
    "pads shorted, mean": Fault(
        "two channels beside each other both read their mean", _pairs, True, _shorted(_mean)
    ),
    "frozen converter": Fault("all counts stay as they are, the frames go on", _once, True, _converter),
    "repeated frames": Fault(
        f"each frame comes {REPEATS} times, nine of ten are lost",
        _once,
        True,
        _frames_of(lambda frame, onset: onset + (frame - onset) // REPEATS * REPEATS),
    ),
    "old frames": Fault(
        f"each frame is {OLD_FRAMES} frames old",
        _once,
        True,
        _frames_of(lambda frame, onset: frame - OLD_FRAMES),
    ),
    "looped frames": Fault(
        f"the last {LOOP_FRAMES} frames come over and over", _once, True, _frames_of(_looped)
    ),
    "another unit's trim": Fault(
        "the trim stored is that of another unit",
        lambda around: len(around.others),
        False,
        _trim_of(lambda around: around.others),
    ),
    "another tank's trim": Fault(
        "the trim stored is of a unit on another tank",
        lambda around: len(around.foreign),
        False,
        _trim_of(lambda around: around.foreign),
    ),
    "temperature stuck": Fault(
        "the temperature stays as it is", lambda around: int(around.temperature), True, _temperature_stuck
    ),
    "temperature off": Fault(
        f"the temperature is off by {WARMER_TENTHS / 10:g} K, up or down",
        lambda around: 2 * int(around.temperature),
        True,
        _temperature_off,
    ),
}
