"""What training takes of memory, told before it begins: the numbers by hand, and the sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from building import bench_store
from dataset.records import GroupBy, Mark, Role
from dataset.store import Store
from innage.cli import app
from innage.jobs.models import memory
from innage.jobs.models.memory import FRAME_BYTES, OF_CHANNELS, memory_taken, memory_there, told_of_memory


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store with a frozen set of one session, 30 of whose frames have a label."""
    path = tmp_path / "innage.db"
    with Store.open(path) as store:
        bench = bench_store(store)
        sessions = store.add_sessions([bench.session(0, (Mark(0, 20, 0.0), Mark(20, 30, 50.0)))])
        store.freeze("small", sessions, GroupBy.UNIT, {"unit1": Role.FIT}, even_if_warned="invented")
    return path


def test_it_grows_with_frames_and_channels() -> None:
    """Twice the frames, and twice the channels, take twice as much beyond the libraries."""
    started = memory_taken(0, OF_CHANNELS)
    assert memory_taken(1_000_000, OF_CHANNELS) - started == 1_000_000 * FRAME_BYTES
    assert memory_taken(1_000_000, 2 * OF_CHANNELS) - started == 2_000_000 * FRAME_BYTES


def test_what_is_available_is_as_the_system_tells(tmp_path: Path) -> None:
    """/proc/meminfo counts in units of 1024 bytes (proc_meminfo(5)); a system without it tells of all that it
    has, or nothing.
    """
    meminfo = tmp_path / "meminfo"
    meminfo.write_text("MemTotal:       24683656 kB\nMemFree:         100 kB\nMemAvailable:    2048 kB\n")
    assert memory_there(meminfo) == 2 << 20
    for text in ("MemTotal: 5 kB\n", "MemAvailable:\n"):
        meminfo.write_text(text)
        there = memory_there(meminfo)
        assert there is None or there > 2 << 20


def test_a_set_beyond_the_memory_is_told_of(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With one byte less than the estimate: frames that have a label, channels, both sizes, what to do."""
    with Store.open(path) as store:
        frozen = store.frozen_set("small")
        frames = len(store.frozen_data(frozen).session)
        channels = frozen.sessions[0].mounting.sensor.channels
        needed = memory_taken(frames, channels)
        monkeypatch.setattr(memory, "memory_there", lambda: needed)
        assert told_of_memory(store, "small") is None
        monkeypatch.setattr(memory, "memory_there", lambda: needed - 1)
        sentence = told_of_memory(store, "small")
        assert sentence is not None
        for words in ("'small'", f"{frames:,} frames of {channels} channels", "0.3 GB", "--session", "more"):
            assert words in sentence
        monkeypatch.setattr(memory, "memory_there", lambda: None)
        assert told_of_memory(store, "small") is None


def test_train_says_it_on_standard_error_and_goes_on(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A warning: the search begins all the same, and ends in its own refusal, of labels that are too few."""
    words = ["train", "small", "--name", "first", "--family", "nonesuch", "--store", str(path)]
    plain = CliRunner().invoke(app, words)
    monkeypatch.setattr(memory, "memory_there", lambda: 1)
    warned = CliRunner().invoke(app, words)
    assert (plain.exit_code, warned.exit_code) == (2, 2)
    assert "warning: frozen set 'small': to train on its 30 frames" in warned.stderr
    assert "warning" not in plain.stderr
    assert "'nonesuch'" in warned.stderr
