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
from pathlib import Path

from dataset.files.scratch import is_own

_NAME = re.compile(r"[0-9a-f]{64}")
_HASH_BYTES = 32
_LARGEST = 1 << 26  # bytes
MOST = 64  # files of a room; the ones used longest ago go


def cache_folder() -> Path:
    """The user's cache folder: ``INNAGE_CACHE``, or the one of this system."""
    import platformdirs

    told = os.environ.get("INNAGE_CACHE")
    return Path(told) if told else Path(platformdirs.user_cache_dir("innage"))


def read_kept(room: str, name: str) -> bytes | None:
    """What was kept in ``room`` under ``name``, 64 hexadecimal digits; None where nothing is, where another
    user could have written it, or where it is not what was kept.
    """
    folder = cache_folder() / room
    if not is_own(folder):
        return None
    try:
        handle = os.open(folder / name, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    except OSError:
        return None
    with os.fdopen(handle, "rb") as file:
        if not _is_own_file(os.fstat(handle)):
            return None
        whole = file.read(_LARGEST + 1)
        with suppress(OSError):
            os.utime(handle if os.utime in os.supports_fd else folder / name)
    content = whole[_HASH_BYTES:]
    return content if whole[:_HASH_BYTES] == _sealed(name, content) else None


def keep(room: str, name: str, content: bytes) -> None:
    """Keep ``content`` in ``room`` under ``name``, whole or not at all; nothing is kept where no folder can
    be made that is this user's alone.
    """
    assert _NAME.fullmatch(name), name
    folder = cache_folder() / room
    with suppress(OSError):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not is_own(folder):
            return
        handle, aside = tempfile.mkstemp(dir=folder)  # readable by this user alone
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(_sealed(name, content) + content)
            Path(aside).replace(folder / name)
        except BaseException:
            Path(aside).unlink(missing_ok=True)
            raise
        _make_room(folder)


def _sealed(name: str, content: bytes) -> bytes:
    """The hash that stands before the content; of its name too, so that no file passes for another."""
    return hashlib.sha256(name.encode() + b"\n" + content).digest()


def _is_own_file(status: os.stat_result) -> bool:
    """Whether it is a plain file of this user that no other may write."""
    mine = not hasattr(os, "getuid") or status.st_uid == os.getuid()
    closed = os.name != "posix" or not stat.S_IMODE(status.st_mode) & 0o022
    return stat.S_ISREG(status.st_mode) and mine and closed and status.st_size <= _LARGEST


def _make_room(folder: Path) -> None:
    """Let the files go that were used longest ago, beyond :data:`MOST`."""
    files = sorted(folder.iterdir(), key=lambda path: path.stat().st_mtime_ns, reverse=True)
    for old in files[MOST:]:
        old.unlink(missing_ok=True)
