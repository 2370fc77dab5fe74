"""What is kept of frozen sets for later processes, and when it is not taken."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stores import ROLES

from building import bench_store
from dataset.errors import InputError, StoreError
from dataset.files import kept
from dataset.files.kept import keep
from dataset.records import FrozenData, GroupBy, Restatement
from dataset.store import Store, frozen_sets
from dataset.store.kept import set_files
from dataset.store.kept.record_columns import from_columns, to_columns
from dataset.store.kept.set_files import ROOM


@pytest.fixture
def room(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Where sets are kept, however small they are."""
    monkeypatch.setenv("INNAGE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(set_files, "LEAST_FRAMES", 1)
    return tmp_path / "cache" / ROOM.name


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is read of a set's rows in a store, record or frames, as it happens."""
    happened: list[str] = []

    def counted(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        def told(*args: Any, **named: Any) -> Any:
            happened.append(name)
            return work(*args, **named)

        return told

    monkeypatch.setattr(frozen_sets, "frozen_set", counted("record", frozen_sets.frozen_set))
    monkeypatch.setattr(frozen_sets, "data", counted("frames", frozen_sets.data))
    return happened


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two stores of one size, each with a frozen set called 'set', of other sessions."""
    paths = {name: tmp_path_factory.mktemp(name) / "kept.db" for name in ("one", "other")}
    for place, path in enumerate(paths.values()):
        with Store.open(path) as store:
            bench = bench_store(store)
            taken = store.add_sessions([bench.session(2 * place + k) for k in (1, 2)])
            store.freeze("set", taken, GroupBy.LEVEL, ROLES)
    return paths


@pytest.fixture
def path(tmp_path: Path, room: Path, stores: dict[str, Path]) -> Path:
    """A store in a file of its own, which nobody has changed for a while."""
    path = Path(shutil.copy(stores["one"], tmp_path))
    aged(path)
    return path


def aged(path: Path) -> None:
    then = time.time_ns() - 60 * 10**9
    os.utime(path, ns=(then, then))


def asked(path: Path) -> FrozenData:
    """What a new process is given."""
    with Store.open(path) as store:
        return store.frozen_data(store.frozen_set("set"))


def same(one: FrozenData, other: FrozenData) -> bool:
    def alike(a: Any, b: Any) -> bool:
        if isinstance(a, np.ndarray):
            return bool(a.dtype == b.dtype and a.tobytes() == b.tobytes())  # NaN, too
        return bool(a == b)

    def of(record: Any) -> list[Any]:
        return [getattr(record, field.name) for field in fields(record) if field.name != "frames"]

    records = [(one, other), *zip(one.frames, other.frames, strict=True)]
    return all(alike(a, b) for x, y in records for a, b in zip(of(x), of(y), strict=True))


def test_a_later_process_is_given_what_was_read_without_reading_it(path: Path, reads: list[str]) -> None:
    first = asked(path)
    assert reads == ["record", "frames"]
    later = asked(path)
    assert reads == ["record", "frames"]
    assert same(first, later)
    for array in (later.counts, later.frame, later.temperature_c, later.frames[0].counts):
        with pytest.raises(ValueError, match="read-only"):
            array[:1] = 0


def test_what_is_kept_is_this_users_alone(path: Path, room: Path) -> None:
    asked(path)
    assert [file.stat().st_mode & 0o077 for file in (room, *room.iterdir())] == [0, 0, 0]
    assert not list(path.parent.glob("*kept.db?*"))  # nothing beside the store, so no copy takes it along


def _flip(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[-100] ^= 1
    file.write_bytes(content)


def _link(file: Path) -> None:
    aside = file.rename(file.parents[2] / file.name)
    file.symlink_to(aside)


def _swap(file: Path) -> None:
    one, other = file.parent.iterdir()
    aside = one.rename(file.parents[2] / "aside")
    other.rename(one)
    aside.rename(other)


@pytest.mark.parametrize(
    "change",
    [
        _flip,
        lambda file: os.truncate(file, file.stat().st_size // 2),
        lambda file: os.truncate(file, 0),
        lambda file: file.unlink(),
        _link,
        _swap,
        lambda file: file.chmod(0o620),
        lambda file: file.parent.chmod(0o750),
    ],
    ids=["byte", "half", "empty", "gone", "link", "swapped", "others write it", "others enter"],
)
@pytest.mark.parametrize("which", [0, 1])
def test_what_is_not_as_it_was_is_read_anew(
    path: Path, room: Path, reads: list[str], change: Callable[[Path], object], which: int
) -> None:
    first = asked(path)
    change(sorted(room.iterdir(), key=lambda file: file.stat().st_size)[which])
    assert same(first, asked(path))
    assert len(reads) > 2


@pytest.mark.skipif(os.name != "posix", reason="owners are of POSIX")
def test_another_users_files_are_not_taken(
    path: Path, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked(path)
    monkeypatch.setattr(kept, "is_own", lambda path: True)  # the folder alone
    monkeypatch.setattr(os, "getuid", lambda: path.stat().st_uid + 1)
    asked(path)
    assert reads == ["record", "frames"] * 2


def test_sealed_content_of_another_form_is_not_taken(path: Path, room: Path, reads: list[str]) -> None:
    """A file with a good hash whose content is something else: of another version, say."""
    first = asked(path)
    for file in list(room.iterdir()):
        keep(ROOM, file.name, b'{"state":0}'.ljust(64))
    assert same(first, asked(path))
    assert reads == ["record", "frames"] * 2


def test_a_void_and_a_change_since_are_heard(path: Path, reads: list[str]) -> None:
    session = asked(path).frozen.sessions[0].id
    with Store.open(path) as store:
        store.tag([session], ["seen"])
    aged(path)
    assert asked(path).frozen.sessions[0].tags == ("seen",)
    assert reads == ["record", "frames"] * 2
    assert asked(path).frozen.sessions[0].tags == ("seen",)
    assert reads == ["record", "frames"] * 2
    with Store.open(path) as store:
        store.void(session, "wrong liquid")
    aged(path)
    with pytest.raises(InputError, match="is void"):
        asked(path)


def test_a_store_put_in_the_place_of_another_is_read(
    path: Path, reads: list[str], stores: dict[str, Path]
) -> None:
    """Even one of the same size that is copied over it with the same times: a file's own change can't be
    set back.
    """
    first, facts = asked(path), path.stat()
    assert stores["other"].stat().st_size == facts.st_size
    shutil.copyfile(stores["other"], path)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    now = asked(path)
    assert now.frozen.sha256 != first.frozen.sha256
    assert reads == ["record", "frames"] * 2


def test_a_record_of_other_content_is_refused(path: Path) -> None:
    asked(path)
    with Store.open(path) as store:
        frozen = store.frozen_set("set")
        (one, first), (other, second) = frozen.roles
        changed = type(frozen)(**{**vars(frozen), "roles": ((one, second), (other, first))})
        with pytest.raises(StoreError, match="its content hashes to"):
            store.frozen_data(changed)


def _full(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("way", ["full", "no folder"])
def test_where_nothing_can_be_kept_a_set_is_read_as_before(
    path: Path, room: Path, reads: list[str], monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    if way == "full":
        monkeypatch.setattr(tempfile, "mkstemp", _full)
    else:
        room.parent.write_text("a file, where a folder was to be")
    assert same(asked(path), asked(path))
    assert reads == ["record", "frames"] * 2


def test_readers_at_once_keep_one_set_whole(path: Path, room: Path, reads: list[str]) -> None:
    with ThreadPoolExecutor(4) as pool:
        first, *others = pool.map(asked, [path] * 4)
    before = list(reads)
    assert all(same(first, other) for other in [*others, asked(path)])
    assert reads == before
    assert len(list(room.iterdir())) == 2


def test_small_sets_and_stores_that_changed_just_now_are_not_kept(
    path: Path, room: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    later = time.time_ns() + 60 * 10**9
    os.utime(path, ns=(later, later))
    asked(path)
    aged(path)
    monkeypatch.setattr(set_files, "LEAST_FRAMES", 1000)
    asked(path)
    assert not room.exists()


def test_records_come_back_equal_and_shared(path: Path) -> None:
    """What many records share is one object again; what is no record of a set has no form."""
    data = asked(path)
    again = from_columns(to_columns(data.frozen))
    assert again == data.frozen
    assert again.sessions[0].mounting is again.sessions[1].mounting
    with pytest.raises(TypeError, match="FrozenData"):
        to_columns(data)
    content = to_columns(data.frozen)
    content["records"]["Mark"]["columns"].pop("u_mm")
    with pytest.raises(ValueError, match="fields"):
        from_columns(content)


def test_what_amended_sessions_were_sealed_as_comes_back(path: Path, reads: list[str]) -> None:
    """Of a set frozen before, which keeps what it had, and of one that was frozen after."""
    before = asked(path)
    with Store.open(path) as store:
        session = before.frozen.sessions[0].id
        store.amend_session(session, Restatement(firmware="2.1"), "somebody", "was not stated")
        after = store.freeze("anew", [session], GroupBy.LEVEL, ROLES)
    aged(path)
    reads.clear()
    assert same(before, asked(path))
    assert reads == ["record", "frames"]
    again = from_columns(to_columns(after))
    assert again == after
    assert again.sessions[0].as_sealed == after.sessions[0].as_sealed
    assert again.sessions[0].as_sealed.occasion.firmware is None
    assert again.sessions[0].occasion.firmware == "2.1"
