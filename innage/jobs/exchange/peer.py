"""The store at the other end of a line, as the jobs see it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from dataset.exchange.objects import Offered
from dataset.exchange.report import Exchanged
from dataset.records import Receipt
from innage.jobs.sessions.finding import SessionFilter


@dataclass(frozen=True)
class Sent:
    """An object on its way: its document, and the names of the blobs with what travels beside it."""

    document: str
    blobs: tuple[str, ...] = ()
    hashed_by_upgrade: bool = False


@dataclass(frozen=True)
class Answered:
    """What was taken of a group, and what is acknowledged of it."""

    report: Exchanged
    receipts: tuple[Receipt, ...] = ()


class Peer(Protocol):
    """What a store can be asked over a line. Whatever is asked may be asked again.

    Each raises InputError for a server that refuses, StoreError for one that cannot be reached.
    """

    @property
    def name(self) -> str:
        """What sentences call it."""
        ...

    @property
    def server(self) -> str:
        """The URL that receipts name."""
        ...

    def lacking(self, offered: Sequence[Offered]) -> tuple[Offered, ...]:
        """Which of these objects it does not have."""
        ...

    def blobs_missing(self, names: Sequence[str]) -> tuple[str, ...]:
        """Which of these blobs it does not hold for an object that is to come."""
        ...

    def send_blobs(self, blobs: Sequence[tuple[str, bytes]]) -> None:
        """Give it blobs, each with its hash; together at most 8 MiB, or a single one."""
        ...

    def send(self, groups: Sequence[Sequence[Sent]]) -> tuple[Answered, ...]:
        """Give it groups of objects, each in order of reference; what it holds back is in their reports."""
        ...

    def judges(self) -> bool:
        """Whether it can be asked what it would not take."""
        ...

    def judge(self, groups: Sequence[Sequence[Sent]]) -> tuple[Answered, ...]:
        """What :meth:`send` would answer, by the documents alone; nothing is written, and each group is
        judged as if those before it had been taken.
        """
        ...

    def offered(self, wanted: SessionFilter) -> tuple[Offered, ...]:
        """Everything that it has, in order of reference; with a filter the sessions that fit, what they lean
        on, and what was said of them.
        """
        ...

    def documents(self, wanted: Sequence[Offered]) -> Iterator[Sent]:
        """The documents of these objects, in its order; of sessions and models with the names of their
        blobs.
        """
        ...

    def blob(self, one: Offered, name: str) -> bytes:
        """A blob of an object."""
        ...
