"""A store with a queue, in a file and on a server."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from dataset.store import Store
from servers import Server

# what is said in SQL that differs, or waits for others, is tried on a server every day, the rest once
EVERY_DAY = ("two_runners", "lease", "never_changes", "opening", "writes_nothing", "alarm")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The others are slow there."""
    for item in items:
        if "[on the server]" in item.name and not any(word in item.name for word in EVERY_DAY):
            item.add_marker(pytest.mark.slow)


@pytest.fixture(params=["in a file", "on the server"])
def store(request: pytest.FixtureRequest, tmp_path: Path, template: Path) -> Iterator[Store]:
    """A new store."""
    if request.param == "on the server":
        server: Server = request.getfixturevalue("server")
        place = server.store()
        with Store.open(place) as on_server:
            yield on_server
        server.drop(place)
        return
    with Store.open(shutil.copy(template, tmp_path / "store.db")) as in_file:
        yield in_file
