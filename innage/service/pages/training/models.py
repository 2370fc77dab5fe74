"""The models: a line each, the data sheet of one, and its whole report."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from markupsafe import Markup
from starlette.responses import Response

from dataset.values import natural
from dataset.words import LimitAnswer
from export.cautions import uneven_tanks
from export.report.claim_tables import class_rows, rate_rows
from export.report.html_page import shielded, unshielded
from export.report.numbers import counts_apart
from export.report.shown_classes import level_class_section, unit_figure
from innage.jobs.models.reporting import model_page
from innage.jobs.models.training import model_facts
from innage.jobs.releasing.shipping import standing
from innage.jobs.sessions.finding import settle
from innage.service.door import DoorOf
from innage.service.pages.paper.filters import Asked, AskedOf
from innage.service.pages.paper.frame import PAGE, answer, policy_of, sheet
from innage.service.pages.paper.kept import KeptOf
from innage.service.pages.paper.tables import Form, json_file, rows_file, table_file
from innage.service.pages.training.shipping import asked, verdict
from innage.service.pages.training.shipping import facts as ship_facts
from training.search.metrics import Metrics, read_metrics

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dataset.records import Model, StatusEvent
    from dataset.store import Store
    from innage.jobs.models.lines import ModelLine
    from innage.service.pages.paper.kept import Kept

ERRORS = (
    "class",
    "groups",
    "frames",
    "accepted_pct",
    "p50_mm",
    "p95_mm",
    "max_mm",
    "p95_pct",
    "frames_p95_mm",
    "worst_group",
    "worst_group_p95_mm",
    "label_u_mm",
)
_LAW = {"rises": "rise with", "falls": "fall with"}  # a sensor's count law, of several counts
LIMITS = ("metric", "condition", "bound", "value", "answer", "reason")


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/models", listed, methods=["GET"], **PAGE)
    app.add_api_route("/models.{form}", table, methods=["GET"], **PAGE)
    app.add_api_route("/models/{name}.json", as_json, methods=["GET"], **PAGE)
    app.add_api_route("/models/{name}", data_sheet, methods=["GET"], **PAGE)
    app.add_api_route("/models/{name}/errors.{form}", errors, methods=["GET"], **PAGE)
    app.add_api_route("/models/{name}/limits.{form}", limits, methods=["GET"], **PAGE)
    app.add_api_route("/models/{name}/report", report, methods=["GET"], **PAGE)


def listed(request: Request, door: DoorOf, kept: KeptOf, asked: AskedOf) -> Response:
    """All of them that the filter leaves, as people count."""
    facts = {"rows": _rows(door.store, kept, asked), "asked": asked, "any": bool(kept.models().of_name)}
    return sheet(request, "models.html", facts)


def table(request: Request, door: DoorOf, kept: KeptOf, asked: AskedOf, form: Form) -> Response:
    """All of them that the filter leaves."""
    rows = _rows(door.store, kept, asked)
    names = tuple(rows[0]) if rows else ("name",)
    return rows_file(request, "models", form, rows, names)


def as_json(request: Request, door: DoorOf, kept: KeptOf, name: str) -> Response:
    """As ``innage models NAME --json`` has it, and whether it may ship."""
    store = door.store
    model = kept.model(name)
    facts = model_facts(model, store.board_measurements(name), store.status(name))
    stood = standing(store, model, read_metrics(facts["metrics"]), *kept.void_and_amended(model))
    return json_file(request, facts | {"ships": ship_facts(stood, model)})


def data_sheet(request: Request, door: DoorOf, kept: KeptOf, name: str) -> Response:
    """What the model is, whether it may ship, where it may be used, how well it does and what it costs."""
    store = door.store
    model = kept.model(name)
    facts = model_facts(model, store.board_measurements(name), store.status(name))
    metrics = read_metrics(facts["metrics"])
    claims, chosen = metrics.claims, metrics.chosen
    stood = standing(store, model, metrics, *kept.void_and_amended(model))
    shown = {
        "model": model,
        "facts": facts,
        "metrics": metrics,
        "uneven": uneven_tanks(facts["uneven_spans_mm"]),
        "cost": None if chosen is None else chosen.cost,
        "chosen": chosen,
        "ships": stood.ships,
        "verdict": verdict(stood),
        "asked": asked(stood, model),
        "use": _limits_of_use(model, metrics),
        "limits": metrics.limits,
        "unmet": sum(row.answer != LimitAnswer.MET for row in metrics.limits),
        "errors": [] if claims is None else class_rows(claims),
        "rates": [] if claims is None else [(what, counts_apart(found)) for what, found in rate_rows(claims)],
        "pictures": [] if claims is None else _pictures(shielded(facts["metrics"])),
        "others": [other for other in kept.models().of_name if other != name],
    }
    return sheet(request, "model.html", shown)


def errors(request: Request, kept: KeptOf, name: str, form: Form) -> Response:
    """The errors by class on the held-out groups."""
    claims = read_metrics(model_facts(kept.model(name))["metrics"]).claims
    rows = [] if claims is None else class_rows(claims)
    columns = {column: [row[k] for row in rows] for k, column in enumerate(ERRORS)}
    return table_file(request, f"model-{name}-errors", form, columns)


def limits(request: Request, kept: KeptOf, name: str, form: Form) -> Response:
    """Its limits, answered."""
    answers = read_metrics(model_facts(kept.model(name))["metrics"]).limits
    columns: dict[str, Sequence[Any]] = {n: [getattr(row, n) for row in answers] for n in LIMITS}
    return table_file(request, f"model-{name}-limits", form, columns)


def report(request: Request, door: DoorOf, name: str) -> Response:
    """The whole report, as ``innage report model`` writes it. Its styles stand in it, so that the policy of
    this page names them by their hashes.
    """
    page = model_page(door.store, name)
    headers = {"Content-Security-Policy": policy_of(page)}
    return answer(request, page.encode(), "text/html; charset=utf-8", headers=headers)


def _pictures(facts: Mapping[str, Any]) -> list[Markup]:
    """Of the report's generators, which escape what they are given: ``facts`` are shielded beside that."""
    claims = read_metrics(facts).claims
    parts = [] if claims is None else [*level_class_section(claims), *unit_figure(claims)]
    return [Markup(unshielded(part)) for part in parts if part.startswith("<figure")]  # noqa: S704 - escaped


def _limits_of_use(model: Model, metrics: Metrics) -> list[tuple[str, str]]:
    """What the figures are of: beyond it, nothing is claimed."""
    taken = model.frozen.sessions
    board = json.loads(model.recipe).get("board", {})
    fit = metrics.fit
    rows = [
        ("Tanks", ", ".join(sorted({s.mounting.tank.ref for s in taken}, key=natural))),
        ("Sensors", ", ".join(sorted({s.mounting.sensor.ref for s in taken}, key=natural))),
        ("Liquids", ", ".join(sorted({s.liquid.name for s in taken}, key=natural))),
        (
            "Levels",
            "" if fit is None else f"{fit.label_low_mm:.4g} to {fit.label_high_mm:.4g} mm in training",
        ),
        ("Counts", _counts(board)),
        ("Trims of each unit", metrics.trim or "none"),
    ]
    said = {"out_of_range": "Out of range", "sensor_fault": "Sensor fault"}
    rows += [(said.get(flag, flag.capitalize()), what) for flag, what in sorted(metrics.flag_table.items())]
    return [(what, text) for what, text in rows if text]


def _counts(board: Mapping[str, Any]) -> str:
    if not board:
        return ""
    law = _LAW.get(board["count_law"], "follow")
    return (
        f"{board['channels']} channels of {board['count_bits']} bits, which {law} the level; a frame each "
        f"{board['period_ms']} ms, within {board['period_tolerance_pct']} %"
    )


def _rows(store: Store, kept: Kept, asked: Asked) -> list[dict[str, Any]]:
    """Of the models whose frozen set has a session that the filter leaves, by what it says now."""
    models = kept.models()
    lines = list(models.of_name.values())
    if asked.filter.given:
        wanted = settle(store, asked.filter)
        fitting = {line.id for line in kept.lines() if wanted.fits(line)}
        lines = [line for line in lines if not fitting.isdisjoint(line.sessions)]
    return [_row(line, models.statuses.get(line.name)) for line in lines]


def _row(line: ModelLine, status: StatusEvent | None) -> dict[str, Any]:
    metrics = line.metrics
    answers = [row.answer for row in metrics.limits]
    cost = None if metrics.chosen is None else metrics.chosen.cost
    claims = metrics.claims
    clean = None if claims is None else claims.classes.get("clean")
    every = None if claims is None else claims.classes.get("all")
    return {
        "name": line.name,
        "trained": line.date,
        "frozen": line.frozen,
        "limits": line.limits,
        "met": answers.count(LimitAnswer.MET),
        "not_met": answers.count(LimitAnswer.NOT_MET),
        "unproven": answers.count(LimitAnswer.UNPROVEN),
        "clean_p95_mm": None if clean is None else clean.p95_mm,
        "accepted_pct": None if every is None or every.accepted_share is None else 100 * every.accepted_share,
        "prove_rmse_mm": None if metrics.prove is None else metrics.prove.integer.rmse_mm,
        "flash_bytes": None if cost is None else cost.flash,
        "cycles": None if cost is None else cost.cycles,
        "parent": line.parent,
        "status": None if status is None else str(status.status),
        "origin": line.origin,
        "sha256": line.sha256,
    }
