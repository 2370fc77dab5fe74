"""What was said of a model's sessions since they were frozen, kept for the sheets that tell it."""

from __future__ import annotations

from dataclasses import dataclass
from operator import is_
from typing import TYPE_CHECKING

from innage.jobs.releasing.gates import void_and_amended

if TYPE_CHECKING:
    from dataset.records import Model
    from dataset.store import Store
    from dataset.store.listing import SessionLine
    from innage.service.pages.paper.kept import Kept

Void = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Since:
    """What was found, and the lines of the set's sessions as they were before it was looked for."""

    lines: tuple[SessionLine, ...]
    void: Void
    amended: tuple[str, ...]


def said_since(store: Store, kept: Kept, model: Model) -> tuple[Void, tuple[str, ...]]:
    """The void ones, each with the reason, and the amended ones, by their ids. It takes all sessions of the
    set to find out, so they are read again only once something was said of one of them: its line is another
    record then, even where both show the same.
    """
    taken = {session.id for session in model.frozen.sessions}

    def read(before: _Since | None) -> _Since:
        lines = tuple(line for line in kept.lines() if line.id in taken)
        if before is not None and len(lines) == len(before.lines) and all(map(is_, lines, before.lines)):
            return before
        return _Since(lines, *void_and_amended(store, model))

    since = kept.grown(("against", model.name), read)
    return since.void, since.amended
