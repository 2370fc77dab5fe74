"""Control charts of check standards against the handbook's example, and what they say of a bench day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from building import Bench, make_frames
from dataset.admission.control_chart import BASELINE, STANDARD, charts, individuals
from dataset.errors import InputError, NotFoundError
from dataset.records import CheckMeasurement, CheckStandard, Occasion, StandardKind
from dataset.store import Store

Register = Callable[[Store], Bench]
FLOW_RATES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
SOUTH = "b" * 32


def test_the_handbooks_example() -> None:
    """Ten batches: centre 50.81, limits 45.8159 and 55.8041, none out.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, individuals control limits; its data and
        limits are from memory.
    """
    limits = individuals(FLOW_RATES)
    assert limits.centre == pytest.approx(50.81)
    assert limits.low == pytest.approx(45.8159, abs=5e-4)
    assert limits.high == pytest.approx(55.8041, abs=5e-4)
    assert all(map(limits.hold, FLOW_RATES))


def test_false_alarms_of_a_steady_standard() -> None:
    """With known limits 0.27 % of normal values lie beyond three standard deviations; those by a long moving
    range come close.

    Source: the normal law (0.0027 beyond three sigma).
    """
    values = np.random.default_rng(5).normal(4000.0, 7.0, 40_000).tolist()
    limits = individuals(values)
    assert limits.sd == pytest.approx(7.0, rel=0.02)
    assert 0.0015 < np.mean([not limits.hold(v) for v in values]) < 0.0045


def measured(store: Store, block: CheckStandard, values: list[float]) -> tuple[CheckMeasurement, ...]:
    for day, value in enumerate(values, start=1):
        store.add_check_measurement(CheckMeasurement(block, f"2026-03-{day:02d}", (value, 50.0), 21.0, 100))
    return store.check_measurements(block)


@pytest.fixture
def block(new_store: Store, register: Register) -> CheckStandard:
    sensor = register(new_store).sensor
    return new_store.add_check_standard(CheckStandard("glass", StandardKind.BLOCK, sensor))


def test_limits_rest_on_the_first_measurements(new_store: Store, block: CheckStandard) -> None:
    """None before the fifth; what comes after the baseline moves them no more. A channel that never moves is
    allowed its rounding.
    """
    few = charts(block, measured(new_store, block, [100.0, 101.0, 100.0, 101.0]))
    assert [chart.limits for chart in few] == [None, None]
    for day, value in ((5, 100.0), (6, 101.0), (7, 140.0)):
        new_store.add_check_measurement(CheckMeasurement(block, f"2026-03-{day:02d}", (value, 50.0)))
    low, high = charts(block, new_store.check_measurements(block), 6)
    assert low.limits is not None
    assert (low.limits.centre, low.out, low.baseline) == (100.5, (6,), 6)
    assert low.limits.sd == pytest.approx(1 / 1.128)
    assert high.limits is not None
    assert high.out == ()
    assert high.limits.hold(50.5)
    assert not high.limits.hold(51.0)
    with pytest.raises(InputError, match="baseline: 4; expected at least 5 measurements"):
        charts(block, (), 4)


def test_sessions_of_a_day_that_was_out_are_warned_of(
    new_store: Store, block: CheckStandard, register: Register
) -> None:
    """By day, bench and sensor revision; a session without a start is of no day."""
    steady = [100.0, 101.0] * (BASELINE // 2)
    measured(new_store, block, [*steady, 140.0, 100.5])
    (known,) = new_store.mountings()
    plain = replace(
        Bench(known.tank, new_store.liquids()[0], known.sensor, known, new_store.units()).session(1),
        note="as given",
    )
    own = new_store.bench().identity
    for day, bench, warned in (
        ("21", None, True),
        ("21", own, True),
        ("20", own, False),
        ("22", own, False),
        (None, own, False),
    ):
        seed = len(new_store.sessions()) + 1
        started = None if day is None else f"2026-03-{day}T09:00:00+00:00"
        new = replace(plain, frames=make_frames(seed), occasion=Occasion(bench=bench, started=started))
        (session,) = new_store.add_sessions([new])
        said = [w.sentence for w in session.warnings if w.check == STANDARD]
        assert bool(said) is warned, (day, bench)
        if warned:
            (sentence,) = said
            assert "check standard glass of bench" in sentence
            assert "out of its limits on 2026-03-21: pad low at 140, limits 97.8404 to 103.16" in sentence


def test_what_cannot_be_measured_is_refused(new_store: Store, block: CheckStandard) -> None:
    good = CheckMeasurement(block, "2026-03-01", (100.0, 50.0))
    for fault, error, sentence in (
        ({"date": "1.3.2026"}, InputError, "a date as YYYY-MM-DD"),
        ({"counts": (1.0,)}, InputError, "1 counts; expected 2, one for each pad"),
        ({"counts": (1.0, 65536.0)}, InputError, "pad high: a count of 65536; expected 0 to 65535"),
        ({"counts": (float("nan"), 1.0)}, InputError, "pad low: a count of nan"),
        ({"temperature_c": 500.0}, InputError, "temperature: 500"),
        ({"frames": 0}, InputError, "frames: 0"),
        ({"operator": "ab"}, NotFoundError, "operator ab"),
        ({"standard": replace(block, kind=StandardKind.FILL)}, InputError, "another than the store's"),
    ):
        with pytest.raises(error, match=sentence):
            new_store.add_check_measurement(replace(good, **fault))
    with pytest.raises(InputError, match="check standard glass: exists already"):
        new_store.add_check_standard(block)
    with pytest.raises(NotFoundError, match="check standard brass"):
        new_store.check_standard("brass")
    assert new_store.check_measurements(block) == ()


def test_merged_there_and_back(new_store: Store, block: CheckStandard, tmp_path: Path) -> None:
    """Two benches' standards of one name stay two; a copy's measurements come in once."""
    measured(new_store, block, [100.0, 101.0])
    with Store.open(tmp_path / "south.db", bench=SOUTH) as south:
        sensor = south.add_sensor(replace(block.sensor, revision=0))
        theirs = south.add_check_standard(CheckStandard("glass", StandardKind.FILL, sensor))
        measured(south, theirs, [7.0])
        name = south.bench().name
    for _ in range(2):
        new_store.merge(tmp_path / "south.db")
        assert len(new_store.check_measurements(block)) == 2
        assert new_store.check_standard("glass") == block
        other = new_store.check_standard(f"glass@{name}")
        assert [m.counts[0] for m in new_store.check_measurements(other)] == [7.0]
