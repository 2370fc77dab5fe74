"""``innage unit compare``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from building import bench_store
from calling import refused_line, run, run_json
from dataset.records import Occasion, Unit
from dataset.store import Store


def test_one_unit_on_two_benches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a table and as JSON; a bench that is named once is told."""
    path = tmp_path / "two.db"
    monkeypatch.setenv("INNAGE_STORE", str(path))
    with Store.open(path) as store:
        bench = bench_store(store)
        store.add_units([Unit("x", bench="a" * 32), Unit("y", bench="b" * 32)])
        sessions = [
            replace(bench.session(k), occasion=Occasion(bench=digit * 32)) for k, digit in enumerate("ab")
        ]
        store.add_sessions(sessions)
    both = ("unit", "compare", "unit1", "--bench", "bench-aaaaaa", "--bench", "bench-bbbbbb")
    shown = run_json(*both)
    assert [(d["level_mm"], d["channel"]) for d in shown["differences"]] == [
        (level, pad) for level in (15.0, 25.0) for pad in ("low", "high")
    ]
    assert "of 4 differences are beyond" in run(*both)
    assert "--bench: bench-aaaaaa; expected two that differ" in refused_line(
        "unit compare unit1 --bench bench-aaaaaa"
    )
