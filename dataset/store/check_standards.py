"""Check standards and what they measured, between rows and records."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission.control_chart import OF_BENCH, STANDARD, warnings_of_day
from dataset.canonical_text import canonical_json
from dataset.documents import name_of
from dataset.errors import InputError, NotFoundError, there_are
from dataset.records import (
    ID_DIGITS,
    CheckMeasurement,
    CheckStandard,
    DoorWarning,
    NewSession,
    Session,
    StandardKind,
)
from dataset.store.events import retirements
from dataset.store.events.retirements import MEASUREMENT, refuse_retired
from dataset.store.proof import check_row, keep
from dataset.store.registry import (
    bench_row,
    flat,
    operator_row,
    own_bench,
    same_record,
    sensor_row,
    to_sensor,
)
from dataset.store.tables import CheckMeasurementRow, CheckStandardRow
from dataset.values import check_day, check_name, check_number, check_text

MOST_FRAMES = 10_000_000
FEWEST_DIGITS = 6  # of a measurement's hash, where it stands for the measurement


def to_standard(row: CheckStandardRow) -> CheckStandard:
    """The record, its hash checked again."""
    check_row(row, f"check standard {row.name}")
    return flat(CheckStandard, row, kind=StandardKind(row.kind), sensor=to_sensor(row.sensor))


def to_measurement(row: CheckMeasurementRow) -> CheckMeasurement:
    """The record, its hash checked again."""
    check_row(row, f"check standard {row.standard.name} on {row.date}")
    counts = tuple(float(count) for count in json.loads(row.counts))
    return flat(CheckMeasurement, row, standard=to_standard(row.standard), counts=counts)


def add_standard(orm: OrmSession, given: CheckStandard) -> CheckStandard:
    """Add a check standard of this store's bench, or of the one that it says it is of, under a new name."""
    check_name("check standard", given.name)
    check_text(f"check standard {given.name}, note", given.note)
    bench = own_bench(orm) if not given.bench else bench_row(orm, given.bench)
    named = select(CheckStandardRow).where(
        CheckStandardRow.bench == bench.identity, CheckStandardRow.name == given.name
    )
    if orm.scalar(named) is not None:
        raise InputError(f"check standard {given.name}", "exists already", "a new name")
    sensor = sensor_row(orm, given.sensor.ref)
    same_record("sensor", given.sensor, to_sensor(sensor))
    refuse_retired(orm, "sensor", given.sensor)
    row = CheckStandardRow(
        name=given.name, kind=given.kind.value, sensor=sensor, note=given.note, bench=bench.identity
    )
    keep(orm, row)
    return to_standard(row)


def add_measurement(orm: OrmSession, new: CheckMeasurement) -> CheckMeasurement:
    """Add what a check standard measured; several of one day are kept."""
    standard = standard_row(orm, f"{new.standard.name}@{new.standard.bench}")
    same_record("check standard", new.standard, to_standard(standard))
    check_measurement(new)
    because = retirements.reason_of(orm, MEASUREMENT, new) if retirements.any_said(orm, MEASUREMENT) else None
    if because is not None:
        raise InputError(
            f"check measurement {retirements.label(new)}",
            f"this very measurement is void ('{because}')",
            "another, or a note that tells the two apart",
            "take the void back with Store.take_back_check_void where it was right",
            fields=("Store.take_back_check_void",),
        )
    operator = None if new.operator is None else operator_row(orm, new.operator).name
    row = CheckMeasurementRow(
        standard=standard,
        date=new.date,
        counts=canonical_json([float(count) for count in new.counts]),
        temperature_c=new.temperature_c,
        frames=new.frames,
        operator=operator,
        note=new.note,
    )
    keep(orm, row)
    return to_measurement(row)


def check_measurement(new: CheckMeasurement) -> None:
    """A date, and a mean for each channel that its sensor can have; InputError for what cannot be."""
    where, sensor = f"check standard {new.standard.name}", new.standard.sensor
    check_day(f"{where}, date", new.date)
    if len(new.counts) != sensor.channels:
        pads = ", ".join(sensor.channel_names)
        raise InputError(
            where, f"{len(new.counts)} counts", f"{sensor.channels}, one for each pad of {sensor.ref}: {pads}"
        )
    top = (1 << sensor.count_bits) - 1
    for name, count in zip(sensor.channel_names, new.counts, strict=True):
        if not math.isfinite(count) or not 0 <= count <= top:
            raise InputError(
                f"{where}, pad {name}",
                f"a count of {count:g}",
                f"0 to {top}, as {sensor.count_bits} bits hold",
            )
    check_number(f"{where}, temperature", new.temperature_c, -100, 200, unit="degrees Celsius")
    check_number(f"{where}, frames", new.frames, 1, MOST_FRAMES)
    check_text(f"{where}, note", new.note)


def standard_row(orm: OrmSession, ref: str) -> CheckStandardRow:
    """The check standard called ``ref``, or NAME@BENCH where that is of another bench.

    Raises:
        NotFoundError: none is called so. InputError: several benches other than this store's have one.
    """
    name, at, bench = ref.partition("@")
    rows = orm.scalars(select(CheckStandardRow).order_by(CheckStandardRow.name, CheckStandardRow.bench)).all()
    known = [row for row in rows if row.name == name]
    own = own_bench(orm).identity
    if at:
        identity = bench_row(orm, bench).identity
        known = [row for row in known if row.bench == identity]
    elif any(row.bench == own for row in known):
        known = [row for row in known if row.bench == own]
    if not known:
        hint = there_are(sorted({row.name for row in rows}), ref, "add it with Store.add_check_standard")
        fields = ("Store.add_check_standard",)
        raise NotFoundError(f"check standard {ref}", "is not in the store", "", hint, fields=fields)
    if len(known) > 1:
        raise InputError(
            f"check standard {ref}",
            f"{len(known)} benches have one of this name",
            "NAME@BENCH",
            "see Store.benches()",
            fields=("Store.benches()",),
        )
    return known[0]


def standards(orm: OrmSession) -> tuple[CheckStandard, ...]:
    """All check standards, by name."""
    order = select(CheckStandardRow).order_by(CheckStandardRow.name, CheckStandardRow.bench)
    return tuple(map(to_standard, orm.scalars(order)))


def measurements(orm: OrmSession, standard: CheckStandard) -> tuple[CheckMeasurement, ...]:
    """What a check standard measured, by date, but what is void; of one day in the order that each store
    gives them.
    """
    return _in_use(orm, standard_row(orm, f"{standard.name}@{standard.bench}"))


def measured(orm: OrmSession, standard: CheckStandard) -> list[tuple[CheckMeasurement, str | None]]:
    """All that a check standard measured, by date, each with why it is void; None: it is not."""
    return _measured(orm, standard_row(orm, f"{standard.name}@{standard.bench}"))


def void_measurements(orm: OrmSession, standard: CheckStandard) -> tuple[tuple[CheckMeasurement, str], ...]:
    """The measurements of a check standard that are void, by date, and why."""
    return tuple((known, because) for known, because in measured(orm, standard) if because is not None)


def _in_use(orm: OrmSession, row: CheckStandardRow) -> tuple[CheckMeasurement, ...]:
    return tuple(known for known, because in _measured(orm, row) if because is None)


def _measured(orm: OrmSession, row: CheckStandardRow) -> list[tuple[CheckMeasurement, str | None]]:
    known = list(map(to_measurement, row.measurements))
    if not retirements.any_said(orm, MEASUREMENT):
        return [(one, None) for one in known]
    return [(one, retirements.reason_of(orm, MEASUREMENT, one)) for one in known]


def void(orm: OrmSession, standard: CheckStandard, which: str, reason: str) -> CheckMeasurement:
    """Record that a measurement must not be used, and why; it is kept."""
    known = _measurement(orm, standard, which, void_ones=False)
    retirements.retire(orm, MEASUREMENT, known, reason)
    return known


def take_back_void(orm: OrmSession, standard: CheckStandard, which: str, reason: str) -> CheckMeasurement:
    """Record that a void measurement can be used after all, and why."""
    known = _measurement(orm, standard, which, void_ones=True)
    retirements.take_back(orm, MEASUREMENT, known, reason)
    return known


def _measurement(
    orm: OrmSession, standard: CheckStandard, which: str, *, void_ones: bool
) -> CheckMeasurement:
    """The measurement of a date, or whose hash begins with these digits: of several of one day the only one
    that is void, or that is not.
    """
    row = standard_row(orm, f"{standard.name}@{standard.bench}")
    same_record("check standard", standard, to_standard(row))
    where = f"check measurement {which or repr(which)} of {standard.name}"
    known = {
        name_of(one): (one, because)
        for one, because in _measured(orm, row)
        if one.date == which or (len(which) >= FEWEST_DIGITS and name_of(one).startswith(which))
    }
    if not known:
        raise NotFoundError(
            where,
            "is not in the store",
            "",
            there_are(sorted({one.date for one in map(to_measurement, row.measurements)}), which, ""),
        )
    asked = [one for one, because in known.values() if (because is not None) is void_ones] or [
        one for one, _ in known.values()
    ]
    if len(asked) > 1:
        scale = standard.sensor.count_scale
        told = "; ".join(
            f"{name_of(one)[:ID_DIGITS]} with {', '.join(f'{count / scale:g}' for count in one.counts)}"
            for one in asked
        )
        raise InputError(where, f"{len(asked)} measurements: {told}", "the first digits of one")
    return asked[0]


def warnings_for(orm: OrmSession, new: NewSession | Session) -> tuple[DoorWarning, ...]:
    """What check standards say against the bench day of a session; nothing where it has no start. A session
    that states no bench is of this store's own.
    """
    if new.occasion.started is None:
        return ()
    day, bench = new.occasion.started[:10], new.occasion.bench or own_bench(orm).identity
    of_day = (
        select(CheckStandardRow)
        .join(CheckMeasurementRow)
        .where(CheckStandardRow.bench == bench, CheckMeasurementRow.date == day)
    )
    rows = [
        row
        for row in orm.scalars(of_day.distinct().order_by(CheckStandardRow.name))
        if to_sensor(row.sensor) == new.mounting.sensor
    ]
    return tuple(
        warning
        for row in rows
        for warning in warnings_of_day(to_standard(row), _in_use(orm, row), day, bench_row(orm, bench).name)
    )


def warnings_since(orm: OrmSession, sessions: Iterable[Session]) -> dict[str, tuple[DoorWarning, ...]]:
    """What check standards say against the bench days of sessions that came in before it was known, by the
    sessions' hashes; what a session was warned of as it came in is left out, and void ones are. Where that
    no longer holds since a measurement is void, this is said.
    """
    if orm.scalar(select(CheckMeasurementRow.sequence).limit(1)) is None:
        return {}
    any_void = retirements.any_said(orm, MEASUREMENT)
    of_day: dict[tuple[str, str | None, str], tuple[DoorWarning, ...]] = {}
    since = {}
    for session in sessions:
        if session.occasion.started is None or session.void_reason is not None:
            continue
        key = (session.occasion.started[:10], session.occasion.bench, session.mounting.sensor.ref)
        if key not in of_day:
            of_day[key] = warnings_for(orm, session)
        told = [warning.sentence for warning in session.warnings if warning.check == STANDARD]
        new = tuple(w for w in of_day[key] if not any(_same_standard(w.sentence, known) for known in told))
        holding = [warning.sentence for warning in of_day[key]]
        gone = [known for known in told if not any(_same_standard(known, other) for other in holding)]
        new += _no_longer_out(orm, session, gone) if any_void else ()
        if new:
            since[session.sha256] = new
    return since


def _no_longer_out(orm: OrmSession, session: Session, told: Iterable[str]) -> tuple[DoorWarning, ...]:
    """That a session's warnings of check standards, as it came in, rest on measurements that are void."""
    day, bench = (session.occasion.started or "")[:10], session.occasion.bench or own_bench(orm).identity
    sentences = []
    for known in told:
        name = known[: known.find(OF_BENCH)].removeprefix(f"{STANDARD} ")
        ours = select(CheckStandardRow).where(CheckStandardRow.bench == bench, CheckStandardRow.name == name)
        row = orm.scalar(ours)
        void_ones = (
            [] if row is None else [(m.date, because) for m, because in _measured(orm, row) if because]
        )
        if void_ones:
            because = "; ".join(f"its measurement of {date} is void ('{why}')" for date, why in void_ones)
            which = f"{STANDARD} {name}{OF_BENCH}{bench_row(orm, bench).name}"
            sentences.append(f"{which} is no longer out of its limits on {day}: {because}")
    return tuple(DoorWarning(STANDARD, sentence) for sentence in sentences)


def _same_standard(one: str, other: str) -> bool:
    """Whether two warnings are of one check standard; its limits may have moved between them."""
    until = one.find(OF_BENCH)
    return one[:until] == other[:until]
