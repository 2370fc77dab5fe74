"""Frozen sets as lists show them, kept by whoever asks again: none ever changes, new ones alone are read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dataset.values import natural
from dataset.words import Role

if TYPE_CHECKING:
    from dataset.records import FrozenSet
    from dataset.store import Store


@dataclass(frozen=True)
class SetLine:
    """A frozen set without its sessions, of which there are so many; ``groups`` are how many of them have
    each role.
    """

    name: str
    sha256: str
    group_by: str
    groups: Mapping[Role, int]
    sessions: int
    origin: str


@dataclass(frozen=True)
class SetLines:
    """Every frozen set, as people count, and how often the prove groups of each choice were opened, by its
    hash.
    """

    of_name: Mapping[str, SetLine]
    openings: Mapping[str, int]

    def __len__(self) -> int:
        return len(self.of_name)


def read_set_lines(store: Store, before: SetLines | None = None) -> SetLines:
    """All of them; where ``before`` is what this gave earlier, only those are read that were frozen since."""
    digests = store.frozen_set_digests()
    known = {} if before is None else before.of_name
    lines = {
        name: known[name]
        for name, digest in digests.items()
        if name in known and known[name].sha256 == digest
    }
    new = [name for name in digests if name not in lines]
    sets = (
        [store.frozen_set(name) for name in new] if known else store.page_of_frozen_sets(limit=1 << 31).items
    )
    lines |= {one.name: _line(one) for one in sets if one.name in digests}
    ordered = {name: lines[name] for name in sorted(lines, key=natural)}
    return SetLines(ordered, store.openings_of_choices())


def _line(one: FrozenSet) -> SetLine:
    groups = {role: len(one.groups(role)) for role in Role}
    return SetLine(one.name, one.sha256, str(one.group_by), groups, len(one.sessions), one.origin)
