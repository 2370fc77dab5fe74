"""Tokens at the door: who may what, route by route; no secret but in the one answer that makes it."""

from __future__ import annotations

import logging
import re
import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from dataset.errors import NotAllowedError
from dataset.records import Liquid, Scope
from dataset.store import Store
from doors import open_door
from innage.service import rights
from innage.service.app import make_app
from innage.service.door import Settings
from innage.service.logs import JsonLines
from innage.service.problems import problem_of
from innage.service.rights import ALSO, RULES, Free

NO_TLS = ssl.create_default_context()  # made once: it reads a list of authorities
NOBODYS = "inn_" + "a" * 10 + "_" + "b" * 43 + "0" * 8
UNKNOWN = {"sha256": "c" * 64, "token_id": "d" * 10}  # what stands in the paths of routes
Client = httpx.Client


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "team.db") as opened:
        yield opened


@pytest.fixture
def admin(store: Store) -> str:
    """A token for everything."""
    return store.add_token("admin", [*Scope])[1]


@pytest.fixture
def url(store: Store, admin: str) -> Iterator[str]:
    """A door that goes by the store's tokens."""
    assert admin
    with open_door(store, Settings(at_once=100_000), authorise=None) as opened:
        yield opened


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def asked(url: str, method: str, path: str, token: str | None, **more: Any) -> httpx.Response:
    for name in re.findall(r"{(\w+)}", path):
        path = path.replace(f"{{{name}}}", UNKNOWN.get(name, "e" * 64))
    headers = bearer(token) if token else {"Sec-Fetch-Site": "same-origin"}  # as a form of a page says
    return httpx.request(method, url + path, headers=headers, verify=NO_TLS, **more)


def challenge(answer: httpx.Response) -> str:
    return answer.headers["www-authenticate"]


@pytest.mark.longer
def test_every_route_by_every_scope(store: Store, url: str) -> None:
    """The matrix of the table of routes: a token with one scope passes where that is asked for, and is told
    which one where it is not; RFC 6750, 3 and 3.1, says how.
    """
    holders = {scope: store.add_token(scope.value, [scope])[1] for scope in Scope}
    for (method, path), rule in RULES.items():
        for scope, token in holders.items():
            answer = asked(url, method, path, token)
            allowed = rule is scope or isinstance(rule, Free) or scope in ALSO.get((method, path), ())
            assert (answer.status_code in (401, 403)) is not allowed, (method, path, scope, answer.text)
            if not allowed:
                assert (
                    challenge(answer) == f'Bearer realm="innage", error="insufficient_scope", scope="{rule}"'
                )
                assert answer.json()["scope"] == rule


@pytest.mark.longer
def test_who_is_not_known(store: Store, url: str, admin: str) -> None:
    """No token, no such scheme, a malformed, unknown, revoked or expired one: 401 on every route but health,
    and all that were given are told the same.
    """
    record, revoked = store.add_token("lost", [*Scope])
    assert asked(url, "GET", "/v1", revoked).status_code == 200
    store.revoke_token(record.id, "its card was lost")
    for (method, path), rule in RULES.items():
        nobody = asked(url, method, path, None)
        if rule is Free.PUBLIC:
            assert nobody.status_code == 200
            continue
        if rule is Free.IN_FORM:
            continue
        assert (nobody.status_code, challenge(nobody)) == (401, 'Bearer realm="innage"')
        answers = [asked(url, method, path, token) for token in (revoked, NOBODYS, admin[:-1], "x")]
        answers.append(httpx.request(method, url + "/v1", headers={"Authorization": f"Basic {admin}"}))
        assert {(one.status_code, challenge(one)) for one in answers} == {
            (401, 'Bearer realm="innage", error="invalid_token"')
        }
        assert len({one.text for one in answers}) == 1
    assert asked(url, "GET", "/v1", admin).status_code == 200
    assert httpx.get(url + f"/v1?token={admin}").status_code == 401  # never in a URL


@pytest.mark.longer
def test_the_first_token_shuts_the_door(store: Store) -> None:
    with open_door(store, authorise=None) as url:
        assert httpx.get(url + "/v1").status_code == 200
        assert asked(url, "GET", "/v1/audit", None).status_code == 403
        record, _ = store.add_token("first", [Scope.READ], days=1)
        assert httpx.get(url + "/v1").status_code == 401
        store.revoke_token(record.id, "not needed")
        assert httpx.get(url + "/v1").status_code == 401
        assert httpx.get(url + "/healthz").status_code == 200


def test_nothing_is_written_by_a_route_that_says_nobody(store: Store) -> None:
    """A route that went past the rights would write through a store that may write nothing."""
    door = make_app(store).state.door
    with pytest.raises(NotAllowedError, match="scope push"):
        door.store.add_liquid(Liquid("water", 80.0))
    with pytest.raises(NotAllowedError, match="does not allow read itself"):
        door.store.add_token("mine", [Scope.READ])
    assert store.liquids() == ()


def test_tokens_over_the_line(store: Store, url: str, admin: str) -> None:
    """Made, listed and revoked by who may; audited by name; shown in one answer that nobody keeps."""
    made = asked(
        url, "POST", "/v1/tokens", admin, json={"name": "rig", "scopes": ["push", "read"], "bench": "b" * 32}
    )
    assert (made.status_code, made.headers["cache-control"]) == (201, "no-store")
    record = made.json()
    shown = record.pop("token")
    assert asked(url, "GET", "/v1", shown).status_code == 200
    assert asked(url, "GET", "/v1/tokens", shown).status_code == 403
    listed = asked(url, "GET", "/v1/tokens", admin).json()
    assert [(one["name"], one["scopes"], one["bench"]) for one in listed][1:] == [
        ("rig", ["read", "push"], "b" * 32)
    ]
    assert shown[15:58] not in str(listed)
    path = f"/v1/tokens/{record['id']}"
    assert asked(url, "DELETE", path, admin).status_code == 422
    assert asked(url, "DELETE", path, admin, params={"reason": "lost"}).status_code == 204
    again = asked(url, "DELETE", path, admin, params={"reason": "lost"})
    assert (again.status_code, again.json()["type"]) == (409, "/problems/conflict")
    assert asked(url, "DELETE", "/v1/tokens/zzzzzzzzzz", admin, params={"reason": "lost"}).status_code == 404
    assert asked(url, "GET", "/v1", shown).status_code == 401
    rows = asked(url, "GET", "/v1/audit", admin).json()
    assert [(row["kind"], row["who"]) for row in rows][1:] == [("token", "admin"), ("revocation", "admin")]
    assert rows[1]["reason"] == f"{record['id']} rig"
    store.acting_as(store.tokens()[1].actor)
    for asking, numbers in (("who=admin", [2, 3]), ("who=nobody", []), (f"token={rows[1]['token']}", [2, 3])):
        told = asked(url, "GET", f"/v1/audit?{asking}", admin).json()
        assert [row["number"] for row in told] == numbers
    page = asked(url, "GET", "/v1/audit?who=admin&limit=1", admin)
    assert page.headers["link"] == '</v1/audit?after=2&limit=1&who=admin>; rel="next"'


@pytest.mark.parametrize(
    "body",
    [
        {"name": "rig", "scopes": []},
        {"name": "rig", "scopes": ["everything"]},
        {"name": "rig", "scopes": ["push"], "days": 0},
        {"name": "rig", "scopes": ["push"], "days": 367},
        {"name": "", "scopes": ["push"]},
        {"name": "no name", "scopes": ["push"]},
        {"name": "rig", "scopes": ["push"], "bench": "here"},
        {"name": "rig", "scopes": ["push"], "secret": "mine"},
        {"scopes": ["push"]},
        [],
    ],
)
def test_no_token_of_another_form(store: Store, url: str, admin: str, body: Any) -> None:
    assert asked(url, "POST", "/v1/tokens", admin, json=body).status_code == 422
    assert len(store.tokens()) == 1


def test_nobody_gives_what_they_do_not_have(store: Store, url: str) -> None:
    """Who may make tokens may make none that do more, nor, bound to a bench, any at all."""
    _, narrow = store.add_token("narrow", [Scope.ADMIN, Scope.READ])
    refused = asked(url, "POST", "/v1/tokens", narrow, json={"name": "more", "scopes": ["read", "push"]})
    assert (refused.status_code, refused.json()["scope"]) == (403, "push")
    assert asked(url, "POST", "/v1/tokens", narrow, json={"name": "x", "scopes": ["read"]}).status_code == 201
    _, bound = store.add_token("bound", [*Scope], bench="b" * 32)
    refused = asked(url, "POST", "/v1/tokens", bound, json={"name": "free", "scopes": ["read"]})
    assert refused.status_code == 403
    assert "is of no bench" in refused.json()["detail"]
    assert challenge(refused) == 'Bearer realm="innage", error="insufficient_scope"'
    assert [token.name for token in store.tokens()][1:] == ["narrow", "x", "bound"]


def test_the_chain_page_by_page(store: Store, url: str, admin: str) -> None:
    """Each page leads to the next by the last number; together they are the whole chain."""
    for number in range(6):
        store.add_liquid(Liquid(f"liquid{number}", 80.0))
    path, rows = "/v1/audit?limit=3", []
    while path:
        answer = asked(url, "GET", path, admin)
        rows += answer.json()
        path = answer.links.get("next", {}).get("url", "")
    assert [row["sha256"] for row in rows] == [row.sha256 for row in store.audit()]
    for wrong in ("limit=0", "limit=501", "after=-1", "after=x", f"after={1 << 70}"):
        assert asked(url, "GET", f"/v1/audit?{wrong}", admin).status_code == 422


@pytest.mark.longer
def test_secrets_are_in_no_log_and_no_refusal(
    store: Store, admin: str, caplog: pytest.LogCaptureFixture
) -> None:
    """Wherever a client puts a token: header, path, query or body."""
    secret = admin[15:58]
    with caplog.at_level(logging.DEBUG), open_door(store, authorise=None) as url:
        answers = [
            asked(url, "GET", "/v1", admin),
            asked(url, "GET", "/v1", admin + "x"),
            asked(url, "GET", f"/v1/audit?after={admin}", admin),
            asked(url, "DELETE", f"/v1/tokens/{admin}", admin, params={"reason": "lost"}),
            asked(url, "POST", "/v1/tokens", admin, json={"name": admin, "scopes": [admin]}),
            asked(url, "POST", "/v1/tokens", admin, content=admin.encode()),
            httpx.get(f"{url}/{admin}"),
        ]
        made = asked(url, "POST", "/v1/tokens", admin, json={"name": "rig", "scopes": ["push"]}).json()[
            "token"
        ]
        assert asked(url, "GET", "/v1", made).status_code == 200
    assert [one.status_code for one in answers] == [200, 401, 422, 422, 422, 422, 401]
    assert [one.text for one in answers if secret in one.text] == []
    ours = [record for record in caplog.records if record.name.startswith(("innage", "dataset"))]
    assert len(ours) >= len(answers)
    lines = "".join(JsonLines().format(record) for record in ours)
    assert [text for text in (secret, made[15:58]) if text in lines] == []


def test_a_token_that_ended_on_the_way_is_one_that_is_not_good(store: Store) -> None:
    """Revoked after the door looked at it: the store refuses, in the door's words for it."""
    token, _ = store.add_token("rig", [Scope.PUSH])
    store.revoke_token(token.id, "lost")
    with pytest.raises(NotAllowedError) as told:
        store.acting_as(token.actor).add_liquid(Liquid("water", 80.0))
    assert problem_of(told.value).document == rights.unauthorised(given=True).document
