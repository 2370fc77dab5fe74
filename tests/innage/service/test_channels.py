"""Channels and bundles over HTTP: conditions, gates, files by hash, and the rights of a token; and the same
by commands, against a server on a port.
"""

from __future__ import annotations

import http.client
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner, Result

from dataset.errors import ChangedMeanwhileError, InputError, NotFoundError
from dataset.records import Scope
from dataset.store import Store
from desks import signed_in
from doors import open_door
from export.bundle.manifest import MANIFEST, SIGNATURES, read_manifest
from export.bundle.packing import pack
from export.bundle.verify import read_bundle
from innage.cli import app
from innage.jobs import silent
from innage.jobs.releasing.gates import ANYWAY
from innage.jobs.releasing.moving import GatesShutError, Wish
from innage.jobs.releasing.pulling import pull_bundle
from innage.jobs.releasing.signing import sign_bundle
from innage.service.client.connection import TRIES
from innage.service.client.releases import Releases
from innage.service.problems import PREFIX
from released import Released, write_key

ZIPPED = {"Content-Type": "application/zip"}
CHANNEL = "/v1/channels/washer/stable"


@pytest.fixture
def team(released: Released, tmp_path: Path) -> Iterator[Store]:
    """A team's store that has the models; their exports were written elsewhere."""
    with Store.open(released.store(tmp_path)) as store:
        yield store


@pytest.fixture
def tokens(team: Store) -> dict[str, str]:
    """A token for each scope, by its name."""
    return {scope.value: team.add_token(scope.value, [Scope.READ, scope])[1] for scope in Scope}


@pytest.fixture
def url(team: Store, tokens: dict[str, str]) -> Iterator[str]:
    with open_door(team, authorise=None) as url:
        yield url


@pytest.fixture
def release(url: str, tokens: dict[str, str]) -> Iterator[httpx.Client]:
    """Somebody who may release."""
    headers = {"Authorization": f"Bearer {tokens['release']}"}
    with httpx.Client(base_url=url, headers=headers, timeout=60) as client:
        yield client


def is_problem(answer: httpx.Response, status: int, kind: str) -> dict[str, Any]:
    document: dict[str, Any] = answer.json()
    assert (answer.status_code, document["type"]) == (status, PREFIX + kind), answer.text
    return document


def offered(client: httpx.Client, folder: Path) -> str:
    """The hash of a bundle that was given to the store."""
    files = read_bundle(folder)
    sha256 = read_manifest(files[MANIFEST]).bundle_sha256
    answer = client.put(
        f"/v1/bundles/{sha256}", content=pack(files), headers={"Content-Type": "application/zip"}
    )
    assert answer.status_code == 201, answer.text
    return sha256


@pytest.mark.longer
def test_a_channel_is_moved_under_conditions(released: Released, release: httpx.Client) -> None:
    """RFC 9110, 13.1.1 and 13.1.2, and RFC 6585, 3: none is 428, a stale one 412, a gate 409; the entity tag
    is the hash of the move that stands, whatever the bundle.
    """
    good, bad = (offered(release, released.folder / name) for name in ("good", "bad"))
    asked = {"bundle_sha256": good, "reason": "meets every limit"}
    is_problem(release.get(CHANNEL), 404, "not-found")
    is_problem(release.put(CHANNEL, json=asked), 428, "precondition-required")
    is_problem(release.put(CHANNEL, json=asked, headers={"If-Match": "*"}), 412, "precondition-failed")
    new = release.put(CHANNEL, json=asked, headers={"If-None-Match": "*"})
    assert (new.status_code, new.json()["move"]["author"], new.json()["before"]) == (201, "release", None)
    tag = new.headers["etag"]
    got = release.get(CHANNEL)
    assert (got.headers["etag"], got.json()["bundle_sha256"], got.json()["model"]) == (tag, good, "good")
    assert release.get(CHANNEL, headers={"If-None-Match": tag}).status_code == 304
    is_problem(release.put(CHANNEL, json=asked, headers={"If-None-Match": "*"}), 412, "precondition-failed")
    worse = {"bundle_sha256": bad, "reason": "to be tried on one machine"}
    for stale in ('"' + "0" * 64 + '"', f"W/{tag}", "nothing", f'"{good}"'):
        is_problem(release.put(CHANNEL, json=worse, headers={"If-Match": stale}), 412, "precondition-failed")
    shut = is_problem(release.put(CHANNEL, json=worse, headers={"If-Match": tag}), 409, "gates")
    assert shut["stopping"] == ["limits"]
    assert {gate["concession"] for gate in shut["gates"] if gate["name"] == "limits"} == {"anyway"}
    forced = release.put(CHANNEL, json=worse | {"concessions": ["anyway"]}, headers={"If-Match": tag})
    assert (forced.status_code, forced.json()["before"]) == (200, good)
    assert forced.headers["etag"] == release.get(CHANNEL).headers["etag"] != tag
    moves = release.get("/v1/moves", params={"channel": "washer/stable"}).json()["moves"]
    assert [move["concessions"] for move in moves] == [[], ["anyway"]]
    (row,) = release.get("/v1/channels").json()["channels"]
    assert row["bundle_sha256"] == bad


@pytest.mark.longer
def test_what_is_done_to_channels_is_audited(released: Released, release: httpx.Client, team: Store) -> None:
    """The move with its reason and concessions, and the withdrawal, by the token's holder; the chain stays
    sound.
    """
    bad = offered(release, released.folder / "bad")
    asked = {"bundle_sha256": bad, "reason": "to be tried", "concessions": ["anyway"]}
    assert release.put(CHANNEL, json=asked, headers={"If-None-Match": "*"}).status_code == 201
    assert release.post(f"/v1/bundles/{bad}/withdraw", json={"reason": "too high"}).status_code == 200
    rows = [row for row in team.audit() if row.who == "release"]
    assert [(row.kind, row.reason) for row in rows] == [
        ("channel move", 'washer/stable: to be tried ["anyway"]'),
        ("withdrawal", "too high"),
    ]
    assert {row.about for row in rows} == {bad}
    assert team.audit_faults() == ()


@pytest.mark.parametrize(
    ("channel", "body", "status"),
    [
        ("Washer", {}, 422),
        ("washer/..%2f..%2fetc", {}, 422),
        ("washer/stable", {"bundle_sha256": "abc"}, 422),
        ("washer/stable", {"reason": ""}, 422),
        ("washer/stable", {"reason": "x" * 1001}, 422),
        ("washer/stable", {"concessions": ["everything"]}, 422),
        ("washer/stable", {"colour": "green"}, 422),
        ("washer/stable", {"bundle_sha256": "0" * 64}, 404),
    ],
)
def test_what_cannot_be_moved(
    release: httpx.Client, team: Store, channel: str, body: dict[str, Any], status: int
) -> None:
    """Names, hashes, reasons and words that cannot be: a problem, and no channel."""
    asked = {"bundle_sha256": "f" * 64, "reason": "why"} | body
    answer = release.put(f"/v1/channels/{channel}", json=asked, headers={"If-None-Match": "*"})
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert team.channels() == ()


@pytest.mark.longer
def test_files_of_a_bundle_by_hash(
    released: Released, release: httpx.Client, url: str, tokens: dict[str, str]
) -> None:
    """Each under its hash with a strong tag, whole or in part (RFC 9110, 14); what is no file of it is not
    there.
    """
    files = read_bundle(released.folder / "good")
    sha256 = offered(release, released.folder / "good")
    facts = release.get(f"/v1/bundles/{sha256[:12]}").json()
    assert {file["name"] for file in facts["files"]} == set(files)
    is_problem(release.get(f"/v1/bundles/{sha256}/files/{facts['files'][0]['sha256']}"), 403, "not-allowed")
    with httpx.Client(base_url=url, headers={"Authorization": f"Bearer {tokens['pull']}"}) as pull:
        for file in facts["files"]:
            path = f"/v1/bundles/{sha256}/files/{file['sha256']}"
            whole = pull.get(path)
            assert (whole.content, whole.headers["etag"]) == (files[file["name"]], f'"{file["sha256"]}"')
            assert whole.headers["x-content-type-options"] == "nosniff"
        part = pull.get(path, headers={"Range": "bytes=3-9"})
        assert (part.status_code, part.content) == (206, whole.content[3:10])
        assert pull.get(path, headers={"Range": f"bytes={len(whole.content)}-"}).status_code == 416
        assert pull.get(path, headers={"If-None-Match": whole.headers["etag"]}).status_code == 304
        is_problem(pull.get(f"/v1/bundles/{sha256}/files/{'0' * 64}"), 404, "not-found")
        is_problem(pull.get(f"/v1/bundles/{'0' * 64}/files/{file['sha256']}"), 404, "not-found")


@pytest.mark.longer
def test_what_is_no_bundle_is_not_kept(released: Released, release: httpx.Client, team: Store) -> None:
    """Another bundle than is said, changed files, no archive, too large a one, of a model that is not
    here.
    """
    files = read_bundle(released.folder / "good")
    sha256 = read_manifest(files[MANIFEST]).bundle_sha256

    def put(content: bytes, under: str = sha256, headers: dict[str, str] = ZIPPED) -> httpx.Response:
        return release.put(f"/v1/bundles/{under}", content=content, headers=headers)

    is_problem(put(pack(files), "0" * 64), 400, "digest-mismatch")
    is_problem(put(pack(files), headers={"Content-Type": "text/plain"}), 415, "media-type")
    for content in (
        b"",
        b"PK",
        pack({"../x": b""}),
        pack(files)[:-40],
        pack(files | {"innage.c": b"int x;"}),
    ):
        is_problem(put(content), 422, "refused")
    is_problem(put(pack(files | {SIGNATURES: b"{}"})), 422, "refused")
    said = http.client.HTTPConnection(release.base_url.host, release.base_url.port, timeout=60)
    said.putrequest("PUT", f"/v1/bundles/{sha256}")
    for name, value in (ZIPPED | {"Content-Length": str((16 << 20) + 1)} | dict(release.headers)).items():
        said.putheader(name, value)
    said.endheaders()
    assert said.getresponse().status == 413
    said.close()
    assert not team.bundle(sha256).kept
    assert put(pack(files)).status_code == 201
    assert put(pack(files)).status_code == 200


def test_a_store_without_the_model_keeps_no_bundle(released: Released, tmp_path: Path) -> None:
    with (
        Store.open(tmp_path / "empty.db") as empty,
        open_door(empty) as url,
        httpx.Client(base_url=url) as client,
    ):
        files = read_bundle(released.folder / "good")
        sha256 = read_manifest(files[MANIFEST]).bundle_sha256
        answer = client.put(f"/v1/bundles/{sha256}", content=pack(files))
        assert "does not have its model good" in is_problem(answer, 422, "refused")["detail"]


@pytest.mark.longer
def test_withdrawn_and_taken_back(released: Released, release: httpx.Client) -> None:
    """Each by an event; said twice it is refused, and what is shown has another entity tag."""
    sha256 = offered(release, released.folder / "good")
    path = f"/v1/bundles/{sha256}"
    before = release.get(path)
    said = release.post(f"{path}/withdraw", json={"reason": "reads foam as liquid"})
    assert (said.status_code, said.json()["author"], said.json()["takes_back"]) == (200, "release", False)
    is_problem(release.post(f"{path}/withdraw", json={"reason": "once more"}), 422, "refused")
    after = release.get(path, headers={"If-None-Match": before.headers["etag"]})
    assert (after.status_code, after.json()["withdrawn"]) == (200, "reads foam as liquid")
    asked = {"bundle_sha256": sha256, "reason": "all the same"}
    refused = release.put(CHANNEL, json=asked, headers={"If-None-Match": "*"})
    assert "is withdrawn" in is_problem(refused, 422, "refused")["detail"]
    assert release.post(f"{path}/take-back", json={"reason": "it was the trim"}).json()["takes_back"]
    assert release.get(path).headers["etag"] == before.headers["etag"]
    is_problem(release.post(f"{path}/take-back", json={"reason": "again"}), 422, "refused")
    is_problem(release.post(f"/v1/bundles/{'0' * 64}/withdraw", json={"reason": "none"}), 404, "not-found")


@pytest.mark.longer
def test_a_client_says_what_a_store_says(released: Released, url: str, tokens: dict[str, str]) -> None:
    """Moved from a folder and by hash, shut gates, a stale view, what is not there: the errors of a store at
    hand.
    """
    with Releases(url, tokens["release"]) as place:
        wish = Wish("washer/stable", "", "meets every limit")
        with pytest.raises(NotFoundError):
            place.channel("washer/stable")
        first = place.move(released.folder / "good", wish, silent)
        with pytest.raises(GatesShutError, match="limits: 1 of 1 not met") as shut:
            place.move(released.folder / "bad", wish, silent)
        assert [gate.name for gate in shut.value.stopping] == ["limits"]
        second = place.move(released.folder / "bad", replace(wish, concessions=(ANYWAY,)), silent)
        assert second.before == first.move.bundle_sha256
        with pytest.raises(ChangedMeanwhileError):
            place.move(first.move.bundle_sha256[:12], replace(wish, follows=first.move.sha256), silent)
        place.move(first.move.bundle_sha256[:12], wish, silent)
        assert [move.author for move in place.channel_moves("washer/stable")] == ["release"] * 3
        with pytest.raises(NotFoundError, match="is not in this store"):
            place.withdraw("0" * 12, "", "none")
        with pytest.raises(InputError, match="first 8 digits"):
            place.withdraw("../../x", "", "none")


@pytest.mark.longer
@pytest.mark.parametrize("times", [1, TRIES])
def test_a_move_whose_answer_was_lost_is_not_made_twice(
    released: Released, url: str, tokens: dict[str, str], monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    """The client asks again, is told that the channel was moved meanwhile or nothing at all, and sees that it
    was by itself.
    """
    with Releases(url, tokens["release"], sleep=lambda _s: None) as place:
        send, lost = place._client.stream, list[str]()

        def losing(method: str, path: str, **named: Any) -> Any:
            if method == "PUT" and path.startswith("/v1/channels") and len(lost) < times:
                lost.append(path)
                if len(lost) == 1:
                    with send(method, path, **named) as answer:
                        answer.read()
                raise httpx.ReadError("cut")
            return send(method, path, **named)

        monkeypatch.setattr(place._client, "stream", losing)
        moved = place.move(released.folder / "good", Wish("washer/stable", "", "meets every limit"), silent)
        assert len(lost) == times
        assert place.channel_moves("washer/stable") == (moved.move,)


@pytest.mark.longer
def test_a_bundle_is_pulled_over_a_line(
    released: Released,
    url: str,
    tokens: dict[str, str],
    team: Store,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By who may read and pull, with what was signed; withdrawn it is told, and a changed byte on the
    line.
    """
    from export.bundle.verify import verify_files
    from innage.jobs.releasing import pulling

    monkeypatch.setattr(pulling, "verified", lambda files, _: verify_files(files, ("manifest", "files")))
    private, public = write_key(tmp_path)
    bundle = tmp_path / "signed"
    bundle.mkdir()
    for name, content in read_bundle(released.folder / "good").items():
        (bundle / name).write_bytes(content)
    sign_bundle(bundle, private)
    with Releases(url, tokens["release"]) as place:
        move = place.move(bundle, Wish("washer/stable", "", "meets every limit"), silent).move
    out = tmp_path / "out"
    with Releases(url, tokens["pull"]) as source:
        pull_bundle(source, "washer/stable", out, signed_by=public)
        assert read_bundle(out) == read_bundle(bundle)

        with monkeypatch.context() as patch:
            patch.setattr(source, "bundle_file", lambda *_: b"int main(void);")
            with pytest.raises(InputError, match="is not what its hash says"):
                pull_bundle(source, "washer/stable", tmp_path / "other")
        assert not (tmp_path / "other").exists()
        team.void(team.sessions()[0].id, "the hose came off")
        with pytest.raises(pulling.StoppedError, match="is void"):
            pull_bundle(source, "washer/stable", tmp_path / "other")
        assert source.bundle_now(move.bundle_sha256).void
        with pytest.raises(pulling.StoppedError, match="Channel washer/stable has no earlier one"):
            pull_bundle(source, "washer/stable", tmp_path / "other")
    with Releases(url, tokens["push"]) as stranger, pytest.raises(InputError, match="scope pull"):
        pull_bundle(stranger, "washer/stable", tmp_path / "other", concessions={"even_if_void"})
    assert not (tmp_path / "other").exists()


def innage(*words: object, code: int = 0) -> Result:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == code, done.output
    return done


@pytest.mark.longer
def test_commands_with_a_server(
    released: Released, url: str, tokens: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same commands with --server: the token says who it is."""
    monkeypatch.setenv("INNAGE_TOKEN", tokens["release"])
    at, why = ("--server", url), ("--reason", "meets every limit")
    assert "no channels yet" in innage("channel", "list", *at).output
    refused = innage("channel", "move", "a", released.folder / "good", *why, *at, "--author", "me", code=2)
    assert "the server says by the token who it is" in refused.stderr
    assert "nobody is named" in innage("channel", "move", "a", released.folder / "good", *why, code=2).stderr
    innage("channel", "move", "washer/stable", released.folder / "good", *why, *at)
    innage("channel", "move", "washer/stable", released.folder / "bad", *why, *at, code=1)
    facts = json.loads(innage("channel", "show", "washer/stable", *at, "--json").output)
    bundle = facts["bundle"]["bundle_sha256"]
    withdrawn = innage("channel", "withdraw", bundle[:12], "--reason", "reads foam as liquid", *at)
    assert "is withdrawn by release" in withdrawn.output
    assert "Still pointing at it: washer/stable." in withdrawn.stderr
    innage("channel", "take-back", bundle[:12], "--reason", "it was the trim", *at)
    monkeypatch.setenv("INNAGE_TOKEN", tokens["push"])
    refused = innage("channel", "withdraw", bundle[:12], "--reason", "mine", *at, code=2)
    assert "the token has not the scope release" in refused.stderr


@pytest.mark.longer
def test_a_channel_is_moved_at_a_desk(
    released: Released, release: httpx.Client, team: Store, url: str, tokens: dict[str, str]
) -> None:
    """As by HTTP: it follows what was shown, gates are told, and what is conceded is told with the reason."""
    good, bad = (offered(release, released.folder / name) for name in ("good", "bad"))
    with httpx.Client(base_url=url, headers={"Accept": "text/html"}, timeout=60) as browser:
        browser.headers["Sec-Fetch-Site"] = "same-origin"
        desk = signed_in(browser, tokens["release"])

        def follows() -> str:
            page = desk.get("/release?channel=washer/stable").text
            return str(re.findall(r'name="follows" value="(\w+)"', page)[0])

        new = follows()
        first = {"channel": "washer/stable", "bundle": good[:12], "reason": "to be built in", "follows": new}
        assert new == "new"
        assert desk.post("/release", data=first).headers["location"].endswith("done=moved")
        stale = desk.post("/release", data=first)
        assert (stale.status_code, "by now" in stale.text) == (422, True)
        worse = first | {"bundle": bad, "follows": follows()}
        shut = desk.post("/release", data=worse)
        assert (shut.status_code, '<caption id="gates"' in shut.text) == (422, True)
        assert f'value="{bad}"' in shut.text  # what was filled in
        assert desk.post("/release", data=worse | {"anyway": "yes"}).status_code == 303
        for wrong in (
            {"bundle": str(released.folder / "good")},
            {"bundle": "../.."},
            {"channel": "Two Words"},
        ):
            assert desk.post("/release", data=worse | wrong).status_code == 422  # never a path on the server
    assert [
        (move.bundle_sha256, move.author, move.concessions) for move in team.channel_moves("washer/stable")
    ] == [
        (good, "release", ()),
        (bad, "release", ("anyway",)),
    ]
