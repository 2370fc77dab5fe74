"""Check standards: measured each bench day, charted, and held against the sessions of the day."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.admission.control_chart import Chart
    from dataset.records import CheckMeasurement, CheckStandard, Frames, Sensor
    from dataset.store import Store
    from innage.jobs.sessions.capturing import Port


@dataclass(frozen=True)
class Charted:
    """A check standard with its measurements and a chart for each channel, whose values are in the board's
    counts; and by the days on which it was out of limits the ids of their sessions. ``void`` are measurements
    that were left out, each with the reason.
    """

    standard: CheckStandard
    measurements: tuple[CheckMeasurement, ...]
    charts: tuple[Chart, ...]
    sessions: dict[str, tuple[str, ...]]
    void: tuple[tuple[CheckMeasurement, str], ...]

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "standard": standard_facts(self.standard),
            "measurements": list(map(measurement_facts, self.measurements)),
            "void_measurements": [measurement_facts(m) | {"void": reason} for m, reason in self.void],
            "days": list(self.charts[0].dates),
            "channels": [_channel_facts(chart) for chart in self.charts],
            "sessions_out": {day: list(ids) for day, ids in self.sessions.items()},
        }


def measurement_facts(measured: CheckMeasurement) -> dict[str, Any]:
    """A measurement ready for JSON, its counts as the board sends them."""
    from dataset.documents import name_of

    scale = measured.standard.sensor.count_scale
    facts = {key: value for key, value in asdict(measured).items() if key != "standard"}
    return facts | {"counts": [count / scale for count in measured.counts], "sha256": name_of(measured)}


def _channel_facts(chart: Chart) -> dict[str, Any]:
    limits, spread = chart.limits, chart.spread
    return {
        "channel": chart.channel,
        "means": list(chart.values),
        "centre": None if limits is None else limits.centre,
        "low": None if limits is None else limits.low,
        "high": None if limits is None else limits.high,
        "sd": None if limits is None else limits.sd,
        "baseline": chart.baseline,
        "out": list(chart.out),
        "numbers": list(spread.numbers),
        "spreads": list(spread.values),
        "sigma": spread.sigma,
        "spread_out": list(spread.out),
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
        InputError: a baseline of too few days. NotFoundError: no such check standard.
    """
    standard = store.check_standard(ref)
    measurements = store.check_measurements(standard)
    drawn = charts_of(store, standard, baseline)
    days = sorted({chart.dates[k] for chart in drawn for k in (*chart.out, *chart.spread.out)})
    left_out = store.void_check_measurements(standard)
    return Charted(standard, measurements, drawn, _sessions_of(store, standard, days), left_out)


def charts_of(store: Store, standard: CheckStandard, baseline: int | None = None) -> tuple[Chart, ...]:
    """A chart for each channel of a check standard, in the board's counts. InputError for a baseline of too
    few days.
    """
    from dataset.admission.control_chart import BASELINE, charts

    measured = store.check_measurements(standard)
    drawn = charts(standard, measured, BASELINE if baseline is None else baseline)
    return tuple(chart.scaled(standard.sensor.count_scale) for chart in drawn)


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


@dataclass(frozen=True)
class Means:
    """Mean counts of each channel, as the board sends counts, over ``frames`` frames; temperature, day and
    who measured where they are known.
    """

    counts: tuple[float, ...]
    frames: int = 1
    temperature_c: float | None = None
    date: str | None = None
    operator: str | None = None
    note: str = ""


def means_of_board(store: Store, ref: str, port: Port, frames: int) -> Means:
    """The means of the next frames that a board sends, the check standard against its pads.

    Raises:
        InputError: a port that can't be opened, another board, too few frames, or counts that move.
    """
    from dataset.live.still import check_number_of, read_still

    check_number_of(frames)
    sensor = store.check_standard(ref).sensor
    source = port.open()
    try:
        read, simulated = read_still(source, sensor, frames)
    finally:
        source.close()
    return _means(read, sensor, note="simulated" if simulated else "")


def means_of_session(store: Store, ref: str, session: str) -> Means:
    """The means of all frames of a capture session, which is of the check standard alone.

    Raises:
        InputError: another sensor, a void session, too few frames, or counts that move.
    """
    from dataset.errors import InputError
    from dataset.live.still import check_number_of, check_still

    captured, sensor = store.session(session), store.check_standard(ref).sensor
    where = f"session {captured.id}"
    if captured.mounting.sensor != sensor:
        raise InputError(where, f"sensor {captured.mounting.sensor.ref}", f"{sensor.ref}, as the standard's")
    if captured.void_reason is not None:
        raise InputError(where, f"is void ('{captured.void_reason}')", "a session that can be used")
    check_number_of(captured.frames)
    frames = store.frames(captured)
    check_still(where, frames, sensor)
    date = None if captured.occasion.started is None else captured.occasion.started[:10]
    return _means(frames, sensor, date, captured.occasion.operator, where)


def _means(
    frames: Frames, sensor: Sensor, date: str | None = None, operator: str | None = None, note: str = ""
) -> Means:
    import numpy as np

    counts = tuple(float(mean) for mean in frames.counts.mean(axis=0) / sensor.count_scale)
    measured = np.array([]) if frames.temperature_c is None else frames.temperature_c
    warm = measured[np.isfinite(measured)]
    temperature = round(float(warm.mean()), 3) if len(warm) else None
    return Means(counts, len(frames), temperature, date, operator, note)


def measure(
    store: Store,
    ref: str,
    means: Means,
    date: str,
) -> Charted:
    """Keep what a check standard measured; its charts with that.

    Args:
        store: the open store.
        ref: the check standard.
        means: of each channel.
        date: of the measurement, ISO 8601, where the means have none.

    Raises:
        InputError: counts that the sensor can't have. NotFoundError: no such check standard or operator.
    """
    from dataset.records import CheckMeasurement

    standard = store.check_standard(ref)
    steps = tuple(float(count) * standard.sensor.count_scale for count in means.counts)
    new = CheckMeasurement(
        standard, means.date or date, steps, means.temperature_c, means.frames, means.operator, means.note
    )
    store.add_check_measurement(new)
    return charted(store, ref)
