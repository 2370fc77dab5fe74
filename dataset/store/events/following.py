"""Events that follow one another: something is said, taken back, said again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Protocol

from dataset.errors import StoreError
from dataset.records import ID_DIGITS


class Following(Protocol):
    """A row of such an event."""

    @property
    def record_sha256(self) -> str | None: ...

    @property
    def parent_sha256(self) -> str | None: ...

    @property
    def takes_back(self) -> bool | None: ...


def check_follows(where: str, row: Following, same: Sequence[Following]) -> None:
    """StoreError unless an event follows one of ``same``, those of one object, and one that it can follow."""
    if row.parent_sha256 is None and not row.takes_back:
        return
    parent = next((event for event in same if event.record_sha256 == row.parent_sha256), None)
    if parent is None:
        lost = str(row.parent_sha256)[:ID_DIGITS]
        raise StoreError(where, f"follows {lost}, which is not there")
    if bool(parent.takes_back) == bool(row.takes_back):
        raise StoreError(where, "follows an event of its own kind", "one takes back what the other said")


def instant(when: datetime) -> str:
    """A time as events hold it: ISO 8601 in UTC, to the second. ValueError for one without an offset."""
    if when.tzinfo is None:
        raise ValueError("a time without an offset")
    return when.astimezone(UTC).isoformat(timespec="seconds")
