"""What a packed column of frames holds, before it is an array: its format, its bytes, and the values of a
short one without numpy, which takes longer to load than the columns of a bench take to read.
:mod:`dataset.blocks` says how columns are packed.
"""

from __future__ import annotations

import sys
import threading
from array import array
from itertools import accumulate

import zstandard

from dataset.errors import StoreError

FORMAT = 3
READABLE = (1, FORMAT)
FOLDED, PIECED = 2, 3  # the formats since which words are folded, and counts are cut into pieces
_WORD = (1 << 64) - 1

_of_thread = threading.local()


def short_degrees(packed: bytes, format_: int, frames: int, where: str) -> array[float]:
    """The temperatures of one block as :func:`dataset.blocks.temperatures` has them; StoreError as there."""
    check_format(format_, where)
    places = plain(packed, 8 * frames, where)
    content = bytearray(8 * frames)
    for place in range(8):
        content[place::8] = places[place * frames : (place + 1) * frames]
    words = array("Q", bytes(content))
    if sys.byteorder == "big":
        words.byteswap()
    steps = [(word >> 1) ^ -(word & 1) for word in words] if format_ >= FOLDED else words
    return array("d", array("Q", [bits & _WORD for bits in accumulate(steps)]).tobytes())


def check_format(format_: int, where: str) -> None:
    """StoreError for a format that a newer version wrote."""
    if not READABLE[0] <= format_ <= READABLE[-1]:
        raise StoreError(
            where,
            f"blocks of format {format_}",
            f"format {READABLE[0]} to {READABLE[-1]}",
            "install the version of innage that wrote them",
        )


def plain(packed: bytes, size: int, where: str) -> bytes:
    """What zstd packed, which is ``size`` bytes; StoreError where it is damaged."""
    check_size(packed, size, where)
    try:
        return _decompressor().decompress(packed)
    except zstandard.ZstdError as error:
        raise _damaged(where, error) from error


def check_size(packed: bytes, size: int, where: str) -> None:
    """StoreError unless ``packed`` says that it holds ``size`` bytes; zstd holds itself to that."""
    try:
        size_inside = zstandard.frame_content_size(packed)
    except zstandard.ZstdError as error:
        raise _damaged(where, error) from error
    if size_inside != size:
        raise StoreError(
            where, f"a block of frames holds {size_inside} bytes", f"{size}", "use a copy of the store"
        )


def _decompressor() -> zstandard.ZstdDecompressor:
    """This thread's own: to make one takes longer than to unpack a short block."""
    own: zstandard.ZstdDecompressor | None = getattr(_of_thread, "decompressor", None)
    if own is None:
        own = _of_thread.decompressor = zstandard.ZstdDecompressor()
    return own


def _damaged(where: str, error: zstandard.ZstdError) -> StoreError:
    return StoreError(where, f"a block of frames is damaged ({error})", "", "use a copy of the store")
