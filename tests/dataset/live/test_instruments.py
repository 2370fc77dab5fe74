"""A live capture whose levels are read with an instrument: what goes into its marks, and stays with it."""

from __future__ import annotations

import pytest

from building import bench_store
from dataset.labels.instruments import used_at
from dataset.labels.marking import Labelling
from dataset.live.capture import Capture
from dataset.live.stated import Stated
from dataset.records import Instrument, InstrumentKind, Liquid
from dataset.store import Store


def test_an_entry_has_the_gauges_uncertainty(new_store: Store) -> None:
    """Through the store, as a capture that was interrupted is: the calibration's part is common, the session
    names it, and the warning stands with it.
    """
    bench = bench_store(new_store, liquid=Liquid("liquid"))
    gauge = Instrument("g1", InstrumentKind.HEIGHT_GAUGE, "2026-01-10", 0.06, 2.0, 0.02, 30)
    new_store.add_instrument(gauge)
    used = used_at([new_store.instrument("g1")], "2026-03-02T09:15:00+01:00")
    labelling = used.over(Labelling(bench.liquid))
    stated = Stated(labelling.level_u(None), labelling, used=used)
    Capture.begin(new_store, "run", bench.unit, bench.liquid, bench.mounting, (), stated)
    capture = Capture.resume(new_store, "run")
    for k in range(10):
        capture.feed(f"{100 * k},{k % 7},{k % 5}\n".encode())
    capture.enter("20")
    for k in range(10, 20):
        capture.feed(f"{100 * k},{k % 7},{k % 5}\n".encode())
    session = capture.seal()
    (mark,) = session.marks
    assert mark.u_common_mm == pytest.approx(0.03)
    assert mark.u_mm == pytest.approx(0.01 / 3**0.5)
    assert session.instruments == used.names != ()
    assert ["held until 2026-02-09" in w.sentence for w in session.warnings if w.check == "instrument"] == [
        True
    ]
