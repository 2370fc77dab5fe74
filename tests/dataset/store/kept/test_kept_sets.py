"""What an open store keeps of frozen sets, and when it reads them anew."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stores import ROLES

from dataset.errors import InputError, StoreError
from dataset.records import FrozenSet, GroupBy
from dataset.store import Store
from dataset.store.kept import sets as kept_sets
from dataset.store.kept.sets import stamp_of

Register = Callable[[Store], Any]


@pytest.fixture
def frozen_in(tmp_path: Path, register: Register) -> Path:
    """A store in a file with a frozen set called 'set', which nobody has changed for a while."""
    path = tmp_path / "kept.db"
    with Store.open(path) as store:
        bench = register(store)
        store.freeze("set", store.add_sessions([bench.session(k) for k in (1, 2)]), GroupBy.LEVEL, ROLES)
    changed(path, 60)
    return path


def changed(path: Path, seconds_ago: float) -> None:
    then = time.time_ns() - int(seconds_ago * 1e9)
    for file in (path, path.with_name(f"{path.name}-wal")):
        if file.exists():
            os.utime(file, ns=(then, then))


def test_asked_again_the_same_is_given(frozen_in: Path) -> None:
    """The second answer is the first, and nobody can write into what others are given."""
    with Store.open(frozen_in) as store:
        frozen = store.frozen_set("set")
        data = store.frozen_data(frozen)
        assert store.frozen_set("set") is frozen
        assert store.frozen_data(frozen) is data
    for array in (data.counts, data.level_mm, data.frames[0].counts, data.frames[1].t_ms):
        with pytest.raises(ValueError, match="read-only"):
            array[:1] = 0


def test_a_store_that_changed_is_read_anew(frozen_in: Path) -> None:
    """What another process says of a session is heard, whether the file then rests or not."""
    with Store.open(frozen_in) as store:
        frozen = store.frozen_set("set")
        before = store.frozen_data(frozen)
        with Store.open(frozen_in) as other:
            other.tag([frozen.sessions[0].id], ["seen"])
            changed(frozen_in, 30)
            after = store.frozen_data(frozen)
            assert after is not before
            np.testing.assert_array_equal(after.counts, before.counts)
            assert store.frozen_set("set").sessions[0].tags == ("seen",)
            other.void(frozen.sessions[0].id, "wrong liquid")
            changed(frozen_in, 20)
        with pytest.raises(InputError, match="is void"):
            store.frozen_data(frozen)


def test_a_file_that_changed_just_now_proves_nothing(frozen_in: Path) -> None:
    """Within a tick of the clock a second change leaves the time of the first: nothing is kept until then."""
    changed(frozen_in, -60)
    with Store.open(frozen_in) as store:
        frozen = store.frozen_set("set")
        data = store.frozen_data(frozen)
        assert store.frozen_data(frozen) is not data
        data.counts[:1] = 0  # it is the caller's own


def test_what_is_kept_is_bounded(frozen_in: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Arrays beyond the bound are not kept."""
    monkeypatch.setattr(kept_sets, "MOST_BYTES", 100)
    with Store.open(frozen_in) as store:
        frozen = store.frozen_set("set")
        data = store.frozen_data(frozen)
        assert store.frozen_data(frozen) is not data
        data.counts[:1] = 0  # it is the caller's own


def test_a_record_of_other_content_is_refused(frozen_in: Path) -> None:
    """A set that says other than what was frozen does not pass for it."""
    with Store.open(frozen_in) as store:
        frozen = store.frozen_set("set")
        with pytest.raises(StoreError, match="its content hashes to"):
            store.frozen_data(other_roles(frozen))


def other_roles(frozen: FrozenSet) -> FrozenSet:
    (one, first), (other, second) = frozen.roles
    return replace(frozen, roles=((one, second), (other, first)))


def test_a_stamp_tells_of_the_log_too(tmp_path: Path) -> None:
    """What changes a stamp: the file, and the log beside it once something is in it."""
    path, log = tmp_path / "a.db", tmp_path / "a.db-wal"
    assert stamp_of(path) is None
    path.write_bytes(b"one")
    changed(path, 60)
    first = stamp_of(path)
    log.write_bytes(b"")
    assert stamp_of(path) == first
    log.write_bytes(b"frames")
    changed(log, 50)
    second = stamp_of(path)
    log.write_bytes(b"others")
    changed(log, 40)
    assert len({first, second, stamp_of(path), None}) == 4
