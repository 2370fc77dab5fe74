"""A unit as a card: its trims, its check standards over time, its sessions."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.responses import Response

from dataset.admission.control_chart import FEWEST
from dataset.counts import count_text
from innage.jobs.registry import unit_facts
from innage.jobs.standards import charts_of
from innage.service.door import DoorOf
from innage.service.pages.paper.charts import Chart, control_chart, drift_chart
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import KeptOf
from innage.service.pages.paper.tables import Form, json_file, table_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.records import CheckStandard, Sensor, Trim
    from dataset.store import Store

MOST_SESSIONS = 20


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/units/{name}.json", as_json, methods=["GET"], **PAGE)
    app.add_api_route("/units/{name}", card, methods=["GET"], **PAGE)
    app.add_api_route("/units/{name}/trims.{form}", trims, methods=["GET"], **PAGE)


def card(request: Request, door: DoorOf, kept: KeptOf, name: str) -> Response:
    """The card."""
    store = door.store
    unit = store.unit(name)
    (facts,) = unit_facts(store, [unit])
    taken, lines = store.trims(unit.name), [line for line in kept.lines() if line.unit == unit.name]
    mountings = {line.mounting for line in lines} | {trim.mounting.name for trim in taken}
    sensors = {trim.mounting.sensor.ref: trim.mounting.sensor for trim in taken}
    sensors |= {m.sensor.ref: m.sensor for m in store.mountings() if m.name in mountings}
    shown = {
        "unit": facts,
        "retired": store.retired("unit").get(unit.name),
        "unions": store.unions_of(unit.name),
        "mountings": sorted(mountings),
        "trims": [_trim_row(trim) for trim in taken],
        "pads": _pads(taken),
        "drifts": _drifts(taken),
        "fewest": FEWEST,
        "standards": _standards(store, sensors, facts["bench"]),
        "lines": list(reversed(lines))[:MOST_SESSIONS],
        "sessions": len(lines),
    }
    return sheet(request, "unit.html", shown)


def as_json(request: Request, door: DoorOf, kept: KeptOf, name: str) -> Response:
    """What the card says, as ``innage unit show --json`` has it."""
    unit = door.store.unit(name)
    (facts,) = unit_facts(door.store, [unit])
    lines = [line for line in kept.lines() if line.unit == unit.name]
    taken = door.store.trims(unit.name)
    mountings = {line.mounting for line in lines} | {trim.mounting.name for trim in taken}
    more = {
        "mountings": sorted(mountings),
        "sessions": [line.id for line in lines],
        "trims": [
            {"kind": t.kind.value, "date": t.date, "stage": t.stage, "mounting": t.mounting.name}
            for t in taken
        ],
        "unions": [asdict(union) for union in door.store.unions_of(unit.name)],
    }
    return json_file(request, facts | more)


def trims(request: Request, door: DoorOf, name: str, form: Form) -> Response:
    """Its trims, a row a count."""
    taken = door.store.trims(door.store.unit(name).name)
    rows = [
        (t.sha256, t.kind.value, t.date, t.stage, t.mounting.name, t.temperature_c, pad, count)
        for t in taken
        for pad, count in zip(t.mounting.sensor.channel_names, _counts(t), strict=True)
    ]
    names = ("trim", "kind", "date", "stage", "mounting", "temperature_c", "pad", "count")
    columns: dict[str, Sequence[Any]] = {n: [row[k] for row in rows] for k, n in enumerate(names)}
    return table_file(request, f"unit-{name}-trims", form, columns)


def _counts(trim: Trim) -> list[float]:
    scale = trim.mounting.sensor.count_scale
    return [count / scale for count in trim.counts]


def _pads(taken: Sequence[Trim]) -> tuple[str, ...]:
    """The pads' names where all trims are of sensors with the same; else the channels' numbers."""
    named = {trim.mounting.sensor.channel_names for trim in taken}
    if len(named) == 1:
        return named.pop()
    return tuple(f"channel {k}" for k in range(max((len(trim.counts) for trim in taken), default=0)))


def _drifts(taken: Sequence[Trim]) -> list[Chart]:
    """Of each kind of trim on a mounting that was taken on several days, how far its counts moved."""
    groups: dict[tuple[str, str, str], list[Trim]] = {}
    for trim in taken:
        level = "" if trim.level_mm is None else f" at {trim.level_mm:g} mm"
        key = f"{trim.kind}{level}, {trim.mounting.name}", trim.stage, trim.mounting.sensor.ref
        groups.setdefault(key, []).append(trim)
    charts = []
    for (name, stage, _), group in groups.items():
        ordered = sorted(group, key=lambda trim: trim.date)
        days = [trim.date[:10] for trim in ordered]
        if days[0] != days[-1]:
            columns = zip(*map(_counts, ordered), strict=True)
            pads = ordered[0].mounting.sensor.channel_names
            charts.append(drift_chart(f"{name}, {stage}", days, dict(zip(pads, columns, strict=True))))
    return charts


def _trim_row(trim: Trim) -> dict[str, Any]:
    scale = trim.mounting.sensor.count_scale
    return {"trim": trim, "counts": [count_text(count, scale) for count in trim.counts]}


def _standards(
    store: Store, sensors: dict[str, Sensor], bench: str
) -> list[tuple[CheckStandard, list[Chart]]]:
    """The check standards of the unit's bench for its sensors, each with a chart a channel."""
    charted = []
    for standard in store.check_standards():
        if standard.sensor.ref not in sensors or standard.bench != bench:
            continue
        drawn = [
            control_chart(
                chart.channel,
                chart.dates,
                chart.values,
                None if chart.limits is None else (chart.limits.low, chart.limits.centre, chart.limits.high),
                chart.out,
            )
            for chart in charts_of(store, standard)
            if chart.dates
        ]
        charted.append((standard, drawn))
    return charted
