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
class Exchanged:
    """What came in, what was held back, and ``remarks``: sentences on what a reader must know, such as
    amendments beside one another and notes that differ.
    """

    taken: tuple[Taken, ...]
    held: tuple[Held, ...]
    remarks: tuple[str, ...]

    @property
    def new(self) -> int:
        """How many objects came in."""
        return sum(one.new for one in self.taken)


@dataclass(frozen=True)
class Merged:
    """How many of a kind came in with another store, and how many were here already."""

    what: str
    new: int
    known: int


@dataclass(frozen=True)
class Renumbered:
    """A revision of the other store, and the one that has its content here."""

    what: str
    theirs: str
    ours: str


@dataclass(frozen=True)
class MergeReport:
    """What a merge did; ``remarks`` are sentences on what a reader must know, such as concurrent amendments
    and notes that differ.
    """

    counts: tuple[Merged, ...]
    renumbered: tuple[Renumbered, ...]
    remarks: tuple[str, ...]

    @property
    def new(self) -> int:
        """How many things came in."""
        return sum(merged.new for merged in self.counts)
