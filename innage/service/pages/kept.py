"""What lists and maps come to, kept as long as nothing came in that could change it: a store of thousands of
sessions is read once, not for every page.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from fastapi import Depends, Request

if TYPE_CHECKING:
    from dataset.store import Store
    from dataset.store.listing import SessionLine

T = TypeVar("T")
MOST = 32  # outcomes that are kept


class Kept:
    """Outcomes of reading a store, by the state of what they were read of."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._state: tuple[int, ...] = ()
        self._outcomes: OrderedDict[Hashable, Any] = OrderedDict()
        self._turn = threading.Lock()

    def lines(self) -> tuple[SessionLine, ...]:
        """Every session as lists show it, in the order they were logged."""
        return self.of("lines", self._every_line)

    def of(self, what: Hashable, read: Callable[[], T]) -> T:
        """What ``read`` comes to; ``what`` names it. Whoever asks meanwhile waits, and reads nothing."""
        with self._turn:
            state = self._store.state_of_sessions()
            if state != self._state:
                self._outcomes.clear()
                self._state = state
            if what not in self._outcomes:
                self._outcomes[what] = read()
                while len(self._outcomes) > MOST:
                    self._outcomes.popitem(last=False)
            self._outcomes.move_to_end(what)
            outcome: T = self._outcomes[what]
            return outcome

    def _every_line(self) -> tuple[SessionLine, ...]:
        return self._store.page_of_session_lines(limit=1 << 31).items


def _kept(request: Request) -> Kept:
    kept = request.app.state.kept
    assert isinstance(kept, Kept)
    return kept


KeptOf = Annotated[Kept, Depends(_kept)]
