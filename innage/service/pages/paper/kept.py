"""What lists and maps come to, kept as long as nothing came in that could change it: a store of thousands of
sessions is read once, not for every page.
"""

from __future__ import annotations

import gc
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sized
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar

from fastapi import Depends, Request

from innage.jobs.models.choosing import Grouped, look_at_set, read_groups
from innage.jobs.models.lines import ModelLines, read_lines
from innage.jobs.models.set_lines import SetLines, read_set_lines
from innage.jobs.releasing.gates import Said, void_and_amended_of
from innage.service import logs

if TYPE_CHECKING:
    from dataset.records import Model
    from dataset.store import Store
    from dataset.store.listing import SessionLine
    from dataset.store.standing_sets import StandingSet
    from innage.jobs.models.choosing import Frozen

T = TypeVar("T")
State = tuple[int, ...]
MOST = 32  # outcomes that are kept
MOST_SESSIONS = 20_000  # of frozen sets that are kept: some 10 kB each
MANY = 100  # things of an outcome that are worth setting aside


@dataclass(frozen=True)
class Outcome(Generic[T]):
    """What reading came to; ``at`` is when it began, UTC, and ``newest`` whether nothing came in since."""

    value: T
    at: str
    newest: bool


@dataclass
class _Slot:
    """One outcome, the state of the store that it is of, and whose turn it is to read anew."""

    turn: threading.Lock = field(default_factory=threading.Lock)
    state: State | None = None
    value: Any = None
    at: str = ""


class Kept:
    """Outcomes of reading a store, by the state of what they were read of."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._slots: OrderedDict[Hashable, _Slot] = OrderedDict()
        self._guard = threading.Lock()

    def lines(self) -> tuple[SessionLine, ...]:
        """Every session as lists show it, in the order they were logged."""
        return self.grown("lines", self._store.standing_lines).items

    def models(self) -> ModelLines:
        """Every model as lists show it."""
        return self.grown(
            "models", lambda before: read_lines(self._store, before), self._store.state_of_models
        )

    def frozen_sets(self) -> SetLines:
        """Every frozen set as lists show it."""
        return self.grown(
            "frozen sets",
            lambda before: read_set_lines(self._store, before),
            self._store.state_of_frozen_sets,
        )

    def look_at(self, name: str) -> Frozen:
        """A frozen set by name, as :func:`innage.jobs.models.choosing.look_at` gives it."""
        frozen = self._standing(name).frozen

        def read(before: Grouped | None) -> Grouped:
            return before or read_groups(self._store, frozen)

        return look_at_set(self._store, frozen, self.grown(("groups", name), read))

    def model(self, name: str) -> Model:
        """A model by name; NotFoundError where there is none."""
        line = self.models().of_name.get(name)
        return self._store.model(name, None if line is None else self._standing(line.frozen).frozen)

    def void_and_amended(self, model: Model) -> Said:
        """What was said of a model's sessions since they were frozen, as
        :func:`innage.jobs.releasing.gates.void_and_amended` gives it.
        """
        standing = self._standing(model.frozen.name)
        return void_and_amended_of(standing.frozen, standing.said.now)

    def _standing(self, name: str) -> StandingSet:
        if name not in self._store.frozen_set_digests():
            self._store.frozen_set(name)  # says which there are
        standing = self.grown(("set", name), lambda before: self._store.standing_set(name, before))
        self._let_sets_go()
        return standing

    def _let_sets_go(self) -> None:
        """Those that nobody asked for lately, where they come to too much."""
        with self._guard:
            sizes = {what: len(slot.value) for what, slot in self._slots.items() if _is_set(what, slot)}
            for what in list(sizes)[:-1]:
                if sum(sizes.values()) <= MOST_SESSIONS:
                    break
                del self._slots[what], sizes[what]

    def of(self, what: Hashable, read: Callable[[], T]) -> T:
        """What ``read`` comes to now; ``what`` names it. Whoever asks meanwhile waits, and reads nothing."""
        return self.grown(what, lambda before: read())

    def grown(
        self, what: Hashable, read: Callable[[T | None], T], state_of: Callable[[], State] | None = None
    ) -> T:
        """As :meth:`of`, for what can be made of what it was before, and of what came in since: ``read`` is
        given that; None where nothing is kept. ``state_of`` gives what is another once something came in;
        None asks for that of sessions.
        """
        slot = self._slot(what)
        with slot.turn:
            state = (state_of or self._store.state_of_sessions)()
            if slot.state != state:
                self._fill(slot, state, lambda: read(slot.value))
            value: T = slot.value
            return value

    def lately(self, what: Hashable, read: Callable[[], T]) -> Outcome[T]:
        """What ``read`` came to last, for what takes seconds in a large store: where something came in since,
        it is read anew behind the answer. The first who asks waits.
        """
        slot = self._slot(what)
        state = self._store.state_of_sessions()
        if slot.state is None:
            self.of(what, read)
        elif slot.state != state and slot.turn.acquire(blocking=False):
            threading.Thread(
                name="innage kept", target=self._refill, args=(slot, state, read), daemon=True
            ).start()
        return Outcome(slot.value, slot.at, slot.state == state)

    def _refill(self, slot: _Slot, state: State, read: Callable[[], Any]) -> None:
        try:
            self._fill(slot, state, read)
        except Exception as error:  # the store is closed, or busy: whoever asks next tries again
            logs.log_error(error)
        finally:
            slot.turn.release()

    def _fill(self, slot: _Slot, state: State, read: Callable[[], Any]) -> None:
        at = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        first = slot.state is None
        slot.value, slot.at, slot.state = read(), at, state
        if first and isinstance(slot.value, Sized) and len(slot.value) >= MANY:
            _set_aside()

    def _slot(self, what: Hashable) -> _Slot:
        with self._guard:
            slot = self._slots.setdefault(what, _Slot())
            self._slots.move_to_end(what)
            while len(self._slots) > MOST:
                self._slots.popitem(last=False)
            return slot


def _is_set(what: Hashable, slot: _Slot) -> bool:
    return isinstance(what, tuple) and what[0] == "set" and slot.value is not None


def _set_aside() -> None:
    """Let the collector of cycles pass by all that is there: walking through thousands of sessions takes it
    half a second, in which every page waits, and there is no cycle in them. What is let go of later goes by
    its count of references, set aside or not.
    """
    gc.collect()
    gc.freeze()


def _kept(request: Request) -> Kept:
    kept = request.app.state.kept
    assert isinstance(kept, Kept)
    return kept


KeptOf = Annotated[Kept, Depends(_kept)]
