"""A team's store with something of every kind, and its pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from bundles import stand_in_onnx

from dataset.records import Model, Scope
from dataset.store import Store
from desks import READABLE, with_work
from doors import open_door
from training.program import digest, to_json
from training.program.builder import Builder

READER = (Scope.READ, Scope.PULL)
WRITER = (*READER, Scope.PUSH, Scope.AMEND, Scope.SIGN, Scope.RUN, Scope.RELEASE)


@pytest.fixture(scope="session")
def bench(north: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A copy of the store, open, without a token; with a model whose program can be read."""
    with Store.open(shutil.copy(north, tmp_path_factory.mktemp("pages") / "bench.db")) as store:
        b = Builder("a plain one", count_bits=16, channels=2, period_ms=100, span=6400)
        level = b.node("clip", b.node("dense", "counts", weights=((1, 1),), bias=(0,)), low=0, high=6400)
        program = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
        texts = ("{}", "{}", "{}", to_json(program), stand_in_onnx(2))
        with_work(store)
        store.add_model(Model(READABLE, digest(program), store.frozen_sets()[0], None, *texts))
        yield store


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
