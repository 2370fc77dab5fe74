"""The queue: one runner a job, leases by the database's clock, writes that only who holds a job may do."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
from stores import ROLES, behind, model_of, refusal_of

from building import Bench
from dataset.errors import (
    ChangedMeanwhileError,
    InputError,
    LeaseLostError,
    NotAllowedError,
    NotFoundError,
    StoreError,
)
from dataset.records import FrozenSet, GroupBy, Held, NewJob, QueuedJob, Scope
from dataset.store import Store
from dataset.store.queue import adding, events
from dataset.store.team import clock
from dataset.store.whole.integrity import check_store
from dataset.words import JobEventKind, JobReason, JobState

Register = Callable[[Store], Bench]
MINE = {"python": "3.11"}
NEW = NewJob("sweep", {"model": "m", "role": "choose"}, {"model": "a" * 64}, MINE)


def claimed(store: Store) -> Held:
    job = store.claim_job("host 1", MINE)
    assert job is not None
    return Held(job.key, job.fence)


def later(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    """The database's clock is so many seconds ahead."""
    real = clock.now
    monkeypatch.setattr(clock, "now", lambda orm: real(orm) + timedelta(seconds=seconds))


def told(store: Store, key: str) -> list[str]:
    return [event.kind.value for event in store.job_events(key)]


def states(store: Store) -> list[JobState]:
    return [job.state for job in store.queued_jobs()]


@pytest.fixture
def frozen(store: Store, register: Register) -> FrozenSet:
    """A frozen set with a prove group."""
    session = store.add_sessions([register(store).session(1)])[0]
    return store.freeze("set", [session], GroupBy.LEVEL, ROLES)


def test_what_is_asked_for_again_is_the_same_job(store: Store) -> None:
    """While it has not ended; another setting, input or version is another job."""
    job = store.queue_job(NEW)
    assert (job.state, job.attempts, job.asked_by != "") == (JobState.QUEUED, 0, True)
    assert store.queue_job(NEW) == job
    held = claimed(store)
    assert store.queue_job(NEW).key == job.key
    others = [
        replace(NEW, settings={"model": "m", "role": "prove"}),
        replace(NEW, inputs={"model": "b" * 64}),
        replace(NEW, versions={"python": "3.12"}),
        replace(NEW, kind="study"),
    ]
    assert len({store.queue_job(other).key for other in others} | {job.key}) == 5
    store.job_succeeded(held, {"figures": "c" * 64}, {})
    again = store.queue_job(NEW)
    assert (again.identity, again.key != job.key, again.state) == (job.identity, True, JobState.QUEUED)
    assert check_store(store.place).sound


def test_a_job_from_queue_to_end(store: Store) -> None:
    """What is told of it, in order, and the files that it kept."""
    job = store.queue_job(replace(NEW, inputs={"file log.csv": adding_hash(b"t,c")}, files={"x": b"t,c"}))
    held = claimed(store)
    store.tell_of_job(held, JobEventKind.PROGRESS, "fitting, 1 of 3")
    done = store.job_succeeded(held, {"figures": "c" * 64}, {"sweep.json": b"{}"})
    assert (done.state, done.attempts, done.lease_until) == (JobState.SUCCEEDED, 1, None)
    assert store.queued_job(job.key[:6]) == done
    assert told(store, job.key) == ["queued", "claimed", "progress", "succeeded"]
    assert done.result is not None
    assert done.result.hashes == {"figures": "c" * 64}
    assert adding.files_of(done) == {"in/log.csv": adding_hash(b"t,c"), "sweep.json": adding_hash(b"{}")}
    assert [store.job_file(job.key, sha256) for sha256 in adding.files_of(done).values()] == [b"t,c", b"{}"]
    last = store.job_events(job.key, after=store.job_events(job.key)[1].number)
    assert [event.kind for event in last] == [JobEventKind.PROGRESS, JobEventKind.SUCCEEDED]
    with pytest.raises(NotFoundError, match="there is none"):
        store.job_file(job.key, "d" * 64)
    with behind(store) as connection, pytest.raises(refusal_of(store), match="never changes"):
        connection.execute("UPDATE job SET attempts = 2")


def adding_hash(content: bytes) -> str:
    import hashlib

    return hashlib.sha256(content).hexdigest()


def test_what_was_asked_never_changes(store: Store) -> None:
    """Neither the job nor what is told of it; a job that has not ended moves on by its own columns."""
    store.queue_job(NEW)
    for statement in (
        "UPDATE job SET settings = '{}'",
        "DELETE FROM job",
        "UPDATE job_event SET text = 'x'",
        "DELETE FROM job_event",
    ):
        with behind(store) as connection, pytest.raises(refusal_of(store), match="never"):
            connection.execute(statement)


def test_a_job_is_found_by_its_first_digits(store: Store) -> None:
    job = store.queue_job(NEW)
    assert store.queued_job(job.key[:4].upper()) == job
    for ref in ("", "abc", "zzzz", job.key[:4] + "?"):
        with pytest.raises(InputError, match="the first digits of its key"):
            store.queued_job(ref)
    with pytest.raises(NotFoundError, match="is not in this store"):
        store.queued_job("0" * 64 if job.key[0] != "0" else "1" * 64)


def test_two_runners_take_no_job_twice(store: Store) -> None:
    """Six jobs, two threads that claim until there is none: each job once, the oldest first."""
    keys = [store.queue_job(replace(NEW, settings={"n": n})).key for n in range(6)]
    taken: list[tuple[str, str]] = []

    def run(runner: str) -> None:
        while (job := store.claim_job(runner, MINE)) is not None:
            taken.append((runner, job.key))

    threads = [threading.Thread(target=run, args=(name,)) for name in ("one", "two")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(key for _, key in taken) == sorted(keys)
    for name in ("one", "two"):
        own = [keys.index(key) for runner, key in taken if runner == name]
        assert own == sorted(own)


def test_a_runner_of_other_versions_takes_nothing(store: Store) -> None:
    job = store.queue_job(NEW)
    other = {"python": "3.12"}
    assert store.claim_job("host 1", other) is None
    assert [one.key for one in store.jobs_of_other_versions(other)] == [job.key]
    assert store.jobs_of_other_versions(MINE) == ()


def test_a_lease_that_ran_out(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The next runner takes the job; the first one is refused whatever it writes from then on. After three
    attempts it has failed.
    """
    job = store.queue_job(NEW)
    first = claimed(store)
    later(monkeypatch, 20.0)
    assert store.claim_job("host 2", MINE) is None
    store.extend_lease(first)
    later(monkeypatch, 20.0)
    assert store.claim_job("host 2", MINE) is None
    later(monkeypatch, 31.0)
    second = claimed(store)
    assert (second.key, second.fence) == (first.key, first.fence + 1)
    for refused in (
        lambda: store.extend_lease(first),
        lambda: store.tell_of_job(first, JobEventKind.LOG, "still here"),
        lambda: store.give_job_back(first),
        lambda: store.job_cancelled(first),
        lambda: store.job_failed(first, JobReason.CRASHED, "late"),
        lambda: store.job_succeeded(first, {"figures": "e" * 64}, {}),
    ):
        with pytest.raises(LeaseLostError, match="another runner holds it"):
            refused()
    later(monkeypatch, 31.0)
    third = claimed(store)
    later(monkeypatch, 31.0)
    assert store.claim_job("host 2", MINE) is None
    lost = store.queued_job(job.key)
    assert (lost.state, lost.reason, lost.attempts) == (JobState.FAILED, JobReason.WORKER_LOST, 3)
    assert told(store, job.key) == ["queued", *("claimed", "lease lost") * 3, "failed"]
    with pytest.raises(LeaseLostError):
        store.job_succeeded(third, {"figures": "e" * 64}, {})


def test_a_job_that_is_given_back_was_not_tried(store: Store) -> None:
    """A runner that is stopped takes no attempt from a job, and holds it no longer."""
    job = store.queue_job(NEW)
    for _ in range(4):
        held = claimed(store)
        store.give_job_back(held)
        with pytest.raises(LeaseLostError):
            store.extend_lease(held)
    again = store.queued_job(job.key)
    assert (again.state, again.attempts, again.fence) == (JobState.QUEUED, 0, 4)


def test_a_job_is_cancelled(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """At once while it waits; where it runs, its runner is told, and ends it; one whose runner went silent
    meanwhile does not start again. Once more changes nothing; what succeeded cannot be.
    """
    waiting = store.queue_job(NEW)
    cancelled = store.cancel_job(waiting.key)
    assert cancelled.state is JobState.CANCELLED
    assert store.cancel_job(waiting.key) == cancelled
    assert told(store, waiting.key) == ["queued", "cancel asked", "cancelled"]
    done = store.queue_job(NEW)
    store.job_succeeded(claimed(store), {"figures": "c" * 64}, {})
    with pytest.raises(ChangedMeanwhileError, match="has succeeded; expected one that is queued or runs"):
        store.cancel_job(done.key)
    running = store.queue_job(NEW)
    held = claimed(store)
    asked = store.cancel_job(running.key)
    assert (asked.state, asked.cancel_requested) == (JobState.RUNNING, True)
    store.cancel_job(running.key)  # once more changes nothing
    store.job_cancelled(held)
    assert told(store, running.key) == ["queued", "claimed", "cancel asked", "cancelled"]
    silent = store.queue_job(NEW)
    claimed(store)
    store.cancel_job(silent.key)
    assert store.queue_job(NEW).key != silent.key  # who asks for it again gets another
    later(monkeypatch, 31.0)
    claimed(store)
    assert store.queued_job(silent.key).state is JobState.CANCELLED
    stopped = store.queued_jobs()[0]
    held = Held(stopped.key, stopped.fence)
    store.cancel_job(stopped.key)
    store.give_job_back(held)
    assert store.queued_job(stopped.key).state is JobState.CANCELLED


def test_another_result_of_the_same_job_is_an_alarm(store: Store) -> None:
    """It fails, both keep their hashes, and the event names both; about something else that was said since
    nothing is compared.
    """

    def came_to(figures: str, said: str | None = None) -> QueuedJob:
        store.queue_job(NEW)
        return store.job_succeeded(claimed(store), {"figures": figures * 64}, {}, said)

    first = came_to("a")
    assert came_to("a").state is JobState.SUCCEEDED
    differs = came_to("b")
    assert (differs.state, differs.reason) == (JobState.FAILED, JobReason.RESULT_DIFFERS)
    assert differs.result is not None
    assert differs.result.hashes == {"figures": "b" * 64}
    text = store.job_events(differs.key)[-1].text
    assert all(part in text for part in ("a" * 64, "b" * 64, first.key[:12]))
    assert came_to("b", "something").state is JobState.SUCCEEDED
    assert came_to("a", "something").state is JobState.FAILED
    assert came_to("a", "else").state is JobState.SUCCEEDED


def test_who_lost_a_job_writes_nothing(
    store: Store, frozen: FrozenSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A model is kept by who holds the job, and the job's events tell it; the one before is refused, and
    nothing of it is there.
    """
    store.queue_job(NEW)
    first = claimed(store)
    later(monkeypatch, 31.0)
    second = claimed(store)
    with pytest.raises(LeaseLostError):
        store.holding(first).add_model(model_of(frozen))
    with pytest.raises(LeaseLostError):
        store.holding(first).open_prove(frozen, "too late")
    assert (store.models(), store.prove_openings(frozen)) == ((), 0)
    store.holding(second).add_model(model_of(frozen))
    wrote = store.job_events(second.key)[-1]
    assert (wrote.kind, wrote.text, wrote.object_sha256) == (JobEventKind.WROTE, "model m", "a" * 64)


@pytest.mark.longer
def test_an_opening_is_of_the_job(store: Store, frozen: FrozenSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two attempts are one opening, with one count, though others opened in between; a second job is a second
    one, and so is another set.
    """
    store.open_prove(frozen, "by hand")
    store.queue_job(NEW)
    assert store.holding(claimed(store)).open_prove(frozen, "sweep m") == 2
    store.open_prove(frozen, "by hand again")
    later(monkeypatch, 31.0)
    held = claimed(store)
    assert [store.holding(held).open_prove(frozen, why) for why in ("sweep m", "in other words")] == [2, 2]
    assert store.prove_openings(frozen) == 3
    renamed = store.freeze("other", frozen.sessions, GroupBy.LEVEL, {**ROLES, "25": ROLES["15"]})
    assert store.holding(held).open_prove(renamed, "sweep m") == 1
    store.job_succeeded(held, {"figures": "c" * 64}, {})
    store.queue_job(NEW)
    assert store.holding(claimed(store)).open_prove(frozen, "sweep m") == 4
    assert check_store(store.place).sound


def test_lines_are_bounded(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """So many lines of log and progress, of so many characters; then what becomes of the job."""
    monkeypatch.setattr(events, "MOST_LINES", 3)
    store.queue_job(NEW)
    held = claimed(store)
    for line in ("one", "x" * 5000, "\x1b[2J three", "four"):
        store.tell_of_job(held, JobEventKind.LOG, line)
    store.job_failed(held, JobReason.REFUSED, "no such thing")
    texts = [event.text for event in store.job_events(held.key)]
    assert texts[2:] == ["one", f"{'x' * 2000} ...", "no more lines are kept", "refused: no such thing"]


def test_a_queue_is_bounded(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adding, "MOST_QUEUED", 1)
    monkeypatch.setattr(adding, "MOST_FILE", 3)
    with pytest.raises(InputError, match="4 bytes"):
        store.queue_job(replace(NEW, files={"x": b"1234"}))
    store.queue_job(NEW)
    with pytest.raises(InputError, match="1 jobs wait already"):
        store.queue_job(replace(NEW, kind="study"))
    held = claimed(store)
    with pytest.raises(InputError, match="4 bytes"):
        store.job_succeeded(held, {"figures": "c" * 64}, {"big.json": b"1234"})
    assert store.queued_job(held.key).state is JobState.RUNNING


def test_who_may_queue_and_cancel(store: Store) -> None:
    """A token needs the scope 'run', for any bench; both acts stand in the audit chain."""
    holders = {
        name: store.acting_as(store.add_token(name, scopes, bench=bench)[0].actor)
        for name, scopes, bench in (
            ("runs", [Scope.RUN], None),
            ("pushes", [Scope.PUSH, Scope.READ], None),
            ("of-a-bench", [Scope.RUN], "b" * 32),
        )
    }
    for name in ("pushes", "of-a-bench"):
        with pytest.raises(NotAllowedError):
            holders[name].queue_job(NEW)
    assert store.queued_jobs() == ()
    job = holders["runs"].queue_job(NEW)
    assert (job.asked_by, job.token) == ("runs", holders["runs"]._actor.token)  # type: ignore[union-attr]  # it has one
    with pytest.raises(NotAllowedError):
        holders["pushes"].cancel_job(job.key)
    holders["runs"].cancel_job(job.key)
    acts = [(entry.kind, entry.who) for entry in store.last_audit(2)]
    assert acts == [("job", "runs"), ("job cancel", "runs")]
    assert store.last_audit(1)[0].about == job.key
    assert store.audit_faults() == ()


def test_an_edited_job_is_seen(store: Store) -> None:
    """By its hash, by whoever reads or takes it, and by the check."""
    job = store.queue_job(NEW)
    with behind(store) as connection:
        connection.execute("UPDATE job SET attempts = 1")
    assert not check_store(store.place).sound
    calls: list[Callable[[], object]] = [
        lambda: store.queued_job(job.key),
        lambda: store.claim_job("host 1", MINE),
        lambda: store.cancel_job(job.key),
    ]
    for refused in calls:
        with pytest.raises(StoreError, match="was changed by something else"):
            refused()
