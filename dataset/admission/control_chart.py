"""Control charts of check standards: whether a bench measures today what it always measured.

Charts are of individuals, with limits by the moving range (NIST/SEMATECH e-Handbook of Statistical Methods,
6.3.2.2): the mean of the baseline, plus and minus three times the mean moving range over 1.128.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from dataset.errors import InputError
from dataset.labels.uncertainty import rectangular
from dataset.records import CheckMeasurement, CheckStandard, DoorWarning

STANDARD = "check standard"  # the check that warns of a bench day
D2 = 1.128  # of two: the mean range of pairs of a normal law over its standard deviation
SIGMAS = 3.0
FEWEST = 5  # measurements before there are limits: our own judgement
BASELINE = 20  # measurements that limits rest on, the first ones; common practice, no source


@dataclass(frozen=True)
class ControlLimits:
    """Centre and limits of a chart of individuals, and the standard deviation behind them."""

    centre: float
    sd: float

    @property
    def low(self) -> float:
        return self.centre - SIGMAS * self.sd

    @property
    def high(self) -> float:
        return self.centre + SIGMAS * self.sd

    def hold(self, value: float) -> bool:
        """Whether a value lies within them, both ends included."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class Chart:
    """What a check standard measured on one channel, by date. ``limits`` are None while there are too few
    measurements; they rest on the first ``baseline`` of them.
    """

    channel: str
    dates: tuple[str, ...]
    values: tuple[float, ...]
    limits: ControlLimits | None
    baseline: int

    @property
    def out(self) -> tuple[int, ...]:
        """Which measurements lie beyond the limits."""
        limits = self.limits
        return () if limits is None else tuple(k for k, v in enumerate(self.values) if not limits.hold(v))


def individuals(values: Sequence[float]) -> ControlLimits:
    """Limits by the moving range of two values or more, (n,) in order of time.

    Values that never move say less about the next than their rounding does: their standard deviation is then
    that of one step's rounding.
    """
    ranges = [abs(b - a) for a, b in pairwise(values)]
    sd = sum(ranges) / len(ranges) / D2
    return ControlLimits(sum(values) / len(values), sd or rectangular(0.5))


def charts(
    standard: CheckStandard, measurements: Sequence[CheckMeasurement], baseline: int = BASELINE
) -> tuple[Chart, ...]:
    """A chart for each channel.

    Args:
        standard: names the channels by its sensor.
        measurements: in order of time.
        baseline: how many of the first measurements give the limits; fewer where there are fewer.

    Raises:
        InputError: a baseline of too few.
    """
    if baseline < FEWEST:
        raise InputError("baseline", str(baseline), f"at least {FEWEST} measurements", fields=("baseline",))
    dates = tuple(measurement.date for measurement in measurements)
    resting = min(baseline, len(dates))
    result = []
    for channel, name in enumerate(standard.sensor.channel_names):
        values = tuple(measurement.counts[channel] for measurement in measurements)
        limits = individuals(values[:resting]) if resting >= FEWEST else None
        result.append(Chart(name, dates, values, limits, resting))
    return tuple(result)


def warnings_of_day(
    standard: CheckStandard, measurements: Sequence[CheckMeasurement], day: str, bench: str
) -> Iterator[DoorWarning]:
    """What a check standard says against a bench on a day, if anything; ``bench`` is what it is called."""
    scale = standard.sensor.count_scale
    parts = [
        f"pad {chart.channel} at {chart.values[k] / scale:.6g}, limits {chart.limits.low / scale:.6g} to "
        f"{chart.limits.high / scale:.6g}"
        for chart in charts(standard, measurements)
        for k in chart.out
        if chart.dates[k] == day and chart.limits is not None
    ]
    if parts:
        yield DoorWarning(
            STANDARD,
            f"check standard {standard.name} of bench {bench} was out of its limits on {day}: "
            f"{'; '.join(parts)}",
        )
