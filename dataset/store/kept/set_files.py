"""Frozen sets that were read and verified, kept in files for the next process, in the user's cache folder.

A set is two files there: its record, and its arrays. Each says what its store's file was like when the set
was read from it with every hash checked, and is taken only while that file is still the same by device,
inode, size, times of change and first page's head, the log beside it too. A file of the cache folder has to
be this user's own and is held to its SHA-256 (:mod:`dataset.files.kept`); what is not as it has to be is as
if nothing were there. So all of it may be deleted at any time, and nobody copies it with a store.

They do not stand beside the store, where a second user of a shared folder could neither enter the first one's
folder nor take what is in it, and a store on a disc that can only be read could have none. A store on a
server has none: nothing tells from outside that its rows stayed as they were.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Hashable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from dataset.canonical_text import canonical_json, sha256
from dataset.files.kept import Room, keep, read_kept
from dataset.records import Frames, FrozenData, FrozenSet
from dataset.store.kept.record_columns import UNREADABLE, from_columns, to_columns

FORMAT = 1  # counts up whenever a set's rows or records come to be something else, here or in `assemble`
LEAST_FRAMES = 10_000  # of a set: fewer are read from the store as soon
ROOM = Room("sets", largest=256 << 20, most_bytes=1 << 30)
_ALIGNED = 64  # bytes, where an array may begin
_HEAD = 100  # bytes, of a SQLite file (sqlite.org/fileformat.html, 1.3), with its counter of changes
_OF_ROWS = ("level_mm", "u_mm", "session", "group", "condition")
_KINDS = {"short": "<u2", "count": "<u4", "integer": "<i8", "real": "<f8", "times": "<i8"}
T = TypeVar("T")


class SetFiles:
    """The kept sets of the store in the file at ``path``. ``stamp`` is what :func:`stamp_of
    <dataset.store.kept.sets.stamp_of>` gave of it before the set was asked for.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def frozen_set(self, stamp: Hashable, name: str) -> FrozenSet | None:
        """The record of the set called ``name``; None where it is not kept of this state of the store."""

        def made(content: memoryview) -> FrozenSet | None:
            kept = json.loads(bytes(content))
            if kept["state"] != self._state(stamp):
                return None
            frozen = from_columns(kept["set"])
            return frozen if isinstance(frozen, FrozenSet) and frozen.name == name else None

        return self._taken(self._name("record", name), made)

    def data(self, stamp: Hashable, frozen: FrozenSet) -> FrozenData | None:
        """The labelled frames of ``frozen``, whose hash was checked; None as of :meth:`frozen_set`."""

        def made(content: memoryview) -> FrozenData | None:
            size = int.from_bytes(content[:8], "little")
            head = json.loads(bytes(content[8 : 8 + size]))
            if head["state"] != self._state(stamp) or head["sha256"] != frozen.sha256:
                return None
            return _data(frozen, head, content[_padded(8 + size) :])

        return self._taken(self._name("arrays", frozen.name, frozen.sha256), made)

    def keep(self, stamp: Hashable, data: FrozenData) -> None:
        """Keep a set that was read with every hash checked; nothing is said where that cannot be."""
        frozen, state = data.frozen, self._state(stamp)
        if state is None or sum(map(len, data.frames)) < LEAST_FRAMES:
            return
        with suppress(TypeError):  # a record that has no form here
            record = canonical_json({"set": to_columns(frozen), "state": state}).encode()
            head, arrays = _packed(data)
            text = canonical_json(head | {"sha256": frozen.sha256, "state": state}).encode()
            before = len(text).to_bytes(8, "little") + text
            keep(ROOM, self._name("arrays", frozen.name, frozen.sha256), _filled(before), *arrays)
            keep(ROOM, self._name("record", frozen.name), record)

    def _name(self, *what: str) -> str:
        return sha256([FORMAT, str(self._path), *what])

    def _state(self, stamp: Hashable) -> list[Any] | None:
        """What the store's file is like, in JSON's terms; None where it can't be read."""
        try:
            with self._path.open("rb") as file:
                head = file.read(_HEAD)
        except OSError:
            return None
        return [hashlib.sha256(head).hexdigest(), json.loads(canonical_json(stamp))]

    def _taken(self, name: str, made: Callable[[memoryview], T | None]) -> T | None:
        content = read_kept(ROOM, name)
        try:
            return None if content is None else made(memoryview(content))
        except UNREADABLE:  # of another version, say
            return None


def _packed(data: FrozenData) -> tuple[dict[str, Any], list[bytes]]:
    """What :func:`_data` makes the same arrays of."""
    parts: list[bytes] = []
    sizes: list[list[Any]] = []

    def add(kind: str, values: NDArray[Any]) -> None:
        content = np.ascontiguousarray(values, _KINDS[kind]).tobytes()
        sizes.append([kind, len(values)])
        parts.extend([content, bytes(_padded(len(content)) - len(content))])

    def add_runs(values: NDArray[Any]) -> None:
        """Equal neighbours once, where there are many."""
        kind = "real" if values.dtype.kind == "f" else "integer"
        starts = _starts(values)
        if 4 * len(starts) < len(values):
            add("times", np.diff(np.append(starts, len(values))))
            add(kind, values[starts])
        else:
            add(kind, values)

    counts = np.concatenate([own.counts for own in data.frames]).ravel()
    add("short" if counts.max(initial=0) < 1 << 16 else "count", counts)
    add_runs(np.diff(np.concatenate([own.t_ms for own in data.frames]), prepend=0))  # most periods are equal
    warm = [own.temperature_c is not None for own in data.frames]
    if any(warm):
        add("real", np.concatenate([_temperatures(own) for own in data.frames]))
    add_runs(data.frame - np.arange(len(data.frame)))
    for field in _OF_ROWS:
        add_runs(getattr(data, field))
    return {
        "channels": data.counts.shape[1],
        "conditions": to_columns(data.conditions),
        "frames": [len(own) for own in data.frames],
        "parts": sizes,
        "warm": warm,
    }, parts


def _data(frozen: FrozenSet, head: dict[str, Any], content: memoryview) -> FrozenData:
    parts, at = list(head["parts"]), 0

    def next_of(*kinds: str) -> NDArray[Any]:
        nonlocal at
        kind, size = parts.pop(0)
        if kind not in kinds:
            raise ValueError(kind)
        values = np.frombuffer(content, _KINDS[kind], size, at)
        at += _padded(values.nbytes)
        return values

    def runs() -> NDArray[Any]:
        if parts[0][0] == "times":
            times = next_of("times")
            return np.repeat(next_of("integer", "real"), times)
        return next_of("integer", "real")

    counts = next_of("short", "count").reshape(-1, head["channels"]).astype(np.uint32, copy=False)
    t_ms = np.cumsum(runs())
    temperature_c = next_of("real") if any(head["warm"]) else np.full(len(t_ms), np.nan)
    ends = np.cumsum(head["frames"]).tolist()
    starts = [0, *ends[:-1]]
    frames = tuple(
        Frames(t_ms[start:end], counts[start:end], temperature_c[start:end] if warm else None)
        for start, end, warm in zip(starts, ends, head["warm"], strict=True)
    )
    before = runs()
    frame = before + np.arange(len(before))
    rows = {field: runs() for field in _OF_ROWS}
    taken: Any = np.asarray(starts)[rows["session"]] + frame
    if np.array_equal(taken, np.arange(len(t_ms))):
        taken = slice(None)  # all frames, and nothing to copy
    return FrozenData(
        frozen=frozen,
        counts=counts[taken].astype(np.int64),
        t_ms=t_ms[taken],
        temperature_c=temperature_c[taken],
        frame=frame,
        conditions=from_columns(head["conditions"]),
        frames=frames,
        **rows,
    )


def _temperatures(frames: Frames) -> NDArray[np.float64]:
    """The temperature of each frame, NaN where it was not measured."""
    return np.full(len(frames), np.nan) if frames.temperature_c is None else frames.temperature_c


def _starts(values: NDArray[Any]) -> NDArray[np.int64]:
    """Where values begin that are other than the one before, bit by bit: NaN is NaN."""
    bits = values.view(np.int64)
    return np.flatnonzero(np.append(True, bits[1:] != bits[:-1])) if len(bits) else np.empty(0, np.int64)


def _padded(size: int) -> int:
    return -(-size // _ALIGNED) * _ALIGNED


def _filled(content: bytes) -> bytes:
    return content.ljust(_padded(len(content)), b"\0")
