"""Where a client keeps what it has fetched until it is taken."""

from __future__ import annotations

import hashlib
from pathlib import Path

from dataset.files.kept import cache_folder


def fetched_folder(server: str) -> Path:
    """The folder for blobs of a server, in the user's cache; made when the first is kept."""
    return cache_folder() / "fetched" / hashlib.sha256(server.encode()).hexdigest()[:16]
