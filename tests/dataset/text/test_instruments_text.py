"""Calibrations and check measurements as text."""

from __future__ import annotations

from dataset.documents import name_of
from dataset.records import (
    CheckMeasurement,
    CheckStandard,
    CountLaw,
    Instrument,
    InstrumentKind,
    Pad,
    Sensor,
    StandardKind,
)
from dataset.text.instruments import (
    INSTRUMENT_COLUMNS,
    INSTRUMENTS,
    MEASUREMENT_COLUMNS,
    MEASUREMENTS,
    write_instruments,
)
from dataset.text.read import read_csv

SCALE = Instrument("s1", InstrumentKind.SCALE, "2026-01-10", 0.8, 2.0, 0.1, 365, "0417", "=C-7", "", "a" * 32)
STRIP = Sensor("strip", 1, (Pad(0, "low", 0.0, 50.0), Pad(1, "high", 50.0, 50.0)), 16, CountLaw.RISES, 100)
GLASS = CheckStandard("glass", StandardKind.BLOCK, STRIP, "", "a" * 32)


def test_each_is_a_line_that_reads_back() -> None:
    """In an order of its own; a certificate that a spreadsheet would run is guarded."""
    later = Instrument("s1", InstrumentKind.SCALE, "2026-06-10", 0.4, bench="a" * 32)
    measured = [CheckMeasurement(GLASS, f"2026-03-0{day}", (day + 0.5, 7.0), 21.0, 9, "ab") for day in (2, 1)]
    calibrations = [(SCALE, "dropped"), (later, None)]
    stated = [(measured[0], None), (measured[1], "mistyped")]
    files = write_instruments(calibrations, stated)
    assert files == write_instruments(calibrations[::-1], stated[::-1])
    lines = [cells for _, cells in read_csv(INSTRUMENTS, files[INSTRUMENTS], INSTRUMENT_COLUMNS)]
    first = next(cells for cells in lines if cells["calibrated"] == "2026-01-10")
    assert (first["certificate"], first["uncertainty"], first["unit"]) == ("=C-7", "0.8", "g")
    assert first["retired"] == "dropped"
    assert "'=C-7" in files[INSTRUMENTS]
    rows = [cells for _, cells in read_csv(MEASUREMENTS, files[MEASUREMENTS], MEASUREMENT_COLUMNS)]
    assert [(row["date"], row["counts"], row["void"], row["sha256"]) for row in rows] == [
        ("2026-03-01", "1.5 7.0", "mistyped", name_of(measured[1])),
        ("2026-03-02", "2.5 7.0", None, name_of(measured[0])),
    ]
