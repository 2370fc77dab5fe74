"""Streams that were taken of sessions, as a manifest has them: of groups that may be seen."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from building import bench_store
from dataset.records import GroupBy, Occasion
from dataset.store import Store
from export.bundle.excerpt_entries import misplaced
from export.bundle.manifest import _session


def manifest(group_by: str, **session: Any) -> dict[str, Any]:
    """A manifest's entries of one session, of which a stream of frames was taken."""
    facts = {
        "id": "aa",
        "sha256": "a" * 64,
        "unit": "u1",
        "liquid": "water",
        "mounting": "m",
        "tank": "can@1",
    }
    return {
        "sessions": [facts | {"frames": 100, "void": None} | session],
        "trims": [],
        "frozen_set": {"group_by": group_by, "roles": {"b1": "fit", "b2": "prove", "can": "fit"}},
        "vectors": {
            "made_only": False,
            "excerpts": [{"session": "a" * 64, "first": 0, "frames": 50, "trims": []}],
        },
    }


@pytest.mark.parametrize(
    ("group_by", "session", "wrong"),
    [
        ("bench", {"group": "b1"}, False),
        ("bench", {"group": "b2"}, True),  # to prove
        ("bench", {"group": "b3"}, True),  # of no role
        ("bench", {}, True),  # no bench is said
        ("tank", {"group": "can"}, False),
        ("tank", {}, True),
        ("level", {}, False),  # of marks, which no manifest has
    ],
)
def test_what_is_proved_on_is_in_no_stream(group_by: str, session: dict[str, Any], wrong: bool) -> None:
    assert misplaced(manifest(group_by, **session)) is wrong


def test_a_set_by_bench_says_the_bench_of_each_session(tmp_path: Path) -> None:
    with Store.open(tmp_path / "innage.db") as store:
        occasion = Occasion(bench=store.bench().identity)
        (session,) = store.add_sessions([replace(bench_store(store).session(1), occasion=occasion)])
    assert _session(session, GroupBy.BENCH, {})["group"] == str(occasion.bench)[:12]
    assert "group" not in _session(session, GroupBy.UNIT, {})
