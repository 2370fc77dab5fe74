"""Stretches of a live trial that are kept: when they began, though the key comes later."""

from __future__ import annotations

from pathlib import Path

import pytest

from building import bench_store
from dataset.live.board import Line
from dataset.live.stream import Place, Placed
from dataset.records import Liquid
from dataset.store import Store
from innage.jobs.sessions.capturing import ReadOff
from innage.jobs.sessions.circumstances import Circumstances
from innage.jobs.trial.keeping import Keeper, KeptAs


def test_a_stretch_began_when_its_first_frame_came(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The key is pressed at 9:15; the frames since the program's start reach five minutes back."""
    monkeypatch.setattr("innage.jobs.trial.keeping.now_instant", lambda: "2026-03-02T09:15:00+01:00")
    ms = range(0, 300_001, 100)
    with Store.open(tmp_path / "innage.db") as store:
        bench = bench_store(store, liquid=Liquid("liquid"))
        about = Circumstances(bench.unit, bench.liquid, bench.mounting)
        keeper = Keeper(store, KeptAs("trial", about, ReadOff()))
        keeper.begin([Placed(t, 0, Line(t, (t % 7, t % 5), float("nan")), Place.FOLLOWS) for t in ms], False)
        keeper.seal()
        (session,) = keeper.sessions
    assert session.occasion.started == "2026-03-02T09:10:00+01:00"
