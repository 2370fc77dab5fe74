"""Live capture: frames and an operator's entries become an open capture, which is sealed into a session.

No terminal in here: a front end calls :func:`dataset.live.loop.run` with where bytes and entries come from
and what to show, or drives a :class:`Capture` itself. What was committed survives anything; a capture is gone
on with by :meth:`Capture.resume`.

A session's clock is that of :mod:`dataset.live.stream`.
"""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from dataset.admission.rules import check_occasion
from dataset.canonical import occasion_content
from dataset.errors import InputError, naming, quoted
from dataset.labels.conditions import read_conditions
from dataset.labels.marking import Labelling, Method, level_of
from dataset.live.bars import Bars
from dataset.live.board import BAD, Line
from dataset.live.entries import (
    entered_marks,
    holding,
    next_step,
    steps_left,
    warnings_of,
)
from dataset.live.plans import Step
from dataset.live.stated import Stated, View
from dataset.live.stream import BoardStream, Place, Placed
from dataset.readings_hashes import readings_sha256
from dataset.records import (
    DoorWarning,
    Frames,
    Liquid,
    Mark,
    Mounting,
    NewSession,
    Occasion,
    Session,
    Source,
    Stretch,
    Unit,
)
from dataset.store.open_captures import OpenCapture
from dataset.values import check_number, now_instant

if TYPE_CHECKING:
    from dataset.store import Store

COMMIT_S = (
    0.5  # of the board's clock or of ours, whichever is first: at least once a second with room to spare
)
RATE_FRAMES = 50
READING = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*(mm|g)?")


class Capture:
    """A live capture in progress. Use :meth:`begin` or :meth:`resume`."""

    def __init__(self, store: Store, known: OpenCapture) -> None:
        self._store, self._known = store, known
        self._period = known.mounting.sensor.period_ms
        offset = next((entry["ms"] for entry in reversed(known.entries) if entry["kind"] == "clock"), 0)
        self._stream = BoardStream(known.mounting.sensor, offset_ms=offset)
        self._steps = tuple(Step(**step) for step in known.settings["steps"])
        self._entries: list[Mapping[str, Any]] = list(known.entries)
        self._pending: list[tuple[int, Line]] = []
        self._tallied: Counter[str] = Counter()
        self._last_ms: int | None = None
        self._recent: deque[int] = deque(maxlen=RATE_FRAMES)
        self._bars = Bars(store.trims(known.unit.name), known.mounting)
        self._latest: Line | None = None
        self.connected, self.message = True, ""
        self._flowing = False  # whether a frame came since the port was opened

    @classmethod
    def begin(
        cls,
        store: Store,
        name: str,
        unit: Unit,
        liquid: Liquid,
        mounting: Mounting,
        steps: Sequence[Step] = (),
        stated: Stated | None = None,
    ) -> Capture:
        """Begin a capture.

        Args:
            store: where it is kept.
            name: a name that no open capture has; the session's source is called so.
            unit: as the store gives it, and so for liquid and mounting.
            liquid: what is in the tank.
            mounting: gives channels, width, period and span.
            steps: the fill plan; without one, every entry begins a mark.
            stated: what holds for the whole capture; None: nothing is stated.

        Raises:
            InputError: a name that is taken, or a statement that cannot be.
        """
        stated = stated or Stated()
        with naming("level_u_mm", "condition"):
            check_number("level_u_mm", stated.level_u_mm, 0, 1e5, unit="mm")
            if stated.condition is not None:
                read_conditions("condition", stated.condition)
        check_occasion(f"capture {name}", stated.occasion)
        weighing = stated.labelling or Labelling(liquid)
        settings = {
            "steps": [asdict(step) for step in steps],
            "level_u_mm": stated.level_u_mm,
            "labelling": {key: value for key, value in asdict(weighing).items() if key != "liquid"},
            "condition": stated.condition,
            "note": stated.note,
            "simulated": stated.simulated,
            "occasion": occasion_content(stated.occasion),
            "tags": list(stated.tags),
            "instruments": list(stated.used.names),
            "warnings": [asdict(warning) for warning in stated.used.warnings],
        }
        return cls(store, store.begin_capture(name, unit, liquid, mounting, settings))

    @classmethod
    def open(cls, store: Store, name: str) -> Capture:
        """An open capture as it is, to look at or to seal."""
        return cls(store, store.open_capture(name))

    @classmethod
    def resume(cls, store: Store, name: str) -> Capture:
        """Go on with a capture that is open. What the operator marked ends where it was left: the tank may
        have changed since.
        """
        capture = cls.open(store, name)
        if capture.frames:
            frames = store.open_frames(name)
            capture._last_ms = int(frames.t_ms[-1])
            capture._stream.go_on_after(capture._last_ms)
            capture._bars.see_all(frames.counts.astype(np.float64))
            capture._break("gone on")
        return capture

    @property
    def frames(self) -> int:
        """Frames so far, those that are not committed yet included."""
        return self._known.frames + len(self._pending)

    @property
    def committed(self) -> int:
        """Frames that survive whatever happens."""
        return self._known.frames

    def feed(self, data: bytes) -> None:
        """Take bytes as the board sent them.

        Raises:
            InputError: the lines are of a board with another number of channels or another period.
        """
        for placed in self._stream.feed(data):
            self.take(placed)
        if self._stream.simulated:
            self.simulate()

    def take(self, placed: Placed, at: str | None = None) -> None:
        """Take a frame of a stream that somebody else reads; ``at`` is when it came, ISO 8601, None: now."""
        if placed.place is Place.RESTART:
            self._entries.append({"kind": "clock", "frame": self.frames, "ms": placed.offset_ms})
            self._break("the board started again")
        if placed.place is not Place.FOLLOWS:
            self._recent.clear()
            self._bars.restart()
        if not self.frames:
            self._entries.append({"kind": "start", "at": at or now_instant()})
        self._last_ms, self._latest, self._flowing = placed.ms, placed.line, True
        self._pending.append((placed.ms, placed.line))
        self._recent.append(placed.line.t_ms)
        self._bars.see(placed.line.counts)

    def count_bad(self, lines: Mapping[str, int]) -> None:
        """Count lines that were no frames of a stream that somebody else reads, by kind."""
        self._stream.tally.update(lines)

    def simulate(self) -> None:
        """The board has said that it is the virtual rig."""
        if not self._simulated:
            self._entries.append({"kind": "simulated", "frame": self.frames})

    def lost(self) -> None:
        """The port is gone: what was marked ends here."""
        self.connected = self._flowing = False
        self._stream.cut()
        if self.frames:
            self._break("port lost")

    def found(self) -> None:
        """The port is back."""
        self.connected = True

    def ended(self) -> None:
        """The stream is at its end."""
        for placed in self._stream.last():
            self.take(placed)
        self._flowing = False

    @property
    def _simulated(self) -> bool:
        """Whether the capture was begun as simulated, or its board has said since that it is the
        virtual rig.
        """
        # captures begun by an earlier version do not say
        return bool(self._known.settings.get("simulated", False)) or any(
            entry["kind"] == "simulated" for entry in self._entries
        )

    @property
    def flows(self) -> bool:
        """Whether frames come in."""
        return self.connected and self._flowing

    def _break(self, why: str) -> None:
        self._entries.append({"kind": "break", "frame": self.frames, "why": why})

    def due(self) -> bool:
        """Whether the frames that are not committed cover half a second of the board's clock."""
        return bool(self._pending) and self._pending[-1][0] - self._pending[0][0] >= 1000 * COMMIT_S

    def commit(self) -> int:
        """Write what is not written yet, in one transaction; how many frames are safe now."""
        tally = Counter({kind: self._stream.tally[kind] for kind in BAD})
        news = {
            kind: count - self._tallied[kind] for kind, count in tally.items() if count > self._tallied[kind]
        }
        entries = [*self._entries[len(self._known.entries) :], *([{"kind": "lines", **news}] if news else [])]
        if self._pending or entries:
            blocks = self._store.append_to_capture(self._known, self._frames_pending(), entries)
            self._entries = [*self._known.entries, *entries]
            count = self._known.frames + len(self._pending)
            self._known = replace(
                self._known, entries=tuple(self._entries), frames=count, blocks=self._known.blocks + blocks
            )
            self._pending, self._tallied = [], tally
        return self.committed

    def _frames_pending(self) -> Frames:
        return Frames(
            np.array([ms for ms, _ in self._pending], np.int64),
            np.array([line.counts for _, line in self._pending], np.uint32).reshape(
                -1, self._known.mounting.sensor.channels
            ),
            np.array([line.temperature_c for _, line in self._pending], np.float64),
        )

    # -- the operator ----------------------------------------------------------------------------------------

    def enter(self, text: str) -> str:
        """Take an entry; a sentence about what it did.

        Nothing (Enter alone): the level is at the step's target; without a plan, the running mark ends. A
            number, with 'mm' or 'g':
        the reading instead. 'skip': leave the step out. 'back': withdraw the last mark or skip.

        Raises:
            InputError: not understood, or a level that cannot be.
        """
        word, step = text.strip().lower(), self.step
        if word == "back":
            self._entries.append({"kind": "back"})
            return "the last mark or skip is withdrawn"
        if not self.flows:
            raise InputError("entry", "no frames are coming in", "", "wait until they do")
        if word == "skip" and step is not None:
            self._entries.append({"kind": "skip", "frame": self.frames, "step": step})
            return f"step {step + 1} is left out"
        if not word and not self._steps:
            self._entries.append({"kind": "end", "frame": self.frames})
            return f"the mark ends at frame {self.frames - 1}"
        if self._steps and step is None:
            raise InputError("entry", "all steps of the plan are done", "'back' or 'done'")
        target = self._steps[step] if step is not None else None
        typed = READING.fullmatch(word or (target.text if target else ""))
        if typed is None:
            raise InputError(
                "entry", quoted(text.strip()), "Enter, a reading such as 12.5 or 431 g, skip, back or done"
            )
        reading, unit = float(typed[1].replace(",", ".")), typed[2] or (target.unit if target else "mm")
        mark = self._label(reading, unit)
        self._entries.append(
            {
                "kind": "mark",
                "frame": self.frames,
                "step": step,
                "hold": target.hold if target else None,
                **mark,
            }
        )
        return f"{mark['level_mm']:g} mm from frame {self.frames} on"

    def end_mark(self, frame: int) -> None:
        """End the running mark, without a plan, before ``frame``: it may be known only later that what it
        says has ceased to hold.
        """
        begun = next((e["frame"] for e in reversed(self._entries) if e["kind"] == "mark"), 0)
        self._entries.append({"kind": "end", "frame": max(min(frame, self.frames), begun)})

    def _label(self, reading: float, unit: str) -> dict[str, Any]:
        tank = self._known.mounting.tank
        if unit == "g":
            labelling = Labelling(self._known.liquid, **self._known.settings["labelling"])
            warm = self._latest.temperature_c if self._latest is not None else np.nan
            level = level_of(
                "entry", Method.MASS, reading, float(warm) if np.isfinite(warm) else None, tank, labelling
            )
            facts = {
                "u_mm": level.u or None,
                "u_common_mm": level.u_common or None,
                "method": Method.MASS.value,
            }
            return {"reading": reading, "unit": unit, "level_mm": round(level.value, 6), **facts}
        check_number("entry", reading, 0, tank.span_mm, unit="mm, the tank's span")
        return {
            "reading": reading,
            "unit": unit,
            "level_mm": reading,
            "u_mm": self._known.settings["level_u_mm"],
            "u_common_mm": self._known.settings["labelling"].get("level_u_common_mm") or None,
            "method": None,
        }

    @property
    def step(self) -> int | None:
        """The place of the step that is next, or that is being held; None when there is none."""
        return next_step(self._entries, self.frames, len(self._steps))

    @property
    def finished(self) -> bool:
        """Whether every step of the plan is done; never without a plan."""
        return bool(self._steps) and self.step is None

    def marks(self) -> tuple[Mark, ...]:
        """The marks so far."""
        return entered_marks(self._entries, self.frames)

    def prompt(self) -> str:
        """What the operator is to do next."""
        step, held = self.step, holding(self._entries, self.frames)
        if not self._steps:
            return "type a level (12.5) or a mass (431 g) to begin a mark, Enter to end it, done to seal"
        if step is None:
            return "all steps are done"
        place = f"step {step + 1} of {len(self._steps)}"
        if held is not None:
            return f"{place}: keep still, {held[0]} of {held[1]} frames"
        target = self._steps[step]
        return (
            f"{place}: bring it to {target.text} and let it settle; Enter, or the reading in "
            f"{target.unit} (or skip, back, done)"
        )

    # -- what comes of it ------------------------------------------------------------------------------------

    def bad_lines(self) -> dict[str, int]:
        """Lines that were no frames, by kind, over the whole capture."""
        total: Counter[str] = Counter()
        for entry in self._known.entries:
            if entry["kind"] == "lines":
                total.update({kind: count for kind, count in entry.items() if kind != "kind"})
        total.update({kind: self._stream.tally[kind] - self._tallied[kind] for kind in BAD})
        return {kind: total[kind] for kind in BAD if total[kind]}

    def view(self) -> View:
        """What a front end may show now."""
        recent, held = self._recent, holding(self._entries, self.frames)
        span = recent[-1] - recent[0] if len(recent) > 1 else 0
        counts = self._latest.counts if self._latest is not None else ()
        return View(
            name=self._known.name,
            connected=self.connected,
            frames=self.frames,
            committed=self.committed,
            session_ms=self._last_ms or 0,
            rate_hz=1000.0 * (len(recent) - 1) / span if span else 0.0,
            bad=self.bad_lines(),
            counts=counts,
            bars=self._bars.places(counts),
            settled=self._bars.settled() if self.flows else (),
            temperature_c=self._latest.temperature_c if self._latest is not None else np.nan,
            prompt=self.prompt(),
            message=self.message,
            marks=len(self.marks()),
            holding=held is not None,
            step_s=None if held is None else self._seconds(held[1] - held[0]),
            plan_s=self._plan_s(),
            ready=self.flows,
            finished=self.finished,
        )

    def _seconds(self, frames: int) -> float:
        return frames * self._period / 1000

    def _plan_s(self) -> float | None:
        """How long the holds of the plan take that are not done, None without a plan."""
        if not self._steps:
            return None
        held = holding(self._entries, self.frames)
        left = steps_left(self._entries, self.frames, len(self._steps))
        return self._seconds(sum(self._steps[k].hold for k in left) - (0 if held is None else held[0]))

    def seal(self) -> Session:
        """Commit, and make the capture an ordinary session; the open capture is gone then.

        Raises:
            InputError: no frames, or frames that the import checks refuse; the capture stays open.
        """
        self.commit()
        known = self._known
        if not known.frames:
            dropping = f"Store.discard_capture('{known.name}')"
            raise InputError(
                f"capture {known.name}",
                "no frames",
                "at least one",
                f"drop it with {dropping}",
                fields=(dropping,),
            )
        frames, condition = self._store.open_frames(known.name), known.settings["condition"]
        stretches = (
            () if condition is None else (Stretch(0, len(frames), read_conditions("condition", condition)),)
        )
        source = Source(known.name, readings_sha256(frames))
        new = NewSession(
            known.unit,
            known.liquid,
            known.mounting,
            frames,
            self.marks(),
            source,
            known.settings["note"],
            stretches,
            (
                *(DoorWarning(**warning) for warning in known.settings.get("warnings", ())),
                *warnings_of(self._entries, self.bad_lines()),
            ),
        )
        return self._store.seal_capture(
            known.name,
            replace(
                new,
                simulated=self._simulated,
                occasion=self._occasion(),
                tags=tuple(known.settings.get("tags", ())),
                instruments=tuple(known.settings.get("instruments", ())),
            ),
        )

    def _occasion(self) -> Occasion:
        """Who, where, when and with what: it began as stated, else at the host's time of the first frame.
        What is simulated happened at no time.
        """
        stated = Occasion(**self._known.settings.get("occasion", {}))  # an earlier version does not say
        first = next((entry["at"] for entry in self._entries if entry["kind"] == "start"), None)
        if stated.started is not None or self._simulated:
            return stated
        return replace(stated, started=first)
