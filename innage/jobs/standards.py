"""Check standards: measured each bench day, charted, and held against the sessions of the day."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.admission.control_chart import Chart
    from dataset.records import CheckMeasurement, CheckStandard
    from dataset.store import Store


@dataclass(frozen=True)
class Charted:
    """A check standard with its measurements and a chart for each channel, whose values are in the board's
    counts; and by the days on which it was out of limits the ids of their sessions.
    """

    standard: CheckStandard
    measurements: tuple[CheckMeasurement, ...]
    charts: tuple[Chart, ...]
    sessions: dict[str, tuple[str, ...]]

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "standard": standard_facts(self.standard),
            "measurements": [
                {key: value for key, value in asdict(m).items() if key != "standard"}
                | {"counts": [chart.values[k] for chart in self.charts]}
                for k, m in enumerate(self.measurements)
            ],
            "channels": [
                {
                    "channel": chart.channel,
                    "centre": None if chart.limits is None else chart.limits.centre,
                    "low": None if chart.limits is None else chart.limits.low,
                    "high": None if chart.limits is None else chart.limits.high,
                    "sd": None if chart.limits is None else chart.limits.sd,
                    "baseline": chart.baseline,
                    "out": list(chart.out),
                }
                for chart in self.charts
            ],
            "sessions_out": {day: list(ids) for day, ids in self.sessions.items()},
        }


def standard_facts(standard: CheckStandard) -> dict[str, Any]:
    """A check standard ready for JSON."""
    return {
        "name": standard.name,
        "kind": standard.kind.value,
        "sensor": standard.sensor.ref,
        "bench": standard.bench,
        "note": standard.note,
    }


def charted(store: Store, ref: str, baseline: int | None = None) -> Charted:
    """The control charts of a check standard.

    Raises:
        InputError: a baseline of too few measurements. NotFoundError: no such check standard.
    """
    from dataset.admission.control_chart import BASELINE, ControlLimits, charts

    standard = store.check_standard(ref)
    measurements = store.check_measurements(standard)
    scale = standard.sensor.count_scale
    drawn = tuple(
        replace(
            chart,
            values=tuple(value / scale for value in chart.values),
            limits=None
            if chart.limits is None
            else ControlLimits(chart.limits.centre / scale, chart.limits.sd / scale),
        )
        for chart in charts(standard, measurements, BASELINE if baseline is None else baseline)
    )
    days = sorted({chart.dates[k] for chart in drawn for k in chart.out})
    return Charted(standard, measurements, drawn, _sessions_of(store, standard, days))


def _sessions_of(store: Store, standard: CheckStandard, days: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """The sessions of these days with sensors of the standard's revision on its bench; one that states no
    bench is of this store's own.
    """
    if not days:
        return {}
    own = store.bench().identity
    there = [
        session
        for session in store.sessions()
        if session.mounting.sensor == standard.sensor and (session.occasion.bench or own) == standard.bench
    ]
    return {
        day: tuple(session.id for session in there if (session.occasion.started or "")[:10] == day)
        for day in days
    }


def measure(
    store: Store,
    ref: str,
    counts: Sequence[float],
    date: str,
    *,
    temperature_c: float | None = None,
    frames: int = 1,
    operator: str | None = None,
    note: str = "",
) -> Charted:
    """Keep what a check standard measured; its charts with that.

    Args:
        store: the open store.
        ref: the check standard.
        counts: a mean for each channel, as the board sends counts.
        date: of the measurement, ISO 8601.
        temperature_c: of the standard.
        frames: how many frames the means are of.
        operator: who measured, by code.
        note: kept with it.

    Raises:
        InputError: counts that the sensor can't have. NotFoundError: no such check standard or operator.
    """
    from dataset.records import CheckMeasurement

    standard = store.check_standard(ref)
    steps = tuple(float(count) * standard.sensor.count_scale for count in counts)
    new = CheckMeasurement(standard, date, steps, temperature_c, frames, operator, note)
    store.add_check_measurement(new)
    return charted(store, ref)
