"""Files that commands write: whole or not at all, and one sentence where that can't be."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path

from dataset.errors import InputError
from dataset.files.disk import sync_folder


def cannot_be_written(out: Path, error: OSError) -> InputError:
    """The sentence for a file or folder that the system refuses."""
    return InputError(str(out), f"cannot be written ({error.strerror})", "a folder that may be written to")


def check_place(out: Path) -> None:
    """Raise InputError where a file cannot be written to ``out``, as far as can be told before the work that
    makes it: a folder of that name, a file where its folder should be, or one that may not be written to.
    """
    out = Path(os.path.realpath(out))
    try:
        if out.is_dir():
            raise InputError(str(out), "is a folder", "the name of a file")
        folder = next(parent for parent in out.parents if parent.exists())
        if not folder.is_dir():
            raise InputError(str(out), f"{folder} is no folder", "a folder that may be written to")
        if not os.access(out if out.exists() else folder, os.W_OK):
            raise InputError(str(out), "may not be written to", "a place that may be")
    except OSError as error:  # such as a name that is too long
        raise cannot_be_written(out, error) from error


def write_file(out: Path, content: bytes | Iterable[bytes]) -> None:
    """Write ``content``, whole or in pieces, to a file beside ``out``, down to the disk, then put it in its
    place; folders on the way are made. A device or a pipe is written to as it is.

    Raises:
        InputError: it cannot be written; what was there stays.
    """
    check_place(out)
    out = Path(os.path.realpath(out))
    try:
        if out.exists() and not out.is_file():
            with out.open("wb") as device:
                device.writelines(_pieces(content))
            return
        out.parent.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=f".{out.name}.", dir=out.parent))
    except OSError as error:
        raise cannot_be_written(out, error) from error
    try:
        fresh = aside / "new"
        write_new(fresh, content)
        if out.exists():
            fresh.chmod(out.stat().st_mode & 0o777)
        fresh.replace(out)
        sync_folder(out.parent)
    except OSError as error:
        raise cannot_be_written(out, error) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def write_new(path: Path, content: bytes | Iterable[bytes]) -> None:
    """Write a file that is not there yet, down to the disk; OSError where it can't be."""
    with path.open("xb") as file:
        file.writelines(_pieces(content))
        file.flush()
        os.fsync(file.fileno())


def _pieces(content: bytes | Iterable[bytes]) -> Iterable[bytes]:
    return (content,) if isinstance(content, bytes) else content
