"""Units with the benches that they come from; instruments and check standards."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence

from sqlalchemy.orm import Session as OrmSession

from dataset.admission.rules import check_identity
from dataset.labels.instruments import Calibrations
from dataset.records import (
    Bench,
    CheckMeasurement,
    CheckStandard,
    DoorWarning,
    Instrument,
    Session,
    Unit,
    UnitUnion,
)
from dataset.store import (
    check_standards,
    instruments,
    registry,
    serials,
    units,
)
from dataset.store.doors.transactions import Transactions
from dataset.store.events import retirements
from dataset.store.tables import UnitRow


class BenchDoor(Transactions):
    """Benches and their units, instruments and check standards."""

    def benches(self) -> tuple[Bench, ...]:
        """The benches that units come from: this store's own first, then the others by name."""
        return self._read(registry.benches)

    def bench(self, ref: str | None = None) -> Bench:
        """The bench of this name, or whose identity begins with these digits (at least 6); None is this
        store's own.
        """
        return self._read(
            lambda orm: registry.to_bench(
                registry.own_bench(orm) if ref is None else registry.bench_row(orm, ref)
            )
        )

    def name_bench(self, ref: str, name: str, note: str | None = None) -> Bench:
        """Call a bench ``name`` in this store, with another note or (None) the one it has; nothing else
        changes.
        """
        return self._write(lambda orm: registry.name_bench(orm, ref, name, note))

    def part_bench(self, name: str, reason: str, identity: str | None = None) -> Bench:
        """Give this store a bench of its own: of a copied file, which would go on under one identity with the
        one that it was copied from. What it holds so far stays of the bench that it was of; new units,
        instruments and check standards are of the new one.

        Args:
            name: what to call it.
            reason: why; kept in its note, with the bench that it parted from.
            identity: 32 hexadecimal digits; None takes random ones.

        Raises:
            InputError: a name that a bench has, no reason, or no identity.
        """
        if identity is not None:
            check_identity("identity", identity)

        def work(orm: OrmSession) -> Bench:
            bench = registry.part_bench(orm, name, reason, identity or secrets.token_hex(16))
            units.settle(orm)
            return bench

        return self._write(work)

    def unite_units(self, one: str, other: str, reason: str) -> Unit:
        """Record that two units are one sample, and why; the unit as it is shown from now on.

        Frozen sets keep the groups that they were frozen with.
        """

        def work(orm: OrmSession) -> Unit:
            rows = (registry.unit_row(orm, one), registry.unit_row(orm, other))
            units.unite(orm, *rows, reason)
            return registry.to_unit(rows[0])

        return self._write(work)

    def part_units(self, one: str, other: str, reason: str) -> tuple[Unit, ...]:
        """Take back that two units are one, and say why; the units there are then.

        Raises:
            InputError: no reason, or nothing that says that they are one.
        """

        def work(orm: OrmSession) -> tuple[Unit, ...]:
            rows = (registry.unit_row(orm, one), registry.unit_row(orm, other))
            units.part(orm, *rows, reason)
            return registry.units(orm)

        return self._write(work)

    def give_serial(self, unit: str, serial: str, reason: str) -> Unit:
        """Record the serial of a unit that was added without one, and why; the unit as it is from now on.

        What was logged of it keeps its hashes. Frozen sets keep the groups that they were frozen with.

        Raises:
            InputError: it has a serial, this one is another unit's, or no reason.
        """
        return self._said_of_serial(unit, lambda orm, row: serials.give_serial(orm, row, serial, reason))

    def take_back_serial(self, unit: str, reason: str) -> Unit:
        """Record that a serial which a unit got later is not its own, and why; the unit without it.

        Raises:
            InputError: it got none later, or no reason.
        """
        return self._said_of_serial(unit, lambda orm, row: serials.take_back_serial(orm, row, reason))

    def _said_of_serial(self, unit: str, say: Callable[[OrmSession, UnitRow], None]) -> Unit:
        def work(orm: OrmSession) -> Unit:
            row = registry.unit_row(orm, unit)
            say(orm, row)
            return registry.to_unit(row)

        return self._write(work)

    def unions_of(self, unit: str) -> tuple[UnitUnion, ...]:
        """What was said later of a unit being one with others, in the order in which it came."""
        return self._read(lambda orm: tuple(units.unions_of(orm, registry.unit_row(orm, unit))))

    def add_units(self, units: Sequence[Unit]) -> tuple[Unit, ...]:
        """Add physical samples, all of them or none; the names must be new."""
        return self._write(lambda orm: tuple(registry.add_unit(orm, unit) for unit in units))

    def add_unit(self, unit: Unit) -> Unit:
        """Add a unit under a new name."""
        return self._write(lambda orm: registry.add_unit(orm, unit))

    def unit(self, name: str) -> Unit:
        """The unit called ``name``."""
        return self._read(lambda orm: registry.to_unit(registry.unit_row(orm, name)))

    def units(self) -> tuple[Unit, ...]:
        """All units, by name."""
        return self._read(registry.units)

    def add_instrument(self, instrument: Instrument) -> Instrument:
        """Add an instrument of this store's bench, or a further calibration of one that is in use."""

        def work(orm: OrmSession) -> Instrument:
            added = instruments.add_instrument(orm, instrument)
            retirements.refuse_retired(orm, "instrument", added)
            return added

        return self._write(work)

    def instrument(self, ref: str) -> Calibrations:
        """The instrument of this name, or NAME@BENCH, with its calibrations."""
        return self._read(lambda orm: instruments.history(orm, ref))

    def instruments(self) -> tuple[Calibrations, ...]:
        """All instruments with their calibrations, by name."""
        return self._read(instruments.histories)

    def add_check_standard(self, standard: CheckStandard) -> CheckStandard:
        """Add a check standard of this store's bench under a new name."""
        return self._write(lambda orm: check_standards.add_standard(orm, standard))

    def check_standard(self, ref: str) -> CheckStandard:
        """The check standard of this name, or NAME@BENCH."""
        return self._read(lambda orm: check_standards.to_standard(check_standards.standard_row(orm, ref)))

    def check_standards(self) -> tuple[CheckStandard, ...]:
        """All check standards, by name."""
        return self._read(check_standards.standards)

    def add_check_measurement(self, measurement: CheckMeasurement) -> CheckMeasurement:
        """Add what a check standard measured on a day."""
        return self._write(lambda orm: check_standards.add_measurement(orm, measurement))

    def check_measurements(self, standard: CheckStandard) -> tuple[CheckMeasurement, ...]:
        """What a check standard measured, by date; what is void is left out."""
        return self._read(lambda orm: check_standards.measurements(orm, standard))

    def void_check_measurements(self, standard: CheckStandard) -> tuple[tuple[CheckMeasurement, str], ...]:
        """The measurements of a check standard that are void, by date, each with the reason."""
        return self._read(lambda orm: check_standards.void_measurements(orm, standard))

    def void_check_measurement(self, standard: CheckStandard, which: str, reason: str) -> CheckMeasurement:
        """Record that a measurement must not be used, and why; charts, limits and warnings leave it out.

        Args:
            standard: the check standard.
            which: its date, or the first digits of its document's hash where several are of that day.
            reason: why.

        Raises:
            InputError: no reason, several of that day, or void already. NotFoundError: no such measurement.
        """
        return self._write(lambda orm: check_standards.void(orm, standard, which, reason))

    def take_back_check_void(self, standard: CheckStandard, which: str, reason: str) -> CheckMeasurement:
        """Record that a void measurement can be used after all, and why; arguments as of
        :meth:`void_check_measurement`.
        """
        return self._write(lambda orm: check_standards.take_back_void(orm, standard, which, reason))

    def standard_warnings(self, sessions: Sequence[Session]) -> dict[str, tuple[DoorWarning, ...]]:
        """What check standards say against sessions that came in before it was known, by their hashes."""
        return self._read(lambda orm: check_standards.warnings_since(orm, sessions))

    def calibrations(self, names: Sequence[str]) -> tuple[Instrument, ...]:
        """The calibrations that a session names."""
        return self._read(lambda orm: instruments.by_hash(orm, names))
