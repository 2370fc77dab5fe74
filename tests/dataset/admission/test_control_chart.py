"""Control charts of check standards against the handbook's example, and what they say of a bench day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from building import Bench, make_frames
from dataset.admission.control_chart import (
    BASELINE,
    STANDARD,
    c4_of,
    charts,
    individuals,
    spread_of,
    warnings_of_day,
)
from dataset.documents import name_of
from dataset.errors import InputError, NotFoundError
from dataset.records import CheckMeasurement, CheckStandard, Occasion, StandardKind
from dataset.store import Store
from dataset.store.whole.backup import backup
from dataset.store.whole.integrity import check_store

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


@pytest.mark.parametrize(
    ("number", "c4", "b3", "b4"),
    [(2, 0.7979, 0, 3.267), (3, 0.8862, 0, 2.568), (5, 0.9400, 0, 2.089), (10, 0.9727, 0.284, 1.716)],
)
def test_factors_of_the_chart_of_spreads(number: int, c4: float, b3: float, b4: float) -> None:
    """Centre and limits over the mean standard deviation, of days that are each measured as often.

    Source: table of factors for control limits of ASTM's Manual on Presentation of Data and Control Chart
    Analysis, as T. Pyzdek, The Handbook for Quality Management (2013), page 401, prints it.
    """
    assert c4_of(number) == pytest.approx(c4, abs=5e-5)
    days = np.random.default_rng(3).normal(size=(20, number))
    limits = spread_of(days.tolist(), 20).limits(number)
    assert limits is not None
    mean = float(days.std(axis=1, ddof=1).mean())
    assert limits.centre == pytest.approx(mean)
    assert limits.low / mean == pytest.approx(b3, abs=6e-4)
    assert limits.high / mean == pytest.approx(b4, abs=6e-4)


@pytest.mark.longer
def test_days_that_differ_are_no_fault() -> None:
    """Days that differ by more than their measurements: few means are beyond the limits, and the spread is
    beyond its own as often as chi-square says.

    Source: the normal law (0.0027 beyond three sigma), and that of s^2 (n - 1) / sigma^2.
    """
    rng = np.random.default_rng(7)
    days = 4000.0 + rng.normal(0.0, 5.0, (20_000, 1)) + rng.normal(0.0, 2.0, (20_000, 5))
    limits = individuals(days.mean(axis=1).tolist())
    assert 0.0015 < np.mean([not limits.hold(v) for v in days.mean(axis=1)]) < 0.0045
    spread = spread_of(days.tolist(), len(days))
    assert spread.sigma == pytest.approx(2.0, rel=0.02)
    of_five = spread.limits(5)
    assert of_five is not None
    beyond = float(chi2.sf(4 * (of_five.high / 2.0) ** 2, 4))
    assert len(spread.out) / len(days) == pytest.approx(beyond, rel=0.25)


def test_a_day_that_scatters_is_out(new_store: Store, block: CheckStandard) -> None:
    """Three measurements a day: their mean is charted, with as many days as measurements were before; one day
    of other spread is told, one measured once has none.
    """
    for day, values in enumerate(
        [*[(100.0, 101.0, 102.0)] * 3, *[(101.0, 102.0, 103.0)] * 3, (80, 101, 122), (101,)]
    ):
        for k, value in enumerate(values):
            measurement = CheckMeasurement(
                block, f"2026-03-{day + 1:02d}", (value, 50.0), 21.0, 100, note=str(k)
            )
            new_store.add_check_measurement(measurement)
    low, high = charts(block, new_store.check_measurements(block), 6)
    assert low.values == pytest.approx((101.0,) * 3 + (102.0,) * 3 + (101.0, 101.0))
    assert low.spread.numbers == (3,) * 7 + (1,)
    assert (low.baseline, low.out, low.spread.out) == (6, (), (6,))
    assert low.spread.sigma == pytest.approx(1 / 0.8862, rel=1e-4)
    assert low.spread.values[7] is None
    assert high.spread.out == ()
    (warning,) = warnings_of_day(block, new_store.check_measurements(block)[:21], "2026-03-07", "north")
    assert "on 2026-03-07: pad low scatters by 21 within the day, limits 0 to" in warning.sentence


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
    with pytest.raises(InputError, match="baseline: 4; expected at least 5 days"):
        charts(block, (), 4)


@pytest.mark.longer
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


@pytest.mark.longer
def test_sessions_that_came_in_before_are_told_since(
    new_store: Store, block: CheckStandard, register: Register
) -> None:
    """What is sealed stays: the session has no warning of its own, and is told of whenever the store is
    asked; one that was warned as it came in is not told twice, a void one not at all.
    """
    (known,) = new_store.mountings()
    bench = Bench(known.tank, new_store.liquids()[0], known.sensor, known, new_store.units())
    occasion = Occasion(started="2026-03-21T09:00:00+00:00")
    sessions = [replace(bench.session(k), frames=make_frames(k), occasion=occasion) for k in (1, 2, 3)]
    early, void = new_store.add_sessions(sessions[:2])
    new_store.void(void.id, "wrong liquid")
    assert new_store.standard_warnings(new_store.sessions()) == {}
    measured(new_store, block, [*[100.0, 101.0] * (BASELINE // 2), 140.0])
    (late,) = new_store.add_sessions(sessions[2:])
    since = new_store.standard_warnings(new_store.sessions())
    assert set(since) == {early.sha256}
    assert since[early.sha256] == late.warnings[-1:]
    told = check_store(new_store.path).warnings
    assert [(w.what, "on 2026-03-21: pad low at 140" in w.sentence) for w in told] == [
        (f"session {early.id}", True)
    ]


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


@pytest.mark.longer
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


@pytest.mark.longer
def test_a_void_measurement_is_left_out_and_can_come_back(
    new_store: Store, block: CheckStandard, register: Register
) -> None:
    """Limits and warnings are as if it had never been; the session that was warned by it is told so, and is
    warned no further once the void is taken back.
    """
    days = measured(new_store, block, [*[100.0, 101.0] * (BASELINE // 2), 140.0])
    (known,) = new_store.mountings()
    bench = Bench(known.tank, new_store.liquids()[0], known.sensor, known, new_store.units())
    occasion = Occasion(started="2026-03-21T09:00:00+00:00")
    new = [replace(bench.session(k), frames=make_frames(k), occasion=occasion) for k in (1, 2)]
    (warned,) = new_store.add_sessions(new[:1])
    assert [w.check for w in warned.warnings if w.check == STANDARD] == [STANDARD]

    new_store.void_check_measurement(block, "2026-03-21", "a digit too many")
    assert charts(block, new_store.check_measurements(block)) == charts(block, days[:-1])
    assert new_store.void_check_measurements(block) == ((days[-1], "a digit too many"),)
    (later,) = new_store.add_sessions(new[1:])
    assert STANDARD not in {warning.check for warning in later.warnings}
    told = new_store.standard_warnings(new_store.sessions())
    (sentence,) = [warning.sentence for warning in told[warned.sha256]]
    assert "check standard glass of bench" in sentence
    assert (
        "no longer out of its limits on 2026-03-21: its measurement of 2026-03-21 is void ('a digit"
        in sentence
    )
    assert set(told) == {warned.sha256}
    assert [w.what for w in check_store(new_store.path).warnings] == [f"session {warned.id}"]

    new_store.take_back_check_void(block, "2026-03-21", "the log book has it too")
    assert new_store.check_measurements(block) == days
    assert set(new_store.standard_warnings(new_store.sessions())) == {later.sha256}
    new_store.void_check_measurement(block, "2026-03-21", "it was the other block")
    assert new_store.check_measurements(block) == days[:-1]
    assert check_store(new_store.path).sound


def test_which_measurement_is_void_is_said(new_store: Store, block: CheckStandard) -> None:
    """By its date where that tells; by digits of its hash where the day has several."""
    good, bad = (CheckMeasurement(block, "2026-03-01", (count, 50.0)) for count in (100.0, 1000.0))
    new_store.add_check_measurement(good)
    new_store.add_check_measurement(bad)
    digits = name_of(bad)[:8]
    with pytest.raises(InputError, match=r"2 measurements: .*expected the first digits of one") as refused:
        new_store.void_check_measurement(block, "2026-03-01", "mistyped")
    assert f"{name_of(bad)[:12]} with 1000, 50" in str(refused.value)
    with pytest.raises(NotFoundError, match="check measurement 2026-03-02 of glass: is not in the store"):
        new_store.void_check_measurement(block, "2026-03-02", "mistyped")
    with pytest.raises(NotFoundError, match="is not in the store"):  # digits that could be of many
        new_store.void_check_measurement(block, digits[:2], "mistyped")
    with pytest.raises(InputError, match="reason"):
        new_store.void_check_measurement(block, digits, " ")
    with pytest.raises(InputError, match="glass of 2026-03-01: is not void; expected one that is void"):
        new_store.take_back_check_void(block, digits, "it was right")
    assert new_store.void_check_measurement(block, digits, "mistyped") == bad
    assert new_store.check_measurements(block) == (good,)
    with pytest.raises(InputError, match=r"is void already \('mistyped'\)"):
        new_store.void_check_measurement(block, digits, "again")
    with pytest.raises(InputError, match=r"this very measurement is void \('mistyped'\)"):
        new_store.add_check_measurement(bad)
    assert new_store.take_back_check_void(block, "2026-03-01", "it was right") == bad  # the only one that is


@pytest.mark.longer
def test_voids_of_two_copies_are_united(new_store: Store, block: CheckStandard, tmp_path: Path) -> None:
    """In either order: the take-back of one copy leaves what the other said of it standing."""
    measured(new_store, block, [100.0, 101.0])
    copies = [tmp_path / "one.db", tmp_path / "two.db"]
    for path in copies:
        backup(new_store.path, path)
    with Store.open(copies[0]) as one:
        one.void_check_measurement(block, "2026-03-01", "mistyped")
        one.take_back_check_void(block, "2026-03-01", "it was right")
    with Store.open(copies[1]) as two:
        two.void_check_measurement(block, "2026-03-01", "another block")
    for number, order in enumerate((copies, copies[::-1])):
        backup(new_store.path, tmp_path / f"merged{number}.db")
        with Store.open(tmp_path / f"merged{number}.db") as merged:
            remarks = [remark for path in order for remark in merged.merge(path).remarks]
            assert "check measurement glass: void in two.db: 'another block'" in remarks
            assert [m.date for m in merged.check_measurements(block)] == ["2026-03-02"]
            assert [why for _, why in merged.void_check_measurements(block)] == ["another block"]
