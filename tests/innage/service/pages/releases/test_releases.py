"""Certificates and channels: what they show of a bundle, and what is done with one at a desk."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from dataset.records import Scope
from dataset.store import Store
from desks import signed_in
from doors import open_door
from export.bundle.manifest import MANIFEST, read_manifest
from export.bundle.verify import read_bundle
from innage.jobs.releasing.moving import Wish, keep, move_channel
from innage.service.pages.releases.certificates import GATES
from released import Released


@pytest.fixture
def team(released: Released, tmp_path: Path) -> Iterator[Store]:
    """A team's store that keeps two bundles, one of which meets its limit."""
    with Store.open(released.store(tmp_path)) as store:
        for name in ("good", "bad"):
            keep(store, read_bundle(released.folder / name))
        yield store


@pytest.fixture
def desk(team: Store) -> Iterator[httpx.Client]:
    """Somebody at a desk who may release."""
    token = team.add_token("kim", (Scope.READ, Scope.RELEASE))[1]
    headers = {"Accept": "text/html,*/*;q=0.8", "Sec-Fetch-Site": "same-origin"}
    with (
        open_door(team, authorise=None) as url,
        httpx.Client(base_url=url, headers=headers, timeout=60) as client,
    ):
        yield signed_in(client, token)


def sha256_of(released: Released, name: str) -> str:
    """What identifies a bundle."""
    return read_manifest(read_bundle(released.folder / name)[MANIFEST]).bundle_sha256


@pytest.mark.longer
def test_a_certificate_says_what_was_conceded(released: Released, team: Store, desk: httpx.Client) -> None:
    """By whom, of which gate; its channel leads to it and to the moves before. Nobody judged what no channel
    was moved to.
    """
    good, bad = sha256_of(released, "good"), sha256_of(released, "bad")
    assert "no gate has judged it" in desk.get(f"/bundles/{good[:12]}").text
    move_channel(team, good, Wish("washer/stable", "A. Owner", "meets every limit"))
    certificate = desk.get(f"/bundles/{good[:12]}").text
    assert (certificate.count("<td>passed</td>"), "conceded" in certificate) == (len(GATES), False)
    move_channel(team, bad, Wish("washer/stable", "A. Owner", "to be tried", ("anyway",)))
    certificate = desk.get(f"/bundles/{bad}").text
    assert re.search(
        r'scope="row">limits</th>.*<strong class="red">conceded</strong> by A. Owner', certificate
    )
    assert certificate.count("<td>passed</td>") == len(GATES) - 1
    channel = desk.get("/channels/washer/stable").text
    assert re.findall(r'"mono" href="/bundles/(\w+)"', channel) == [bad[:12], bad[:12], good[:12]]
    rows = desk.get("/moves.json?channel=washer/stable").json()
    assert [(row["bundle_sha256"], row["concessions"]) for row in rows] == [(good, []), (bad, ["anyway"])]
    (row,) = desk.get("/channels.json").json()
    assert (row["channel"], row["bundle_sha256"], row["model"]) == ("washer/stable", bad, "bad")


@pytest.mark.longer
def test_a_bundle_is_withdrawn_at_a_desk(released: Released, team: Store, desk: httpx.Client) -> None:
    good = sha256_of(released, "good")
    empty = desk.post(f"/bundles/{good}/withdraw", data={"reason": ""})
    assert (empty.status_code, 'href="#withdraw-reason"' in empty.text) == (422, True)
    for act, fields, is_withdrawn in (
        ("withdraw", "reads foam", True),
        ("take-back", "it was the trim", False),
    ):
        done = desk.post(f"/bundles/{good}/{act}", data={"reason": fields})
        shown = desk.get(done.headers["location"])
        assert (done.status_code, 'role="status"' in shown.text) == (303, True)
        assert ('class="stamp">Withdrawn' in shown.text) == is_withdrawn
        (row,) = team.last_audit(1)
        assert (row.who, row.reason, row.about) == ("kim", fields, good)
        assert desk.get(f"/bundles/{good}.json").json()["withdrawn"] == (fields if is_withdrawn else None)
        (line,) = (line for line in team.bundle_lines() if line.bundle_sha256 == good)
        assert line.withdrawn == team.bundle(good).withdrawn


@pytest.mark.longer
def test_the_certificate_names_every_gate(released: Released, team: Store) -> None:
    """Those that judge a bundle before a channel, and no other; lines of bundles say what bundles say."""
    moved = move_channel(team, released.folder / "good", Wish("washer/stable", "A. Owner", "why"))
    named = [name for names, _, _ in GATES for name in names]
    assert sorted(named) == sorted(gate.name for gate in moved.judgement.gates)
    lines = {line.bundle_sha256: line for line in team.bundle_lines()}
    known = [bundle for model in team.models() for bundle in team.bundles_of(model.name)]
    assert set(lines) == {bundle.bundle_sha256 for bundle in known}
    for bundle in known:
        line = lines[bundle.bundle_sha256]
        assert (line.model, line.files, line.kept) == (bundle.model, len(bundle.files), bundle.kept)
        assert line.signatures == len(bundle.signatures)


@pytest.mark.longer
def test_lists_of_bundles_and_channels(released: Released, team: Store, desk: httpx.Client) -> None:
    """Bundles by model, channels by name; a bundle names the channels that point at it now, and no other;
    what people wrote is text, wherever it stands.
    """
    good, bad = sha256_of(released, "good"), sha256_of(released, "bad")
    words = ("<b>A. Owner</b>", "<script>alert(1)</script>")
    for channel, bundle in (("washer/stable", good), ("washer/beta", good), ("dryer/beta", good)):
        move_channel(team, bundle, Wish(channel, *words))
    move_channel(team, bad, Wish("washer/beta", *words, ("anyway",)))
    team.withdraw(bad, *words, datetime(2026, 3, 2, 9, 15, tzinfo=UTC))
    page = desk.get("/bundles").text
    named = re.findall(r'<a [^>]*href="/bundles/(\w+)"', page)
    expected = sorted(team.bundle_lines(), key=lambda line: (line.model, line.bundle_sha256))
    assert named == [line.bundle_sha256[:12] for line in expected]
    assert [line.model for line in expected] == sorted(line.model for line in expected)
    rows = {row["bundle_sha256"]: row for row in desk.get("/bundles.json").json()}
    assert {row: rows[row]["channels"] for row in (good, bad)} == {
        good: "dryer/beta washer/stable",
        bad: "washer/beta",
    }
    names = ["dryer/beta", "washer/beta", "washer/stable"]
    assert [row["channel"] for row in desk.get("/channels.json").json()] == names
    assert re.findall(r'scope="row"><a href="/channels/([^"]+)"', desk.get("/channels").text) == names
    certificates = [desk.get(f"/bundles/{bundle}").text for bundle in (good, bad)]
    pointing = [
        set(re.findall(r'href="/channels/([^"]+)"', one.partition("</dl>")[0])) for one in certificates
    ]
    assert pointing == [{"dryer/beta", "washer/stable"}, {"washer/beta"}]
    channel = desk.get("/channels/washer/beta").text
    assert channel.count('<tr class="struck">') == 1
    for shown in (page, desk.get("/channels").text, channel, *certificates):
        assert ("<script" in shown, "<b>" in shown) == (False, False)
    content = read_bundle(released.folder / "good")
    hashes = {name: hashlib.sha256(file).hexdigest() for name, file in content.items()}
    files = desk.get(f"/bundles/{good}/files.json").json()
    assert {file["name"]: file["sha256"] for file in files} == hashes
    table = certificates[0].partition('id="files"')[2].partition("</table>")[0]
    rows_of = r'scope="row">([^<]+)</th><td class="n">[^<]*</td><td class="mono wrap">(\w+)</td>'
    assert re.findall(rows_of, table) == [(file["name"], file["sha256"]) for file in files]


@pytest.mark.longer
def test_an_order_says_where_channels_point(released: Released, team: Store, desk: httpx.Client) -> None:
    """Each with its bundle's model, and the moves of the one that is asked for alone, the newest first; what
    people wrote is text. Who may not release reads it, and finds no form.
    """
    good, bad = sha256_of(released, "good"), sha256_of(released, "bad")
    words = ("<b>A. Owner</b>", "<script>alert(1)</script>")
    for channel in ("washer/stable", "dryer/beta"):
        move_channel(team, good, Wish(channel, *words))
    moved = move_channel(team, bad, Wish("washer/stable", *words, ("anyway",)))
    page = desk.get("/release?channel=washer/stable").text
    standing, _, moves = page.partition("Moves of washer/stable")
    rows = re.findall(r'channel=([^"]+)">[^<]+</a></th><td><a [^>]+>(\w+)</a></td><td>(\w+)</td>', standing)
    assert rows == [("dryer/beta", good[:12], "good"), ("washer/stable", bad[:12], "bad")]
    assert re.findall(r'"mono" href="/bundles/(\w+)"', moves) == [bad[:12], good[:12]]
    assert f'name="follows" value="{moved.move.sha256}"' in page
    offered = r'<option value="(\w+)">(\w+)</option>'
    assert set(re.findall(offered, page)) == {(good[:12], "good"), (bad[:12], "bad")}
    assert re.findall(r"<td>([^<]*)</td></tr>", moves) == ["limits that are not met", "nothing"]
    assert ("<script" in page, "<b>" in page, "&lt;script&gt;" in moves) == (False, False, True)
    for channel, bundles in (("washer/stable", [good, bad]), ("dryer/beta", [good])):
        told = desk.get(f"/moves.json?channel={channel}").json()
        assert [move["bundle_sha256"] for move in told] == bundles
    team.withdraw(bad, *words, datetime(2026, 3, 2, 9, 15, tzinfo=UTC))
    page = desk.get("/release").text
    assert page.count(">withdrawn</strong>") == 1
    assert re.findall(offered, page) == [(good[:12], "good")]  # no channel can be moved to the other
    reader = signed_in(desk, team.add_token("lee", (Scope.READ, Scope.PULL))[1])
    for path in ("/release", f"/bundles/{good}", "/channels", "/channels/washer/stable"):
        shown = reader.get(path)
        assert (shown.status_code, "At the desk" in shown.text) == (200, False), path
    for path in ("/release", f"/bundles/{good}/withdraw", f"/bundles/{bad}/take-back"):
        fields = {"reason": "why", "channel": "dryer/beta", "bundle": good, "follows": "new"}
        assert reader.post(path, data=fields).status_code == 403, path
