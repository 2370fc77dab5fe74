"""Files as bytes: never more of them than is said, and on the disk before anyone is told that they are."""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO

from dataset.errors import InputError

MOST_BYTES = 256 << 20  # of a recording: days of frames, and some 1 GB of memory while they are read
MOST_TEXT_BYTES = 16 << 20  # of what people write: plans, marks, shapes, limits, scenarios


def read_at_most(path: Path, most: int = MOST_BYTES) -> bytes:
    """The bytes of a file, be it a device that never ends.

    Raises:
        InputError: there are more than ``most``.
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        return stream_at_most(file, str(path), most, os.fstat(file.fileno()).st_size + 1)


def stream_at_most(file: BinaryIO, where: str, most: int = MOST_BYTES, likely: int = 0) -> bytes:
    """What is left of an open file, ``likely`` so many bytes; errors as of :func:`read_at_most`, at
    ``where``.
    """
    pieces: list[bytes] = []
    left = most + 1
    while left and (piece := file.read(min(left, max(likely, 1 << 20)))):
        pieces.append(piece)
        left -= len(piece)
    if not left:
        raise InputError(
            where, f"more than {most >> 20} MiB", f"at most {most >> 20} MiB", "cut it into several files"
        )
    return b"".join(pieces)


def text_at_most(path: Path, most: int = MOST_TEXT_BYTES) -> str:
    """The text of a file in UTF-8, without a mark of the byte order.

    Raises:
        InputError: as :func:`read_at_most`.
        OSError: it cannot be read.
        UnicodeDecodeError: it is no UTF-8.
    """
    text = read_at_most(path, most).decode("utf-8-sig")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
