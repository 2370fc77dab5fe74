"""The jobs of the queue: a line each, and the log sheet of one."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Path, Query, Request
from starlette.responses import Response

from dataset.errors import InputError, quoted
from dataset.records import ID_DIGITS
from dataset.store.queue.rows import LEAST_DIGITS
from dataset.words import JobEventKind, JobState
from innage.runner.facts import event_facts, job_facts
from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.tables import Form, json_file, rows_file, table_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.records import JobEvent, QueuedJob

MOST_LISTED = 200
MOST_EVENTS = 1000  # on a sheet
JobPath = Annotated[str, Path(pattern=rf"^[0-9a-f]{{{LEAST_DIGITS},64}}$")]
States = Annotated[list[str], Query(max_length=len(JobState))]
ABOUT = ("model", "frozen", "name", "first", "second")  # settings that say what a job is about
COLUMNS = ("job", "kind", "about", "state", "reason", "asked_at", "asked_by", "attempts", "ended", "took_s")
ENTRIES = ("number", "at", "attempt", "kind", "text", "object_sha256")


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/jobs", listed, methods=["GET"], **PAGE)
    app.add_api_route("/jobs.{form}", table, methods=["GET"], **PAGE)
    app.add_api_route("/jobs/{key}.json", as_json, methods=["GET"], **PAGE)
    app.add_api_route("/jobs/{key}", log_sheet, methods=["GET"], **PAGE)
    app.add_api_route("/jobs/{key}/log.{form}", log, methods=["GET"], **PAGE)


def listed(request: Request, door: DoorOf, state: States = []) -> Response:  # noqa: B006 - FastAPI copies it
    """The jobs in these states, or all, the newest first."""
    states = _states(state)
    jobs = door.store.queued_jobs(states, MOST_LISTED)
    facts = {
        "rows": [_row(job) for job in jobs],
        "states": list(JobState),
        "asked": states,
        "query": "".join(f"{'&' if k else '?'}state={one}" for k, one in enumerate(states)),
        "most": MOST_LISTED,
    }
    return sheet(request, "jobs.html", facts)


def table(request: Request, door: DoorOf, form: Form, state: States = []) -> Response:  # noqa: B006 - as above
    """The same."""
    rows = [_row(job) for job in door.store.queued_jobs(_states(state), MOST_LISTED)]
    return rows_file(request, "jobs", form, rows, COLUMNS)


def log_sheet(request: Request, door: DoorOf, key: JobPath) -> Response:
    """What was asked, what happened, and what it came to."""
    job = door.store.queued_job(key)
    events = door.store.job_events(job.key, most=MOST_EVENTS)
    facts = {
        "job": job,
        "id": job.key[:ID_DIGITS],
        "row": _row(job),
        "facts": job_facts(job),
        "entries": _entries(job, events),
        "whole": len(events) < MOST_EVENTS,
    }
    return sheet(request, "job.html", facts)


def as_json(request: Request, door: DoorOf, key: JobPath) -> Response:
    """What the sheet says, as ``GET /v1/jobs/...`` has it, with its log."""
    job = door.store.queued_job(key)
    events = door.store.job_events(job.key, most=MOST_EVENTS)
    return json_file(request, job_facts(job) | {"log": [event_facts(event) for event in events]})


def log(request: Request, door: DoorOf, key: JobPath, form: Form) -> Response:
    """What is told of it, in order."""
    job = door.store.queued_job(key)
    rows = [event_facts(event) for event in door.store.job_events(job.key, most=MOST_EVENTS)]
    columns = {name: [row[name] for row in rows] for name in ENTRIES}
    return table_file(request, f"job-{job.key[:ID_DIGITS]}-log", form, columns)


def _states(given: Sequence[str]) -> list[JobState]:
    """The states that an address names; an empty field of a form is none.

    Raises:
        InputError: another word.
    """
    words = [word for word in dict.fromkeys(given) if word]
    for word in words:
        if word not in list(JobState):
            raise InputError("state", quoted(word), "one of " + ", ".join(JobState), fields=("state",))
    return [JobState(word) for word in words]


def _row(job: QueuedJob) -> dict[str, Any]:
    about = [str(job.settings[name]) for name in ABOUT if job.settings.get(name)]
    return {
        "job": job.key,
        "kind": job.kind,
        "about": ", ".join(about),
        "state": job.state.value,
        "reason": None if job.reason is None else job.reason.value,
        "asked_at": job.asked_at,
        "asked_by": job.asked_by,
        "attempts": job.attempts,
        "ended": job.ended,
        "took_s": None if job.ended is None else _seconds(job.asked_at, job.ended),
        "ending": job.cancel_requested and not job.state.has_ended,
    }


def _entries(job: QueuedJob, events: Sequence[JobEvent]) -> list[dict[str, Any]]:
    """The entries of the log; of progress that goes on the last word, since each takes the place of the one
    before.
    """
    kept = [
        event
        for event, following in zip(events, (*events[1:], None), strict=True)
        if event.kind is not JobEventKind.PROGRESS
        or following is None
        or following.kind is not JobEventKind.PROGRESS
    ]
    return [event_facts(event) | {"after_s": _seconds(job.asked_at, event.at)} for event in kept]


def _seconds(start: str, stop: str) -> float:
    return (datetime.fromisoformat(stop) - datetime.fromisoformat(start)).total_seconds()
