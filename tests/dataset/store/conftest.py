"""The stores that keep the contract, however they came to be: made new, in a file or in memory, or brought up
from the first revision of the schema.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from dataset.store import Store
from dataset.store.database import HISTORY, upgrade


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
    params=[pytest.param("new", marks=pytest.mark.slow), "in memory", "brought up from the first revision"]
)
def store(
    request: pytest.FixtureRequest, tmp_path: Path, template: Path, brought_up: Path
) -> Iterator[Store]:
    """A store of the newest revision."""
    if request.param == "in memory":
        with Store.in_memory() as in_memory:
            yield in_memory
        return
    yield Store.open(shutil.copy(template if request.param == "new" else brought_up, tmp_path / "store.db"))
