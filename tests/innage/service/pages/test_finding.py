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


def test_everything_is_found_by_name_hash_and_tag(team: Store, reader: httpx.Client) -> None:
    """Each address leads to what was found."""
    model, frozen = team.model("judged"), team.frozen_sets()[0]
    assert hits(reader, "JUDG") == [("Model", "judged", "name")]
    assert hits(reader, model.sha256[:8]) == [("Model", "judged", "hash")]
    assert hits(reader, frozen.sha256) == [("Frozen set", frozen.name, "hash")]
    assert hits(reader, "board1") == [("Unit", "board1", "name")]
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
    assert "Choose two" in reader.get("/compare").text
    assert reader.get("/compare?first=judged&second=nobody").status_code == 404
    assert reader.get("/compare.json?first=judged&second=m1").json() == []


def test_a_data_sheet_counts_its_answers_at_the_top(team: Store, reader: httpx.Client) -> None:
    """Where whoever decides on a release looks first; none for a model that was asked nothing."""
    assert '<dt>Answered</dt><dd><a href="#answers">1 met</a></dd>' in reader.get("/models/judged").text
    assert "<dt>Answered</dt>" not in reader.get("/models/m1").text
