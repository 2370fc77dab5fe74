"""Instruments and what rests on them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dataset.labels.instruments import Calibrations
    from dataset.records import Instrument
    from dataset.store import Store


@dataclass(frozen=True)
class Calibration:
    """A calibration, and the ids of the sessions whose levels rest on it."""

    instrument: Instrument
    sessions: tuple[str, ...]
    facts: dict[str, Any]


def in_use(store: Store, refs: Sequence[str]) -> tuple[Calibrations, ...]:
    """The instruments that a new session is measured with; InputError for one that is retired."""
    known = tuple(map(store.instrument, refs))
    for one in known:
        store.refuse_retired("instrument", one.calibrations[-1])
    return known


def called(store: Store) -> Callable[[Instrument], str]:
    """What a store calls an instrument: by its name, of another bench NAME@BENCH."""
    names = {bench.identity: "" if bench.own else f"@{bench.name}" for bench in store.benches()}
    return lambda known: known.name + names.get(known.bench, "")


def instrument_facts(store: Store, known: Instrument) -> dict[str, Any]:
    """A calibration ready for JSON."""
    from dataset.documents import name_of
    from dataset.labels.instruments import last_day

    names = {bench.identity: bench.name for bench in store.benches()}
    return asdict(known) | {
        "unit": known.kind.unit,
        "standard_uncertainty": known.standard_uncertainty,
        "holds_until": last_day(known),
        "bench_name": names.get(known.bench),
        "sha256": name_of(known),
    }


def calibration_text(known: Instrument) -> str:
    """A calibration in a line, such as 'scale balance, serial 7, calibrated 2026-01-10 (C-118), u 0.4 g'."""
    serial = f", serial {known.serial}" if known.serial else ""
    certificate = f" ({known.certificate})" if known.certificate else ""
    u = f"u {known.standard_uncertainty:.4g} {known.kind.unit}"
    return f"{known.kind} {known.name}{serial}, calibrated {known.calibrated}{certificate}, {u}"


def until(known: Instrument) -> str:
    """The last day on which a calibration holds, or a dash."""
    from dataset.labels.instruments import last_day

    return last_day(known) or "-"


def calibrations_of(store: Store, ref: str) -> tuple[Calibration, ...]:
    """Every calibration of an instrument, oldest first; NotFoundError where the store does not have it."""
    from dataset.documents import name_of

    sessions, history = store.sessions(), store.instrument(ref).calibrations
    because = store.retired("instrument").get(called(store)(history[-1]))
    result = []
    for known in history:
        name = name_of(known)
        resting = tuple(session.id for session in sessions if name in session.instruments)
        facts = instrument_facts(store, known) | {"sessions": list(resting)}
        facts |= {} if because is None else {"retired": because}
        result.append(Calibration(known, resting, facts))
    return tuple(result)
