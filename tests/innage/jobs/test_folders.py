"""Writing the folder of a bundle: whole, in one step, and never over something else."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from dataset.errors import InputError
from innage.jobs.folders import check_target, write_bundle


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_interrupted_write_keeps_the_old_bundle(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where two folders cannot be swapped and the last step fails, the old folder is there again, whole, and
    nothing is left beside it.
    """
    out = tmp_path / "b"
    write_bundle(out, {"a": b"1"})
    rename = Path.rename

    def failing(self: Path, target: Path) -> Path:
        if self.name == "new":
            raise OSError(28, "No space left on device")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", failing)
    monkeypatch.setattr("innage.jobs.folders._exchange", lambda one, other: False)
    with pytest.raises(InputError, match="No space left on device"):
        write_bundle(out, {"a": b"2"})
    assert contents(out) == {"a": b"1"}
    assert [entry.name for entry in tmp_path.iterdir()] == ["b"]


def test_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When a file cannot be written there is no folder at all, rather than half a bundle."""

    def failing(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("innage.outputs.os.fsync", failing)
    with pytest.raises(InputError, match="No space left on device"):
        write_bundle(tmp_path / "b", {"a": b"1"})
    assert list(tmp_path.iterdir()) == []


def test_target_that_is_a_file(tmp_path: Path) -> None:
    """A file, and a link to nowhere, are no place for a bundle."""
    (tmp_path / "file").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for name in ("file", "link"):
        with pytest.raises(InputError, match="is no folder"):
            check_target(tmp_path / name, "00" * 32)


@pytest.mark.skipif(sys.platform != "linux", reason="swaps folders by renameat2")
def test_a_bundle_takes_the_place_of_another_in_one_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that is there is never moved away first: a kill in between would leave none."""
    out = tmp_path / "b"
    write_bundle(out, {"a": b"1"})

    def refused(self: Path, target: Path) -> Path:
        raise AssertionError(f"{self} moved to {target}")

    monkeypatch.setattr(Path, "rename", refused)
    write_bundle(out, {"a": b"2", "b": b"3"})
    assert {p.name: p.read_bytes() for p in out.iterdir()} == {"a": b"2", "b": b"3"}
    assert [p.name for p in tmp_path.iterdir()] == ["b"]
