"""Units' trims: counts from frames with outliers refused, dry ones that look wet, and limits for a fixture.
No store in here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.labels.conditions import stated_wet
from dataset.labels.steady import noise, steady_stretches
from dataset.records import CountLaw, Frames, Mark, Mounting, Sensor, Session, Trim, TrimKind, TrimLimits
from dataset.values import FEWEST_GROUPS, LEAST_NOISE, MAD_TO_SD, MAX_MM, check_day, check_number, check_text
from dataset.words import counted

OUTLIER_SDS = 5.0  # counts further from the median than this many robust standard deviations are refused
MOST_REFUSED = 0.1  # of a channel's counts: with more, something else than outliers is there
FEWEST_FRAMES = 5
MOVES_NOISE, MOVES_SHARE = (
    10.0,
    0.005,
)  # the signal moves: spread beyond this much noise and this share of the count
WET_SWING_SHARE = (
    0.05  # of the swing (or, where none is known, of the count / 2.5): common practice, no source
)
_COUNT_SHARE = 0.02
SHARE_PER_K = 0.001  # of the count: how a dry pad may go with temperature; common practice, no source
_ALIKE_COVERAGE, _ALIKE_CONFIDENCE = (
    0.99,
    0.95,
)  # of units, in telling a wet pad from one that another unit has too
_UNITS_TO_TELL_CHANNELS = 10  # common practice, no source


@dataclass(frozen=True)
class Reference:
    """Counts of each channel that are known to be dry, or the driest seen, and where from; ``swing`` and
    ``temperature_c`` where they are known. ``known_dry``: a trim, or a session with frames that are marked
    below every pad and not stated to be wet.
    """

    what: str
    dry: tuple[float, ...]
    swing: tuple[float, ...] | None = None
    temperature_c: float | None = None
    of_session: bool = False
    known_dry: bool = False


def from_frames(trim: Trim, frames: Frames, session: Session, start: int, stop: int) -> Trim:
    """``trim`` with the robust mean of each channel over frames ``start`` (included) to ``stop`` (excluded).

    Raises:
        InputError: too few frames, a channel with more outliers than a tenth, or one whose signal moves.
    """
    where = f"session {session.id}, frames {start} to {stop - 1}"
    if not 0 <= start < stop <= len(frames):
        raise InputError(
            where,
            "no such frames",
            f"frames of the session, 0 to {len(frames) - 1}, the last not before the first",
        )
    if stop - start < FEWEST_FRAMES:
        raise InputError(where, counted(stop - start, "frame"), f"at least {FEWEST_FRAMES}")
    if trim.kind is TrimKind.DRY:
        _refuse_marked(where, session, start, stop)
    counts = frames.counts[start:stop]
    scatter = noise(counts)
    channels = [
        _channel(f"{where}, {name}", counts[:, k], float(scatter[k]))
        for k, name in enumerate(session.mounting.sensor.channel_names)
    ]
    return replace(
        trim,
        counts=tuple(round(mean) for mean, _, _ in channels),
        spread=tuple(sd for _, sd, _ in channels),
        refused=tuple(refused for _, _, refused in channels),
        session=session.sha256,
        amendment=session.amendment,
        frames=(start, stop),
        temperature_c=_temperature(frames, start, stop) if trim.temperature_c is None else trim.temperature_c,
    )


def _channel(where: str, counts: NDArray[np.uint32], scatter: float) -> tuple[float, float, int]:
    """Mean and standard deviation of the counts that are not outliers, and how many are."""
    middle = float(np.median(counts))
    spread = max(MAD_TO_SD * float(np.median(np.abs(counts - middle))), LEAST_NOISE)
    if spread > MOVES_NOISE * scatter and spread > MOVES_SHARE * middle:
        raise InputError(
            where,
            f"the counts spread by {spread:.4g} around {middle:g}: the signal moves",
            "frames in which nothing happens",
        )
    kept = counts[np.abs(counts - middle) <= OUTLIER_SDS * spread]
    refused = len(counts) - len(kept)
    if refused > MOST_REFUSED * len(counts):
        raise InputError(
            where,
            f"{refused} of {len(counts)} counts are outliers",
            f"at most {MOST_REFUSED:.0%}",
            "choose other frames with start and stop",
            fields=("start", "stop"),
        )
    return float(kept.mean()), float(kept.std()), refused


def _temperature(frames: Frames, start: int, stop: int) -> float | None:
    measured = np.empty(0) if frames.temperature_c is None else frames.temperature_c[start:stop]
    return float(np.nanmean(measured)) if np.isfinite(measured).any() else None


def _refuse_marked(where: str, session: Session, start: int, stop: int) -> None:
    """A dry trim cannot come from frames with a level above the lowest pad."""
    for mark in session.marks:
        if mark.start < stop and start < mark.stop and not below_pads(mark, session.mounting):
            raise InputError(
                where,
                f"frames {mark.start} to {mark.stop - 1} are marked at {mark.level_mm:g} mm",
                "frames of a dry tank for a dry trim",
            )


def below_pads(mark: Mark, mounting: Mounting) -> bool:
    """Whether the liquid stood below every pad."""
    lowest = min(p.bottom_mm for p in mounting.sensor.pads) + mounting.offset_mm
    return max(mark.level_mm, mark.level_stop_mm or 0.0) <= max(lowest, 0.0)


def check_trim(trim: Trim) -> None:
    """A trim that its kind allows, with counts that the sensor can give."""
    where = f"trim of unit {trim.unit.name}"
    sensor = trim.mounting.sensor
    if len(trim.counts) != sensor.channels:
        given = f"{len(trim.counts)} counts"
        raise InputError(
            where,
            given,
            f"{sensor.channels}, one for each channel in order: {', '.join(sensor.channel_names)}",
        )
    top = (1 << sensor.count_bits) - 1
    for name, count in zip(sensor.channel_names, trim.counts, strict=True):
        check_number(f"{where}, {name}", count, 0, top, unit=f"({sensor.count_bits} bits)")
    check_day(f"{where}, date", trim.date)
    if not trim.stage.strip():
        raise InputError(
            f"{where}, stage", "nothing", "where in the unit's life, such as end-of-line or service"
        )
    check_text(f"{where}, stage", trim.stage)
    check_text(f"{where}, note", trim.note)
    check_text(f"{where}, dry_because", trim.dry_because)
    if trim.dry_because and trim.kind is not TrimKind.DRY:
        raise InputError(
            "dry_because",
            f"a reason for a trim of kind {trim.kind}",
            "one for a dry trim only",
            fields=("dry_because",),
        )
    check_number(f"{where}, temperature", trim.temperature_c, -273.15, 2000, unit="degrees Celsius")
    _check_kind(where, trim)


def _check_kind(where: str, trim: Trim) -> None:
    span = trim.mounting.tank.span_mm
    if (trim.kind is TrimKind.PARTIAL) != (trim.level_mm is not None):
        given = "no level" if trim.level_mm is None else f"a level for a trim of kind {trim.kind}"
        raise InputError(f"{where}, level", given, "a level for a partial fill, and only there")
    check_number(f"{where}, level", trim.level_mm, 0, min(span, MAX_MM), unit="mm, the tank's span")
    channels = len(trim.counts) if trim.kind is TrimKind.BLOCK else 0
    for what, values in (
        ("transfer ratios", trim.transfer),
        ("spreads of the transfer ratio", trim.transfer_spread),
    ):
        if len(values) != channels:
            expected = (
                f"{channels}, one for each channel" if channels else "none: they belong to a surrogate block"
            )
            raise InputError(
                where,
                f"{len(values)} {what}",
                expected,
                "give them with Trim.transfer and Trim.transfer_spread" if channels else "",
                fields=("Trim.transfer", "Trim.transfer_spread"),
            )
    for ratio, spread in zip(trim.transfer, trim.transfer_spread, strict=True):
        check_number(f"{where}, transfer ratio", ratio, 0, 10, above=True)
        check_number(f"{where}, spread of the transfer ratio", spread, 0, 10)


def seen_in(session: Session, frames: Frames) -> Reference | None:
    """The driest and the swing of each channel that the steady stretches of a session show; None when it has
    none.
    """
    steady = steady_stretches(frames.counts)
    middles = [np.median(frames.counts[a:b], axis=0) for a, b in steady]
    if not middles:
        return None
    low, high = np.min(middles, axis=0), np.max(middles, axis=0)
    rises = session.mounting.sensor.count_law is CountLaw.RISES
    driest = steady[int(np.argmin(np.sum(middles, axis=1) * (1 if rises else -1)))]
    return Reference(
        f"the driest of session {session.id}",
        tuple(map(float, low if rises else high)),
        tuple(map(float, high - low)),
        _temperature(frames, *driest),
        of_session=True,
        known_dry=any(
            below_pads(m, session.mounting) and not stated_wet(session.stretches, m) for m in session.marks
        ),
    )


def refuse_wet(trim: Trim, own: Sequence[Reference], others: Sequence[Trim]) -> None:
    """Refuse a dry trim whose counts lie on the wet side of what is known of the unit, or of other units.

    Wet counts are higher where the count rises with C and lower where it falls. A pad is wet when it departs
    by more than a twentieth of the largest swing known, or, where none is known, by more than 2 % of the
    count; where nothing of the unit itself is known to be dry, against other units' dry trims (three or more)
    also by more than a tolerance interval of theirs, that holds 99 % of all units with a confidence of 95 %.
    Where both temperatures are known, 0.1 % of the count are allowed for each kelvin between them. A trim
    whose ``dry_because`` says why it is dry is taken.

    Args:
        trim: the one that is offered.
        own: what the unit's earlier dry trims and sessions show.
        others: dry trims of other units on the same mounting, one a unit.

    Raises:
        InputError: it looks wet; the pads, by how much, and against what.
    """
    if trim.kind is not TrimKind.DRY or trim.dry_because:
        return
    swings = [r.swing for r in own if r.swing is not None]
    for reference in own:
        warmth = _allowed_for_warmth(trim, reference)
        _refuse_beyond(trim, reference, _margin(reference.dry, swings) + warmth)
    if len(others) >= FEWEST_GROUPS and not any(reference.known_dry for reference in own):
        counts = np.array([other.counts for other in others], np.float64)
        middle = np.median(counts, axis=0)
        # few units tell little of how units differ: the factor is large for three of them and shrinks with
        # their number
        factor = tolerance_factor(len(others), _ALIKE_COVERAGE, _ALIKE_CONFIDENCE)
        scatter = factor * np.maximum(_scatter_of_units(counts), LEAST_NOISE)
        warm = [other.temperature_c for other in others]
        known = [value for value in warm if value is not None]
        reference = Reference(
            f"the median of {len(others)} other units",
            tuple(map(float, middle)),
            temperature_c=float(np.median(known)) if len(known) == len(warm) else None,
        )
        margin = np.maximum(scatter, _margin(reference.dry, swings))
        _refuse_beyond(trim, reference, margin + _allowed_for_warmth(trim, reference))


def _scatter_of_units(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard deviation of each channel over units, ``counts`` (units, channels). Of few units three may be
    alike in one channel by chance: there no channel is taken to scatter less than all of them together.
    """
    own = counts.std(axis=0, ddof=1)
    together = float(np.sqrt(np.mean(own**2)))
    return np.asarray(np.maximum(own, together) if len(counts) < _UNITS_TO_TELL_CHANNELS else own, np.float64)


def _allowed_for_warmth(trim: Trim, reference: Reference) -> NDArray[np.float64]:
    """What the temperatures between a trim and what it is held against may make, by channel, in counts."""
    dry = np.asarray(reference.dry, np.float64)
    if trim.temperature_c is None or reference.temperature_c is None:
        return np.zeros(len(dry))
    return np.asarray(SHARE_PER_K * abs(trim.temperature_c - reference.temperature_c) * dry, np.float64)


def _margin(dry: Sequence[float], swings: Sequence[tuple[float, ...]]) -> NDArray[np.float64]:
    by_count = _COUNT_SHARE * np.asarray(dry, np.float64)
    if not swings:
        return by_count
    swing = np.max(np.array(swings, np.float64), axis=0)
    # a session in which nothing was filled shows no swing
    return np.asarray(np.where(swing > by_count, WET_SWING_SHARE * swing, by_count), np.float64)


def _refuse_beyond(trim: Trim, reference: Reference, margin: NDArray[np.float64]) -> None:
    sensor: Sensor = trim.mounting.sensor
    rises = sensor.count_law is CountLaw.RISES
    beyond = (np.asarray(trim.counts) - np.asarray(reference.dry)) * (1 if rises else -1)
    wet = [k for k in range(len(trim.counts)) if beyond[k] > margin[k]]
    if not wet:
        return
    pads = ", ".join(
        f"{sensor.channel_names[k]} {trim.counts[k]}, {beyond[k]:.0f} {'above' if rises else 'below'} "
        f"{reference.dry[k]:.0f} (margin {margin[k]:.0f})"
        for k in wet
    )
    hint = "dry the tank and take it again, give the kind that it is, or say by dry_because how you know"
    if reference.of_session:
        hint += ", or amend the session where it is another unit's"
    if trim.temperature_c is None and reference.temperature_c is not None:
        hint += ", or its temperature_c"
    raise InputError(
        f"dry trim of unit {trim.unit.name}",
        f"looks wet against {reference.what}: {pads}",
        "counts of a dry tank",
        hint,
        fields=("dry_because", "temperature_c"),
    )


def latest(trims: Sequence[Trim], kind: TrimKind) -> tuple[Trim, ...]:
    """The newest trim of a kind of each unit, by date, then those that were taken from an amended session,
    then by when it was added, in the units' order of name.
    """
    newest: dict[str, Trim] = {}
    for trim in trims:
        if trim.kind is kind and (
            trim.unit.name not in newest or _taken(trim) >= _taken(newest[trim.unit.name])
        ):
            newest[trim.unit.name] = trim
    return tuple(newest[name] for name in sorted(newest))


def _taken(trim: Trim) -> tuple[str, bool]:
    return trim.date, trim.amendment is not None


def trim_limits(
    mounting: Mounting,
    kind: TrimKind,
    counts: Sequence[tuple[str, Sequence[float]]],
    coverage: float,
    confidence: float,
) -> TrimLimits:
    """Limits that a fixture passes or rejects a unit by.

    Args:
        mounting: what the units are of.
        kind: of the trims.
        counts: each unit's name and its count for each channel; at least two units.
        coverage: share of all units that the limits hold.
        confidence: with which they do.

    Raises:
        InputError: fewer than two units, or shares that are not between 0 and 1.
    """
    if len(counts) < 2:
        adding = f"Store.add_trim(kind='{kind}')"
        raise InputError(
            "trim limits",
            f"{counted(len(counts), 'unit')} on mounting {mounting.name} with a trim of kind {kind}",
            "at least 2",
            f"add trims with {adding}",
            fields=(adding,),
        )
    for field, share in (("coverage", coverage), ("confidence", confidence)):
        if not 0 < share < 1:
            raise InputError(field, f"{share:g}", "more than 0 and less than 1", fields=(field,))
    table = np.array([of_unit for _, of_unit in counts], np.float64)
    mean, sd = table.mean(axis=0), table.std(axis=0, ddof=1)
    factor = tolerance_factor(len(table), coverage, confidence)
    top = (1 << mounting.sensor.count_bits) - 1
    return TrimLimits(
        mounting,
        kind,
        low=tuple(max(0, math.floor(m - factor * s)) for m, s in zip(mean, sd, strict=True)),
        high=tuple(min(top, math.ceil(m + factor * s)) for m, s in zip(mean, sd, strict=True)),
        mean=tuple(map(float, mean)),
        sd=tuple(map(float, sd)),
        units=tuple(name for name, _ in counts),
        coverage=coverage,
        confidence=confidence,
        factor=factor,
    )


def tolerance_factor(n: int, coverage: float, confidence: float) -> float:
    """Factor of a two-sided tolerance interval of a normal law, from ``n`` samples, after Howe (1969).

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
    """
    from scipy import stats

    z = stats.norm.ppf((1 + coverage) / 2)
    return float(z * math.sqrt((n - 1) * (1 + 1 / n) / stats.chi2.ppf(1 - confidence, n - 1)))
