"""A team's store, in a file and on a server."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from dataset.records import Scope
from dataset.store import Store
from servers import Server


@pytest.fixture(params=["in a file", "on the server"])
def team(request: pytest.FixtureRequest, tmp_path: Path, template: Path) -> Iterator[Store]:
    """A new store that holds one token, which nobody uses."""
    if request.param == "on the server":
        server: Server = request.getfixturevalue("server")
        place = server.store()
        with Store.open(place) as store:
            store.add_token("nobody", [Scope.READ])
            yield store
        server.drop(place)
        return
    with Store.open(shutil.copy(template, tmp_path / "team.db")) as store:
        store.add_token("nobody", [Scope.READ])
        yield store
