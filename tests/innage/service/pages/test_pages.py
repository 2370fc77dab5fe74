"""The pages as HTTP gives them: what they show, to whom, under which headers, and as which files."""

from __future__ import annotations

import csv
import io
import re
from base64 import b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from hashlib import sha256
from pathlib import Path

import httpx
import pyarrow.parquet as pq
import pytest
from starlette.datastructures import QueryParams

from building import bench_store
from dataset.canonical import limits_sha256
from dataset.records import (
    Conditions,
    CountLaw,
    DoorWarning,
    Mounting,
    Pad,
    Scope,
    Sensor,
    Stretch,
    Surface,
    Tank,
    Unit,
)
from dataset.store import Store
from desks import READABLE, addresses
from doors import open_door
from innage.jobs.pages import page_of_lines
from innage.jobs.sessions.finding import EVERY_SESSION, SessionFilter
from innage.service.pages.paper.faults import onward
from innage.service.pages.paper.filters import read_filter
from innage.service.pages.paper.frame import POLICY
from innage.service.problems import MEDIA_TYPE

HOSTILE = "\"><script>alert(1)</script><img src=x onerror=alert(2)>'{{7*7}}&amp;"


@pytest.fixture(scope="module")
def reader(bench: Store) -> Iterator[httpx.Client]:
    """Whoever reads it on its own machine, without a token."""
    with pages_of(bench) as client:
        yield client


@contextmanager
def pages_of(store: Store) -> Iterator[httpx.Client]:
    """A browser before the pages of a store."""
    with (
        open_door(store, authorise=None) as url,
        httpx.Client(base_url=url, headers={"Accept": "text/html"}) as client,
    ):
        yield client


def test_every_page_is_there_under_its_headers(bench: Store, reader: httpx.Client) -> None:
    """Of every route; a browser that has a page already is told so."""
    for address in addresses(bench):
        answer = reader.get(address)
        policy = re.sub("(?<='self') 'sha256-[^']+'", "", answer.headers["content-security-policy"])
        policy = re.sub("'sha256-[^']+'", "'self'", policy)  # of the report, which has no other style
        assert (answer.status_code, policy) == (200, POLICY), address
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["vary"] == "Accept, Authorization, Cookie"
        again = reader.get(address, headers={"If-None-Match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b""), address
        if answer.headers["content-type"].startswith("text/html"):
            assert "<script" not in answer.text
            assert " style=" not in answer.text  # the policy would drop it


@pytest.mark.longer
def test_a_list_says_the_same_in_every_form(bench: Store, reader: httpx.Client) -> None:
    """HTML, JSON, CSV and Parquet of one address have the sessions that the command line's filter leaves."""
    line = bench.page_of_session_lines(limit=1).items[0]
    for query, wanted in (
        ("", EVERY_SESSION),
        (f"?unit={line.unit}", SessionFilter(unit=(line.unit,))),
        ("?void=yes", SessionFilter(void=True)),
        ("?void=no&warning=any", SessionFilter(void=False, warning="any")),
        ("?tag=kept,early", SessionFilter(tag=("kept", "early"))),
        ("?simulated=yes&until=2026-01-02", SessionFilter(simulated=True, until=date(2026, 1, 2))),
    ):
        expected = [one.id for one in reversed(page_of_lines(bench, wanted, None).items)]
        page = reader.get(f"/sessions{query}").text
        assert re.findall(r'<th scope="row"><a class="mono" href="/sessions/(\w+)"', page) == expected, query
        rows = list(csv.DictReader(io.StringIO(reader.get(f"/sessions.csv{query}").text)))
        assert [row["session"] for row in rows] == expected
        assert [row["session"] for row in reader.get(f"/sessions.json{query}").json()] == expected
        table = pq.read_table(io.BytesIO(reader.get(f"/sessions.parquet{query}").content))
        assert table["session"].to_pylist() == expected


def test_pages_of_a_list_have_each_session_once(bench: Store, reader: httpx.Client) -> None:
    seen, path = list[str](), "/sessions?limit=2"
    while path:
        page = reader.get(path).text
        ids = re.findall(r'<th scope="row"><a class="mono" href="/sessions/(\w+)"', page)
        assert 1 <= len(ids) <= 2
        seen += ids
        onwards = re.search(r'rel="next" href="([^"]+)"', page)
        path = "" if onwards is None else onwards[1].replace("&amp;", "&")
    assert seen == [line.id for line in reversed(bench.page_of_session_lines().items)]


@pytest.mark.longer
def test_a_filter_that_cannot_be_is_a_sentence(reader: httpx.Client) -> None:
    for query, status, said in (
        ("since=yesterday", 422, "a day such as 2026-03-02"),
        ("unit=nobody", 404, "nobody"),
        ("limit=0", 422, "1 to 500"),
        ("void=perhaps", 422, "yes or no"),
        ("after=0123", 404, "is no session of this list"),
        ("condition=wall=glue", 422, "glue"),
    ):
        answer = reader.get(f"/sessions?{query}")
        assert (answer.status_code, said in answer.text) == (status, True), answer.text
        assert answer.headers["content-type"].startswith("text/html")
    empty = reader.get("/sessions?tag=nowhere")
    assert (empty.status_code, "tag nowhere (there are:" in empty.text) == (200, True)


def test_the_words_of_a_query_are_those_of_the_filter() -> None:
    asked = read_filter(QueryParams("unit=a&unit=b,c&tag=&since=2026-03-02&limit=7&void=no"))
    assert asked.filter == SessionFilter(unit=("a", "b", "c"), since=date(2026, 3, 2), void=False, limit=7)
    assert asked.query(after="x") == "?unit=a&unit=b&unit=c&since=2026-03-02&void=no&limit=7&after=x"


@pytest.mark.longer
def test_who_cannot_have_a_page_is_told_in_their_own_form(reader: httpx.Client) -> None:
    """A browser reads a page, a program a problem; what is for programs stays a problem."""
    known = {"/nowhere": 404, "/sessions/ff": 404, "/units/nobody": 404, "/sessions/x": 422, "/jobs/x": 422}
    for path, status in known.items():
        page = reader.get(path)
        assert (page.status_code, page.headers["content-type"]) == (status, "text/html; charset=utf-8")
        assert "Back to the contents" in page.text
        (detail,) = re.findall(r'<p class="lead">([^<]+)</p>', page.text)
        assert (detail[0].isupper(), detail[-1]) == (True, "."), detail
        chapter = "/" + path.split("/")[1]
        assert (f'<p><a href="{chapter}">' in page.text) == (path != "/nowhere"), path
        assert ("The address cannot be read" in page.text) == (status == 422)  # nothing was sent
        problem = reader.get(path, headers={"Accept": "application/json"})
        assert (problem.status_code, problem.headers["content-type"]) == (status, MEDIA_TYPE)
    assert "In the address, key is not of the form that it needs." in reader.get("/jobs/x").text
    assert reader.get("/v1/objects/session/ff").headers["content-type"] == MEDIA_TYPE


@pytest.mark.longer
def test_names_and_reasons_of_others_stay_text(tmp_path: Path) -> None:
    """Whatever somebody wrote: it is shown as it stands, and nothing of it becomes markup."""
    with Store.open(tmp_path / "hostile.db") as store:
        store.name_bench(store.bench().identity, "north", HOSTILE)
        bench = bench_store(store)
        unit = store.add_unit(Unit("sample", HOSTILE))
        new = replace(
            bench.session(1, unit=unit, note=HOSTILE),
            warnings=(DoorWarning("noise", HOSTILE),),
            stretches=(Stretch(0, 5, Conditions(surface=(Surface.STILL,), appliance=HOSTILE[:40])),),
        )
        (session,) = store.add_sessions([replace(new, source=replace(new.source, file=HOSTILE))])
        store.tag([session.id], ["early"], HOSTILE)
        store.void(session.id, HOSTILE)
        store.retire("unit", "sample", HOSTILE)
        with pages_of(store) as client:
            for path in (*addresses(store), f"/sessions?tag={HOSTILE}", f"/{HOSTILE}"):
                answer = client.get(path)
                if answer.headers["content-type"].startswith("text/html"):
                    assert not re.search(r"<script|<img|onerror=alert\(2\)>", answer.text), path
            record = client.get(f"/sessions/{session.id}").text
            assert record.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 5


@pytest.mark.parametrize("path", ["", "/report"])
def test_a_page_has_no_style_but_those_that_its_policy_names(reader: httpx.Client, path: str) -> None:
    """The hashes of the styles that stand in it (CSP level 3, 2.3.1), and of no other."""
    answer = reader.get(f"/models/{READABLE}{path}")
    styles = re.findall(r"<style>(.*?)</style>", answer.text, re.DOTALL)
    named = [f"sha256-{b64encode(sha256(style.encode()).digest()).decode()}" for style in styles]
    assert styles
    assert re.findall("'(sha256-[^']+)'", answer.headers["content-security-policy"]) == named


def test_an_address_that_nothing_has_is_named(reader: httpx.Client) -> None:
    answer = reader.get("/no<where")
    assert answer.status_code == 404
    assert "Nothing has the address /no&lt;where." in answer.text


@pytest.mark.longer
def test_the_foot_of_a_printed_sheet_has_its_hash(bench: Store, reader: httpx.Client) -> None:
    """As its seal has it, once; a sheet without a seal is named alone."""
    frozen, (first, *_, second) = bench.frozen_sets()[0], bench.models()
    session, (bundle, *_) = bench.sessions()[0], bench.bundle_lines()
    for path, hashes in (
        (f"/sessions/{session.id}", [session.sha256]),
        (f"/frozen/{frozen.name}", [frozen.sha256]),
        (f"/models/{first.name}", [first.sha256]),
        (f"/bundles/{bundle.bundle_sha256[:12]}", [bundle.bundle_sha256]),
        (f"/compare?first={first.name}&second={second.name}", [first.sha256, second.sha256]),
        *((f"/channels/{move.channel}", [move.sha256]) for move in bench.channels()),
        *((f"/jobs/{job.key[:12]}", [job.key, job.identity]) for job in bench.queued_jobs(most=1)),
        *((f"/limits/{limits.ref}", [limits_sha256(limits)]) for limits in bench.all_limits()),
        ("/units", []),
    ):
        (foot,) = re.findall(
            r'<style>@page\{@bottom-left\{content:"([^"<]+)"\}\}</style>', reader.get(path).text
        )
        assert re.findall(r"\b[0-9a-f]{12}\b", foot) == [sha256[:12] for sha256 in hashes], path


def test_a_data_sheet_and_its_tables_agree(bench: Store, reader: httpx.Client) -> None:
    """A frozen set's groups by role, and what 'innage models NAME --json' says of a model."""
    frozen, model = bench.frozen_sets()[0], bench.models()[0]
    rows = reader.get(f"/frozen/{frozen.name}/groups.json").json()
    assert {row["group"]: row["role"] for row in rows} == {group: str(role) for group, role in frozen.roles}
    page = reader.get(f"/frozen/{frozen.name}").text
    assert all(f">{group}<" in page for group, _ in frozen.roles)
    facts = reader.get(f"/models/{model.name}.json").json()
    assert (facts["sha256"], facts["frozen"]["name"]) == (model.sha256, model.frozen.name)
    assert model.sha256[:8] in reader.get(f"/models/{model.name}").text


@pytest.mark.longer
def test_the_contents_lead_to_what_they_count(bench: Store, reader: httpx.Client) -> None:
    """Every line of which there is one is a link, to a place that is there, with the store's own number."""
    page = reader.get("/").text.partition('id="there"')[2]
    lines = re.findall(r'<a href="([^"]+)">([^<]+)</a>.*?<span class="n">(\w+)</span>', page)
    counts = bench.counts() | {"capture sessions": bench.counts()["sessions"]}
    assert {name.lower() for _, name, _ in lines} >= {"tanks", "liquids", "sensors", "mountings", "jobs"}
    for address, name, number in lines:
        path, _, anchor = address.partition("#")
        assert f'id="{anchor}"' in reader.get(path).text or not anchor, address
        assert counts.get(name.lower(), int(number)) == int(number), name


@pytest.mark.longer
def test_a_parts_list_has_what_captures_rest_on(tmp_path: Path) -> None:
    """The same rows in every form; what is retired stays, with the reason, as text."""
    with Store.open(tmp_path / "parts.db") as store, pages_of(store) as client:
        tank = store.add_tank(Tank("bottle", 0, 100.0, inlet_mm=95.0, note="<b>old</b>"))
        store.add_tank(Tank("canister", 0, 120.0))
        sensor = store.add_sensor(
            Sensor("strip", 0, (Pad(0, "low", 5, 10), Pad(1, "high", 20, 10)), 12, CountLaw.RISES, 100)
        )
        store.add_mounting(Mounting("m1", tank, sensor, 2.5, 0.5))
        store.retire("tank", "canister@1", "leaks & drips")
        page, facts = client.get("/registry").text, client.get("/registry.json").json()
        assert [row["name"] for row in facts["tanks"]] == ["bottle@1", "canister@1"]
        assert [row["retired"] for row in facts["tanks"]] == [None, "leaks & drips"]
        assert (facts["sensors"][0]["low_mm"], facts["sensors"][0]["high_mm"]) == (5, 30)
        for kind, rows in facts.items():
            assert client.get(f"/{kind}.json").json() == rows
            written = list(csv.DictReader(io.StringIO(client.get(f"/{kind}.csv").text)))
            assert [row["name"] for row in written] == [row["name"] for row in rows]
        assert ("<b>" in page, "leaks &amp; drips" in page, "innage liquid add NAME" in page) == (
            False,
            True,
            True,
        )
        assert re.search(r'<tr id="mounting-m1">.*<td class="n">2.5</td><td class="n">0.5</td>', page)
        assert "Dead volume" not in page  # nobody stated one


@pytest.mark.longer
def test_an_empty_store_says_what_to_do(tmp_path: Path) -> None:
    with Store.open(tmp_path / "new.db") as store, pages_of(store) as client:
        for path, said in (
            ("/", "innage tank add"),
            ("/sessions", "innage log FILE"),
            ("/coverage", "innage log FILE"),
            ("/units", "innage unit add NAME"),
            ("/frozen", "innage freeze NAME"),
            ("/models", "innage train SET"),
            ("/limits", "innage limits add NAME"),
            ("/bundles", "innage export MODEL"),
            ("/channels", "innage channel move NAME"),
            ("/jobs", "innage job add train"),
        ):
            page = client.get(path)
            assert (page.status_code, said in page.text) == (200, True), path
        assert "innage token add" in client.get("/").text


def test_without_a_token_nothing_can_be_written(bench: Store, reader: httpx.Client) -> None:
    """Not on loopback either: no form is there, and none is taken."""
    line = bench.page_of_session_lines(limit=1).items[0]
    assert "At the desk" not in reader.get(f"/sessions/{line.id}").text
    for act in ("void", "take-back", "tag", "amend"):
        answer = reader.post(
            f"/sessions/{line.id}/{act}", data={"reason": "x"}, headers={"Sec-Fetch-Site": "same-origin"}
        )
        assert (answer.status_code, "nothing written" in answer.text) == (403, True)


@pytest.mark.longer
def test_what_came_in_is_on_the_next_page(tmp_path: Path) -> None:
    """Lists are kept between pages, and read again once anything came in or was said."""
    with Store.open(tmp_path / "team.db") as store:
        bench = bench_store(store)
        (first,) = store.add_sessions([bench.session(1)])
        with pages_of(store) as client:
            acts = (
                lambda: store.add_sessions([bench.session(2)]),
                lambda: store.tag([first.id], ["early"]),
                lambda: store.void(first.id, "the hose came off"),
                lambda: store.take_back_void(first.id, "it was the other"),
                lambda: store.add_unit(Unit("later")),
            )
            seen = [client.get("/sessions.json").text + client.get("/units.json").text]
            for act in acts:
                act()
                now = client.get("/sessions.json").text + client.get("/units.json").text
                assert now != seen[-1]
                seen.append(now)


def test_where_to_go_on_is_a_path_of_this_door() -> None:
    assert onward("/sessions?unit=a") == "/sessions?unit=a"
    for elsewhere in ("//evil.test", "https://evil.test", "/\\evil.test", "", "x", "/sign-in", "/\r\nX: y"):
        assert onward(elsewhere) == "/"


def test_readings_ask_for_the_scope_that_they_ask_for_elsewhere(team: Store, browser: httpx.Client) -> None:
    """With 'read' alone a record shows what its document says, and no counts."""
    line = team.page_of_session_lines(limit=1).items[0]
    for scopes, seen in (((Scope.READ,), False), ((Scope.READ, Scope.PULL), True)):
        _, token = team.add_token("who", scopes)
        bearer = {"Authorization": f"Bearer {token}"}
        page = browser.get(f"/sessions/{line.id}", headers=bearer).text
        assert ("polyline" in page, "Counts under the marks" in page) == (seen, seen)
        marks = browser.get(f"/sessions/{line.id}/marks.csv", headers=bearer)
        assert marks.status_code == (200 if seen else 403)
