"""Instruments and what check standards measured, as text: to read only.

instruments.csv          each calibration; sha256 is the name by which sessions say that they rest on it,
                         retired says why the instrument is out of use
check_measurements.csv   means of a check standard, one a channel with spaces between, in steps; sha256 is the
                         name by which retirements.csv says that one is void, void the reason
"""

from __future__ import annotations

from collections.abc import Iterable

from dataset.documents import name_of
from dataset.records import CheckMeasurement, Instrument
from dataset.text.write import write_csv

INSTRUMENTS, MEASUREMENTS = "instruments.csv", "check_measurements.csv"
INSTRUMENT_COLUMNS = (
    *("sha256", "bench", "name", "kind", "serial", "calibrated", "interval_days", "certificate"),
    *("uncertainty", "coverage", "resolution", "unit", "note", "retired"),
)
MEASUREMENT_COLUMNS = (
    *(
        "sha256",
        "bench",
        "standard",
        "kind",
        "sensor",
        "date",
        "counts",
        "temperature_c",
        "frames",
        "operator",
    ),
    *("note", "void"),
)


def write_instruments(
    calibrations: Iterable[tuple[Instrument, str | None]],
    measurements: Iterable[tuple[CheckMeasurement, str | None]],
) -> dict[str, str]:
    """Both files by name, the same lines in every store that holds the same records.

    Args:
        calibrations: each with why the instrument is retired; None: it is in use.
        measurements: each with why it is void; None: it is not.
    """
    known = sorted((_calibration(*said) for said in calibrations), key=lambda cells: str(cells[0]))
    measured = sorted((_measurement(*said) for said in measurements), key=lambda cells: repr(cells[1:]))
    return {
        INSTRUMENTS: write_csv(INSTRUMENT_COLUMNS, known),
        MEASUREMENTS: write_csv(MEASUREMENT_COLUMNS, measured),
    }


def _calibration(k: Instrument, retired: str | None) -> tuple[object, ...]:
    named = (name_of(k), k.bench, k.name, k.kind.value, k.serial or None, k.calibrated, k.interval_days)
    numbers = (float(k.uncertainty), float(k.coverage), float(k.resolution), k.kind.unit)
    return (*named, k.certificate or None, *numbers, k.note or None, retired)


def _measurement(m: CheckMeasurement, void: str | None) -> tuple[object, ...]:
    standard, counts = m.standard, " ".join(repr(float(count)) for count in m.counts)
    where = (standard.bench, standard.name, standard.kind.value, standard.sensor.ref, m.date, counts)
    return (name_of(m), *where, m.temperature_c, m.frames, m.operator, m.note or None, void)
