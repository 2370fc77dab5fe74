"""Frozen sets that an open store has read and verified, kept while its file stays as it was; large ones for
later processes too (:mod:`dataset.store.kept.set_files`).

What tells that the file stayed as it was is what the file system says of it and of the log beside it: place,
size and times of the last change. A change within the tick of the file system's clock leaves the time as it
was, so a file that changed just now proves nothing, and is read anew until it has settled.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import fields
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

import numpy as np

from dataset.records import FrozenData
from dataset.store.kept.set_files import SetFiles

SETTLED_NS = 100_000_000  # longer than any usual tick; common practice, no source
MOST_BYTES = 256 << 20  # of arrays
MOST_SETS = 64

T = TypeVar("T")


class KeptSets:
    """What was read of the file at ``path``, by what it is; nothing is kept where that is no file."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._files = None if path is None else SetFiles(path)
        self._stamp: Hashable | None = None
        self._kept: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._lock = Lock()

    def get(
        self,
        key: Hashable,
        read: Callable[[], T],
        from_files: Callable[[SetFiles, Hashable], T | None] | None = None,
    ) -> T:
        """What ``read`` gave for ``key`` since the file changed, or gives now; ``from_files`` looks for what
        it gave in an earlier process. Arrays that are kept cannot be written to: others are given the same.
        """
        stamp = None if self._path is None else stamp_of(self._path)  # before it is read: later is no harm
        with self._lock:
            if stamp is None or stamp != self._stamp:
                self._kept.clear()
                self._stamp = stamp
            if key in self._kept:
                self._kept.move_to_end(key)
                kept: T = self._kept[key][0]
                return kept
        record = None
        if stamp is not None and self._files is not None and from_files is not None:
            record = from_files(self._files, stamp)
        if record is None:
            record = read()
            if stamp is not None and self._files is not None and isinstance(record, FrozenData):
                self._files.keep(stamp, record)
        size = sum(array.nbytes for array in _arrays(record))
        with self._lock:
            if stamp is not None and stamp == self._stamp and size <= MOST_BYTES:
                for array in _arrays(record):
                    array.flags.writeable = False
                self._kept[key] = record, size
                while len(self._kept) > MOST_SETS or sum(s for _, s in self._kept.values()) > MOST_BYTES:
                    self._kept.popitem(last=False)
        return record


def stamp_of(path: Path) -> Hashable | None:
    """What changes whenever somebody writes to the store at ``path``; None where it changed just now, or is
    no file.
    """
    stamps: list[tuple[int, ...]] = []
    for file in (path, path.with_name(f"{path.name}-wal")):
        try:
            facts = file.stat()
        except OSError:
            continue
        if facts.st_size:  # an empty log comes and goes with whoever reads
            changes = facts.st_mtime_ns, facts.st_ctime_ns  # a copy may set the first back, nobody the second
            stamps.append((facts.st_dev, facts.st_ino, facts.st_size, *changes))
    settled = all(time.time_ns() - stamp[3] > SETTLED_NS for stamp in stamps)
    return tuple(stamps) if stamps and settled else None


def _arrays(record: object) -> list[np.ndarray[Any, Any]]:
    if not isinstance(record, FrozenData):
        return []
    own = [value for f in fields(record) if isinstance(value := getattr(record, f.name), np.ndarray)]
    of_frames = [(f.t_ms, f.counts, f.temperature_c) for f in record.frames]
    return own + [array for columns in of_frames for array in columns if array is not None]
