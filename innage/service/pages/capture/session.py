"""A capture session as a measurement record, with its seal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.responses import Response

from dataset.labels.conditions import conditions_text
from innage.jobs.instruments import calibration_text
from innage.jobs.sessions.session_facts import (
    amendment_facts,
    mark_summary,
    session_facts,
    stated_text,
    stretch_facts,
    tag_facts,
    void_facts,
)
from innage.service.door import DoorOf
from innage.service.pages.paper.forms import Fault
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.tables import Form, json_file, table_file
from innage.service.pages.paper.words import fixed
from innage.service.rights import Scope

if TYPE_CHECKING:
    from dataset.records import Frames, Mark, Session
    from dataset.store import Store


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/sessions/{key}.json", as_json, methods=["GET"], **PAGE)
    app.add_api_route("/sessions/{key}/marks.{form}", marks, methods=["GET"], **PAGE)
    app.add_api_route("/sessions/{key}", record, methods=["GET"], **PAGE)


def record(request: Request, door: DoorOf, key: str) -> Response:
    """The record."""
    return record_sheet(request, door.store, key)


def record_sheet(request: Request, store: Store, key: str, fault: Fault | None = None) -> Response:
    """The record, with what was wrong with a form on it."""
    captured = store.session(key)
    may_see = Scope.PULL in request.state.actor.scopes
    frames = store.frames(captured, verify=True) if may_see else None
    facts = {
        "session": captured,
        "sensor": captured.mounting.sensor,
        "bench": _bench(store, captured),
        "instruments": [calibration_text(one) for one in store.calibrations(captured.instruments)],
        "since": store.standard_warnings([captured]).get(captured.sha256, ()),
        "amendments": [(one, stated_text(one.stated)) for one in store.amendments(captured.sha256)],
        "voids": store.void_events(captured.sha256),
        "tags": store.tag_events(captured.sha256),
        "conditions": [(s, conditions_text(s.conditions)) for s in captured.stretches],
        "course": None,
        "rows": _rows(captured, frames),
        "fault": fault,
    }
    if frames is not None:
        from innage.service.pages.paper.drawing import course

        facts |= {"course": course(captured, frames), "lasted": _seconds(frames)}
    return sheet(request, "session.html", facts, status=200 if fault is None else 422)


def as_json(request: Request, door: DoorOf, key: str) -> Response:
    """What the record says, as ``innage show --json`` has it without the marks."""
    store = door.store
    captured = store.session(key)
    facts = session_facts(captured) | {
        "conditions": [stretch_facts(stretch) for stretch in captured.stretches],
        "amendments": amendment_facts(store.amendments(captured.sha256)),
        "void_events": void_facts(store.void_events(captured.sha256)),
        "tag_events": tag_facts(store.tag_events(captured.sha256)),
    }
    return json_file(request, facts)


def marks(request: Request, door: DoorOf, key: str, form: Form) -> Response:
    """The marks, and the mean and spread of each pad's counts under them."""
    captured = door.store.session(key)
    rows = _rows(captured, door.store.frames(captured))
    columns: dict[str, list[Any]] = {
        name: [getattr(mark, name) for mark in captured.marks]
        for name in ("start", "stop", "level_mm", "level_stop_mm", "u_mm", "u_common_mm", "method")
    }
    for k, pad in enumerate(captured.mounting.sensor.channel_names):
        columns[f"{pad}_mean"] = [row["counts"][k]["mean"] for row in rows]
        columns[f"{pad}_sd"] = [row["counts"][k]["sd"] for row in rows]
    return table_file(request, f"session-{captured.id}-marks", form, columns)


def _rows(session: Session, frames: Frames | None) -> list[dict[str, Any]]:
    """Of each mark its frames, its level and, where frames may be seen, the counts under it."""
    return [
        {
            "frames": f"{mark.start}\u2013{mark.stop - 1}",
            "level": _level(mark),
            "mark": mark,
            "counts": [] if frames is None else mark_summary(mark, frames)["counts"],
        }
        for mark in session.marks
    ]


def _level(mark: Mark) -> str:
    """A level, or both ends of a ramp, to a hundredth of a millimetre."""
    ramp = "" if mark.level_stop_mm is None else f" to {fixed(mark.level_stop_mm, 2)}"
    return f"{fixed(mark.level_mm, 2)}{ramp}"


def _bench(store: Store, session: Session) -> str:
    """What the store calls the bench on which it was captured; '' where nothing was stated."""
    identity = session.occasion.bench
    if identity is None:
        return ""
    names = {bench.identity: bench.name for bench in store.benches()}
    return names.get(identity, f"{identity[:12]}, not known here")


def _seconds(frames: Frames) -> float:
    return float(frames.t_ms[-1] - frames.t_ms[0]) / 1000.0
