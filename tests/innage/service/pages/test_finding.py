"""Two models beside each other, and the search, as HTTP gives them."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from reports import ERRORS

from dataset.records import GroupBy, Role, Unit
from dataset.store import Store
from doors import open_door


@pytest.fixture(scope="module")
def team(north: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A copy of the store with a model whose limits were answered."""
    with Store.open(shutil.copy(north, tmp_path_factory.mktemp("finding") / "team.db")) as store:
        first = store.models()[0]
        limits = [{"metric": "rmse_mm", "condition": "all", "bound": 2, "value": 1.5, "answer": "met"}]
        rows = [one | {"groups": 1, "uncertainty": 0.1, "reason": "", "group": None} for one in limits]
        metrics = json.dumps({"limits": rows})
        store.add_model(replace(first, name="judged", metrics=metrics, sha256="b" * 64))
        store.add_unit(Unit("Spare-7"))
        yield store


@pytest.fixture(scope="module")
def reader(team: Store) -> Iterator[httpx.Client]:
    """Whoever reads it on its own machine."""
    with (
        open_door(team, authorise=None) as url,
        httpx.Client(base_url=url, headers={"Accept": "text/html"}) as client,
    ):
        yield client


def hits(reader: httpx.Client, q: str) -> list[tuple[str, str, str]]:
    """The kind, the name and what it was found by of each find."""
    found = reader.get("/search.json", params={"q": q}).json()
    page = reader.get("/search", params={"q": q}).text
    assert [hit["address"] for hit in found] == re.findall(r'class="what"><a href="([^"]+)"', page)
    for hit in found:
        assert reader.get(hit["address"]).status_code == 200, hit
    return [(hit["kind"], hit["name"], hit["by"]) for hit in found]


@pytest.mark.longer
def test_everything_is_found_by_name_hash_and_tag(team: Store, reader: httpx.Client) -> None:
    """Each address leads to what was found."""
    model, frozen = team.model("judged"), team.frozen_sets()[0]
    assert hits(reader, "JUDG") == [("Model", "judged", "name")]
    assert hits(reader, model.sha256[:8]) == [("Model", "judged", "hash")]
    assert hits(reader, frozen.sha256) == [("Frozen set", frozen.name, "hash")]
    assert hits(reader, "board1") == [("Unit", "board1", "name")]
    assert hits(reader, "spare-7") == [("Unit", "Spare-7", "name")]
    (tagged,) = (line for line in team.page_of_session_lines().items if "kept" in line.tags)
    assert [(kind, by) for kind, _, by in hits(reader, "kept")] == [("Session", "tag kept")]
    for digits in (tagged.id[:6], team.session(tagged.id).sha256):
        assert [(kind, by) for kind, _, by in hits(reader, digits)] == [("Session", "hash")]
    assert [kind for kind, _, _ in hits(reader, "1111")] == ["Bundle"]
    assert hits(reader, "no such thing") == []
    assert "Nothing is called so" in reader.get("/search?q=zz").text
    assert "<script" not in reader.get("/search", params={"q": '"><script>alert(1)</script>'}).text


def test_two_models_stand_beside_each_other(team: Store, reader: httpx.Client) -> None:
    """With what each answered, and whether the figures are of the same groups."""
    page = reader.get("/compare?first=judged&second=m1").text
    assert re.search(r'"row">rmse_mm</th>.*1.5.*<td>met</td><td>not asked</td>', page)
    assert ("Both were judged on" in page, "Not like with like" in page) == (True, False)
    assert "<code>innage compare judged m1</code>" in page
    what = page.partition('id="what"')[2]
    assert re.findall(r'"row">(.*?)</th>', what) == ["Sessions of its set", "Readings"]  # what neither states
    assert "Choose two" in reader.get("/compare").text
    assert reader.get("/compare?first=judged&second=nobody").status_code == 404
    assert reader.get("/compare.json?first=judged&second=m1").json() == []


@pytest.mark.longer
def test_a_data_sheet_says_whether_it_may_ship(team: Store, reader: httpx.Client) -> None:
    """With what speaks against it, what is open, and where to go on; every link leads somewhere."""
    page = reader.get("/models/judged").text
    (said,) = re.findall(r"<p class=\"fault\"><strong>(.*?)</strong></p>", page)
    assert said == "No: see readings."
    section = page.partition('id="ship"')[2].partition("</table>")[0]
    answers = re.findall(
        r'<th scope="row">(?:<a[^>]*>)?(.*?)(?:</a>)?</th><td>(?:<strong[^>]*>)?(\w+)', section
    )
    assert dict(answers) == {
        "Limits met": "yes",
        "Within its budget": "open",
        "Readings of real units": "no",
        "No session behind it void": "yes",
        "None amended since it was frozen": "yes",
        "Not retired": "yes",
        "Exported, not withdrawn": "open",
        "On a channel": "open",
    }
    ships = reader.get("/models/judged.json").json()["ships"]
    words = {"passed": "yes", "failed": "no", "not enough evidence": "open"}
    assert (ships["answer"], ships["sentence"]) == ("no", said)
    assert [(one["asks"], words[one["answer"]]) for one in ships["asked"]] == answers
    assert {one["next"]["command"] for one in ships["asked"] if one["next"]} >= {"innage log FILE"}
    assert "all 1 of signed@2 met, signed by" in section
    assert "<code>innage export judged --budget BUDGET --out FOLDER</code>" in section
    released = reader.get("/models/m1").text.partition('id="ship"')[2].partition("</table>")[0]
    paths = re.findall(r'href="(/[^"#]+)', section + released)
    assert "/release?bundle=" in released
    assert paths
    assert [path for path in paths if reader.get(path).status_code != 200] == []


def test_names_stay_what_they_are_on_a_data_sheet(tmp_path: Path, north: Path) -> None:
    """Texts of metrics come as they were written, in its tables and in its pictures."""
    errors = {"p05_mm": -1.0, "p50_mm": 0.0, "p95_mm": 1.0, "errors_mm": {"clean": [0.5]}}
    metrics = {
        "why": "the smallest of 'many' < all within 5 %",
        "claims": {"classes": {"clean": ERRORS}, "units": [{"unit": "a&b", "frames": 9} | errors]},
    }
    with Store.open(shutil.copy(north, tmp_path / "named.db")) as store:
        model = replace(store.models()[0], name="named", metrics=json.dumps(metrics), sha256="c" * 64)
        store.add_model(model)
        with open_door(store, authorise=None) as url:
            page = httpx.get(f"{url}/models/named", headers={"Accept": "text/html"}).text
    assert "the smallest of &#39;many&#39; &lt; all within 5\u00a0%" in page
    assert ">a&amp;b</text>" in page
    assert not re.search("[\ue000-\uf8ff]", page)  # the report's own signs for what could be markup


@pytest.mark.longer
def test_errors_of_two_models_stand_in_their_own_columns(tmp_path: Path, north: Path) -> None:
    """The first to the left, by class and by figure; of two frozen sets the page says that it is not like
    with like.
    """
    with Store.open(shutil.copy(north, tmp_path / "compared.db")) as store:
        first, frozen = store.models()[0], store.models()[0].frozen
        session = store.session(frozen.sessions[0].id)
        other = store.freeze("other", [session], GroupBy.UNIT, {session.unit.name: Role.PROVE})
        for number, (name, taken) in enumerate((("left", frozen), ("right", frozen), ("apart", other))):
            figures = ERRORS | {"p50_mm": 0.5 + number, "p95_mm": 1.25 + number, "max_mm": 3.0 + number}
            metrics = {"claims": {"classes": {"clean": figures}}}
            model = replace(first, name=name, frozen=taken, parent=None, limits=None)
            store.add_model(replace(model, metrics=json.dumps(metrics), sha256=f"{number}" * 64))
        with (
            open_door(store, authorise=None) as url,
            httpx.Client(base_url=url, headers={"Accept": "text/html"}) as client,
        ):
            get = client.get
            (row,) = get("/compare.json?first=right&second=left").json()
            alike, apart = (get(f"/compare?first=right&second={name}").text for name in ("left", "apart"))
            index = get("/models.json").json()
    assert row == {
        "class": "clean",
        "first_accepted_pct": 98.5,
        "second_accepted_pct": 98.5,
        "first_p50_mm": 1.5,
        "second_p50_mm": 0.5,
        "first_p95_mm": 2.25,
        "second_p95_mm": 1.25,
        "first_max_mm": 4.0,
        "second_max_mm": 3.0,
    }
    heads = re.findall(r'<th scope="col"[^>]*>(?:<a[^>]*>)?(right|left)', alike)
    assert heads[:2] == ["right", "left"]
    assert ["Not like with like" in page for page in (alike, apart)] == [False, True]
    assert [one["clean_p95_mm"] for one in index if one["name"] in ("left", "right")] == [1.25, 2.25]
