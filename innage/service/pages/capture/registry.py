"""What captures rest on, as a parts list: tanks, liquids, sensors and how they are mounted."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import FastAPI, Request
from starlette.responses import Response

from dataset.records import Liquid, Mounting, Registered, Sensor, Tank
from dataset.store import Store
from dataset.values import natural
from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.tables import Form, json_file, rows_file

Row = dict[str, Any]


@dataclass(frozen=True)
class Kind:
    """A table of the list: its name, what one is called, what its figures are of, how the first is
    registered, and its columns as (name for programs, head, "n" for numbers).
    """

    name: str
    one: str
    of: str
    add: str
    columns: tuple[tuple[str, str, str], ...]
    read: Callable[[Store], Iterable[Registered]]
    row: Callable[[Any], Row]

    @staticmethod
    def heads(columns: Iterable[tuple[str, str, str]]) -> list[tuple[str, str]]:
        """What stands over these columns, and how."""
        return [(head, look) for _, head, look in columns]


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/registry", listed, methods=["GET"], **PAGE)
    app.add_api_route("/registry.json", as_json, methods=["GET"], **PAGE)
    for kind in KINDS:
        app.add_api_route(f"/{kind.name}.{{form}}", _table_of(kind), methods=["GET"], **PAGE)


def listed(request: Request, door: DoorOf) -> Response:
    """All of it, what is retired too."""
    tables = []
    for kind in KINDS:
        rows = _rows(door.store, kind)
        stated = [column for column in kind.columns if any(row[column[0]] not in (None, "") for row in rows)]
        tables.append((kind, stated, rows))
    return sheet(request, "registry.html", {"tables": tables})


def as_json(request: Request, door: DoorOf) -> Response:
    """The rows of every table, by its name."""
    return json_file(request, {kind.name: _rows(door.store, kind) for kind in KINDS})


def _table_of(kind: Kind) -> Callable[..., Response]:
    def table(request: Request, door: DoorOf, form: Form) -> Response:
        rows = _rows(door.store, kind)
        names = [name for name, _, _ in kind.columns]
        return rows_file(request, kind.name, form, rows, names)

    return table


def _rows(store: Store, kind: Kind) -> list[Row]:
    """By name, as people count; ``retired`` says why, None where it is in use."""
    retired = store.retired(kind.one)
    rows = (kind.row(record) for record in kind.read(store))
    return sorted(
        (row | {"retired": retired.get(row["name"])} for row in rows), key=lambda row: natural(row["name"])
    )


def _tank(tank: Tank) -> Row:
    return {
        "name": tank.ref,
        "span_mm": tank.span_mm,
        "dead_volume_ml": tank.dead_volume_ml,
        "inlet_mm": tank.inlet_mm,
        "wall_material": tank.wall_material or None,
        "wall_mm": tank.wall_mm,
        "note": tank.note,
    }


def _liquid(liquid: Liquid) -> Row:
    return {
        "name": liquid.name,
        "permittivity": liquid.permittivity,
        "conductivity_s_m": liquid.conductivity,
        "density_kg_m3": liquid.density,
        "temperature_c": liquid.temperature_c,
        "model": liquid.model,
        "note": liquid.note,
    }


def _sensor(sensor: Sensor) -> Row:
    pads = sensor.pads
    return {
        "name": sensor.ref,
        "channels": sensor.channels,
        "low_mm": min(pad.bottom_mm for pad in pads),
        "high_mm": max(pad.bottom_mm + pad.height_mm for pad in pads),
        "count_bits": sensor.count_bits,
        "count_law": str(sensor.count_law),
        "period_ms": sensor.period_ms,
        "note": sensor.note,
    }


def _mounting(mounting: Mounting) -> Row:
    return {
        "name": mounting.name,
        "tank": mounting.tank.ref,
        "sensor": mounting.sensor.ref,
        "offset_mm": mounting.offset_mm,
        "offset_tolerance_mm": mounting.offset_tolerance_mm,
        "note": mounting.note,
    }


def _columns(of: Mapping[str, str]) -> tuple[tuple[str, str, str], ...]:
    """Names and heads; those with '# ' before them are of numbers."""
    ends = {"note": "Note", "retired": "Retired because"}
    return tuple(
        (name, head.removeprefix("# "), "n" if head.startswith("# ") else "")
        for name, head in (dict(of) | ends).items()
    )


KINDS = (
    Kind(
        "tanks",
        "tank",
        "Heights above the datum; the span is what can be used",
        "innage tank add NAME --span-mm MM",
        _columns(
            {
                "name": "Tank",
                "span_mm": "# Span, mm",
                "dead_volume_ml": "# Dead volume, mL",
                "inlet_mm": "# Inlet, mm",
                "wall_material": "Wall",
                "wall_mm": "# Wall, mm",
            }
        ),
        Store.tanks,
        _tank,
    ),
    Kind(
        "liquids",
        "liquid",
        "At the temperature that is stated; permittivity is relative",
        "innage liquid add NAME",
        _columns(
            {
                "name": "Liquid",
                "permittivity": "# Permittivity",
                "conductivity_s_m": "# Conductivity, S/m",
                "density_kg_m3": "# Density, kg/m\u00b3",
                "temperature_c": "# at \u00b0C",
                "model": "By temperature",
            }
        ),
        Store.liquids,
        _liquid,
    ),
    Kind(
        "sensors",
        "sensor",
        "Heights of the pads above the sensor's own zero",
        "innage sensor add NAME --layout FILE --count-bits N --count-law rises --period-ms MS",
        _columns(
            {
                "name": "Sensor",
                "channels": "# Channels",
                "low_mm": "# From, mm",
                "high_mm": "# To, mm",
                "count_bits": "# Bits of a count",
                "count_law": "Counts with C",
                "period_ms": "# Period, ms",
            }
        ),
        Store.sensors,
        _sensor,
    ),
    Kind(
        "mountings",
        "mounting",
        "Offset: the sensor's zero above the tank's datum, and how well that is known",
        "innage mounting add NAME --tank TANK --sensor SENSOR",
        _columns(
            {
                "name": "Mounting",
                "tank": "Tank",
                "sensor": "Sensor",
                "offset_mm": "# Offset, mm",
                "offset_tolerance_mm": "# within, mm",
            }
        ),
        Store.mountings,
        _mounting,
    ),
)
