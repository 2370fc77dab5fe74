"""What a merge did."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Merged:
    """How many of a kind came in, and how many were here already."""

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
