"""A small bench for the store's tests."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from everything import fill

from building import Bench, bench_store
from dataset.store import Store


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store to copy, so that not every test waits for the migrations."""
    return Store.open(tmp_path_factory.mktemp("template") / "new.db").path


@pytest.fixture
def new_store(template: Path, tmp_path: Path) -> Store:
    """A new store."""
    return Store.open(shutil.copy(template, tmp_path / "new.db"))


@pytest.fixture(scope="session")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed store with objects of every kind, of the bench 'aaaa...'."""
    path = tmp_path_factory.mktemp("full") / "north.db"
    with Store.open(path, bench="a" * 32) as store:
        fill(store, 1)
    return path


@pytest.fixture(scope="session")
def register() -> Callable[[Store], Bench]:
    """Registers a bench in a store."""
    return partial(bench_store, offset_mm=1.5, offset_tolerance_mm=0.5)
