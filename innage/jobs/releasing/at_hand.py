"""An open store as the place where channels are kept; what is at the other end of a line looks the same."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from innage.jobs import Progress
from innage.jobs.releasing.facts import channel_facts
from innage.jobs.releasing.moving import Moved, Wish, move_channel
from innage.jobs.releasing.pulling import ReleaseSource, StoreSource

if TYPE_CHECKING:
    from dataset.store import Store


class SaidOf(Protocol):
    """What was said of a bundle: of which, by whom, and why."""

    @property
    def bundle_sha256(self) -> str: ...

    @property
    def author(self) -> str: ...

    @property
    def reason(self) -> str: ...


class ReleasePlace(ReleaseSource, Protocol):
    """Where channels are kept, moved and looked at, and bundles withdrawn."""

    def channel_rows(self) -> list[dict[str, Any]]:
        """Every channel as :func:`innage.jobs.releasing.facts.channel_facts` has it, by name."""
        ...

    def move(self, bundle: Path | str, wish: Wish, progress: Progress) -> Moved:
        """Point a channel at a bundle: its folder, its zip file, or the first digits of its hash."""
        ...

    def withdraw(self, bundle: str, author: str, reason: str) -> SaidOf:
        """Say that a bundle must not be used."""
        ...

    def take_back(self, bundle: str, author: str, reason: str) -> SaidOf:
        """Say that a withdrawn bundle can be used after all."""
        ...


class AtHand(StoreSource):
    """An open store as a :class:`ReleasePlace`."""

    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self._opened = store

    def channel_rows(self) -> list[dict[str, Any]]:
        """As of :class:`ReleasePlace`."""
        standing = self._opened.channels()
        return [channel_facts(move, self._opened.bundle(move.bundle_sha256)) for move in standing]

    def move(self, bundle: Path | str, wish: Wish, progress: Progress) -> Moved:
        """As of :class:`ReleasePlace`."""
        return move_channel(self._opened, bundle, wish, progress=progress)

    def withdraw(self, bundle: str, author: str, reason: str) -> SaidOf:
        """As of :class:`ReleasePlace`."""
        return self._opened.withdraw(bundle, author, reason, datetime.now(UTC))

    def take_back(self, bundle: str, author: str, reason: str) -> SaidOf:
        """As of :class:`ReleasePlace`."""
        return self._opened.take_back_withdrawal(bundle, author, reason, datetime.now(UTC))[-1]
