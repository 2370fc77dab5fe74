"""Jobs of the queue: asked for, listed, told of, asked to end; their files."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Header, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response, StreamingResponse

from dataset.errors import ChangedMeanwhileError
from dataset.records import QueuedJob
from dataset.store.contents import MOST_FILE
from dataset.store.queue.rows import LEAST_DIGITS
from dataset.words import JobState
from innage.runner.facts import event_facts, job_facts
from innage.runner.queueing import add_job
from innage.service.answers import FOR_EVER, bytes_answer
from innage.service.description import of_bytes
from innage.service.door import DoorOf, StoreOf
from innage.service.messages.jobs import (
    MOST_EVENTS,
    MOST_LISTED,
    EventAnswer,
    JobAnswer,
    JobAsked,
    JobLog,
    Jobs,
)
from innage.service.problems import Problem, busy, parts_of
from innage.service.streams import MEDIA_TYPE, MOST_OPEN, told_of_job

BYTES = "application/octet-stream"
JobPath = Annotated[str, Path(pattern=rf"^[0-9a-f]{{{LEAST_DIGITS},64}}$")]
HashPath = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]
_STREAM: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Events, until the job has ended",
        "content": {MEDIA_TYPE: {"schema": {"type": "string"}}},
    },
    204: {"description": "The job has ended, and there is nothing more to tell"},
}


def register(app: FastAPI) -> None:
    """Add the routes."""
    add = app.add_api_route
    add("/v1/jobs", listed, methods=["GET"])
    add("/v1/jobs", queued, methods=["POST"], status_code=202)
    add("/v1/jobs/{key}", job, methods=["GET"])
    add("/v1/jobs/{key}/cancel", cancelled, methods=["POST"], status_code=202)
    add("/v1/jobs/{key}/log", log, methods=["GET"])
    add("/v1/jobs/{key}/events", told, methods=["GET"], response_class=Response, responses=_STREAM)
    add(
        "/v1/jobs/{key}/files/{sha256}",
        file,
        methods=["GET"],
        response_class=Response,
        responses=of_bytes(BYTES),
    )


def listed(
    door: DoorOf,
    state: Annotated[list[JobState], Query(max_length=len(JobState))] = [],  # noqa: B006 - FastAPI copies it
    limit: Annotated[int, Query(ge=1, le=MOST_LISTED)] = 50,
) -> Jobs:
    """The jobs in these states, or all, the newest first."""
    return Jobs(jobs=[_answer(one) for one in door.store.queued_jobs(state, limit)])


def queued(asked: JobAsked, store: StoreOf, response: Response) -> JobAnswer:
    """Queue a job. One of the same settings, inputs and versions that is queued or runs is the same job, so
    that asking again changes nothing.
    """
    wanted = list(dict.fromkeys(asked.files.values()))
    there = store.staged_blobs(wanted, MOST_FILE) if wanted else {}
    if there is None:
        raise Problem("too-large", f"the files of a job are at most {MOST_FILE} bytes", most_bytes=MOST_FILE)
    missing = [name for name in wanted if name not in there]
    if missing:
        raise Problem("missing-blobs", f"{len(missing)} of them are not here", blobs=missing)
    contents = {name: there[sha256] for name, sha256 in asked.files.items()}
    new = add_job(store, asked.kind, asked.settings, contents)
    response.headers["Location"] = f"/v1/jobs/{new.key}"
    return _answer(new)


def job(door: DoorOf, key: JobPath) -> JobAnswer:
    """A job by its key or the first digits of it."""
    return _answer(door.store.queued_job(key))


def cancelled(store: StoreOf, key: JobPath) -> JobAnswer:
    """Ask for a job to end: at once where it is queued, at its next step where it runs. Asking again changes
    nothing.
    """
    try:
        return _answer(store.cancel_job(key))
    except ChangedMeanwhileError as error:
        raise Problem("conflict", str(error), **parts_of(error)) from error


def log(
    door: DoorOf,
    key: JobPath,
    after: Annotated[int, Query(ge=0, lt=1 << 53)] = 0,
) -> JobLog:
    """What is told of a job behind an event's number, in order, at most 1000 events."""
    events = door.store.job_events(key, after, MOST_EVENTS)
    return JobLog(events=[EventAnswer.model_validate(event_facts(event)) for event in events])


async def told(
    request: Request,
    door: DoorOf,
    key: JobPath,
    last_event_id: Annotated[str | None, Header(max_length=20)] = None,
) -> Response:
    """What is told of a job, as it is told, until it has ended: Server-Sent Events, whose data are those of
    the log. ``Last-Event-ID`` goes on behind an event.
    """
    after = int(last_event_id) if last_event_id and last_event_id.isdecimal() else 0
    one = await run_in_threadpool(door.store.queued_job, key)
    if one.state.has_ended and not await run_in_threadpool(door.store.job_events, key, after, 1):
        return Response(status_code=204)
    if getattr(request.state, "head", False):
        return Response(media_type=MEDIA_TYPE)
    if door.streams.open >= MOST_OPEN or door.streams.ending.is_set():
        raise busy()
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return StreamingResponse(told_of_job(door, request, one.key, after), 200, headers, MEDIA_TYPE)


def file(request: Request, door: DoorOf, key: JobPath, sha256: HashPath) -> Response:
    """The bytes of a file that a job works on or made, by their hash."""
    content = door.store.job_file(key, sha256)
    headers = {
        "Cache-Control": FOR_EVER,
        "X-Content-Type-Options": "nosniff",
        "Content-Disposition": "attachment",
        "Content-Security-Policy": "sandbox",
    }
    return bytes_answer(request, content, BYTES, **headers)


def _answer(one: QueuedJob) -> JobAnswer:
    return JobAnswer.model_validate(job_facts(one))
