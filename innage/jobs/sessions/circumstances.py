"""Under which circumstances a session was captured, whichever way it comes in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dataset.errors import InputError, NotFoundError, naming
from dataset.records import UNSTATED, Occasion

if TYPE_CHECKING:
    from dataset.records import Conditions, Liquid, Mounting, Unit
    from dataset.store import Store


@dataclass(frozen=True)
class Circumstances:
    """Unit, liquid and mounting are records that the store has; ``condition`` is text such as
    ``surface=foam:20-45,wall=film`` and holds throughout. ``occasion`` is who, when and with what.
    """

    unit: Unit
    liquid: Liquid
    mounting: Mounting
    condition: str | None = None
    note: str = ""
    occasion: Occasion = UNSTATED
    tags: tuple[str, ...] = ()

    @property
    def conditions(self) -> Conditions | None:
        """The condition as a record; InputError where it can't be read."""
        from dataset.labels.conditions import read_conditions

        if self.condition is None:
            return None
        with naming("condition"):
            return read_conditions("condition", self.condition)


def find_circumstances(
    store: Store,
    *,
    unit: str | Unit | None,
    liquid: str | None,
    mounting: str | None = None,
    tank: str | None = None,
    sensor: str | None = None,
    condition: str | None = None,
    note: str = "",
) -> Circumstances:
    """What these names stand for; a unit may be a record that is yet to be added.

    Raises:
        InputError: no unit, no liquid, or names that don't say one mounting. NotFoundError: a name that the
            store does not have.
    """
    if liquid is None or unit is None:
        raise InputError("liquid and unit", "one is missing", "both", fields=("liquid", "unit"))
    return Circumstances(
        store.unit(unit) if isinstance(unit, str) else unit,
        store.liquid(liquid),
        find_mounting(store, mounting, tank, sensor),
        condition,
        note,
    )


def find_occasion(
    store: Store,
    operator: str | None,
    bench: str | None,
    firmware: str | None,
    started: str | None = None,
) -> Occasion:
    """Who, where and with what; NotFoundError for an operator or a bench that the store does not have."""
    code = None if operator is None else store.operator(operator).name
    identity = None if bench is None else store.bench(bench).identity
    return Occasion(code, identity, started, firmware)


def find_mounting(store: Store, name: str | None, tank: str | None, sensor: str | None) -> Mounting:
    """The mounting that is named, or the only one that joins tank and sensor.

    Raises:
        InputError: neither a mounting nor both of the others, a mounting of others than these, or several
            that join them. NotFoundError: none does.
    """
    wanted_tank, wanted_sensor = store.tank(tank) if tank else None, store.sensor(sensor) if sensor else None
    if name is not None:
        mounting = store.mounting(name)
        for field, wanted, mounted in (
            ("tank", wanted_tank, mounting.tank),
            ("sensor", wanted_sensor, mounting.sensor),
        ):
            if wanted is not None and wanted != mounted:
                raise InputError(
                    field,
                    wanted.ref,
                    f"{mounted.ref}, which mounting {name} is of",
                    "leave it out, or name another mounting",
                    fields=(field,),
                )
        return mounting
    if wanted_tank is None or wanted_sensor is None:
        raise InputError(
            "tank and sensor", "one is missing", "both, or mounting", fields=("tank", "sensor", "mounting")
        )
    retired = store.retired("mounting")
    known = [mounting for mounting in store.mountings() if mounting.name not in retired]
    joining = [m for m in known if m.tank == wanted_tank and m.sensor == wanted_sensor]
    joined = f"sensor {wanted_sensor.ref} on tank {wanted_tank.ref}"
    if not joining:
        others = ", ".join(f"{m.name} (sensor {m.sensor.ref} on tank {m.tank.ref})" for m in known)
        hint = f"there are: {others}" if others else "add it with 'innage mounting add'"
        raise NotFoundError("mounting", f"none for {joined}", "", hint)
    if len(joining) > 1:
        names = ", ".join(m.name for m in joining)
        raise InputError(
            "mounting",
            f"{len(joining)} of {joined}: {names}",
            "one",
            "choose it by mounting",
            fields=("mounting",),
        )
    return joining[0]
