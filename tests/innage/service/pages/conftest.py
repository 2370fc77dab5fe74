"""A team's store with something of every kind, and its pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from dataset.records import Scope
from dataset.store import Store
from doors import open_door

READER = (Scope.READ, Scope.PULL)
WRITER = (*READER, Scope.PUSH, Scope.AMEND, Scope.SIGN, Scope.RUN, Scope.RELEASE)


@pytest.fixture
def team(north: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of that store, open."""
    with Store.open(shutil.copy(north, tmp_path / "team.db")) as store:
        yield store


@pytest.fixture
def writer(team: Store) -> str:
    """A token for what is done at a desk."""
    return team.add_token("kim", WRITER)[1]


@pytest.fixture
def url(team: Store) -> Iterator[str]:
    """Its door, which goes by its tokens."""
    with open_door(team, authorise=None) as opened:
        yield opened


@pytest.fixture
def browser(url: str) -> Iterator[httpx.Client]:
    """What asks for pages, and says where its forms come from, as a browser does."""
    headers = {"Accept": "text/html,*/*;q=0.8", "Sec-Fetch-Site": "same-origin"}
    with httpx.Client(base_url=url, headers=headers) as client:
        yield client
