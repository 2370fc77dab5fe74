"""What is kept in the user's cache folder, and what is not taken from there."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from dataset.files import kept
from dataset.files.kept import keep, read_kept

NAME, OTHER = "ab" * 32, "cd" * 32


@pytest.fixture
def room(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Where the room 'things' is, once something is kept in it."""
    monkeypatch.setenv("INNAGE_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache" / "things"


def test_what_is_kept_comes_back_and_is_this_users_alone(room: Path) -> None:
    assert read_kept("things", NAME) is None
    keep("things", NAME, b"content")
    keep("things", NAME, b"newer")
    assert read_kept("things", NAME) == b"newer"
    assert room.stat().st_mode & 0o077 == 0
    assert [path.name for path in room.iterdir()] == [NAME]
    assert (room / NAME).stat().st_mode & 0o077 == 0


def _flip(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 4
    file.write_bytes(content)


def _link(file: Path) -> None:
    file.rename(file.with_name("elsewhere"))
    file.symlink_to("elsewhere")


def _swap(file: Path) -> None:
    keep("things", OTHER, b"of another name")
    file.with_name(OTHER).replace(file)


@pytest.mark.parametrize(
    "change",
    [
        _flip,
        _link,
        _swap,
        lambda file: file.write_bytes(b""),
        lambda file: file.chmod(0o620),
        lambda file: file.parent.chmod(0o750),
    ],
    ids=["bit", "link", "swapped", "empty", "others write it", "others enter"],
)
def test_what_another_could_have_put_there_is_not_taken(room: Path, change: object) -> None:
    keep("things", NAME, b"content")
    assert callable(change)
    change(room / NAME)
    assert read_kept("things", NAME) is None


@pytest.mark.skipif(os.name != "posix", reason="owners are of POSIX")
def test_another_users_file_is_not_taken(room: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep("things", NAME, b"content")
    monkeypatch.setattr(kept, "is_own", lambda path: True)  # the folder alone
    monkeypatch.setattr(os, "getuid", lambda: (room / NAME).stat().st_uid + 1)
    assert read_kept("things", NAME) is None


def test_a_folder_that_cannot_be_or_that_others_enter_keeps_nothing(
    room: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    room.mkdir(parents=True)
    room.chmod(0o755)
    keep("things", NAME, b"content")
    assert list(room.iterdir()) == []
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("INNAGE_CACHE", str(tmp_path / "file"))
    keep("things", NAME, b"content")
    assert read_kept("things", NAME) is None


def test_the_room_is_bounded_and_lets_go_of_what_was_used_longest_ago(
    room: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "MOST", 2)
    names = [f"{k:064x}" for k in range(3)]
    for k, name in enumerate(names[:2]):
        keep("things", name, name.encode())
        os.utime(room / name, (k, k))
    assert read_kept("things", names[0]) is not None  # used now
    keep("things", names[2], b"")
    assert sorted(path.name for path in room.iterdir()) == [names[0], names[2]]


def test_a_room_holds_no_more_bytes_than_it_may(room: Path) -> None:
    """What was used longest ago goes; what alone is too large is not kept."""
    small = kept.Room("things", largest=200, most_bytes=250)
    keep(small, NAME, b"a" * 100)
    os.utime(room / NAME, (1, 1))
    keep(small, OTHER, b"b" * 50, b"c" * 50)
    assert read_kept(small, OTHER) == b"b" * 50 + b"c" * 50
    keep(small, "ef" * 32, b"d" * 200)
    keep(small, "01" * 32, b"e" * 100)
    assert read_kept(small, NAME) is None
    assert read_kept(small, "ef" * 32) is None
    assert read_kept(small, "01" * 32) == b"e" * 100
