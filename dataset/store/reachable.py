"""How a store's file is opened: as usual, or, where its folder can't be written, as one that nobody changes.

SQLite keeps two files beside a store while it reads, so a store on a medium that can only be read is opened
as immutable (sqlite.org/uri.html). What waits in a log beside it (``-wal``) would then be left out, so such a
store is refused.
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from dataset.errors import StoreError

# a view or trigger of a file from elsewhere reaches nothing but its tables (sqlite.org/pragma.html)
DISTRUSTING = "PRAGMA trusted_schema=OFF"
APPLICATION_ID = 0x696E6E61  # of a store's file, written by the first revision


def only_readable(path: Path) -> bool:
    """Whether there is a store at ``path`` in a folder that can't be written; StoreError when a log with
    entries lies beside it.
    """
    if not path.exists() or _writable(path.parent):
        return False
    log = path.with_name(f"{path.name}-wal")
    if log.exists() and log.stat().st_size > 0:
        raise StoreError(
            str(path),
            f"has entries in {log.name} that are not in it yet, and its folder cannot be written",
            "",
            "copy both files to a folder that can be written, and use the copy",
        )
    return True


def _writable(folder: Path) -> bool:
    return os.access(folder, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def connect(path: Path, timeout_s: float) -> sqlite3.Connection:
    """A connection of the driver, with transactions begun and ended by hand."""
    immutable = only_readable(path)
    place = f"{path.absolute().as_uri()}?immutable=1" if immutable else str(path)
    connection = sqlite3.connect(place, uri=immutable, timeout=timeout_s, isolation_level=None)
    connection.execute(DISTRUSTING)
    return connection
