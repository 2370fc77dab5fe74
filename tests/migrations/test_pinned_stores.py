"""Stores that earlier versions wrote are upgraded without loss, and go on working."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from dataset.database import HISTORY
from dataset.records import Tank
from dataset.store import Store
from training.program import digest, from_json

STORES = Path(__file__).parent.parent / "data" / "stores"


def revision(path: Path) -> str:
    """The revision that a store says it has."""
    with closing(sqlite3.connect(path)) as connection:
        (found,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(found)


@pytest.mark.parametrize("old", HISTORY.revisions)
def test_a_store_of_each_revision_is_upgraded_and_used(old: str, tmp_path: Path) -> None:
    """A copy of an old one is kept, every session keeps its hash, the model its digest, exports their files; new records can be added."""
    path = tmp_path / "store.db"
    shutil.copy(STORES / f"{old}.db", path)
    assert revision(path) == old
    with Store.open(path) as store:
        assert revision(path) == HISTORY.head
        copies = [revision(copy) for copy in tmp_path.glob("store.db.*.copy")]
        assert copies == ([] if old == HISTORY.head else [old])
        (session,) = store.sessions()
        assert len(store.frames(session, verify=True)) == session.frames == 768
        (model,) = store.models()
        assert digest(from_json(model.program)) == model.sha256
        assert len(store.frozen_data(model.frozen).counts) == 768
        assert store.add_tank(Tank("bench-tank", 0, 150.0)).revision == 2
    with Store.open(path) as again:
        assert again.tank("bench-tank").span_mm == 150.0
