"""The registry: names of tanks, sensors and limits have revisions, the others are unique."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sqlalchemy.orm import Session as OrmSession

from dataset.records import (
    Budget,
    ColumnMapping,
    Limits,
    Liquid,
    Mounting,
    Operator,
    Registered,
    RetirementEvent,
    Sensor,
    Tank,
)
from dataset.store import registry
from dataset.store.doors import registered
from dataset.store.doors.transactions import Transactions
from dataset.store.events import retirements


class RegistryDoor(Transactions):
    """Tanks, liquids, sensors, mountings, operators, budgets, limits and column mappings; what is retired."""

    def add_tank(self, tank: Tank) -> Tank:
        """Add a tank; its revision is assigned. InputError when a fact cannot be, or an earlier revision is
        the same.
        """
        return self._write(lambda orm: registry.add_tank(orm, tank))

    def tank(self, ref: str) -> Tank:
        """The tank ``name`` (latest revision) or ``name@revision``; NotFoundError lists what there is."""
        return self._read(lambda orm: registry.to_tank(registry.tank_row(orm, ref)))

    def tanks(self) -> tuple[Tank, ...]:
        """All tanks, by name and revision."""
        return self._read(registry.tanks)

    def add_sensor(self, sensor: Sensor) -> Sensor:
        """Add a sensor; its revision is assigned."""
        return self._write(lambda orm: registry.add_sensor(orm, sensor))

    def sensor(self, ref: str) -> Sensor:
        """The sensor ``name`` or ``name@revision``."""
        return self._read(lambda orm: registry.to_sensor(registry.sensor_row(orm, ref)))

    def sensors(self) -> tuple[Sensor, ...]:
        """All sensors, by name and revision."""
        return self._read(registry.sensors)

    def add_limits(self, limits: Limits) -> Limits:
        """Add limits; the revision is assigned."""
        return self._write(lambda orm: registry.add_limits(orm, limits))

    def limits(self, ref: str) -> Limits:
        """The limits ``name`` or ``name@revision``."""
        return self._read(lambda orm: registry.to_limits(registry.limits_row(orm, ref)))

    def all_limits(self) -> tuple[Limits, ...]:
        """All limits, by name and revision."""
        return self._read(registry.all_limits)

    def add_liquid(self, liquid: Liquid) -> Liquid:
        """Add a liquid under a new name."""
        return self._write(lambda orm: registry.add_liquid(orm, liquid))

    def liquid(self, name: str) -> Liquid:
        """The liquid called ``name``."""
        return self._read(lambda orm: registry.to_liquid(registry.liquid_row(orm, name)))

    def liquids(self) -> tuple[Liquid, ...]:
        """All liquids, by name."""
        return self._read(registry.liquids)

    def add_mounting(self, mounting: Mounting) -> Mounting:
        """Add a mounting under a new name; its tank and sensor are records that the store has."""
        return self._write(lambda orm: registry.add_mounting(orm, mounting))

    def mounting(self, name: str) -> Mounting:
        """The mounting called ``name``."""
        return self._read(lambda orm: registry.to_mounting(registry.mounting_row(orm, name)))

    def mountings(self) -> tuple[Mounting, ...]:
        """All mountings, by name."""
        return self._read(registry.mountings)

    def add_operator(self, operator: Operator) -> Operator:
        """Put an operator on the list, under a new code."""
        return self._write(lambda orm: registry.add_operator(orm, operator))

    def add_operators(self, operators: Sequence[Operator]) -> tuple[Operator, ...]:
        """Put operators on the list, all of them or none; the codes must be new."""
        return self._write(lambda orm: tuple(registry.add_operator(orm, one) for one in operators))

    def operator(self, code: str) -> Operator:
        """The operator of this code."""
        return self._read(lambda orm: registry.to_operator(registry.operator_row(orm, code)))

    def operators(self) -> tuple[Operator, ...]:
        """All operators, by code."""
        return self._read(registry.operators)

    def add_budget(self, budget: Budget) -> Budget:
        """Add a budget under a new name."""
        return self._write(lambda orm: registry.add_budget(orm, budget))

    def budget(self, name: str) -> Budget:
        """The budget called ``name``."""
        return self._read(lambda orm: registry.to_budget(registry.budget_row(orm, name)))

    def budgets(self) -> tuple[Budget, ...]:
        """All budgets, by name."""
        return self._read(registry.budgets)

    def add_mapping(self, mapping: ColumnMapping) -> ColumnMapping:
        """Save a column mapping under a new name."""
        return self._write(lambda orm: registry.add_mapping(orm, mapping))

    def mapping(self, name: str) -> ColumnMapping:
        """The column mapping called ``name``."""
        return self._read(lambda orm: registry.to_mapping(registry.mapping_row(orm, name)))

    def mappings(self) -> tuple[ColumnMapping, ...]:
        """All saved column mappings, by name."""
        return self._read(registry.mappings)

    def retire(self, kind: str, ref: str, reason: str) -> str:
        """Record that something of the registry (``kind`` is 'tank', 'unit', ...) is not to be used from now
        on, and why. It stays readable, and whatever stands on it stays as it is.

        Returns:
            Its NAME@REVISION, or its name.

        Raises:
            InputError: no such kind, no reason, or retired already. NotFoundError: no such record.
        """
        return self._write(lambda orm: self._of_registry(orm, kind, ref, reason, retirements.retire))

    def take_back_retirement(self, kind: str, ref: str, reason: str) -> str:
        """Record that something retired can be used again, and why; arguments as of :meth:`retire`."""
        return self._write(lambda orm: self._of_registry(orm, kind, ref, reason, retirements.take_back))

    @staticmethod
    def _of_registry(
        orm: OrmSession,
        kind: str,
        ref: str,
        reason: str,
        say: Callable[[OrmSession, str, Registered, str], None],
    ) -> str:
        record = registered.registered(orm, kind, ref)
        say(orm, kind, record, reason)
        return retirements.label(record)

    def retired(self, kind: str) -> dict[str, str]:
        """What of a kind is retired, by NAME@REVISION or name, and why."""
        return self._read(lambda orm: registered.retired(orm, kind))

    def retirement_events(self, kind: str, ref: str) -> tuple[RetirementEvent, ...]:
        """When something of the registry was retired and taken back, in the order it came into this store,
        every hash checked.
        """
        return self._read(lambda orm: retirements.events(orm, kind, registered.registered(orm, kind, ref)))

    def refuse_retired(self, kind: str, record: Registered) -> None:
        """InputError for a record that is out of use."""
        self._read(lambda orm: retirements.refuse_retired(orm, kind, record))
