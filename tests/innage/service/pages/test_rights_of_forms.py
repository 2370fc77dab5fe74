"""What is done at a desk, form by form: which scope each asks for, by a table of its own beside that of the
service, so that a form that nobody put into it, or that asks for something else, is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import httpx
import pytest

from dataset.canonical import limits_sha256
from dataset.records import KnownBy, Limit, Limits, Scope
from dataset.store import Store
from desks import with_work
from innage.service.app import make_app
from innage.service.rights import RULES, Free, Rule, is_page


@dataclass(frozen=True)
class Form:
    """What a form asks for, the page that it stands on, what is filled in, and the answer to that."""

    asks: Rule
    page: str
    fields: Mapping[str, str] = field(default_factory=dict)
    status: int = 303


SESSION, BUNDLE = "/sessions/{key}", "/bundles/{sha256}"
FORMS = {  # in the order in which they can be sent
    "/sign-in": Form(Free.IN_FORM, "/sign-in"),
    "/sign-out": Form(Free.ANY, "/"),
    f"{SESSION}/tag": Form(Scope.PUSH, SESSION, {"tag": "bench-day"}),
    f"{SESSION}/amend": Form(Scope.AMEND, SESSION, {"firmware": "9.9", "reason": "read off the board"}),
    f"{SESSION}/void": Form(Scope.AMEND, SESSION, {"reason": "the scale slipped"}),
    f"{SESSION}/take-back": Form(Scope.AMEND, SESSION, {"reason": "it was another"}),
    f"{BUNDLE}/withdraw": Form(Scope.RELEASE, BUNDLE, {"reason": "reads foam"}),
    f"{BUNDLE}/take-back": Form(Scope.RELEASE, BUNDLE, {"reason": "it was the trim"}),
    "/limits/{ref}/sign": Form(Scope.SIGN, "/limits/{ref}", {"signer": "A. Owner"}),
    "/order": Form(Scope.RUN, "/order?kind=report", {"kind": "report", "about": "frozen", "name": "set1"}),
    "/jobs/{key}/cancel": Form(Scope.RUN, "/jobs/{key}"),
    "/release": Form(Scope.RELEASE, "/release", {"channel": "washer/stable"}, 422),  # it lacks a bundle
}


def test_every_form_stands_in_the_table(team: Store) -> None:
    """By the routes of the service itself, and with the scope that its own table has."""
    routes = {
        route.path: RULES["POST", route.path]  # type: ignore[attr-defined]  # all of them have paths
        for route in make_app(team).routes
        if "POST" in route.methods and is_page(route.path)  # type: ignore[attr-defined]  # as above
    }
    assert routes == {path: form.asks for path, form in FORMS.items()}


@pytest.mark.longer
def test_a_form_is_for_its_scope_alone(team: Store, url: str) -> None:
    """Whoever has every other scope finds no form on the page and is refused before what they send is looked
    at; whoever has that one reads the form, sends it, and it stands in the audit as done by them.
    """
    with_work(team)
    limits = team.add_limits(Limits("owner", 0, (Limit("rmse_mm", 2.0),)))
    usable = next(line.id for line in team.page_of_session_lines().items if line.void_reason is None)
    things = {
        "/sessions": {"{key}": usable},
        "/bundles": {"{sha256}": team.bundle_lines()[0].bundle_sha256},
        "/limits": {"{ref}": limits.ref},
        "/jobs": {"{key}": team.queued_jobs()[0].key},
    }
    shown = {"/limits/{ref}/sign": {"sha256": limits_sha256(limits)}}
    with httpx.Client(base_url=url) as client:
        for path, form in FORMS.items():
            if isinstance(form.asks, Free):
                continue
            address, page = path, form.page
            for name, thing in things.get(path[: path.find("/", 1)], {}).items():
                address, page = address.replace(name, thing), page.replace(name, thing)
            others = bearer(team, "others", {*Scope} - {form.asks})
            own = bearer(team, "own", {Scope.READ, form.asks})
            pages = [client.get(page, headers={**who, "Accept": "text/html"}).text for who in (others, own)]
            assert [f'method="post" action="{address}"' in one for one in pages] == [False, True], path
            (before,) = team.last_audit(1)
            for fields in ({}, form.fields):
                refused = client.post(address, data=fields, headers=others)
                assert (refused.status_code, refused.json().get("scope")) == (403, form.asks), path
            assert team.last_audit(1) == (before,)
            done = client.post(address, data={**form.fields, **shown.get(path, {})}, headers=own)
            assert done.status_code == form.status, (path, done.text)
            (row,) = team.last_audit(1)
            assert ((row.who, row.known_by) == ("own", KnownBy.TOKEN)) == (form.status == 303), path


def bearer(team: Store, name: str, scopes: set[Scope]) -> dict[str, str]:
    """The header of a new token of these scopes; a program that has it reads problems as documents."""
    _, token = team.add_token(name, sorted(scopes))
    return {"Authorization": f"Bearer {token}"}
