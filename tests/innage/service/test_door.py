"""What every request passes: who is at the door, from where, how often, with how long a body."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from dataset.errors import InputError, StoreError
from dataset.store import Store
from doors import EVERYTHING, anybody, open_door
from innage.options import option_of
from innage.service import rights
from innage.service.addresses import is_loopback
from innage.service.app import make_app
from innage.service.door import Settings
from innage.service.logs import JsonLines
from innage.service.messages.wire import check_protocol
from innage.service.problems import KINDS, MEDIA_TYPE, PREFIX, error_of, parts_of
from innage.service.rate import Rate
from innage.service.rights import ALSO, RULES, Actor, Free, Scope, is_page
from innage.service.serving import Listening, listen


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


@pytest.fixture(scope="module")
def door(store: Store) -> Iterator[httpx.Client]:
    """A door that lets everybody do everything."""
    with open_door(store) as url, httpx.Client(base_url=url) as client:
        yield client


def is_problem(answer: httpx.Response, kind: str) -> dict[str, object]:
    """Asserts that an answer is a problem of this kind; its document."""
    assert answer.headers["content-type"] == MEDIA_TYPE
    document: dict[str, object] = answer.json()
    assert (document["type"], document["status"]) == (PREFIX + kind, answer.status_code)
    assert answer.status_code == KINDS[kind].status
    assert document["detail"]
    return document


def test_every_route_has_a_rule_and_every_rule_a_route(store: Store) -> None:
    """A route that nobody thought about must not be open."""
    routes = {
        (method, route.path)  # type: ignore[attr-defined]  # all of them are routes with paths
        for route in make_app(store).routes
        for method in route.methods - {"HEAD"}  # type: ignore[attr-defined]  # as above
    }
    assert routes == set(RULES)


def test_what_asks_for_more_than_reading() -> None:
    """Of the routes for programs, as docs/tokens.md says what each scope allows; what asks for less than
    here, or stands in no list, is told.
    """
    asked: dict[str, set[tuple[str, str]]] = {
        "pull": {
            ("GET", "/v1/bundles/{sha256}/files/{file}"),
            ("GET", "/v1/jobs/{key}/files/{sha256}"),
            *(("GET", f"/v1/sessions/{{key}}/packs{one}") for one in ("", "/{sha256}")),
            *(("GET", f"/v1/models/{{key}}/parts{one}") for one in ("", "/{sha256}")),
        },
        "push": {
            *(("POST", f"/v1/{one}") for one in ("objects", "groups", "groups/judged")),
            *(("POST", f"/v1/{one}") for one in ("blobs", "blobs/missing")),
            ("PUT", "/v1/blobs/{sha256}"),
        },
        "release": {
            ("PUT", "/v1/channels/{name:path}"),
            ("PUT", "/v1/bundles/{sha256}"),
            *(("POST", f"/v1/bundles/{{sha256}}/{one}") for one in ("withdraw", "take-back")),
        },
        "run": {("POST", "/v1/jobs"), ("POST", "/v1/jobs/{key}/cancel")},
        "admin": {
            *((method, "/v1/tokens") for method in ("GET", "POST")),
            ("DELETE", "/v1/tokens/{token_id}"),
            ("GET", "/v1/audit"),
        },
    }
    for scope in Scope:
        if scope is not Scope.READ:
            routes = {route for route, rule in RULES.items() if rule is scope and not is_page(route[1])}
            assert routes == asked.get(scope, set()), scope
    open_to_all = {path for (_, path), rule in RULES.items() if isinstance(rule, Free) and not is_page(path)}
    assert open_to_all == {"/healthz", "/readyz", "/v1", "/v1/openapi.json"}


@pytest.mark.longer
def test_a_route_asks_for_its_scope(store: Store) -> None:
    """Every route, by somebody with all scopes but its own, and by nobody."""

    def authorise(header: str | None) -> Actor:
        if header is None:
            raise rights.unauthorised(given=False)
        return Actor("tester", frozenset(Scope(word) for word in header.split(",") if word), "test")

    with open_door(store, authorise=authorise) as url, httpx.Client(base_url=url) as client:
        client.headers["Sec-Fetch-Site"] = "same-origin"  # as a form of a page says
        for (method, path), rule in RULES.items():
            nobody = client.request(method, path)
            if rule is Free.IN_FORM:
                is_problem(nobody, "media-type")  # nobody was asked for a token
                continue
            if rule is Free.PUBLIC:
                assert nobody.status_code == 200
                continue
            assert "no token was sent" in str(is_problem(nobody, "unauthorised")["detail"])
            assert nobody.headers["www-authenticate"] == 'Bearer realm="innage"'
            if rule is Free.ANY:
                continue
            others = ",".join(set(Scope) - {rule, *ALSO.get((method, path), ())})
            refused = client.request(method, path, headers={"authorization": others})
            assert is_problem(refused, "not-allowed")["scope"] == rule
            assert f'scope="{rule}"' in refused.headers["www-authenticate"]
        is_problem(client.get("/no/such/thing"), "unauthorised")


@pytest.mark.longer
def test_without_tokens_a_store_can_be_read_by_its_own_names(store: Store) -> None:
    with open_door(store, authorise=None) as url, httpx.Client(base_url=url) as client:
        assert client.get("/v1").status_code == 200
        for host in ("evil.example", "localhost.evil.example:80", "127.0.0.1.evil.example", ""):
            is_problem(client.get("/v1", headers={"host": host}), "host")
        for host in ("localhost", "LOCALHOST:8470", "[::1]:8470"):
            assert client.get("/v1", headers={"host": host}).status_code == 200
        is_problem(client.get("/v1", headers={"authorization": "Bearer inn_x_y"}), "unauthorised")
        assert client.get("/healthz", headers={"host": "evil.example"}).status_code == 200
    with pytest.raises(Exception, match="nothing written"):
        rights.ON_LOOPBACK.must_have([Scope.PUSH])


@pytest.mark.longer
def test_too_many_requests_are_told_when_to_come_again(store: Store) -> None:
    with (
        open_door(store, Settings(per_second=0.5, at_once=2)) as url,
        httpx.Client(base_url=url) as client,
    ):
        assert [client.get("/v1").status_code for _ in range(3)] == [200, 200, 429]
        refused = client.get("/v1")
        is_problem(refused, "rate")
        assert 1 <= int(refused.headers["retry-after"]) <= 2
        assert client.get("/healthz").status_code == 200
        is_problem(client.get("/readyz"), "rate")  # it asks the store


@pytest.mark.longer
def test_head_answers_as_get_does(door: httpx.Client) -> None:
    """The same status and head without the body, also where there is nothing (RFC 9110, 9.3.2)."""
    for path in ("/healthz", "/readyz", "/v1", "/v1/objects", "/v1/openapi.json", "/v1/no"):
        head, get = door.head(path), door.get(path)
        assert (head.status_code, head.content) == (get.status_code, b"")
        assert {**head.headers, "date": ""} == {**get.headers, "date": ""}
        assert get.content
    refused = door.head("/v1/groups")
    assert (refused.status_code, refused.headers["allow"]) == (405, "POST")


def test_a_bucket_fills_again_and_no_caller_is_kept_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr("innage.service.rate.MOST_KNOWN", 3)
    rate = Rate(2.0, 4, lambda: now[0])
    assert [rate.wait_s("a") for _ in range(5)] == [0, 0, 0, 0, 0.5]
    now[0] = 0.5
    assert rate.wait_s("a") == 0
    assert rate.wait_s("a") == 0.5
    for caller in "bcd":
        rate.wait_s(caller)
    assert len(rate._buckets) == 3


def test_what_is_not_there_is_a_problem(door: httpx.Client) -> None:
    is_problem(door.get("/v1/no"), "not-found")
    refused = door.delete("/v1")
    is_problem(refused, "method-not-allowed")
    assert refused.headers["allow"] == "GET, HEAD"


def test_health_and_readiness(door: httpx.Client, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A store that cannot be used is not ready, and its process lives nevertheless."""
    assert door.get("/readyz").json() == {"status": "ready"}
    monkeypatch.setattr(Store, "is_newest", lambda _self: False)
    is_problem(door.get("/readyz"), "not-ready")

    def broken(_self: Store) -> bool:
        raise StoreError("/secret/place.db", "is damaged")

    monkeypatch.setattr(Store, "is_newest", broken)
    refused = door.get("/readyz")
    is_problem(refused, "store")
    assert "secret" not in refused.text
    assert door.get("/healthz").json() == {"status": "alive"}


def test_what_nobody_expected_says_nothing_of_itself(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(_self: Store) -> bool:
        raise ZeroDivisionError("secret")

    monkeypatch.setattr(Store, "is_newest", broken)
    with caplog.at_level(logging.INFO), open_door(store) as url:
        answer = httpx.get(f"{url}/readyz?token=hidden", headers={"authorization": "Bearer hidden"})
    is_problem(answer, "unexpected")
    assert "secret" not in answer.text
    lines = [JsonLines().format(record) for record in caplog.records if record.name == "innage.service"]
    assert "hidden" not in "".join(lines)
    first, last = map(json.loads, lines)
    assert "ZeroDivisionError" in first["traceback"]
    assert (last["what"], last["route"], last["status"]) == ("request", "/readyz", 500)


@pytest.mark.longer
def test_the_log_says_what_was_refused_and_what_to_do_about_a_store(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Of a refusal its type; of a store that cannot be used a sentence, with a traceback where none says
    what to do.
    """
    hints = iter(("see what is lost with integrity.check", ""))

    def broken(_self: Store) -> bool:
        raise StoreError("/there.db", "is damaged", "", next(hints), fields=("integrity.check",))

    monkeypatch.setattr(Store, "is_newest", broken)
    with caplog.at_level(logging.INFO), open_door(store) as url:
        for path in ("/healthz", "/v1/no", "/readyz", "/readyz"):
            httpx.get(f"{url}{path}")
    form = JsonLines(option_of)
    lines = [json.loads(form.format(r)) for r in caplog.records if r.name == "innage.service"]
    requests = [line for line in lines if line["what"] == "request"]
    assert [line.get("problem") for line in requests] == [None, "not-found", "store", "store"]
    known, unknown = (line for line in lines if line["what"] == "the store cannot be used")
    assert known["why"] == "/there.db: is damaged. See what is lost with 'innage check'"
    assert ("traceback" in known, "StoreError" in unknown["traceback"]) == (False, True)


def test_every_type_of_problem_is_documented() -> None:
    """Types are what programs rest on."""
    page = (Path(__file__).parents[3] / "docs" / "exchange.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(/problems/\S+)` \| (\d+) \|", page, re.MULTILINE)
    assert rows == [(PREFIX + name, str(kind.status)) for name, kind in KINDS.items()]


def test_errors_travel_in_parts() -> None:
    error = InputError("unit x", "found", "another", "use edges_c", fields=("edges_c",))
    back = error_of(json.loads(json.dumps(parts_of(error))))
    assert (str(back), back.fields) == (str(error), error.fields)


@pytest.mark.parametrize("version", ["2.0", "0.9", "1", "", "1.0.0", "one", "1.0\n"])
def test_another_major_version_is_refused(version: str) -> None:
    with pytest.raises(InputError, match=r"speaks (version )?"):
        check_protocol("there", version)


def test_a_minor_version_older_or_newer_works() -> None:
    for version in ("1.0", "1.1", "1.37"):
        check_protocol("there", version)


EVERY_ADDRESS = "0.0.0.0"  # noqa: S104 - what the door refuses


@pytest.mark.parametrize("host", [EVERY_ADDRESS, "192.0.2.1", "::", "example.com"])
def test_no_door_elsewhere_without_tokens(host: str, store: Store) -> None:
    with pytest.raises(InputError, match=r"holds no token.*end TLS"):
        listen(store, Listening(host))


def test_an_address_that_cannot_be_listened_on(store: Store) -> None:
    """Said once, by the options that name it."""
    with open_door(store) as url:
        port = int(url.rpartition(":")[2])
        with pytest.raises(InputError) as refused:
            listen(store, Listening(port=port))
    told = f"--host 127.0.0.1, --port {port}: Address already in use; expected an address of this machine, "
    assert refused.value.said_by(option_of) == f"{told}and a --port that is free"


def test_which_addresses_are_loopback() -> None:
    assert all(map(is_loopback, ("127.0.0.1", "127.8.9.1", "::1", "[::1]", "localhost")))
    assert not any(map(is_loopback, (EVERY_ADDRESS, "::", "10.0.0.1", "localhost.example", "")))


def test_the_tester_may_do_everything() -> None:
    assert anybody(None) is EVERYTHING
    EVERYTHING.must_have(Scope)
