"""Trims: units' own stored counts, limits of them for a fixture, and their bytes in a unit's memory."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError, naming
from dataset.records import Session, Trim, TrimKind
from dataset.words import counted
from innage.outputs import write_file

if TYPE_CHECKING:
    from dataset.records import Model, Mounting, TrimLimits, Unit
    from dataset.store import Store
    from export.trim_bytes import TrimRecord
    from training.program import Program

_MOST_BYTES = 1 << 20  # far above any memory that holds trims


@dataclass(frozen=True)
class NewTrim:
    """A trim to be added: ``counts`` as the board sends them, one a channel, taken on a ``mounting``; or
    instead the frames from ``start`` up to ``stop`` of a ``session``, None for its ends. Further fields as of
    :class:`dataset.records.Trim`.
    """

    unit: str
    kind: TrimKind
    date: str
    stage: str
    mounting: str | None = None
    counts: tuple[float, ...] | None = None
    session: str | None = None
    start: int | None = None
    stop: int | None = None
    temperature_c: float | None = None
    level_mm: float | None = None
    transfer: tuple[float, ...] = ()
    transfer_spread: tuple[float, ...] = ()
    note: str = ""
    dry_because: str = ""


def add_trim(store: Store, new: NewTrim) -> Trim:
    """Add a trim to a unit's history: counts as they are, or the robust mean of a session's frames. A dry one
    that looks wet is refused.

    Raises:
        InputError: both counts and a session or neither, a session of another unit or mounting, or counts
            that cannot be a trim. NotFoundError: a name that the store does not have.
    """
    from dataset.counts import steps_given
    from dataset.labels.trims import from_frames

    if (new.counts is None) == (new.session is None):
        raise InputError(
            "counts and session",
            "both" if new.session else "neither",
            "one of them",
            fields=("counts", "session"),
        )
    taken = None if new.session is None else store.session(new.session)
    unit = store.unit(new.unit)
    mounting = _mounting(store, new) if taken is None else _checked(taken, unit, new).mounting
    with naming("counts"):
        counts = steps_given("counts", new.counts or (), mounting.sensor.count_scale)
    trim = Trim(
        unit=unit,
        mounting=mounting,
        kind=new.kind,
        counts=counts,
        date=new.date,
        stage=new.stage,
        temperature_c=new.temperature_c,
        level_mm=new.level_mm,
        transfer=new.transfer,
        transfer_spread=new.transfer_spread,
        note=new.note,
        dry_because=new.dry_because,
    )
    if taken is not None:
        stop = taken.frames if new.stop is None else new.stop
        trim = from_frames(trim, store.frames(taken), taken, new.start or 0, stop)
    return store.add_trim(trim)


def _mounting(store: Store, new: NewTrim) -> Mounting:
    """The mounting of counts that are given."""
    if new.mounting is None:
        known = [mounting.name for mounting in store.mountings()]
        raise InputError(
            "mounting",
            "none",
            "that which the counts were taken on" + (f", of {', '.join(known)}" if known else ""),
            "" if known else "add one with Store.add_mounting",
            fields=("mounting", "Store.add_mounting"),
        )
    if new.start is not None or new.stop is not None:
        raise InputError("start and stop", "beside counts", "frames of a session", fields=("start", "stop"))
    return store.mounting(new.mounting)


def _checked(taken: Session, unit: Unit, new: NewTrim) -> Session:
    """The session, once it is of the unit and the mounting that are named, and can be used."""
    on = taken.mounting.name
    if taken.unit != unit:
        raise InputError("unit", new.unit, f"{taken.unit.name}, which the session is of", fields=("unit",))
    if new.mounting not in (None, on):
        raise InputError(
            "mounting", str(new.mounting), f"{on}, which the session is of", fields=("mounting",)
        )
    if taken.void_reason is not None:
        raise InputError(
            "session", f"is void ('{taken.void_reason}')", "one that can be used", fields=("session",)
        )
    return taken


def trim_facts(trim: Trim) -> dict[str, Any]:
    """A trim, ready for JSON."""
    facts = {key: fact for key, fact in asdict(trim).items() if key != "sealed_unit"}
    return facts | {"unit": trim.unit.name, "mounting": trim.mounting.name}


def limits_of_trims(
    store: Store, mounting: str, kind: TrimKind, *, coverage: float = 0.99, confidence: float = 0.95
) -> TrimLimits:
    """Pass and reject limits of each channel, from the newest counts of the units on a mounting.

    Args:
        store: the open store.
        mounting: its name.
        kind: of the trims.
        coverage: share of all units that the limits hold.
        confidence: with which they do.

    Raises:
        InputError: too few units, or shares that are none. NotFoundError: no such mounting.
    """
    from dataset.labels.trims import latest, trim_limits

    on = store.mounting(mounting)
    counts: dict[str, tuple[float, ...]] = dict(store.dry_counts(on)) if kind is TrimKind.DRY else {}
    trims = [trim for trim in store.trims() if trim.mounting == on]
    counts |= {trim.unit.name: tuple(map(float, trim.counts)) for trim in latest(trims, kind)}
    return trim_limits(on, kind, sorted(counts.items()), coverage, confidence)


def write_limits(limits: TrimLimits, out: Path) -> None:
    """Write limits for a fixture as FILE.csv or FILE.json."""
    if out.suffix not in (".csv", ".json"):
        raise InputError("out", out.name, "a name that ends in .csv or .json", fields=("out",))
    text = json.dumps(limits_facts(limits), indent=2, sort_keys=True) + "\n"
    write_file(out, (_limits_csv(limits) if out.suffix == ".csv" else text).encode())


def limits_facts(limits: TrimLimits) -> dict[str, Any]:
    """Limits, ready for JSON."""
    sensor = limits.mounting.sensor
    return asdict(limits) | {
        "mounting": limits.mounting.name,
        "sensor": sensor.ref,
        "channels": list(sensor.channel_names),
    }


def _limits_csv(limits: TrimLimits) -> str:
    """Limits for a fixture, a channel a line."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("channel", "name", "low", "high", "mean", "sd"))
    rows = zip(
        limits.mounting.sensor.channel_names, limits.low, limits.high, limits.mean, limits.sd, strict=True
    )
    writer.writerows(
        (k, name, low, high, f"{mean:.6g}", f"{sd:.6g}") for k, (name, low, high, mean, sd) in enumerate(rows)
    )
    return text.getvalue()


def write_trim_bytes(
    store: Store,
    unit: str,
    out: Path,
    *,
    kinds: Sequence[TrimKind] = (),
    mounting: str | None = None,
    serial: str | None = None,
) -> tuple[TrimRecord, ...]:
    """Write a unit's newest trims to ``out`` as the bytes that the C reads, and give their records.

    Args:
        store: the open store.
        unit: its name.
        out: the file.
        kinds: of trims; none means every kind that the unit has.
        mounting: its name; None where the unit has trims on one only.
        serial: of the unit's board, 1 to 16 printable ASCII characters; None: the one that the store has of
            the unit, else its name.

    Raises:
        InputError: trims that the unit has not, or on several mountings, or a serial that does not fit.
        NotFoundError: no such unit.
    """
    from export.trim_bytes import record_of, serial_field, write_records

    own = store.unit(unit).serial
    carried = serial if serial is not None else own if own is not None else unit
    newest = _newest(store.trims(unit), unit, mounting, kinds)
    of_unit = f"unit {unit}, its {'name as serial' if own is None else 'serial'}"
    serial_field(carried, of_unit if serial is None else "serial")
    records = tuple(record_of(trim, carried) for trim in newest)
    write_file(out, write_records(records))
    return records


def read_trim_bytes(file: Path, model: Model | None = None) -> tuple[TrimRecord, ...]:
    """The trims in a file of bytes; InputError that names the first byte that is wrong; with ``model`` also
    for a record that firmware with that model refuses.
    """
    from export.trim_bytes import fits_of, read_records
    from training.program import from_json

    if not file.is_file() or file.stat().st_size > _MOST_BYTES:
        raise InputError(
            str(file),
            "no file" if not file.is_file() else counted(file.stat().st_size, "byte"),
            f"a file of at most {_MOST_BYTES} bytes",
        )
    content, program = file.read_bytes(), None if model is None else from_json(model.program)
    records = tuple(read_records(content, str(file), None if program is None else fits_of(program)))
    if program is not None:
        _refuse_untaken(str(file), program, records, content)
    return records


def _refuse_untaken(where: str, program: Program, records: Sequence[TrimRecord], content: bytes) -> None:
    """InputError where records that are in order one by one are not what the program needs."""
    import numpy as np

    from export.trim_answer import trim_answer
    from export.trim_bytes import TrimAnswer
    from training.program.trims import refuse_swing

    answer, counts = trim_answer(program, content)
    if answer is TrimAnswer.NO_KIND:
        kinds, needs = (" and ".join(each) for each in ([r.kind for r in records], program.trim_kinds))
        raise InputError(where, kinds, f"{needs}, which the model takes", "store the kinds that are missing")
    if answer is TrimAnswer.BAD_SWING:
        refuse_swing(program, np.asarray([counts], dtype=np.int64), where)


def record_facts(record: TrimRecord) -> dict[str, Any]:
    from training.program import NO_TEMPERATURE

    temperature = None if record.temperature == NO_TEMPERATURE else record.temperature / 10
    return {
        "format": record.format,
        "serial": record.serial,
        "kind": record.kind,
        "sensor_key": f"0x{record.sensor:08x}",
        "temperature_c": temperature,
        "counts": list(record.counts),
        "count_scale": record.scale,
        "bytes_each": record.width,
    }


def _newest(
    trims: tuple[Trim, ...], unit: str, mounting: str | None, kinds: Sequence[TrimKind]
) -> list[Trim]:
    """Of each kind the newest trim, all of them on one mounting."""
    from dataset.labels.trims import latest

    names = sorted({trim.mounting.name for trim in trims})
    if mounting is None and len(names) > 1:
        raise InputError(
            "mounting",
            "not given",
            f"one of {', '.join(names)}",
            f"unit {unit} has trims on each of them",
            fields=("mounting",),
        )
    own = [trim for trim in trims if mounting in (None, trim.mounting.name)]
    wanted = list(kinds) or [kind for kind in TrimKind if any(trim.kind is kind for trim in own)]
    newest = [trim for kind in dict.fromkeys(wanted) for trim in latest(own, kind)]
    missing = [str(kind) for kind in wanted if all(trim.kind is not kind for trim in newest)]
    if missing or not newest:
        kind = missing[0] if missing else str(TrimKind.DRY)
        raise InputError(
            f"unit {unit}",
            f"no {missing[0]} trim" if missing else "no trim",
            "one",
            f"add it with Store.add_trim('{kind}')",
            fields=(f"Store.add_trim('{kind}')",),
        )
    return newest
