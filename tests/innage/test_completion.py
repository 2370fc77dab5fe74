"""Shell completion: names from the store that the line names, and nothing where there is none. The protocol
is that of Typer's own scripts.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from building import bench_store, put
from dataset.records import Tank, Unit
from dataset.store import Store
from innage.cli import app


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Two tanks, one of two revisions; two units, a liquid, a sensor, a mounting."""
    path = tmp_path_factory.mktemp("completion") / "innage.db"
    with Store.open(path) as store:
        canister = bench_store(store, unit="unit-1", mounting="bench").tank
        put(store, replace(canister, span_mm=120.0), Tank("rinse-tank", 0, 80.0), Unit("unit-2"))
    return path.read_bytes()


def complete(line: str) -> list[str]:
    """What bash is told for a line that ends where the cursor is."""
    words = line.split(" ")
    env = {"_INNAGE_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(words) - 1)}
    return CliRunner().invoke(app, [], env=env, prog_name="innage").stdout.split()


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("innage se", ["sensor", "sessions"]),
        ("innage tank show ", ["canister", "rinse-tank"]),
        ("innage tank show can", ["canister"]),
        ("innage log x.csv --unit unit-", ["unit-1", "unit-2"]),
        ("innage mounting add new --tank r", ["rinse-tank"]),
        ("innage train ", []),
        ("innage tank add ", []),
        ("innage trim list --un", ["--unit"]),
    ],
)
def test_names_come_from_the_store(line: str, found: list[str]) -> None:
    assert complete(line) == found


def test_another_store_can_be_named_and_a_broken_one_says_nothing(tmp_path: Path, bench: bytes) -> None:
    other = tmp_path / "other.db"
    other.write_bytes(bench)
    assert complete(f"innage unit show --store {other} unit-1") == ["unit-1"]
    other.write_bytes(b"no store")
    assert complete(f"innage unit show --store {other} unit-1") == []
    assert complete(f"innage unit show --store {tmp_path / 'none.db'} u") == []
    assert not (tmp_path / "none.db").exists()
