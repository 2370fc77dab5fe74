"""The book of jobs and the audit, as HTTP gives them."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import httpx
import pytest

from dataset.records import Actor, AuditEntry, Held, KnownBy, NewJob, QueuedJob, Scope
from dataset.store import Store
from dataset.store.team import clock
from dataset.words import JobEventKind, JobReason
from desks import signed_in, table_of
from innage.service.pages.binder import audit_sheet
from innage.service.pages.jobs import job_sheets

MARKUP = "<script>alert(1)</script> & <b>more</b>"


@pytest.fixture
def reader(team: Store, browser: httpx.Client) -> httpx.Client:
    """Somebody who may run jobs and read the audit."""
    return signed_in(browser, team.add_token("kim", [Scope.READ, Scope.RUN, Scope.ADMIN])[1])


@pytest.mark.longer
def test_a_job_is_a_log_sheet(team: Store, reader: httpx.Client) -> None:
    """What was asked and what happened; of progress that goes on the last word; the same as in the files."""
    new = NewJob("sweep", {"model": "m1", "seed": 0}, {"model": "a" * 64}, {"innage": "9"})
    job = team.queue_job(new)
    waits = reader.get(f"/jobs/{job.key[:12]}").text
    assert ("It waits for a runner" in waits, "Cancel the job" in waits) == (True, True)
    taken = team.claim_job("a runner", {"innage": "9"})
    assert taken is not None
    held = Held(taken.key, taken.fence)
    for text in ("1 of 3", "2 of 3", "3 of 3"):
        team.tell_of_job(held, JobEventKind.PROGRESS, text)
    team.job_failed(held, JobReason.REFUSED, "<script>no such set</script>")
    sheet = reader.get(f"/jobs/{job.key[:12]}").text
    assert ("3 of 3" in sheet, "2 of 3" in sheet, "Cancel the job" in sheet) == (True, False, False)
    assert ("Failed: refused." in sheet, "<script" in sheet) == (True, False)
    rows = reader.get(f"/jobs/{job.key}/log.json").json()
    assert [row["text"] for row in rows if row["kind"] == "progress"] == ["1 of 3", "2 of 3", "3 of 3"]
    assert reader.get(f"/jobs/{job.key}.json").json()["log"] == rows
    assert [row["job"] for row in reader.get("/jobs.json?state=failed").json()] == [job.key]
    assert reader.get("/jobs.json?state=queued&state=running").json() == []
    assert "No job is running." in reader.get("/jobs?state=running").text
    assert reader.get("/jobs?state=done").status_code == 422


@pytest.mark.longer
def test_the_audit_is_asked_by_who_token_and_hash(team: Store, reader: httpx.Client) -> None:
    """The same rows as the store's, the newest first; a chain that was changed is told."""
    session = team.sessions()[0]
    (token,) = (one for one in team.tokens() if one.name == "kim")
    team.tag([session.id], ["read"])
    team.void(session.id, "<script>alert(1)</script>")
    assert "<script" not in reader.get("/audit").text
    for query, rows in (
        ("", team.audit()),
        (f"?about={session.sha256[:8]}", team.audit_about(session.sha256[:8])),
        ("?who=kim", team.audit(who="kim")),
        (f"?token={token.id}", team.audit(token=token.id)),
        ("?before=3", team.audit()[:2]),
    ):
        shown = reader.get(f"/audit.json{query}").json()
        assert [row["sha256"] for row in shown] == [row.sha256 for row in reversed(rows)], query
    assert reader.get("/audit?about=xyz").status_code == 422
    assert "The chain is whole," in reader.get("/audit").text
    with team._database.writing() as orm:  # somebody by another program
        connection = orm.connection()
        for (name,) in connection.exec_driver_sql(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).all():
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        connection.exec_driver_sql("UPDATE audit SET reason = 'nothing' WHERE number = 2")
    assert "The chain is not whole." in reader.get("/audit").text


def test_the_audit_is_for_who_may(team: Store, browser: httpx.Client) -> None:
    desk = signed_in(browser, team.add_token("reader", [Scope.READ])[1])
    assert [desk.get(path).status_code for path in ("/audit", "/audit.csv")] == [403, 403]
    assert "/audit" not in desk.get("/").text


def seconds(at: str) -> str:
    """An instant of the store as pages write it."""
    return f"{datetime.fromisoformat(at):%Y-%m-%d %H:%M:%S} UTC"


def audited(row: AuditEntry) -> dict[str, str]:
    """A row of the audit as its page has it."""
    return {
        "Row": str(row.number),
        "When": seconds(row.at),
        "Who": f"{row.who} {row.token or row.known_by}",
        "Did": row.kind,
        "About": (row.about or row.object_sha256)[:12],
        "Says": row.reason or "",
        "Hash": row.sha256[:12],
    }


@pytest.mark.longer
def test_the_audit_is_turned_page_by_page(
    team: Store, reader: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each row once and in its columns, the newest first, with the filter on from page to page and in the
    files; what people wrote is text.
    """
    by = team.add_token("lee", [*Scope])[0].id
    lee = team.acting_as(Actor("lee & sons", KnownBy.TOKEN, by, scopes=frozenset(Scope)))
    session, other = (one for one in team.sessions()[:2])
    for number in range(4):
        lee.tag([session.id], [f"day-{number}"])
        team.tag([other.id], [f"day-{number}"])
    team.tag([session.id], ["by-another"])
    lee.void(session.id, MARKUP)
    monkeypatch.setattr(audit_sheet, "MOST_SHOWN", 3)
    monkeypatch.setattr(audit_sheet, "MOST_FILED", 7)
    about = session.sha256[:12]
    for query, rows in (
        ("", team.audit()),
        ("?who=lee+%26+sons", team.audit(who="lee & sons")),
        (f"?token={by}&who=lee+%26+sons", team.audit(token=by)),
        (f"?about={about}", team.audit_about(about)),
        (f"?token={by}&about={about}", team.audit_about(about, token=by)),
    ):
        expected = [audited(row) for row in reversed(rows)]
        shown, address = list[dict[str, str]](), f"/audit{query}"
        for _ in range(len(rows)):
            page = reader.get(address).text
            table = table_of(page, "rows")
            assert 1 <= len(table) <= 3
            shown += table
            assert ("<script" in page, "<b>" in page) == (False, False)
            for name in query.strip("?").split("&"):
                assert all(name in href for href in re.findall(r'href="(/audit\.[^"]*)"', page)), query
            onward = re.search(r'rel="next" href="([^"]+)"', page)
            if onward is None:
                break
            address = onward[1].replace("&amp;", "&")
        assert shown == expected, query
        files = reader.get(f"/audit.json{query}").json()
        assert [row["number"] for row in files] == [row.number for row in reversed(rows)][:7]
    of_lee = [row.number for row in team.audit(token=by)]
    for more in ("", f"&about={about}"):
        rows = reader.get(f"/audit.json?token={by}&before={of_lee[2]}{more}").json()
        assert [row["number"] for row in rows] == of_lee[1::-1]


def test_a_long_audit_is_walked_when_asked_for(
    team: Store, reader: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    (last,) = team.last_audit(1)
    for most, walked in ((last.number, True), (last.number - 1, False)):
        monkeypatch.setattr(audit_sheet, "MOST_WALKED", most)
        page = reader.get("/audit?who=kim").text
        assert ("The chain is whole," in page, "was not walked" in page) == (walked, not walked)
    assert 'href="/audit?who=kim&amp;walk=yes"' in page
    assert "The chain is whole," in reader.get("/audit?who=kim&walk=yes").text


def queue(team: Store, monkeypatch: pytest.MonkeyPatch) -> list[QueuedJob]:
    """A job of each way to stand, the oldest first, asked for a minute apart: failed, cancelled, succeeded,
    running and asked to end, queued.
    """
    now, minutes = clock.now, 0

    def later(by: float) -> None:
        nonlocal minutes
        minutes += 1
        monkeypatch.setattr(clock, "now", lambda orm: now(orm) + timedelta(minutes=minutes, seconds=by))

    asked = []
    for number, (kind, settings) in enumerate(
        (
            ("sweep", {"model": MARKUP}),
            ("train", {"frozen": "set1", "name": "new"}),
            ("compare", {"first": "m1", "second": "n1"}),
            ("study", {"model": "m1"}),
            ("report", {"about": "frozen", "name": "set1"}),
        )
    ):
        later(0.0)
        versions = {"innage": str(number), "numpy": MARKUP}
        asked.append(team.queue_job(NewJob(kind, settings, {"model": f"{number}" * 64}, versions)))
        if number in (1, 4):
            continue
        later(0.5)
        taken = team.claim_job("a runner", versions)
        assert taken is not None
        held = Held(taken.key, taken.fence)
        if number == 0:
            team.job_failed(held, JobReason.WORKER_LOST, MARKUP)
        elif number == 2:
            team.job_succeeded(held, {"figures": "e" * 64}, {MARKUP: b"a page"})
    for key in (asked[1].key, asked[3].key):
        team.cancel_job(key)
    return [team.queued_job(job.key) for job in asked]


@pytest.mark.longer
def test_the_book_of_jobs_has_each_in_its_columns(
    team: Store, reader: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The newest first, as its files have them, with the states that were asked for; the last so many are
    said to be that.
    """
    jobs = queue(team, monkeypatch)
    abouts = [MARKUP, "set1, new", "m1, n1", "m1", "set1"]
    came = ["failed : worker lost", "cancelled", "succeeded", "running, asked to end", "queued"]
    rows = [
        {
            "Job": job.key[:12],
            "Kind": job.kind,
            "About": about,
            "Asked": seconds(job.asked_at),
            "By": job.asked_by,
            "Attempts": str(job.attempts),
            "Took with waiting, s": "" if job.ended is None else f"{took(job):.1f}",
            "Came to": said,
        }
        for job, about, said in zip(jobs, abouts, came, strict=True)
    ]
    assert sorted({job.attempts for job in jobs}) == [0, 1]
    page = reader.get("/jobs").text
    assert table_of(page, "book") == rows[::-1]
    assert ("<script" in page, "<b>" in page, ", the last " in page) == (False, False, False)
    told = reader.get("/jobs.json").json()
    assert [(one["job"], one["about"], one["took_s"], one["attempts"]) for one in told[::-1]] == [
        (job.key, about, None if job.ended is None else took(job), job.attempts)
        for job, about in zip(jobs, abouts, strict=True)
    ]
    two = "?state=failed&state=queued"
    assert table_of(reader.get(f"/jobs{two}").text, "book") == [rows[4], rows[0]]
    assert f'href="/jobs.csv{two.replace("&", "&amp;")}"' in reader.get(f"/jobs{two}").text
    assert [one["job"] for one in reader.get(f"/jobs.json{two}").json()] == [jobs[4].key, jobs[0].key]
    monkeypatch.setattr(job_sheets, "MOST_LISTED", 2)
    page = reader.get("/jobs").text
    assert (table_of(page, "book"), ", the last 2" in page) == ([rows[4], rows[3]], True)
    assert [one["job"] for one in reader.get("/jobs.json").json()] == [jobs[4].key, jobs[3].key]


def took(job: QueuedJob) -> float:
    """Seconds from the asking to the end."""
    assert job.ended is not None
    return (datetime.fromisoformat(job.ended) - datetime.fromisoformat(job.asked_at)).total_seconds()


@pytest.mark.longer
def test_a_log_sheet_has_all_that_is_known_of_a_job(
    team: Store, reader: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its log in order, with how long after the asking; what it came to, worked on and was told, as text."""
    for job in queue(team, monkeypatch):
        page, facts = reader.get(f"/jobs/{job.key[:12]}").text, reader.get(f"/jobs/{job.key}.json").json()
        events = team.job_events(job.key)
        asked = datetime.fromisoformat(job.asked_at)
        assert table_of(page, "log") == [
            {
                "When": seconds(event.at),
                "After, s": f"{(datetime.fromisoformat(event.at) - asked).total_seconds():.1f}",
                "Attempt": str(event.attempt or ""),
                "Entry": event.kind.value,
                "Says": event.text + (f" {event.object_sha256[:12]}" if event.object_sha256 else ""),
            }
            for event in events
        ]
        assert [one["number"] for one in facts["log"]] == [event.number for event in events]
        assert {row["What"]: row["Hash or version"] for row in table_of(page, "on")} == {
            **job.inputs,
            **job.versions,
        }
        came = {row["What"]: row["SHA-256"] for row in table_of(page, "came")}
        assert came == (facts["result"] or {}) | {f"file {name}": sha for name, sha in facts["files"].items()}
        assert len(came) == 2 * (job.state == "succeeded")
        told = re.findall(r"<dt>Setting: (\w+)</dt><dd>(.*?)</dd>", page)
        assert len(told) == len(job.settings)
        assert ("<script" in page, "<b>" in page) == (False, False)
        assert ("Failed: worker lost." in page) == (job.state == "failed")
        assert ("Cancel the job" in page) == (job.state == "queued")
    whole = len(events)
    for most, said in ((whole, True), (whole + 1, False)):
        monkeypatch.setattr(job_sheets, "MOST_EVENTS", most)
        assert ("the first" in reader.get(f"/jobs/{job.key}").text) == said
