"""Answers that go on: what is told of a job, as it is told (Server-Sent Events, WHATWG HTML, 9.2).

A stream ends when the job has, when its reader has gone, when the token is no longer good, when the service
is told to end, and after an hour in any case; whoever wants more asks again, by the number of the last event
that they have.
"""

from __future__ import annotations

import json
import time
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING

import anyio
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from dataset.errors import InnageError
from innage.runner.facts import event_facts

if TYPE_CHECKING:
    from starlette.requests import Request

    from dataset.records import JobEvent
    from innage.service.door import Door

MEDIA_TYPE = "text/event-stream"
MOST_OPEN = 32  # streams at the same time
MOST_S = 3600.0  # that a stream lasts
LOOK_S = 1.0  # between looks at the job
QUIET_S = 15.0  # after which something is sent, so that those between know that it is alive
AGAIN_MS = 3000  # after which a reader asks again
_SLICE_S = 0.1  # in which it is looked whether to end
_MOST_EVENTS = 500  # of a look


async def told_of_job(door: Door, request: Request, key: str, after: int) -> AsyncIterator[str]:
    """What is told of a job behind an event, until it has ended. Closing it counts it out."""
    door.streams.open += 1
    try:
        began = said = time.monotonic()
        yield f"retry: {AGAIN_MS}\n\n"
        while True:
            ended, events = await run_in_threadpool(_look, door, request, key, after)
            for event in events:
                yield _sent(event)
                after, said = event.number, time.monotonic()
            if ended and len(events) < _MOST_EVENTS:
                return
            if time.monotonic() - said > QUIET_S:
                said = time.monotonic()
                yield ": nothing new\n\n"
            if await _is_over(door, request, began):
                return
    except (InnageError, HTTPException):
        return  # the store or the token is no longer good: who asks again is told
    finally:
        door.streams.open -= 1


def _look(door: Door, request: Request, key: str, after: int) -> tuple[bool, tuple[JobEvent, ...]]:
    """Whether a job has ended, and then what is told of it; in this order, so that nothing is missed."""
    door.authorise(request.headers.get("authorization"))
    ended = door.store.queued_job(key).state.has_ended
    return ended, door.store.job_events(key, after, _MOST_EVENTS)


async def _is_over(door: Door, request: Request, began: float) -> bool:
    """Wait for the next look; whether there is to be none."""
    until = time.monotonic() + LOOK_S
    while time.monotonic() < until:
        if door.streams.ending.is_set() or time.monotonic() - began > MOST_S:
            return True
        if await request.is_disconnected():
            return True
        await anyio.sleep(_SLICE_S)
    return False


def _sent(event: JobEvent) -> str:
    """An event on the line; its text is JSON, in which there is no end of line."""
    return f"id: {event.number}\nevent: {event.kind.value}\ndata: {json.dumps(event_facts(event))}\n\n"
