"""What is shown of a model on a live board: a screen on a terminal, a line a second elsewhere, or a line of
JSON a frame.
"""

from __future__ import annotations

import json as json_text
import queue
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from dataset.words import counted
from innage.terminal.clock import clock
from innage.terminal.output import console, harmless, say
from innage.terminal.views.capture import TALL, LineEntries, bar, keyboard
from innage.terminal.views.models.replay import NO_BAND

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.text import Text

    from innage.jobs.trial.stepping import Reading
    from innage.jobs.trial.trial import TrialView

BAR_CELLS = 36
_COLOURS = {"valid": "green", "empty": "green", "withheld": "yellow"}
Entries = Callable[["TrialView"], "str | None"]


def level_text(reading: Reading) -> str:
    """Level and band in mm, or that it is withheld and why."""
    if reading.level_mm is None:
        return f"withheld: {reading.reason}"
    band = f"{reading.low_mm:.2f} to {reading.high_mm:.2f}" if reading.band else NO_BAND
    return f"{reading.level_mm:.2f} mm ({band}) {reading.validity}"


def reference_text(view: TrialView) -> str:
    """What the level is held against, and by how much it is off; empty where nothing says a level."""
    reading, so_far = view.reading, view.figures.differences
    if reading is None or reading.reference_mm is None:
        return ""
    off = "" if reading.difference_mm is None else f", difference {reading.difference_mm:+.2f} mm"
    worst = "" if so_far.worst_mm is None else f"; worst {so_far.worst_mm:+.2f}"
    return f"beside {view.reference} = {reading.reference_mm:.2f} mm{off}{worst}"


def differences_text(facts: dict[str, Any]) -> str:
    """The running figures of the differences."""
    if not facts["frames"]:
        return ""
    return (
        f"{counted(facts['frames'], 'frame')} beside it: mean {facts['mean_mm']:+.2f} mm, RMS "
        f"{facts['rms_mm']:.2f} mm, worst {facts['worst_mm']:+.2f} mm at {clock(facts['worst_t_ms'] / 1000)}"
    )


def timing_text(facts: dict[str, Any], bad: dict[str, int]) -> str:
    """What did not come as it should have; empty where all did."""
    parts = [f"{facts[what]} {what}" for what in ("late", "early", "lost") if facts[what]]
    if bad:
        kinds = ", ".join(f"{number} {kind}" for kind, number in bad.items())
        parts.append(f"{counted(sum(bad.values()), 'bad line')} ({kinds})")
    for what, text in (("ports_lost", "port lost"), ("board_restarts", "board started again")):
        if facts[what]:
            parts.append(f"{text} {facts[what]}x")
    if facts["restarts"]:
        parts.append(f"program started anew {facts['restarts']}x")
    return ", ".join(parts)


def shares_text(facts: dict[str, Any]) -> str:
    """The share accepted, and why the others are withheld."""
    if facts["accepted_share"] is None:
        return "no frames"
    why = ", ".join(f"{name} {number}" for name, number in facts["reasons"].items() if number)
    return f"accepted {100 * facts['accepted_share']:.1f} %" + (f"; withheld for {why}" if why else "")


class PlainTrial:
    """A line a second; for logs and pipes."""

    def __init__(self, tell: Callable[[str], None], get_time: Callable[[], float] = time.monotonic) -> None:
        self._tell, self._time, self._last = tell, get_time, -1.0
        self._frames = 0

    def show(self, view: TrialView) -> None:
        """Print what is due."""
        now = self._time()
        if view.reading is None or view.figures.frames == self._frames:
            return
        if self._last >= 0 and now - self._last < 1.0:
            return
        self._last, self._frames = now, view.figures.frames
        flags = f" [{' '.join(view.reading.flags)}]" if view.reading.flags else ""
        against = reference_text(view)
        self._tell(
            f"{clock(view.reading.t_ms / 1000)} {level_text(view.reading)}{flags}"
            f"{f'; {against}' if against else ''}; {shares_text(view.figures.facts())}"
            f"{f'; {view.saved} saved as {view.kept}' if view.kept else ''}"
        )


class TrialScreen:
    """A screen that moves, redrawn in place."""

    def __init__(self, pads: Sequence[str], out: Console, typed: Callable[[], str]) -> None:
        from rich.live import Live

        self._pads, self._typed = pads, typed
        self._live = Live(console=out, refresh_per_second=10, transient=False)

    def show(self, view: TrialView) -> None:
        """Draw again."""
        self._live.update(screen(view, self._pads, self._typed()))

    @contextmanager
    def shown(self) -> Iterator[TrialScreen]:
        """On the terminal meanwhile."""
        with self._live:
            yield self


def screen(view: TrialView, pads: Sequence[str], typed: str) -> RenderableType:
    """The reading, what it is held against, the pads with the highest on top, what it came to so far, and
    what may be entered.
    """
    from rich.console import Group
    from rich.text import Text

    reading, facts = view.reading, view.figures.facts()
    simulated = " (simulated)" if view.simulated else ""
    rate = f"{view.rate_hz:.1f}/s" if view.connected else "port lost"
    head = f"{view.title}{simulated}: {counted(view.figures.frames, 'frame')}, {rate}"
    lines = [Text(harmless(head), style="bold" if view.connected else "bold red")]
    if reading is not None:
        lines.append(Text(level_text(reading), style=f"bold {_COLOURS[reading.validity]}"))
        warm = "" if reading.temperature_c is None else f", {reading.temperature_c:.1f} °C"
        lines.append(Text(f"flags: {', '.join(reading.flags) or 'none'}{warm}"))
    lines += [Text(text) for text in (reference_text(view), differences_text(facts["differences"])) if text]
    below = [shares_text(facts), timing_text(facts, dict(view.bad))]
    if view.kept:
        below.append(f"keeping {view.kept}: {counted(view.saved, 'frame')} saved")
    tail = [Text(text) for text in below if text]
    if view.message:
        tail.append(Text(harmless(view.message), style="dim"))
    return Group(*lines, _pads(view, pads), *tail, Text(f"{view.prompt}\n> {typed}"))


def _pads(view: TrialView, pads: Sequence[str]) -> RenderableType:
    from rich.table import Table
    from rich.text import Text

    columns = 2 if len(pads) > TALL else 1
    cells, rows = (BAR_CELLS if columns == 1 else 10), -(-len(pads) // columns)
    table = Table(box=None, padding=(0, 1), show_header=False)
    counts = () if view.reading is None else view.reading.counts
    for row in range(rows):
        line: list[Text] = []
        for channel in (rows - 1 - row + rows * column for column in range(columns)):
            if channel >= len(pads):
                continue
            share = view.places[channel] if channel < len(view.places) else 0.0
            line += [Text(harmless(pads[channel])), Text(bar(share, cells), style="cyan")]
            line.append(Text(f"{counts[channel]:>9g}" if channel < len(counts) else "-"))
            line.append(_stillness(view, channel))
        table.add_row(*line)
    return table


def _stillness(view: TrialView, channel: int) -> Text:
    from rich.text import Text

    if channel >= len(view.settled):
        return Text("")
    return Text("settled", style="green") if view.settled[channel] else Text("moving", style="yellow")


class KeyPresses:
    """Keys pressed at a terminal: 'k' and 'q' at once, a reading with Enter."""

    def __init__(self, keys: Callable[[], str]) -> None:
        self._keys = keys
        self._entries: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.typed = ""

    def __call__(self, view: TrialView) -> str | None:
        """The next entry, if there is one."""
        for key in self._keys():
            if key in "\r\n" or (not self.typed and key in "kq"):
                self._entries.put(key if key in "kq" else self.typed)
                self.typed = ""
            elif key in "\x7f\b":
                self.typed = self.typed[:-1]
            elif key.isprintable():
                self.typed += key
        try:
            return self._entries.get_nowait()
        except queue.Empty:
            return None


def no_entries(view: TrialView) -> None:
    """For trials whose frames come by standard input."""


@contextmanager
def trial_front(
    pads: Sequence[str], tell: Callable[[str], None], from_stdin: bool, lines_only: bool
) -> Iterator[tuple[Callable[[TrialView], None], Entries]]:
    """The view and the entries that fit where this runs; ``lines_only``: no screen and no plain lines either,
    since each frame is printed.
    """
    plain = (lambda view: None) if lines_only else PlainTrial(tell).show
    if from_stdin:
        yield plain, no_entries
    elif not sys.stdin.isatty():
        yield plain, LineEntries()
    else:
        with keyboard() as keys:
            pressed = KeyPresses(keys)
            if lines_only or not sys.stdout.isatty():
                yield plain, pressed
            else:
                with TrialScreen(pads, console(), lambda: pressed.typed).shown() as shown:
                    yield shown.show, pressed


def print_json_line(facts: dict[str, Any]) -> None:
    """One object in a line, at once."""
    print(json_text.dumps(facts, sort_keys=True, allow_nan=False), flush=True)


def show_trial_summary(facts: dict[str, Any]) -> None:
    """What a trial came to."""
    shares = ", ".join(f"{number} {name}" for name, number in facts["validity"].items())
    say(f"{counted(facts['frames'], 'frame')}: {shares}")
    flags = ", ".join(f"{name} {number}" for name, number in facts["flags"].items() if number)
    texts = (
        shares_text(facts) if facts["frames"] else "",
        f"flags: {flags}" if flags else "",
        differences_text(facts["differences"]),
        timing_text(facts, facts["bad_lines"]),
    )
    for text in texts:
        if text:
            say(text)
    for session in facts["sessions"]:
        say(f"session {session} is kept")
    for name in facts["open"]:
        say(f"capture {name} is kept open: 'innage capture list'")
