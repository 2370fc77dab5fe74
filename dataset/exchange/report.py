"""What an exchange did."""

from __future__ import annotations

from dataclasses import dataclass

from dataset.errors import InnageError


@dataclass(frozen=True)
class Taken:
    """How many of a kind came in, and how many were here already."""

    kind: str
    new: int
    known: int


@dataclass(frozen=True)
class Held:
    """An object that was held back, and what it contradicts or lacks, with the way out."""

    kind: str
    key: str
    error: InnageError


@dataclass(frozen=True)
class Renumbered:
    """A revision of the other store, and the one that has its content here."""

    what: str
    theirs: str
    ours: str


@dataclass(frozen=True)
class Exchanged:
    """What came in, what was held back, and ``remarks``: sentences on what a reader must know, such as
    amendments beside one another and notes that differ. A merge, which takes all or nothing, holds nothing
    back; it counts events that end others as kinds of their own, and says which revisions are ``renumbered``.
    """

    taken: tuple[Taken, ...]
    held: tuple[Held, ...] = ()
    remarks: tuple[str, ...] = ()
    renumbered: tuple[Renumbered, ...] = ()

    @property
    def new(self) -> int:
        """How many objects came in."""
        return sum(one.new for one in self.taken)
