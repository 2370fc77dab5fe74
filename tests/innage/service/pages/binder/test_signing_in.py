"""Signing in by a token, and what is done at a desk then."""

from __future__ import annotations

import re
from datetime import timedelta

import httpx
import pytest

from dataset.canonical import limits_sha256
from dataset.errors import StoreError
from dataset.records import KnownBy, Limit, Limits, Scope
from dataset.store import Store
from dataset.store.team import clock, sign_ins
from dataset.store.whole.integrity import check_store
from desks import signed_in
from doors import open_door
from innage.runner.running import run_jobs
from innage.service.door import Settings
from innage.service.rights import RULES, is_page

FORMS = [path for (method, path) in RULES if method == "POST" and is_page(path)]


def usable(store: Store) -> str:
    """The id of a session that is not void."""
    return next(line.id for line in store.page_of_session_lines().items if line.void_reason is None)


@pytest.mark.longer
def test_a_token_is_exchanged_for_a_cookie(team: Store, browser: httpx.Client, writer: str) -> None:
    """OWASP ASVS 5.0, 3.3.1 to 3.3.4: __Host-, Secure, HttpOnly, SameSite. Neither the token nor what the
    cookie holds is in the store.
    """
    asked = browser.get("/sessions?limit=2")
    assert (asked.status_code, 'name="onward" value="/sessions?limit=2"' in asked.text) == (401, True)
    assert "www-authenticate" not in asked.headers
    wrong = browser.post("/sign-in", data={"token": writer[:-1]})
    assert (wrong.status_code, "set-cookie" in wrong.headers) == (422, False)
    right = browser.post("/sign-in", data={"token": f" {writer} ", "onward": "/sessions?limit=2"})
    assert (right.status_code, right.headers["location"]) == (303, "/sessions?limit=2")
    cookie, *attributes = right.headers["set-cookie"].split("; ")
    assert attributes == ["Path=/", "Secure", "HttpOnly", "SameSite=Lax"]
    name, _, secret = cookie.partition("=")
    assert (name, len(secret)) == ("__Host-innage", 43)
    page = browser.get("/", headers={"Cookie": cookie})
    assert (page.status_code, "signed in by kim" in page.text) == (200, True)
    assert secret.encode() not in team.path.read_bytes()
    assert check_store(team.path).faults == ()
    assert browser.get("/v1", headers={"Cookie": cookie}).status_code == 401  # what is for programs
    browser.post("/sign-out", headers={"Cookie": cookie})
    assert browser.get("/", headers={"Cookie": cookie}).status_code == 401


@pytest.mark.longer
def test_it_ends(team: Store, browser: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the token, revoked or expired (7.4.1), and after eight hours without a page."""
    record, token = team.add_token("kim", [Scope.READ], days=1)
    signed_in(browser, token)
    assert browser.get("/units").status_code == 200
    now = clock.now

    def later(hours: float) -> None:
        monkeypatch.setattr(clock, "now", lambda orm: now(orm) + timedelta(hours=hours))

    later(7.9)
    assert browser.get("/units").status_code == 200  # and is seen
    later(15.8)
    assert browser.get("/units").status_code == 200
    later(23.9)
    assert browser.get("/units").status_code == 401
    later(0.0)
    signed_in(browser, team.add_token("lee", [Scope.READ], days=1)[1])
    later(7.0)
    assert browser.get("/units").status_code == 200
    later(14.0)
    assert browser.get("/units").status_code == 200
    later(21.0)
    assert browser.get("/units").status_code == 200
    later(24.1)
    assert browser.get("/units").status_code == 401  # seen, and the token is past its day
    later(0.0)
    signed_in(browser, token)
    team.revoke_token(record.id, "its card was lost")
    assert browser.get("/units").status_code == 401


def test_a_changed_sign_in_is_told(team: Store, writer: str) -> None:
    signed = team.sign_in(writer)
    assert signed is not None
    with team._database.writing() as orm:  # somebody by another program
        orm.connection().exec_driver_sql("UPDATE sign_in SET seen = '2999-01-01T00:00:00.000000Z'")
    with pytest.raises(StoreError, match="sign-in"):
        team.signed_in(signed[1])


@pytest.mark.longer
def test_forms_of_strangers_are_refused(browser: httpx.Client, team: Store, writer: str) -> None:
    """A browser says where a form was sent from (Fetch Metadata; Origin, RFC 6454). Every form is tried; the
    one that signs out comes last.
    """
    signed_in(browser, writer)
    host, before = str(browser.base_url.netloc, "ascii"), team.last_audit(1)
    fields = {"reason": "it leaked", "tag": "x", "token": writer}
    for path in sorted(FORMS, key=lambda path: path == "/sign-out"):
        address = path.replace("{key}", usable(team)).replace("{sha256}", "1" * 64)
        for headers in (
            {"Sec-Fetch-Site": "cross-site"},
            {"Sec-Fetch-Site": "same-site", "Origin": f"http://{host}"},
            {"Sec-Fetch-Site": "", "Origin": f"http://{host}"},
            {"Origin": "http://evil.test"},
            {"Origin": "null"},
            {"Origin": "http://[::"},
            {},
        ):
            request = browser.build_request("POST", address, data=fields)
            request.headers.pop("Sec-Fetch-Site")
            request.headers.update(headers)
            answer = browser.send(request)
            assert (answer.status_code, "came from elsewhere" in answer.text) == (403, True), (path, headers)
    assert team.last_audit(1) == before
    for path in sorted(FORMS, key=lambda path: path == "/sign-out"):
        key = next(line.id for line in team.page_of_session_lines().items)
        address = path.replace("{key}", key).replace("{sha256}", "1" * 64)
        same = browser.build_request("POST", address, data=fields)
        same.headers.pop("Sec-Fetch-Site")
        same.headers["Origin"] = f"https://{host}"  # TLS ends in front of the service
        assert browser.send(same).status_code in (303, 404, 422), path  # looked at, whatever comes of it


@pytest.mark.longer
def test_each_act_stands_in_the_audit(team: Store, browser: httpx.Client, writer: str) -> None:
    """As done by the token, as over HTTP."""
    key = usable(team)
    desk = signed_in(browser, writer)
    assert "At the desk" in desk.get(f"/sessions/{key}").text
    for act, fields, kind in (
        ("tag", {"tag": "bench-day"}, "tag"),
        ("tag", {"tag": "bench-day", "remove": "yes"}, "tag removed"),
        ("amend", {"firmware": "9.9", "reason": "read off the board"}, "amendment"),
        ("void", {"reason": "the scale slipped"}, "void"),
        ("take-back", {"reason": "it was another"}, "void taken back"),
    ):
        done = desk.post(f"/sessions/{key}/{act}", data=fields)
        assert done.status_code == 303, done.text
        shown = desk.get(done.headers["location"])
        assert 'role="status"' in shown.text
        (row,) = team.last_audit(1)
        assert (row.kind, row.who, row.known_by) == (kind, "kim", KnownBy.TOKEN)
        assert row.about == team.session(key).sha256
    assert team.session(key).occasion.firmware == "9.9"
    assert team.audit_faults() == ()


@pytest.mark.longer
def test_a_faulty_form_keeps_what_was_filled_in(team: Store, browser: httpx.Client, writer: str) -> None:
    key = usable(team)
    desk = signed_in(browser, writer)
    for act, fields, said, at in (
        ("void", {"reason": ""}, "reason: is empty", "void-reason"),
        ("tag", {"tag": "two words"}, "two words", "tag-tag"),
        ("amend", {"unit": "nobody", "reason": "why"}, "nobody", "amend-unit"),
        ("amend", {"condition": "wall=glue", "reason": "why"}, "glue", "amend-condition"),
        ("amend", {"reason": "why"}, "nothing is stated anew", "amend-reason"),
        ("take-back", {"reason": "why"}, "not void", "take-back-reason"),
    ):
        answer = desk.post(f"/sessions/{key}/{act}", data=fields)
        assert (answer.status_code, said in answer.text) == (422, True), answer.text
        assert re.search(r'role="alert"', answer.text)
        if act != "take-back":  # whose form is not there while the session is usable
            assert f'href="#{at}"' in answer.text
            assert f'id="{at}"' in answer.text
        for value in filter(None, fields.values()):
            if act != "take-back":
                assert f'value="{value}"' in answer.text
    wrong = desk.post(f"/sessions/{key}/void", content=b"{}", headers={"Content-Type": "application/json"})
    assert wrong.status_code == 415


@pytest.mark.longer
def test_rights_are_those_of_the_token(team: Store, browser: httpx.Client) -> None:
    """No form is there for what a token does not allow, and none is taken; of another bench neither."""
    key = usable(team)
    desk = signed_in(browser, team.add_token("reader", [Scope.READ, Scope.PULL])[1])
    assert "At the desk" not in desk.get(f"/sessions/{key}").text
    before = team.last_audit(1)
    for path in FORMS:
        if not path.startswith("/sign-"):
            address = path.replace("{key}", key).replace("{sha256}", "1" * 64)
            answer = desk.post(address, data={"reason": "x", "tag": "x"})
            assert (answer.status_code, "does not have the scope" in answer.text) == (403, True)
    elsewhere = team.add_token("other", [Scope.READ, Scope.AMEND], bench="b" * 32)[1]
    signed_in(browser, elsewhere)
    refused = desk.post(f"/sessions/{key}/void", data={"reason": "x"})
    assert (refused.status_code, "bench" in refused.text) == (403, True)
    assert [row for row in team.audit(before[0].number) if row.kind == "void"] == []


@pytest.mark.longer
def test_many_wrong_tokens_are_told_to_wait(team: Store, browser: httpx.Client, writer: str) -> None:
    assert writer
    with open_door(team, Settings(per_second=0.01, at_once=50), authorise=None) as url:
        answers = [browser.post(f"{url}/sign-in", data={"token": "x"}).status_code for _ in range(4)]
    assert answers == [422, 422, 429, 429]


def test_who_was_not_seen_for_long_is_let_go(
    team: Store, writer: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert team.sign_in(writer)
    now = clock.now
    monkeypatch.setattr(clock, "now", lambda orm: now(orm) + 2 * sign_ins.IDLE)
    assert team.sign_in(writer)
    with team._database.reading() as orm:
        assert orm.connection().exec_driver_sql("SELECT count(*) FROM sign_in").scalar() == 1


@pytest.mark.longer
def test_limits_are_signed_as_they_were_shown(team: Store, browser: httpx.Client, writer: str) -> None:
    """The same rows, a further revision, the signer's name; not of limits that became others meanwhile."""
    team.add_limits(Limits("owner", 0, (Limit("rmse_mm", 2.0),)))
    desk = signed_in(browser, writer)
    page = desk.get("/limits/owner@1").text
    shown = re.search(r'name="sha256" value="(\w{64})"', page)
    assert shown is not None
    assert shown[1] == limits_sha256(team.limits("owner"))
    for fields, said in (({"sha256": shown[1], "signer": ""}, "is empty"), ({"signer": "A"}, "are others")):
        refused = desk.post("/limits/owner@1/sign", data=fields)
        assert (refused.status_code, said in refused.text) == (422, True)
    done = desk.post("/limits/owner@1/sign", data={"sha256": shown[1], "signer": "A. Owner"})
    assert (done.status_code, done.headers["location"]) == (303, "/limits/owner@2?done=signed")
    assert "Signed by A. Owner" in desk.get("/limits/owner").text
    assert team.limits("owner").rows == team.limits("owner@1").rows
    (row,) = team.last_audit(1)
    assert (row.kind, row.who, row.reason) == ("sign-off", "kim", "A. Owner")
    assert "Sign these limits" not in desk.get("/limits/owner@1").text  # superseded


@pytest.mark.longer
def test_a_job_is_asked_for_and_asked_to_end(team: Store, browser: httpx.Client) -> None:
    """As ``innage job add`` and ``cancel`` do; faults are sentences, and values of their types."""
    desk = signed_in(browser, team.add_token("kim", [Scope.READ, Scope.RUN])[1])
    name = team.models()[0].frozen.name
    assert team.queued_jobs() == ()
    asked = re.findall(r'id="order-(\w+)"', desk.get("/order?kind=train").text)
    assert (set(asked[1:3]), asked[-1]) == ({"frozen", "name"}, "since_pour")  # what is needed, ... ticked
    for fields, said, at in (
        ({"kind": "replay"}, "one of train", "order-kind"),
        ({"kind": "report", "about": "frozen", "name": "nowhere"}, "nowhere", "order-name"),
        ({"kind": "train", "frozen": name, "name": "new", "seed": "1.5"}, "a whole number", "order-seed"),
    ):
        refused = desk.post("/order", data=fields)
        assert (refused.status_code, said in refused.text) == (422, True)
        assert f'href="#{at}"' in refused.text
        assert f'id="{at}"' in refused.text
    queued = desk.post("/order", data={"kind": "report", "about": "frozen", "name": name, "second": ""})
    assert queued.status_code == 303, queued.text
    (job,) = team.queued_jobs()
    assert (job.kind, job.asked_by, job.settings["name"]) == ("report", "kim", name)
    assert job.key[:12] in desk.get(queued.headers["location"]).text
    for _ in range(2):  # once more changes nothing
        assert desk.post(f"/jobs/{job.key}/cancel", data={}).status_code == 303
    desk.post("/order", data={"kind": "report", "about": "frozen", "name": name, "second": ""})
    run_jobs(team, once=True)
    done = team.queued_jobs()[0]
    refused = desk.post(f"/jobs/{done.key}/cancel", data={})
    assert (refused.status_code, f"has {done.state}" in refused.text) == (422, True)
    kinds = [(row.kind, row.who) for row in team.last_audit(3)]
    assert kinds == [("job", "kim"), ("job cancel", "kim"), ("job", "kim")]
