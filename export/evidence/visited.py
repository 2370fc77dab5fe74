"""What vectors visit: frames by branch of the reading, sides of decisions, and sides of inner forks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from export.evidence.decisions import Decisions
from export.evidence.streams import streams_of
from export.vectors import Vectors
from training.program import FLAG_BITS, OUTPUTS, REASON_NAMES, VALIDITY_NAMES, WITHHELD, Array, Program

LEAST_REACHED = 0.95  # of the inner sides
BAND_GIVEN, BAND_WIDENED = "band given", "band widened"
_MOST_NAMED = 100


@dataclass(frozen=True)
class Visited:
    """``branches``: frames by what a reading says, those that none says left out. Of the sides of decisions
    and of inner forks how many there are, how many are visited, and the names of those that are not, the
    first 100 of them.
    """

    frames: int
    branches: tuple[tuple[str, int], ...]
    decisions: int
    decisions_visited: int
    unvisited: tuple[str, ...]
    inner: int
    inner_visited: int
    unreached: tuple[str, ...]

    @property
    def reached(self) -> bool:
        """Whether enough of the inner sides are visited."""
        return self.inner_visited >= LEAST_REACHED * self.inner

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "frames": self.frames,
            "branches": [{"says": name, "frames": n} for name, n in self.branches],
            "decisions": _sides(self.decisions, self.decisions_visited, self.unvisited),
            "inner": _sides(self.inner, self.inner_visited, self.unreached)
            | {"floor": LEAST_REACHED, "below_floor": not self.reached},
        }


def _sides(sides: int, visited: int, unvisited: tuple[str, ...]) -> dict[str, Any]:
    return {"sides": sides, "visited": visited, "unvisited": list(unvisited)}


def visited_by(program: Program, vectors: Vectors) -> Visited:
    """What ``vectors`` visit of an analysed program, counted by running their inputs through it."""
    decisions = Decisions(program)
    visits = decisions.visits(streams_of(vectors)).sum(axis=0)
    decisive = [bool(d) for d in decisions.decisive]
    missed = [(d, s.name) for s, d, n in zip(decisions.sides, decisive, visits, strict=True) if not n]
    unvisited, unreached = (tuple(name for d, name in missed if d is kind) for kind in (True, False))
    all_decisive, all_inner = sum(decisive), len(decisive) - sum(decisive)
    return Visited(
        frames=len(vectors),
        branches=tuple((name, n) for name, n in _branches(program, vectors.readings) if n),
        decisions=all_decisive,
        decisions_visited=all_decisive - len(unvisited),
        unvisited=unvisited[:_MOST_NAMED],
        inner=all_inner,
        inner_visited=all_inner - len(unreached),
        unreached=unreached[:_MOST_NAMED],
    )


def _branches(program: Program, readings: Array) -> Iterator[tuple[str, int]]:
    """Frames by validity, reason, flag, and, where a band was calibrated, by its width; it is widened where
    it is wider than in most readings that are given.
    """
    low, _, high, validity, flags, reason = (readings[:, k] for k in range(len(OUTPUTS)))
    for code, name in VALIDITY_NAMES.items():
        yield name, int((validity == code).sum())
    for code, name in REASON_NAMES.items():
        yield f"withheld for {name}", int(((validity == WITHHELD) & (reason == code)).sum())
    for name, bit in FLAG_BITS.items():
        yield f"flag {name}", int(((flags & bit) != 0).sum())
    if program.has_band:
        yield from _of_band((high - low)[validity != WITHHELD])


def _of_band(width: Array) -> Iterator[tuple[str, int]]:
    widths, times = np.unique(width, return_counts=True)
    usual = widths[np.argmax(times)] if len(widths) else 0
    yield BAND_GIVEN, int((width > 0).sum())
    yield BAND_WIDENED, int((width > usual).sum())
