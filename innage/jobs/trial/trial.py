"""A model on a live board: frames come in, the program answers each, a stretch of them may be kept."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError, StoreError
from dataset.live.bars import Bars
from dataset.live.board import BAD, LIKE_LINES, ByteSource
from dataset.live.capture import COMMIT_S, RATE_FRAMES
from dataset.live.feeds import Feed, News, Piece
from dataset.live.stream import BoardStream, Place, Placed
from innage.jobs.trial.figures import Figures
from innage.jobs.trial.stepping import Reading, Stepper
from innage.jobs.trial.weighing import Reference, Scale

if TYPE_CHECKING:
    from collections import Counter

    from dataset.records import Mounting
    from innage.jobs.trial.keeping import Keeper

PAUSE_S = 0.02  # between two looks at the ports
MOST_BEFORE = 18_000  # frames since the program's start that a key can still keep
KEEP, END = "k", "q"


@dataclass(frozen=True)
class TrialView:
    """What a front end may show.

    ``reading`` is of the last frame; ``places`` and ``settled`` of each pad as of
    :class:`dataset.live.bars.Bars`. ``reference``: what the level is held against, in words. ``kept``: the
    stretch that is being kept, and how many of its frames are written. ``message``: the last thing that
    happened; ``happened`` counts them.
    """

    title: str
    connected: bool
    ready: bool
    simulated: bool
    rate_hz: float
    reading: Reading | None
    places: tuple[float, ...]
    settled: tuple[bool, ...]
    reference: str
    figures: Figures
    bad: Mapping[str, int]
    kept: str | None
    saved: int
    message: str
    happened: int
    prompt: str
    holding: bool = False


class Trial:
    """A trial while it runs; nothing in here waits.

    Args:
        title: what is tried on what.
        mounting: what the board stands on.
        stepper: the program.
        bars: the unit's scale of each pad.
        reference: what levels are held against.
        keeper: keeps stretches.
    """

    def __init__(
        self,
        title: str,
        mounting: Mounting,
        stepper: Stepper,
        bars: Bars,
        reference: Reference,
        keeper: Keeper,
    ) -> None:
        self.title, self.keeper = title, keeper
        self.figures = Figures(mounting.sensor.period_ms)
        self.connected, self.ended = True, False
        self._sensor, self._stepper, self._bars, self._reference = mounting.sensor, stepper, bars, reference
        self._stream = BoardStream(mounting.sensor)
        self._before: list[Placed] | None = []  # frames since the program's last start; None: too many
        self._off_time: list[int] | None = []  # steps so far, while none was as long as it should be
        self._first_ms: int | None = None
        self._reading: Reading | None = None
        self._counted_bad: Counter[str] = self._stream.tally.copy()
        self._good_frames = 0  # of the stretch, when the scale was last seen to stand still
        self._weighed = False
        self._messages: list[str] = []
        self._recent: deque[int] = deque(maxlen=RATE_FRAMES)

    def listen(self, piece: Piece) -> list[Reading]:
        """Take a piece of what came from the board's port; what the program says of its frames.

        Raises:
            InputError: it is another board than the model's sensor.
        """
        if piece.news is News.BYTES:
            return self._take_all(self._stream.feed(piece.data))
        if piece.news is News.FOUND:
            self.connected = True
            self.tell("the board's port is there again")
            return []
        readings = self._take_all(self._stream.last() if piece.news is News.ENDED else [])
        self._stream.cut()
        if piece.news is News.ENDED:
            self.ended = True
            return readings
        self.connected = False
        self.figures.ports_lost += 1
        self._reference_lost()
        if self.keeper.capture is not None:
            self.keeper.capture.lost()
            self.keeper.capture.found()
        self.tell("the board's port is lost: unplugged, or switched off; it is waited for")
        return []

    def weigh(self, scale: Scale) -> None:
        """Hold the level against what a scale shows now."""
        self._weighed = True
        for sentence in scale.look(self._seen_still):
            self.tell(sentence)
        held = scale.held_g
        if held is None:
            self._reference_lost(self._good_frames)
        elif self._reference.level_mm is None and self._reading is not None:
            self._refer(f"{held:.3f} g")

    def enter(self, text: str) -> None:
        """Take what the operator enters: 'k' keeps a stretch or ends it, 'q' ends the trial, nothing ends
        what was read off, and a reading such as 12.5 or 431 g is what the level is held against.
        """
        word = text.strip().lower()
        try:
            if word == END:
                self.ended = True
            elif word == KEEP:
                self.tell(self._keep() if self.keeper.capture is None else self._seal())
            elif not word:
                self._reference_lost()
            elif self._weighed:
                self.tell("the scale says the level; what is read off is not taken beside it")
            else:
                self._reference_lost()
                self._refer(text)
        except (InputError, StoreError) as error:
            self.tell(str(error))

    def commit(self) -> None:
        """Write what is kept and not written yet; a store that is busy or full is told, and tried again."""
        capture = self.keeper.capture
        if capture is None:
            return
        capture.count_bad(self._stream.tally - self._counted_bad)
        self._counted_bad = self._stream.tally.copy()
        try:
            capture.commit()
        except StoreError as error:
            self.tell(f"{error}; it is tried again")

    def finish(self) -> None:
        """The trial is over: a stretch that is being kept ends here."""
        if self.keeper.capture is not None:
            self.tell(self._seal())

    @property
    def pads(self) -> tuple[str, ...]:
        """The names of the pads, in channel order."""
        return self._sensor.channel_names

    def facts(self) -> dict[str, Any]:
        """What it came to, ready for JSON."""
        return self.figures.facts() | {
            "bad_lines": {kind: self._stream.tally[kind] for kind in BAD if self._stream.tally[kind]},
            "sessions": [session.id for session in self.keeper.sessions],
            "open": list(self.keeper.left_open),
            "simulated": self._stream.simulated,
        }

    def tell(self, sentence: str) -> None:
        """Something happened."""
        self._messages.append(sentence)

    def view(self) -> TrialView:
        """What may be shown now."""
        capture, reading = self.keeper.capture, self._reading
        steps = tuple(round(count * self._sensor.count_scale) for count in reading.counts) if reading else ()
        recent = self._recent
        span = recent[-1] - recent[0] if len(recent) > 1 else 0
        flows = self.connected and not self._stream.fresh
        return TrialView(
            title=self.title,
            connected=self.connected,
            ready=flows,
            simulated=self._stream.simulated,
            rate_hz=1000 * (len(recent) - 1) / span if span else 0.0,
            reading=reading,
            places=self._bars.places(steps),
            settled=self._bars.settled() if flows else (),
            reference=self._reference.text,
            figures=self.figures,
            bad={kind: self._stream.tally[kind] for kind in BAD if self._stream.tally[kind]},
            kept=self.keeper.name,
            saved=0 if capture is None else capture.committed,
            message=self._messages[-1] if self._messages else "",
            happened=len(self._messages),
            prompt=self._prompt(),
        )

    def messages(self, after: int) -> list[str]:
        """What happened after the first so many."""
        return self._messages[after:]

    def _take_all(self, frames: list[Placed]) -> list[Reading]:
        return [self._take(placed) for placed in frames]

    def _take(self, placed: Placed) -> Reading:
        before = self._reading
        if self._first_ms is None:
            self._first_ms = placed.ms
        step_ms = None if before is None else placed.ms - before.t_ms
        off_time = step_ms is not None and self._stepper.off_time(step_ms)
        self._refuse_other_rate(step_ms, off_time)
        reading = self._stepper.take(placed)
        self._remember(placed, reading.anew)
        if placed.place is not Place.FOLLOWS:
            self._bars.restart()
            self._recent.clear()
        self._recent.append(placed.ms)
        self._bars.see(placed.line.counts)
        capture = self.keeper.capture
        if capture is not None:
            if self._stream.simulated:
                capture.simulate()
            self.keeper.take(placed)
        reading = replace(reading, reference_mm=self._reference.level_mm, kept=self.keeper.name)
        self.figures.take(reading, placed.place, step_ms, off_time)
        if placed.place is Place.RESTART:
            self.tell("the board started again: its time ran back; the program starts anew")
        elif off_time:
            self.tell(f"a step of {step_ms} ms instead of {self._sensor.period_ms}: the program starts anew")
        self._reading = reading
        return reading

    def _remember(self, placed: Placed, anew: bool) -> None:
        if anew:
            self._before = []
        if self._before is not None:
            self._before.append(placed)
            if len(self._before) > MOST_BEFORE:
                self._before = None

    def _refuse_other_rate(self, step_ms: int | None, off_time: bool) -> None:
        """InputError where none of the first steps was as long as it should be."""
        if self._off_time is None or step_ms is None:
            return
        if not off_time:
            self._off_time = None
            return
        self._off_time.append(step_ms)
        if len(self._off_time) >= LIKE_LINES:
            apart, sensor = sorted(self._off_time)[LIKE_LINES // 2], self._sensor
            raise InputError(
                "the board",
                f"frames {apart} ms apart by its own clock",
                f"{sensor.period_ms} ms within {sensor.period_tolerance_pct:g} %, as sensor {sensor.ref} "
                "declares",
                "the program would start anew with each frame",
            )

    def _keep(self) -> str:
        """Keep what came since the program's last start, so that a replay of the stretch says the same."""
        if not self.keeper.can_keep:
            return "nothing can be kept: the unit or the liquid is not stated"
        if not self.connected or self._stream.fresh:
            return "nothing is kept: no frames are coming in"
        too_many = self._before is None
        if too_many:
            self._stepper.power_on()
            self._before = []
        said = self.keeper.begin(self._before or (), self._stream.simulated, self._since_first_ms())
        self._counted_bad = self._stream.tally.copy()
        self._good_frames = 0 if self.keeper.capture is None else self.keeper.capture.frames
        if self._reference.text:
            self.keeper.mark(self._reference.text)
        return f"{said}; the program starts anew with it" if too_many else said

    def _since_first_ms(self) -> int:
        """How long after the trial's first frame the stretch begins that is kept now."""
        if self._first_ms is None or self._reading is None:
            return 0
        return (self._before[0].ms if self._before else self._reading.t_ms) - self._first_ms

    def _seal(self) -> str:
        """What came is kept once: the next stretch begins with the frames behind this one."""
        self.commit()
        self._before = None
        return self.keeper.seal()

    def _seen_still(self) -> None:
        if self.keeper.capture is not None:
            self._good_frames = self.keeper.capture.frames

    def _refer(self, text: str) -> None:
        warm = None if self._reading is None else self._reading.temperature_c
        try:
            self._reference.enter(text, warm)
        except InputError as error:
            if self._messages[-1:] != [str(error)]:
                self.tell(str(error))
            return
        self.keeper.mark(text)
        level_mm = self._reference.level_mm or 0.0
        self.tell(f"from the next frame on held against {self._reference.text} = {level_mm:.2f} mm")

    def _reference_lost(self, frame: int | None = None) -> None:
        if self._reference.text:
            self._reference.clear()
            self.keeper.end_mark(frame)

    def _prompt(self) -> str:
        ways = "a level (12.5) or a mass (431 g) and Enter: what it is held against; q or Ctrl-C ends"
        if not self.keeper.can_keep:
            return ways
        if self.keeper.capture is None:
            return f"k keeps what came since the program's start, and on; {ways}"
        return f"k ends the stretch and seals it; {ways}"


@dataclass(frozen=True)
class Front:
    """What a front end gives a trial: the next ``entry`` of the operator's or None, given the view; ``show``
    the view; ``each``: what to do with each reading; ``tell``: with each sentence about what happened.
    """

    entry: Callable[[TrialView], str | None]
    show: Callable[[TrialView], None]
    each: Callable[[Reading], None]
    tell: Callable[[str], None]


def run_trial(
    trial: Trial,
    board: ByteSource,
    scale: Callable[[], Scale] | None,
    front: Front,
    *,
    stop: Callable[[], bool] = lambda: False,
    clock: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> None:
    """Run a trial until the stream ends, the operator ends it, or ``stop`` says so. What is being kept then
    is sealed, whatever ends it.

    Raises:
        InputError: it is another board than the model's sensor.
    """
    feed = Feed(board, clock)
    weighed = None if scale is None else scale()
    committed_at, told = clock(), 0

    def listen() -> None:
        for piece in feed.take():
            for reading in trial.listen(piece):
                front.each(reading)

    try:
        while not stop() and not trial.ended:
            listen()
            if weighed is not None:
                trial.weigh(weighed)
            text = front.entry(trial.view())
            if text is not None:
                trial.enter(text)
            if clock() - committed_at >= COMMIT_S:
                trial.commit()
                committed_at = clock()
            told = _told(trial, front, told)
            front.show(trial.view())
            wait(PAUSE_S)
        listen()
    finally:
        feed.close()
        if weighed is not None:
            weighed.close()
        trial.finish()
        front.show(trial.view())
        _told(trial, front, told)


def _told(trial: Trial, front: Front, after: int) -> int:
    """Tell what happened since; how much that is in all."""
    news = trial.messages(after)
    for sentence in news:
        front.tell(sentence)
    return after + len(news)
