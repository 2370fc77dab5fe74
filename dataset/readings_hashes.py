"""The hashes of frames: of each column its uncompressed little-endian values, however these are cut into
blocks and packed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from dataset.canonical_text import list_text, text_sha256
from dataset.records import Recording
from dataset.threads import each

if TYPE_CHECKING:  # hashes of records are asked for by commands that need no arrays
    import numpy as np
    from numpy.typing import NDArray

_TIMES, _COUNTS, _DEGREES = "<i8", "<u4", "<f8"
_LONG = 1 << 14  # frames, whose columns take longer to hash than threads to start
TELLING_FRAMES = 50  # with more that differ, equal counts are one recording and no coincidence


@dataclass(frozen=True)
class ReadingsHashes:
    """What is hashed of frames, each value once: ``columns`` is the canonical JSON of what
    :func:`columns_content` gives, ``readings`` and ``counts`` are what :func:`readings_sha256` and
    :func:`counts_sha256` give.
    """

    columns: str
    readings: str
    counts: str | None

    @classmethod
    def of(cls, frames: Recording) -> ReadingsHashes:
        """The hashes of ``frames``, which may carry them."""
        known = getattr(frames, "hashes", None)
        if isinstance(known, cls):
            return known
        hasher = ReadingsHasher(frames.counts.shape[1], frames.temperature_c is not None)
        hasher.add(frames, threads=None if len(frames) >= _LONG else 1)
        return hasher.hashes()


class ReadingsHasher:
    """The hashes of frames that come part by part, in order.

    Args:
        channels: of each frame.
        warm: whether there is a column of temperature.
    """

    def __init__(self, channels: int, warm: bool) -> None:
        kinds = [_TIMES, *[_COUNTS] * channels, *[_DEGREES] * warm]
        self._channels, self._columns = channels, [(kind, hashlib.sha256()) for kind in kinds]
        self._rows, self._distinct = 0, set[bytes]()
        self._tells = False

    def add(self, part: Recording, threads: int | None = 1) -> None:
        """Hash the next frames; ``threads`` as of :func:`dataset.threads.each`."""
        import numpy as np

        values: list[NDArray[Any]] = [part.t_ms, *part.counts.T]
        if part.temperature_c is not None:
            values.append(_one_nan(part.temperature_c))

        def add(place: int) -> None:
            kind, digest = self._columns[place]
            digest.update(np.ascontiguousarray(values[place], kind).data)

        each(add, range(len(self._columns)), threads)
        self._rows += len(part.t_ms)
        self._tells = self._tells or _tell(part.counts, self._distinct)

    def hashes(self) -> ReadingsHashes:
        """Those of what was added."""
        digests = [digest.hexdigest() for _, digest in self._columns]
        columns = _columns_text(digests, self._channels, self._rows)
        counts = _counts_template(self._channels, self._rows) % tuple(digests[1 : 1 + self._channels])
        return ReadingsHashes(columns, text_sha256(columns), text_sha256(counts) if self._tells else None)


def readings_sha256(frames: Recording) -> str:
    """The hash of the frames alone: times, counts, temperatures."""
    return ReadingsHashes.of(frames).readings


def counts_sha256(frames: Recording) -> str | None:
    """The hash of the counts alone, by which one recording is known whatever was logged with it; None where
    at most ``TELLING_FRAMES`` frames differ from one another: a board that stands still repeats itself.
    """
    return ReadingsHashes.of(frames).counts


def _tell(counts: NDArray[np.uint32], distinct: set[bytes]) -> bool:
    """Whether more than ``TELLING_FRAMES`` frames differ, with those in ``distinct``, which grows; most
    recordings tell by their first hundred.
    """
    import numpy as np

    start, size = 0, 2 * TELLING_FRAMES
    while start < len(counts):
        rows = np.ascontiguousarray(counts[start : start + size])
        changes = np.flatnonzero((rows[1:] != rows[:-1]).any(axis=1)) + 1
        for row in (0, *changes.tolist()):
            distinct.add(rows[row].tobytes())
            if len(distinct) > TELLING_FRAMES:
                return True
        start, size = start + size, 1 << 16
    return False


def columns_content(frames: Recording) -> list[dict[str, object]]:
    """Frames as JSON: of each column its name, type, length and the hash of its values."""
    content: list[dict[str, object]] = json.loads(ReadingsHashes.of(frames).columns)
    return content


def columns_text_of(frames: Recording) -> str:
    """The canonical JSON of :func:`columns_content`; of few frames all channels at once, which are then in
    memory twice.
    """
    import numpy as np

    if len(frames) >= _LONG or hasattr(frames, "hashes"):
        return ReadingsHashes.of(frames).columns
    columns = [np.ascontiguousarray(frames.t_ms, _TIMES), *np.ascontiguousarray(frames.counts.T, _COUNTS)]
    if frames.temperature_c is not None:
        columns.append(np.ascontiguousarray(_one_nan(frames.temperature_c), _DEGREES))
    digests = [hashlib.sha256(column).hexdigest() for column in columns]
    return _columns_text(digests, frames.counts.shape[1], len(frames))


def _one_nan(degrees: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same temperatures with one NaN and one zero, whatever their bits were."""
    import numpy as np

    return np.where(np.isnan(degrees), np.nan, degrees + 0.0)


def _columns_text(digests: Sequence[str], channels: int, rows: int) -> str:
    """The canonical JSON of columns with these hashes."""
    return _columns_template(channels, rows, len(digests) > 1 + channels) % tuple(digests)


@lru_cache(256)  # sessions of a bench are often of one length
def _columns_template(channels: int, rows: int, warm: bool) -> str:
    """The canonical JSON of :func:`columns_content`, with %s for each hash."""
    counts = _counts_template(channels, rows)[1:-1]
    later = [_column_template("temperature_c", rows, _DEGREES)] if warm else []
    return list_text([_column_template("t_ms", rows, _TIMES), *([counts] if counts else []), *later])


@lru_cache(256)
def _counts_template(channels: int, rows: int) -> str:
    return list_text([_column_template(f"counts.{k}", rows, _COUNTS) for k in range(channels)])


def _column_template(name: str, rows: int, kind: str) -> str:
    return f'{{"name":"{name}","rows":{rows},"sha256":"%s","type":"{kind}"}}'
