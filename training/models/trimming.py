"""From raw counts to wet shares: what a pad shows between dry (0) and covered by liquid (1), in units of
1/4096.

The unit's own trim is taken off and its swing divided out, so that what varies from part to part mostly goes.
The count law is
undone on the way: a count that rises with the pad's capacitance C differs from dry by a difference of counts,
one that goes with 1/C by a difference of reciprocals.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from dataset.errors import InputError
from dataset.records import CountLaw, FrozenData, PadRole, Sensor, TrimKind
from training.program import INT32_MAX, Builder, Interval
from training.program.model import DEFAULT_TRIM_KIND
from training.rows import Floats, Ints, Mask

SHARE_BITS = 12
SHARE_ONE = 1 << SHARE_BITS
SHARE_LOW, SHARE_HIGH = -SHARE_ONE // 2, 2 * SHARE_ONE  # where shares are clipped
RATIO_BITS = 14  # of dry count over count, where the count goes with 1/C
_COUNT_BITS = 16  # counts that are divided are brought down to so many bits
_ROOM = 0.6  # of the swing, that counts may go beyond dry and full before they are clipped
SWING_ROOM = 1.5  # a unit's swing may be so many times smaller or larger than any in 'fit'
_GAIN_BITS = 30
_MIX_BITS = 12
_COVERED = 0.5  # a pad that shows at least this share at a partial fill tells its own swing
TRIMS: dict[str, tuple[TrimKind, ...]] = {
    "none": (),
    "dry": (TrimKind.DRY,),
    "block": (TrimKind.DRY, TrimKind.BLOCK),
    "partial": (TrimKind.DRY, TrimKind.PARTIAL),
    "full": (TrimKind.DRY, TrimKind.FULL),
}


@dataclass(frozen=True)
class Trimming:
    """How counts become shares.

    ``kinds`` are the trims it takes, dry first. A pad's rise over dry is, by law, ``count - dry`` or ``dry /
    count - 1`` (in units of 2**-RATIO_BITS, counts shifted right by ``preshift`` before). ``dry`` and
    ``swing`` hold, channel by channel, the typical dry count and the typical rise of a covered pad; they
    stand in for trims that are not taken. ``mix`` (channels, channels) turns the rises of a second trim into
    swings. ``clip`` bounds the counts, ``swing_range`` the swings, ``trim_low`` and ``trim_high`` each count
    of the trim. ``gate``, with a second trim: for each channel the count of the second less that of the first
    that is accepted of a unit. ``pairs``: of each place that is read at several frequencies, the channel of a
    lower one with that of the highest.
    """

    kinds: tuple[TrimKind, ...]
    law: CountLaw
    preshift: int
    dry: tuple[int, ...]
    swing: tuple[int, ...]
    clip: tuple[int, int]
    swing_range: tuple[int, int]
    mix: tuple[tuple[float, ...], ...]
    trim_low: tuple[int, ...]
    trim_high: tuple[int, ...]
    gate: tuple[tuple[int, int], ...] = ()
    pairs: tuple[tuple[int, int], ...] = ()

    @property
    def telling(self) -> tuple[int, ...]:
        """The channels at the highest frequency of their place: those that tell film and foam from liquid."""
        lower = {low for low, _ in self.pairs}
        return tuple(k for k in range(self.channels) if k not in lower)

    @property
    def channels(self) -> int:
        return len(self.dry)

    @property
    def reach(self) -> int:
        """The largest rise, either way, that is told from larger ones."""
        return int((1 + _ROOM) * self.swing_range[1]) + 1

    @property
    def gain_bits(self) -> int:
        """How many bits the reciprocal of a swing has: as many as the product with the largest
        rise leaves.
        """
        bits = _GAIN_BITS
        while self.reach * ((1 << bits) // self.swing_range[0]) + (1 << (bits - SHARE_BITS - 1)) > INT32_MAX:
            bits -= 1
        return bits

    def rises(self, counts: Floats | Ints, dry: Floats | Ints) -> Floats:
        """Rises without rounding; ``counts`` (n, channels), ``dry`` (channels,) or (n, channels)."""
        if self.law is CountLaw.RISES:
            return np.asarray(counts, np.float64) - dry
        return np.asarray(
            (np.asarray(dry, np.float64) / np.maximum(counts, 1) - 1.0) * (1 << RATIO_BITS), np.float64
        )


def usable_trims(data: FrozenData, chosen: Mask) -> tuple[str, ...]:
    """Names in TRIMS whose kinds every unit of the chosen rows has, best last."""
    sessions = np.unique(data.session[chosen])
    return tuple(
        name
        for name, kinds in TRIMS.items()
        if all(data.trim(int(s), kind) is not None for s in sessions for kind in kinds)
    )


def trim_counts(data: FrozenData, kinds: tuple[TrimKind, ...]) -> Ints:
    """The trim of each session's unit, kind after kind, int64 (sessions, kinds * channels); (sessions, 0)
    without kinds.

    Raises InputError for a session whose unit has no such trim on its mounting.
    """
    rows = []
    for k, session in enumerate(data.frozen.sessions):
        row: list[int] = []
        for kind in kinds:
            trim = data.trim(k, kind)
            if trim is None:
                where = f"session {session.id}, unit {session.unit.name}"
                raise InputError(
                    where,
                    f"no {kind} trim on mounting {session.mounting.name}",
                    f"a {kind} trim",
                    "add the unit's trim to the store and freeze again",
                )
            row += trim.counts
        rows.append(row)
    return np.asarray(rows, np.int64).reshape(len(rows), -1)


def find_trimming(data: FrozenData, fit: Mask, name: str) -> Trimming:
    """The trimming called ``name`` in TRIMS, its typical numbers taken from the fit rows.

    Raises InputError when a unit lacks a trim, or trims and counts run against the sensor's count law.
    """
    kinds = TRIMS[name]
    sensor = data.frozen.sessions[0].mounting.sensor
    sessions = np.unique(data.session[fit])
    trims = (
        trim_counts(data, kinds)[sessions].reshape(len(sessions), len(kinds), sensor.channels)
        if kinds
        else np.zeros((len(sessions), 0, sensor.channels), np.int64)
    )
    dry = np.median(trims[:, 0], axis=0) if kinds else _at_end(data, fit, low=True)
    preshift = 0
    if sensor.count_law is CountLaw.FALLS:
        preshift = max(int(data.counts[fit].max()).bit_length() - _COUNT_BITS, 0)
    start = Trimming(
        kinds, sensor.count_law, preshift, _ints(dry), (1,) * sensor.channels, (0, 1), (1, 1), (), (), ()
    )
    mix, swings = _swings(start, data, fit, trims, sessions, dry)
    typical = np.median(swings, axis=0)
    if typical.min() < 1:
        channel = int(np.argmin(typical))
        raise InputError(
            f"trims, channel {channel}",
            f"a typical swing of {typical[channel]:.4g}",
            f"a rise from dry to full by the count law '{sensor.count_law}'",
            "check the count law and the trims",
        )
    swing_range = (max(int(swings.min() / SWING_ROOM), 1), int(np.ceil(swings.max() * SWING_ROOM)))
    clip, (low, high) = _bounds(start, data, fit, trims, dry, typical, sensor.count_bits)
    trimming = Trimming(
        kinds, sensor.count_law, preshift, _ints(dry), _ints(typical), clip, swing_range, mix, low, high
    )
    return replace(trimming, gate=_gate(sensor, trims, mix), pairs=_pairs(sensor))


def _pairs(sensor: Sensor) -> tuple[tuple[int, int], ...]:
    """See :class:`Trimming`; channels of one pad share its name."""
    places: dict[str, list[tuple[float, int]]] = {}
    for pad in sensor.pads:
        if pad.role is PadRole.LEVEL and pad.frequency_hz is not None:
            places.setdefault(pad.name, []).append((pad.frequency_hz, pad.channel))
    return tuple((low, max(place)[1]) for place in places.values() for _, low in sorted(place)[:-1])


def _gate(sensor: Sensor, trims: Ints, mix: tuple[tuple[float, ...], ...]) -> tuple[tuple[int, int], ...]:
    """The swings accepted of a unit: those of the fit units, widened by the factor SWING_ROOM, and at least
    half the smallest. Reference pads, and pads that the second trim does not cover, may show any.

    ``trims`` (sessions, kinds, channels).
    """
    if trims.shape[1] < 2:
        return ()
    most = (1 << sensor.count_bits) - 1
    sign = 1 if sensor.count_law is CountLaw.RISES else -1
    level = {pad.channel for pad in sensor.pads if pad.role is PadRole.LEVEL}
    gate = []
    for k in range(sensor.channels):
        swings = sign * (trims[:, 1, k] - trims[:, 0, k])
        if k not in level or not mix[k][k]:
            gate.append((-most, most))
            continue
        smallest, largest = int(swings.min()), int(swings.max())
        low = max(int(np.floor(smallest / SWING_ROOM)), int(np.ceil(smallest / 2)), 1)
        high = min(max(int(np.ceil(largest * SWING_ROOM)), low), most)
        gate.append((low, high) if sign > 0 else (-high, -low))
    return tuple(gate)


def gate_range(trimming: Trimming) -> Interval | None:
    """The interval of swings that a program declares; None without a second trim."""
    return Interval(*map(tuple, zip(*trimming.gate, strict=True))) if trimming.gate else None


def _at_end(data: FrozenData, fit: Mask, *, low: bool) -> Floats:
    """The median counts of the frames at the lowest or the highest fit label."""
    level = data.level_mm[fit]
    slack = 0.005 * (level.max() - level.min())
    rows = level <= level.min() + slack if low else level >= level.max() - slack
    return np.asarray(np.median(data.counts[fit][rows], axis=0), np.float64)


def _swings(
    start: Trimming, data: FrozenData, fit: Mask, trims: Ints, sessions: Ints, dry: Floats
) -> tuple[tuple[tuple[float, ...], ...], Floats]:
    """The matrix from a second trim's rises to swings, and the swings of the fit sessions, (sessions,
    channels).
    """
    known = len(start.kinds) > 1
    full = [data.trim(int(s), TrimKind.FULL) for s in sessions]
    dries = trims[:, 0] if start.kinds else np.tile(dry, (len(sessions), 1))
    if all(f is not None for f in full) and all(
        data.trim(int(s), TrimKind.DRY) is not None for s in sessions
    ):
        base = np.asarray([t.counts for s in sessions if (t := data.trim(int(s), TrimKind.DRY)) is not None])
        swings = start.rises(np.asarray([f.counts for f in full if f is not None]), base)
    else:
        swings = start.rises(_at_end(data, fit, low=False)[None, :], dries)
    if not known:
        return (), swings
    rises = start.rises(trims[:, 1], trims[:, 0])
    if start.kinds[1] is TrimKind.FULL:
        return tuple(
            tuple(float(i == k) for i in range(start.channels)) for k in range(start.channels)
        ), rises
    mix = _mixing(np.median(swings, axis=0), np.median(rises, axis=0))
    return tuple(tuple(float(v) for v in row) for row in mix), rises @ mix.T


def _mixing(swing: Floats, rise: Floats) -> Floats:
    """Swings from rises: a pad that the second trim covers tells its own; the others follow the mean of
    those, by the typical ratio.
    """
    covered = rise >= _COVERED * swing
    if not covered.any():
        covered = rise == rise.max()
    mix = np.zeros((len(swing), len(swing)))
    for k in range(len(swing)):
        if covered[k]:
            mix[k, k] = swing[k] / rise[k]
        else:
            mix[k, covered] = swing[k] / rise[covered] / covered.sum()
    return mix


def _bounds(
    start: Trimming, data: FrozenData, fit: Mask, trims: Ints, dry: Floats, swing: Floats, count_bits: int
) -> tuple[tuple[int, int], tuple[tuple[int, ...], tuple[int, ...]]]:
    """Where counts are clipped, and the limits of each count of the trim: those of 'fit', widened by a share
    of the swing.
    """
    room = _ROOM * swing if start.law is CountLaw.RISES else _ROOM * dry * swing / ((1 << RATIO_BITS) + swing)
    top, least = (1 << count_bits) - 1, 1 << start.preshift
    low = np.clip(np.floor(trims.min(axis=0) - room), least, top).astype(np.int64).ravel()
    high = np.clip(np.ceil(trims.max(axis=0) + room), least, top).astype(np.int64).ravel()
    counts = np.concatenate(
        [data.counts[fit].min(axis=0) - room, data.counts[fit].max(axis=0) + room, low, high]
    )
    clip = (int(np.clip(np.floor(counts.min()), least, top)), int(np.clip(np.ceil(counts.max()), least, top)))
    return clip, (_ints(low), _ints(high))


def _ints(values: Floats | Ints) -> tuple[int, ...]:
    return tuple(int(v) for v in np.rint(values))


def kind_names(trimming: Trimming) -> tuple[str, ...]:
    """The kinds of trim as a program names them; a program that takes none names the default."""
    return tuple(str(kind) for kind in trimming.kinds) or (DEFAULT_TRIM_KIND,)


def trim_range(trimming: Trimming) -> Interval | None:
    """The interval of the trim that a program declares; None when it takes none."""
    return Interval(trimming.trim_low, trimming.trim_high) if trimming.kinds else None


def emit_shares(builder: Builder, trimming: Trimming) -> str:
    """Append the trimming to a program: the prepare section, and in the step section the shares, clipped,
    (channels,).
    """
    bits = trimming.gain_bits
    dry, gain = _emit_prepare(builder, trimming, bits)
    counts = builder.node("clip", "counts", low=trimming.clip[0], high=trimming.clip[1])
    if trimming.law is CountLaw.RISES:
        rise = builder.node("sub", counts, dry)
    else:
        shifted = builder.node("shift", counts, shift=trimming.preshift) if trimming.preshift else counts
        rise = builder.node("sub", builder.node("divide", dry, shifted), builder.const(1 << RATIO_BITS))
    rise = _within(builder, builder.node, rise, trimming.reach)
    share = builder.node("shift", builder.node("mul", rise, gain), shift=bits - SHARE_BITS)
    return builder.node(
        "clip", share, name="shares", low=SHARE_LOW, high=SHARE_HIGH, scale=f"1/{SHARE_ONE} of the swing"
    )


def _within(builder: Builder, add: Callable[..., str], value: str, most: int) -> str:
    """The value clipped to ``most`` either way; the value itself where its range never goes that far."""
    interval = builder.interval(value)
    if -most <= min(interval.low) and max(interval.high) <= most:
        return value
    return add("clip", value, low=-most, high=most)


def _emit_prepare(builder: Builder, trimming: Trimming, bits: int) -> tuple[str, str]:
    """The dry counts (times 2**RATIO_BITS where counts are divided) and the reciprocal swings: prepared, or
    constants.
    """
    n = trimming.channels
    gain = (
        builder.const(*((1 << bits) // s for s in trimming.swing), name="gain")
        if len(trimming.kinds) < 2
        else ""
    )
    if not trimming.kinds:
        values = (
            trimming.dry
            if trimming.law is CountLaw.RISES
            else tuple((d >> trimming.preshift) << RATIO_BITS for d in trimming.dry)
        )
        return builder.const(*values, name="dry"), gain
    whole = len(trimming.kinds) == 1
    dry = (
        builder.prepare_node("take", "trim", indices=tuple(range(n)), name="dry_count")
        if not whole
        else "trim"
    )
    if trimming.law is CountLaw.RISES:
        kept = builder.prepare_node(
            "clip", dry, low=0, high=(1 << builder.count_bits) - 1, name="dry", keep=True
        )
    else:
        shifted = builder.prepare_node("shift", dry, shift=trimming.preshift) if trimming.preshift else dry
        scale = builder.prepare_node("const", values=(1 << RATIO_BITS,))
        kept = builder.prepare_node("mul", shifted, scale, name="dry", keep=True)
    if whole:
        return kept, gain
    second = builder.prepare_node("take", "trim", indices=tuple(range(n, 2 * n)))
    if trimming.law is CountLaw.RISES:
        rise = builder.prepare_node("sub", second, dry)
    else:
        second = (
            builder.prepare_node("shift", second, shift=trimming.preshift) if trimming.preshift else second
        )
        ratio = builder.prepare_node("divide", kept, second)
        rise = builder.prepare_node("sub", ratio, builder.prepare_node("const", values=(1 << RATIO_BITS,)))
    rise = _within(builder, builder.prepare_node, rise, trimming.reach)
    swing = _emit_mix(builder, trimming, rise)
    swing = builder.prepare_node("clip", swing, low=trimming.swing_range[0], high=trimming.swing_range[1])
    top = builder.prepare_node("const", values=(1 << bits,))
    return kept, builder.prepare_node("divide", top, swing, name="gain", keep=True)


def _emit_mix(builder: Builder, trimming: Trimming, rise: str) -> str:
    mix = np.asarray(trimming.mix)
    if np.array_equal(mix, np.eye(trimming.channels)):
        return rise
    bits = _MIX_BITS
    while np.abs(np.rint(mix * (1 << bits))).sum(axis=1).max() * trimming.reach + (1 << bits) > INT32_MAX:
        bits -= 1
    weights = tuple(tuple(int(v) for v in np.rint(row * (1 << bits))) for row in mix)
    total = builder.prepare_node("dense", rise, weights=weights, bias=(0,) * trimming.channels)
    return builder.prepare_node("shift", total, shift=bits)
