"""What is shown of the queue of jobs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dataset.words import JobEventKind
from innage.terminal.output import harmless, say, table

if TYPE_CHECKING:
    from dataset.records import JobEvent, QueuedJob

DIGITS = 12  # of a job's key that are shown


def show_jobs(jobs: Sequence[QueuedJob]) -> None:
    """The queue, the newest job first."""
    if not jobs:
        say("no jobs yet: try 'innage job add KIND ...', which 'innage runner' does")
        return
    cells = [
        (
            job.key[:DIGITS],
            job.kind,
            _about(job.settings),
            _state(job),
            job.attempts,
            job.asked_by,
            job.asked_at[:10],
        )
        for job in jobs
    ]
    table("jobs", ("job", "kind", "of", "state", "attempts", "asked by", "asked at"), cells)


def _about(settings: Mapping[str, Any]) -> str:
    """The names that tell a job from others."""
    named = (settings.get(key) for key in ("about", "model", "first", "second", "frozen", "name"))
    return " ".join(str(name)[: DIGITS * 2] for name in named if name)


def _state(job: QueuedJob) -> str:
    if job.reason is not None:
        return f"{job.state}: {job.reason}"
    return (
        f"{job.state}, to be cancelled"
        if job.cancel_requested and not job.state.has_ended
        else job.state.value
    )


def show_job(job: QueuedJob, files: Mapping[str, str], last: JobEvent | None) -> None:
    """One job."""
    say(f"job {job.key}")
    say(f"{job.kind}: {_state(job)}, attempt {job.attempts}; asked by {job.asked_by} at {job.asked_at}")
    if last is not None and last.text and not job.state.has_ended:
        say(f"{last.kind}: {last.text}")
    elif last is not None and job.reason is not None:
        say(last.text)
    given = [(name.replace("_", " "), _said(value)) for name, value in sorted(job.settings.items())]
    table("settings", ("setting", "value"), given)
    table("works on", ("input", "hash"), _hashes(job.inputs))
    if job.result is not None:
        table("came to", ("what", "hash"), _hashes(job.result.hashes))
    if files:
        table("files", ("file", "hash"), _hashes(files))


def _said(value: Any) -> str:
    """A setting as people say it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value)) or "-"
    return "-" if value is None else str(value)


def _hashes(named: Mapping[str, str]) -> list[tuple[str, str]]:
    return [(name, digest[:DIGITS]) for name, digest in named.items()]


def show_events(events: Iterable[JobEvent]) -> None:
    """A line for each event."""
    for event in events:
        what = event.kind.value if event.kind.value != "log" else ""
        of = "of 'prove', for " if event.kind is JobEventKind.OPENING else ""
        print(harmless(f"{event.at[:19]}Z  {what:12} {of}{event.text}".rstrip()), flush=True)
