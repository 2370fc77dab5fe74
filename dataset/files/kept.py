"""What was worked out once and is kept for later commands, in rooms of the user's cache folder.

What comes out of a room may be run, so it is taken only from a folder and a file that no other user could
have written, and only where its hash holds. Anything else is as if nothing were there; so is a room that
cannot be made.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from dataset.files.scratch import is_own

_NAME = re.compile(r"[0-9a-f]{64}")
_HASH_BYTES = 32
MOST = 64  # files of a room; the ones used longest ago go


@dataclass(frozen=True)
class Room:
    """A room of the cache folder, and the most bytes of a file in it and of all of them together."""

    name: str
    largest: int = 1 << 26
    most_bytes: int = MOST << 26


def cache_folder() -> Path:
    """The user's cache folder: ``INNAGE_CACHE``, or the one of this system."""
    import platformdirs

    told = os.environ.get("INNAGE_CACHE")
    return Path(told) if told else Path(platformdirs.user_cache_dir("innage"))


def read_kept(room: Room | str, name: str) -> bytes | None:
    """What was kept in ``room`` under ``name``, 64 hexadecimal digits; None where nothing is, where another
    user could have written it, or where it is not what was kept.
    """
    room = Room(room) if isinstance(room, str) else room
    folder = cache_folder() / room.name
    if not is_own(folder):
        return None
    try:
        handle = os.open(folder / name, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    except OSError:
        return None
    with os.fdopen(handle, "rb") as file:
        status = os.fstat(handle)
        if not _is_own_file(status, room.largest):
            return None
        seal, content = file.read(_HASH_BYTES), file.read(status.st_size)
        with suppress(OSError):
            os.utime(handle if os.utime in os.supports_fd else folder / name)
    return content if seal == _sealed(name, content) else None


def keep(room: Room | str, name: str, *content: bytes) -> None:
    """Keep ``content``, parts of which follow one another, in ``room`` under ``name``, whole or not at all;
    nothing is kept where no folder can be made that is this user's alone.
    """
    assert _NAME.fullmatch(name), name
    room = Room(room) if isinstance(room, str) else room
    folder = cache_folder() / room.name
    if sum(map(len, content)) + _HASH_BYTES > room.largest:
        return
    with suppress(OSError):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not is_own(folder):
            return
        handle, aside = tempfile.mkstemp(dir=folder)  # readable by this user alone
        try:
            with os.fdopen(handle, "wb") as file:
                file.writelines([_sealed(name, *content), *content])
            Path(aside).replace(folder / name)
        except BaseException:
            Path(aside).unlink(missing_ok=True)
            raise
        _make_room(folder, room.most_bytes)


def _sealed(name: str, *content: bytes) -> bytes:
    """The hash that stands before the content; of its name too, so that no file passes for another."""
    digest = hashlib.sha256(name.encode() + b"\n")
    for part in content:
        digest.update(part)
    return digest.digest()


def _is_own_file(status: os.stat_result, largest: int) -> bool:
    """Whether it is a plain file of this user that no other may write."""
    mine = not hasattr(os, "getuid") or status.st_uid == os.getuid()
    closed = os.name != "posix" or not stat.S_IMODE(status.st_mode) & 0o022
    return stat.S_ISREG(status.st_mode) and mine and closed and status.st_size <= largest


def _make_room(folder: Path, most_bytes: int) -> None:
    """Let the files go that were used longest ago, beyond :data:`MOST` and ``most_bytes``."""
    files: list[tuple[int, int, Path]] = []
    for path in folder.iterdir():
        with suppress(OSError):  # another process may make room at the same time
            status = path.stat()
            files.append((status.st_mtime_ns, status.st_size, path))
    together = 0
    for number, (_, size, path) in enumerate(sorted(files, reverse=True)):
        together += size
        if number >= MOST or together > most_bytes:
            path.unlink(missing_ok=True)
