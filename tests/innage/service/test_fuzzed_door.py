"""The door against a fuzzer that reads its own description: requests that fit it and requests that do not,
in sequence and alone, by somebody who may do everything, in a store that holds objects of every kind.
"""

from __future__ import annotations

import json
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from dataset.records import Scope
from dataset.store import Store
from innage.service.app import make_app
from innage.service.door import Settings
from innage.service.problems import KINDS, MEDIA_TYPE, PREFIX
from innage.service.routes.bundles import ZIP

SEED = 21
EXAMPLES = 3  # of each route and way; beside those that the coverage of its description makes
# What fits the form of these may be refused for what it says: no document of innage's, bytes of another name,
# a condition that does not hold, no session that fits, a name with spaces, a token that is revoked already.
REFUSING = (
    "POST /v1/objects",
    "POST /v1/objects/chosen",
    "POST /v1/groups",
    "POST /v1/groups/judged",
    "POST /v1/blobs",
    "PUT /v1/blobs/{sha256}",
    "PUT /v1/bundles/{sha256}",
    "PUT /v1/channels/{name}",
    "POST /v1/jobs",
    "POST /v1/tokens",
    "DELETE /v1/tokens/{token_id}",
)
REFUSALS = ["2xx", "3xx", "400", "401", "403", "404", "409", "412", "422", "428", "429"]
# for a method that /v1/blobs/missing has not, it is the path of a blob
ALSO_A_BLOB = "POST /v1/blobs/missing"
OF_METHODS = ("unsupported_method", "allow_header_conformance")
# that a refusal of what fits the form is a refusal for what it says is a check of ours
OURS = {"every_refusal_is_a_documented_problem", "what_fits_the_form_is_not_refused_for_it"}
CHECKS = OURS | {
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
    "negative_data_rejection",
    "positive_data_acceptance",
    "missing_required_header",
    "unsupported_method",
    "allow_header_conformance",
    "use_after_free",
    "ensure_resource_availability",
    "ignored_auth",
}


def every_refusal_is_a_documented_problem(_ctx: Any, response: Any, _case: Any) -> None:
    """A problem document of a type that stays, with the status that goes with it (RFC 9457)."""
    if response.status_code < 400:
        return
    assert response.headers["content-type"] == [MEDIA_TYPE]
    document = json.loads(response.content)
    assert document["type"].startswith(PREFIX)
    kind = KINDS[document["type"].removeprefix(PREFIX)]
    assert (document["status"], document["title"]) == (response.status_code, kind.title)
    assert response.status_code == kind.status
    assert document["detail"]


def what_fits_the_form_is_not_refused_for_it(_ctx: Any, response: Any, case: Any) -> None:
    """Else the description would promise what the door does not take."""
    fits = case.meta is not None and case.meta.generation.mode.is_positive
    if fits and case.method == case.operation.method.upper() and response.status_code == 422:
        document = json.loads(response.content)
        assert document["type"] != PREFIX + "invalid-request", (document["detail"], case.body, case.query)


def settings(token: str) -> dict[str, Any]:
    """How the fuzzer is told to go about it: the same each time."""
    refusing = [
        {"include-name": name, "checks": {"positive_data_acceptance": {"expected-statuses": REFUSALS}}}
        for name in REFUSING
    ]
    blob = {"include-name": ALSO_A_BLOB, "checks": {name: {"enabled": False} for name in OF_METHODS}}
    return {
        "seed": SEED,
        "headers": {"Authorization": f"Bearer {token}"},
        "generation": {
            "max-examples": EXAMPLES,
            "deterministic": True,
            "database": "none",
            "no-shrink": True,
        },
        "operations": [*refusing, blob],
    }


def failures(app: Any, token: str) -> tuple[list[str], Counter[str], Counter[str]]:
    """What the fuzzer found, and how often each check passed, and how many requests a route got."""
    import schemathesis  # seconds, which no other test is to wait for
    from schemathesis.config import SchemathesisConfig
    from schemathesis.engine import events, from_schema

    @schemathesis.serializer(ZIP)
    def as_it_is(_ctx: Any, value: Any) -> bytes:
        return value.encode() if isinstance(value, str) else bytes(value)

    schemathesis.check(every_refusal_is_a_documented_problem)
    schemathesis.check(what_fits_the_form_is_not_refused_for_it)
    bearer = {"Authorization": f"Bearer {token}"}
    schema = schemathesis.openapi.from_asgi(
        "/v1/openapi.json", app, config=SchemathesisConfig.from_dict(settings(token)), headers=bearer
    )
    wrong, passed, requests = list[str](), Counter[str](), Counter[str]()
    for event in from_schema(schema).execute():
        if isinstance(event, events.NonFatalError):
            wrong.append(f"{event.label}: {event.value}")
        if isinstance(event, events.FatalError):
            raise event.exception
        if not isinstance(event, events.ScenarioFinished):
            continue
        for case, checks in event.recorder.checks.items():
            requests[event.recorder.cases[case].value.operation.label] += 1
            for check in checks:
                passed[check.name] += check.failure_info is None
                if check.failure_info is not None:
                    failure = check.failure_info.failure
                    wrong.append(f"{check.name}: {failure.operation}: {failure.title}: {failure.message}")
    return wrong, passed, requests


@pytest.mark.slow
def test_the_door_is_as_it_describes_itself(north: Path, tmp_path: Path) -> None:
    with Store.open(shutil.copy(north, tmp_path / "team.db")) as store:
        token = store.add_token("fuzzer", [*Scope])[1]
        app = make_app(store, Settings(at_once=1_000_000))
        wrong, passed, requests = failures(app, token)
        described = {
            f"{method.upper()} {path}" for path, of in app.openapi()["paths"].items() for method in of
        }
        assert all(len(store.frames(session, verify=True)) for session in store.sessions())
    assert not wrong, "\n".join(wrong)
    assert {name for name, times in passed.items() if times > 0} >= CHECKS
    assert set(requests) == described
