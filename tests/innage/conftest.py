"""What tests of commands share."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: bytes) -> Path:
    """A copy of the store that the module's ``bench`` made once; commands use it."""
    path = tmp_path / "innage.db"
    path.write_bytes(bench)
    monkeypatch.setenv("INNAGE_STORE", str(path))
    return path
