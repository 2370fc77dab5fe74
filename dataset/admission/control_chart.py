"""Control charts of check standards: whether a bench measures today what it always measured.

A day's measurements are one value, their mean. Means are charted as individuals, with limits by the moving
range (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2): the mean of the baseline, plus and minus
three times the mean moving range over 1.128. Limits of means by the spread within days (6.3.2.1, X-bar) would
take for a fault whatever differs from day to day; that spread has a chart of its own, the S chart of 6.3.2.1.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from statistics import fmean, stdev

from dataset.errors import InputError
from dataset.labels.uncertainty import rectangular
from dataset.records import CheckMeasurement, CheckStandard, DoorWarning

STANDARD = "check standard"  # the check that warns of a bench day
OF_BENCH = " of bench "  # behind the standard's name in the sentence
D2 = 1.128  # of two: the mean range of pairs of a normal law over its standard deviation
SIGMAS = 3.0
FEWEST = 5  # days before there are limits: our own judgement
BASELINE = 20  # days that limits rest on, the first ones; common practice, no source


@dataclass(frozen=True)
class ControlLimits:
    """Centre and limits of a chart, and the standard deviation of what is charted; nothing is below
    ``least``.
    """

    centre: float
    sd: float
    least: float = -math.inf

    @property
    def low(self) -> float:
        return max(self.centre - SIGMAS * self.sd, self.least)

    @property
    def high(self) -> float:
        return self.centre + SIGMAS * self.sd

    def hold(self, value: float) -> bool:
        """Whether a value lies within them, both ends included."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class Spread:
    """The standard deviations within days, None of a day with one measurement. ``sigma`` is that of a single
    measurement within a day by the baseline, None while too few of its days have several.
    """

    numbers: tuple[int, ...]
    values: tuple[float | None, ...]
    sigma: float | None

    def limits(self, number: int) -> ControlLimits | None:
        """Those of the standard deviation of so many measurements (6.3.2.1)."""
        if self.sigma is None or number < 2:
            return None
        c4 = c4_of(number)
        return ControlLimits(c4 * self.sigma, self.sigma * math.sqrt(1 - c4 * c4), 0.0)

    @property
    def out(self) -> tuple[int, ...]:
        """On which days the measurements scatter otherwise."""
        return tuple(
            k
            for k, (number, value) in enumerate(zip(self.numbers, self.values, strict=True))
            if value is not None and (limits := self.limits(number)) is not None and not limits.hold(value)
        )


@dataclass(frozen=True)
class Chart:
    """What a check standard measured on one channel: by day the mean of its measurements, and their spread.
    ``limits`` are None while there are too few days; they rest on the first ``baseline`` of them.
    """

    channel: str
    dates: tuple[str, ...]
    values: tuple[float, ...]
    limits: ControlLimits | None
    baseline: int
    spread: Spread

    @property
    def out(self) -> tuple[int, ...]:
        """On which days the mean lies beyond the limits."""
        limits = self.limits
        return () if limits is None else tuple(k for k, v in enumerate(self.values) if not limits.hold(v))

    def scaled(self, scale: float) -> Chart:
        """The chart of values over ``scale``."""
        limits, spread = self.limits, self.spread
        return Chart(
            self.channel,
            self.dates,
            tuple(value / scale for value in self.values),
            None if limits is None else ControlLimits(limits.centre / scale, limits.sd / scale),
            self.baseline,
            Spread(
                spread.numbers,
                tuple(None if value is None else value / scale for value in spread.values),
                None if spread.sigma is None else spread.sigma / scale,
            ),
        )


def individuals(values: Sequence[float]) -> ControlLimits:
    """Limits by the moving range of two values or more, (n,) in order of time.

    Values that never move say less about the next than their rounding does: their standard deviation is then
    that of one step's rounding.
    """
    ranges = [abs(b - a) for a, b in pairwise(values)]
    sd = sum(ranges) / len(ranges) / D2
    return ControlLimits(sum(values) / len(values), sd or rectangular(0.5))


def c4_of(number: int) -> float:
    """The mean standard deviation of so many values of a normal law over that of the law:
    sqrt(2 / (n - 1)) gamma(n / 2) / gamma((n - 1) / 2), e-Handbook 6.3.2.
    """
    ratio = math.exp(math.lgamma(number / 2) - math.lgamma((number - 1) / 2))
    return math.sqrt(2 / (number - 1)) * ratio


def spread_of(days: Sequence[Sequence[float]], baseline: int) -> Spread:
    """The spread within days, by the first ``baseline`` of them: sigma is the mean of s / c4, which is
    6.3.2.1's for days of as many measurements.
    """
    values = [stdev(day) if len(day) > 1 else None for day in days]
    unbiased = [
        value / c4_of(len(day))
        for day, value in zip(days[:baseline], values, strict=False)
        if value is not None
    ]
    sigma = None if len(unbiased) < FEWEST else fmean(unbiased) or rectangular(0.5)
    return Spread(tuple(map(len, days)), tuple(values), sigma)


def charts(
    standard: CheckStandard, measurements: Sequence[CheckMeasurement], baseline: int = BASELINE
) -> tuple[Chart, ...]:
    """A chart for each channel.

    Args:
        standard: names the channels by its sensor.
        measurements: in order of time.
        baseline: how many of the first days give the limits; fewer where there are fewer.

    Raises:
        InputError: a baseline of too few.
    """
    if baseline < FEWEST:
        raise InputError("baseline", str(baseline), f"at least {FEWEST} days", fields=("baseline",))
    days = [(date, list(of_day)) for date, of_day in groupby(measurements, key=lambda m: m.date)]
    dates = tuple(date for date, _ in days)
    resting = min(baseline, len(dates))
    result = []
    for channel, name in enumerate(standard.sensor.channel_names):
        by_day = [[measurement.counts[channel] for measurement in of_day] for _, of_day in days]
        values = tuple(map(fmean, by_day))
        limits = individuals(values[:resting]) if resting >= FEWEST else None
        result.append(Chart(name, dates, values, limits, resting, spread_of(by_day, resting)))
    return tuple(result)


def warnings_of_day(
    standard: CheckStandard, measurements: Sequence[CheckMeasurement], day: str, bench: str
) -> Iterator[DoorWarning]:
    """What a check standard says against a bench on a day, if anything; ``bench`` is what it is called."""
    parts = [
        part
        for chart in charts(standard, measurements)
        for part in _parts(chart.scaled(standard.sensor.count_scale), day)
    ]
    if parts:
        which = f"check standard {standard.name}{OF_BENCH}{bench}"
        yield DoorWarning(STANDARD, f"{which} was out of its limits on {day}: {'; '.join(parts)}")


def _parts(chart: Chart, day: str) -> Iterator[str]:
    for k, date in enumerate(chart.dates):
        if date != day:
            continue
        if k in chart.out and chart.limits is not None:
            low, high = chart.limits.low, chart.limits.high
            yield f"pad {chart.channel} at {chart.values[k]:.6g}, limits {low:.6g} to {high:.6g}"
        limits = chart.spread.limits(chart.spread.numbers[k])
        if k in chart.spread.out and limits is not None:
            yield (
                f"pad {chart.channel} scatters by {chart.spread.values[k]:.4g} within the day, limits "
                f"{limits.low:.4g} to {limits.high:.4g}"
            )
