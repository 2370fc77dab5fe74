"""The stores that keep the contract, however they came to be: made new, in a file, in memory or on a server,
or brought up from the first revision of the schema.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from every_table import fill

from building import Bench
from dataset.store import Store
from dataset.store.database import HISTORY, upgrade
from servers import Server

EVERY_DAY = (
    "test_sessions_contract.py",
    "test_frozen_contract.py",
    "test_pages.py",
    "test_standing.py",
    "test_standing_sets.py",
)  # on a server; the other files are slow there


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What most of a store's life is made of is looked at on a server every day, the rest once."""
    for item in items:
        if "[on a server" in item.name and item.path.name not in EVERY_DAY:
            item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session")
def brought_up(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store of the first revision of the schema, brought up by opening it."""
    path = tmp_path_factory.mktemp("first") / "store.db"
    upgrade(path, HISTORY.revisions[0])
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [
            (HISTORY.revisions[0],)
        ]
    Store.open(path).close()
    return path


@pytest.fixture(
    params=[
        pytest.param("new", marks=pytest.mark.slow),
        "in memory",
        "brought up from the first revision",
        "on a server",
    ]
)
def store(
    request: pytest.FixtureRequest, tmp_path: Path, template: Path, brought_up: Path
) -> Iterator[Store]:
    """A store of the newest revision."""
    if request.param == "on a server":
        server: Server = request.getfixturevalue("server")
        place = server.store()
        with Store.open(place) as on_server:
            yield on_server
        server.drop(place)
        return
    if request.param == "in memory":
        with Store.in_memory() as in_memory:
            yield in_memory
        return
    yield Store.open(shutil.copy(template if request.param == "new" else brought_up, tmp_path / "store.db"))


@pytest.fixture
def benches(template: Path, tmp_path: Path) -> tuple[Store, Store]:
    """Two new stores, each of its own bench."""
    folders = [tmp_path / name for name in ("left", "right")]
    for folder in folders:
        folder.mkdir()
    left, right = (Store.open(shutil.copy(template, folder / f"{folder.name}.db")) for folder in folders)
    return left, right


@pytest.fixture(scope="session")
def filled(
    tmp_path_factory: pytest.TempPathFactory, template: Path, register: Callable[[Store], Bench]
) -> Path:
    """A store with a row in every table, in one file with nothing beside it."""
    path = tmp_path_factory.mktemp("filled") / "store.db"
    with Store.open(shutil.copy(template, path)) as store:
        fill(store, register(store))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode=DELETE")
        connection.execute("VACUUM")
    return path
