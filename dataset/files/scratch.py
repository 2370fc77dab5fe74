"""Folders for work that is thrown away, in the folder for temporary files, which everybody may write to.

A command that is killed cannot clear up: its folders are named by its process and hold a file that the
process has locked, so that the next command can tell what nobody works in any more.
"""

from __future__ import annotations

import atexit
import os
import re
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # not POSIX: nothing is locked there, and nothing swept
    fcntl = None  # type: ignore[assignment]  # as typing has it for a module that may be missing

_NAME = re.compile(r"innage-(\d{1,10})-[a-z0-9_]+")
_LOCK = "in-use"


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A new folder that only this user may enter, gone afterwards; OSError where there is no room for it."""
    with tempfile.TemporaryDirectory(prefix=f"innage-{os.getpid()}-") as folder:
        lock = os.open(Path(folder) / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            if fcntl is not None:
                fcntl.flock(lock, fcntl.LOCK_EX)
            work = Path(folder) / "work"
            work.mkdir()
            yield work
        finally:
            os.close(lock)


def sweep_scratch() -> list[Path]:
    """Remove the folders of this user's processes that were killed; gives those that were removed.

    A folder goes when no process has its number, and none holds its lock: behind a shared folder for
    temporary files may stand other machines' processes, with numbers of their own.
    """
    swept: list[Path] = []
    if fcntl is None:
        return swept
    with suppress(OSError), os.scandir(tempfile.gettempdir()) as entries:
        for entry in entries:
            match = _NAME.fullmatch(entry.name)
            if match and is_own(Path(entry.path)) and _is_left(int(match[1]), Path(entry.path) / _LOCK):
                shutil.rmtree(entry.path, ignore_errors=True)
                swept.append(Path(entry.path))
    return swept


def private_folder(name: str) -> Path:
    """A folder that stays from one command to the next, which no other user could have made or can enter.

    Where something else stands under its name, a folder of this process alone, gone at its end.
    """
    path = Path(tempfile.gettempdir()) / f"innage-{name}-{os.getuid() if hasattr(os, 'getuid') else 0}"
    with suppress(OSError):
        path.mkdir(mode=0o700)
    if is_own(path):
        return path
    aside = Path(tempfile.mkdtemp(prefix=f"innage-{name}-"))
    atexit.register(shutil.rmtree, aside, ignore_errors=True)
    return aside


def is_own(path: Path) -> bool:
    """Whether it is a folder, no link to one, of this user, that no other may enter."""
    try:
        status = path.lstat()
    except OSError:
        return False
    mine = not hasattr(os, "getuid") or status.st_uid == os.getuid()
    closed = os.name != "posix" or not stat.S_IMODE(status.st_mode) & 0o077
    return stat.S_ISDIR(status.st_mode) and mine and closed


def _is_left(process: int, lock: Path) -> bool:
    """Whether the process is gone and its lock free."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        pass
    except OSError:
        return False
    else:
        return False
    try:
        handle = os.open(lock, os.O_RDWR | os.O_NOFOLLOW)
    except FileNotFoundError:
        return True  # killed between the folder and its lock
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    finally:
        os.close(handle)
    return True
