"""Files that are kept in a table by their hashes, packed by zstd."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import zstandard

from dataset.errors import StoreError
from dataset.store.proof import changed

if TYPE_CHECKING:
    from dataset.store.tables import BundleContentRow, JobFileRow

MOST_FILE = 64_000_000  # bytes
_LEVEL = 3  # of zstd


def pack(content: bytes) -> bytes:
    """Bytes as a row keeps them."""
    return zstandard.ZstdCompressor(level=_LEVEL).compress(content)


def plain(where: str, row: BundleContentRow | JobFileRow) -> bytes:
    """What was packed; StoreError, at ``where``, unless it has its size and hash."""
    try:
        if zstandard.frame_content_size(row.packed) != row.size:
            raise StoreError(where, "another size inside", f"{row.size} bytes", "use a copy of the store")
        content = zstandard.ZstdDecompressor().decompress(row.packed)
    except zstandard.ZstdError as error:
        raise StoreError(where, f"is damaged ({error})", "", "use a copy of the store") from error
    digest = hashlib.sha256(content).hexdigest()
    if digest != row.sha256:
        raise changed(where, digest, row.sha256)
    return content
