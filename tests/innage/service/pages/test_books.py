"""The book of jobs and the audit, as HTTP gives them."""

from __future__ import annotations

import httpx
import pytest

from dataset.records import Held, NewJob, Scope
from dataset.store import Store
from dataset.words import JobEventKind, JobReason
from desks import signed_in


@pytest.fixture
def reader(team: Store, browser: httpx.Client) -> httpx.Client:
    """Somebody who may run jobs and read the audit."""
    return signed_in(browser, team.add_token("kim", [Scope.READ, Scope.RUN, Scope.ADMIN])[1])


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
