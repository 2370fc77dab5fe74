"""Instruments and what check standards measured, as text: to read only.

instruments.csv          each calibration; sha256 is the name by which sessions say that they rest on it
check_measurements.csv   means of a check standard, one a channel with spaces between, in steps
"""

from __future__ import annotations

from collections.abc import Iterable

from dataset.documents import name_of
from dataset.records import CheckMeasurement, Instrument
from dataset.text.write import write_csv

INSTRUMENTS, MEASUREMENTS = "instruments.csv", "check_measurements.csv"
INSTRUMENT_COLUMNS = (
    *("sha256", "bench", "name", "kind", "serial", "calibrated", "interval_days", "certificate"),
    *("uncertainty", "coverage", "resolution", "unit", "note"),
)
MEASUREMENT_COLUMNS = (
    *("bench", "standard", "kind", "sensor", "date", "counts", "temperature_c", "frames", "operator", "note"),
)


def write_instruments(
    calibrations: Iterable[Instrument], measurements: Iterable[CheckMeasurement]
) -> dict[str, str]:
    """Both files by name, the same lines in every store that holds the same records."""
    known = sorted(map(_calibration, calibrations), key=lambda cells: str(cells[0]))
    measured = sorted(map(_measurement, measurements), key=repr)
    return {
        INSTRUMENTS: write_csv(INSTRUMENT_COLUMNS, known),
        MEASUREMENTS: write_csv(MEASUREMENT_COLUMNS, measured),
    }


def _calibration(k: Instrument) -> tuple[object, ...]:
    named = (name_of(k), k.bench, k.name, k.kind.value, k.serial or None, k.calibrated, k.interval_days)
    numbers = (float(k.uncertainty), float(k.coverage), float(k.resolution), k.kind.unit)
    return (*named, k.certificate or None, *numbers, k.note or None)


def _measurement(m: CheckMeasurement) -> tuple[object, ...]:
    standard, counts = m.standard, " ".join(repr(float(count)) for count in m.counts)
    where = (standard.bench, standard.name, standard.kind.value, standard.sensor.ref, m.date, counts)
    return (*where, m.temperature_c, m.frames, m.operator, m.note or None)
