"""Stores of two ends of a line."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from everything import fill

from dataset.records import Scope
from dataset.store import Store
from doors import open_door
from servers import Server

NORTH = "a" * 32


@pytest.fixture(scope="session")
def north(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed store with objects of every kind, of the bench 'aaaa...'."""
    path = tmp_path_factory.mktemp("north") / "north.db"
    with Store.open(path, bench=NORTH) as store:
        fill(store, 1)
    return path


@pytest.fixture
def rig(north: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of that store, open."""
    with Store.open(shutil.copy(north, tmp_path / "rig.db")) as store:
        yield store


@pytest.fixture
def team(tmp_path: Path) -> Iterator[Store]:
    """An empty store, open."""
    with Store.open(tmp_path / "team.db") as store:
        yield store


@pytest.fixture(params=["in a file", pytest.param("on the server", marks=pytest.mark.slow)])
def guarded(request: pytest.FixtureRequest, team: Store) -> Iterator[Store]:
    """An empty store that asks for tokens."""
    if request.param == "in a file":
        team.add_token("nobody", [Scope.READ])
        yield team
        return
    server: Server = request.getfixturevalue("server")
    place = server.store()
    with Store.open(place) as store:
        store.add_token("nobody", [Scope.READ])
        yield store
    server.drop(place)


@pytest.fixture
def url(team: Store) -> Iterator[str]:
    """The URL of the door of ``team``, where everybody may do everything."""
    with open_door(team) as url:
        yield url


@pytest.fixture
def door(url: str) -> Iterator[httpx.Client]:
    """A client of that door."""
    with httpx.Client(base_url=url) as client:
        yield client
