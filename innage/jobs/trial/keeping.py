"""Stretches of a trial that are kept as capture sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.live.capture import Capture
from dataset.values import later, now_instant
from dataset.words import counted
from innage.jobs.sessions.capturing import ReadOff, stated_of

if TYPE_CHECKING:
    from dataset.live.stream import Placed
    from dataset.records import Session
    from dataset.store import Store
    from innage.jobs.sessions.circumstances import Circumstances


@dataclass(frozen=True)
class KeptAs:
    """What is stated of stretches that are kept: ``name`` is what their names begin with. A start that is
    stated is the trial's.
    """

    name: str
    circumstances: Circumstances
    read_off: ReadOff


class Keeper:
    """Keeps stretches in a store; ``what`` None: unit or liquid are not stated, so that nothing can be
    kept.
    """

    def __init__(self, store: Store, what: KeptAs | None) -> None:
        self._store, self._what = store, what
        self._marked, self._to_mark = False, ""
        self.capture: Capture | None = None
        self.name: str | None = None
        self.sessions: list[Session] = []
        self.left_open: list[str] = []

    @property
    def can_keep(self) -> bool:
        """Whether what a session needs is stated."""
        return self._what is not None

    def begin(self, earlier: Sequence[Placed], simulated: bool, after_ms: int = 0) -> str:
        """Begin a stretch with frames that came in already; what is said of it. They are written when this
        returns. ``after_ms`` of the board's time lie between the trial's first frame and the stretch's.

        Raises:
            InputError: unit or liquid are not stated.
        """
        what = self._what
        if what is None:
            raise InputError("keeping", "unit or liquid is not stated", "both", fields=("unit", "liquid"))
        name = self._free_name(what.name)
        about = what.circumstances
        if about.occasion.started is not None:
            started = later(about.occasion.started, after_ms)
            about = replace(about, occasion=replace(about.occasion, started=started))
        stated = stated_of(about, what.read_off, simulated=simulated)
        capture = Capture.begin(self._store, name, about.unit, about.liquid, about.mounting, (), stated)
        at = later(now_instant(), earlier[0].ms - earlier[-1].ms) if earlier else None
        for placed in earlier:
            capture.take(placed, at)
        capture.commit()
        self.capture, self.name, self._marked, self._to_mark = capture, name, False, ""
        return f"kept as {name}, {counted(capture.committed, 'frame')} of it are written"

    def take(self, placed: Placed) -> None:
        """A frame of the stretch that is being kept."""
        if self.capture is None:
            return
        self.capture.take(placed)
        if self._to_mark:
            self.mark(self._to_mark)

    def mark(self, text: str) -> None:
        """The level is what ``text`` says from here on."""
        if self.capture is None:
            return
        if not self.capture.flows:
            self._to_mark = text  # with its next frame
            return
        self.capture.enter(text)
        self._marked, self._to_mark = True, ""

    def end_mark(self, frame: int | None = None) -> None:
        """The level that was marked holds up to ``frame`` of the stretch, up to here where None."""
        if self.capture is not None and self._marked:
            self.capture.end_mark(self.capture.frames if frame is None else frame)
        self._marked, self._to_mark = False, ""

    def seal(self) -> str:
        """End the stretch and make it a session; what is said of it. Where it is refused, it stays open as a
        capture, and that is said.
        """
        capture, name = self.capture, self.name
        if capture is None or name is None:
            return ""
        self.end_mark()
        self.capture = self.name = None
        try:
            session = capture.seal()
        except InputError as error:
            self.left_open.append(name)
            return f"{name} is not sealed ({error}); it stays open with {counted(capture.committed, 'frame')}"
        self.sessions.append(session)
        marks = f"{len(session.marks)} mark{'' if len(session.marks) == 1 else 's'}"
        warned = ", ".join(dict.fromkeys(warning.check for warning in session.warnings))
        return f"{name} is session {session.id}: {counted(session.frames, 'frame')}, {marks}" + (
            f"; warned of: {warned}" if warned else ""
        )

    def _free_name(self, begin: str) -> str:
        taken = {capture.name for capture in self._store.open_captures()}
        taken |= {session.source.file for session in self._store.sessions()}
        number = 1
        while f"{begin}-{number}" in taken:
            number += 1
        return f"{begin}-{number}"
