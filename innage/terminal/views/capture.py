"""What an operator sees and types during a live capture: bars on a terminal, a line a second elsewhere."""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import TracebackType
from typing import TYPE_CHECKING, Protocol

from dataset.words import counted
from innage.terminal.clock import clock
from innage.terminal.output import console

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.text import Text

    from dataset.live.stated import View

BAR_CELLS = 40
TALL = 24  # more channels than this stand in two columns
EIGHTHS = " ▏▎▍▌▋▊▉"


class Asks(Protocol):
    """What entries from lines ask of a view."""

    @property
    def holding(self) -> bool: ...

    @property
    def ready(self) -> bool: ...


class Shows(Protocol):
    """Shows a view."""

    def show(self, view: View, typed: str) -> None:
        """Show ``view``, and what the operator has typed so far."""


def status(view: View) -> str:
    """The figures of a view in a line."""
    bad = (
        f", {sum(view.bad.values())} bad lines "
        f"({', '.join(f'{count} {kind}' for kind, count in view.bad.items())})"
        if view.bad
        else ""
    )
    rate = f"{view.rate_hz:.1f}/s" if view.connected else "port lost, waiting for it to come back"
    return (
        f"{counted(view.frames, 'frame')} ({view.committed} saved), {rate}, "
        f"{counted(view.marks, 'mark')}{bad}"
    )


class PlainView:
    """A line a second, and one for every answer to an entry; for logs and pipes."""

    def __init__(self, say: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._say, self._clock = say, clock
        self._last, self._message = -1.0, ""

    def show(self, view: View, typed: str) -> None:
        """Print what is due."""
        if view.message != self._message:
            self._message = view.message
            self._say(f"{view.name}: {view.message}")
        now = self._clock()
        if self._last < 0 or now - self._last >= 1.0:
            self._last = now
            left = to_go(view)
            self._say(f"{view.name}: {status(view)}; {view.prompt}{f'; {left}' if left else ''}")


class BarView:
    """Bars that move, redrawn in place."""

    def __init__(self, pads: Sequence[str], out: Console) -> None:
        from rich.live import Live

        self._pads = pads
        self._live = Live(console=out, refresh_per_second=10, transient=False)

    def show(self, view: View, typed: str) -> None:
        """Draw again."""
        self._live.update(picture(view, self._pads, typed))

    def __enter__(self) -> BarView:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._live.stop()


def picture(view: View, pads: Sequence[str], typed: str) -> RenderableType:
    """A bar a channel, from dry to full, and whether it stands still; below them the figures, how long is to
    be waited, the prompt, and what was typed.
    """
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    columns = 2 if len(pads) > TALL else 1
    cells = BAR_CELLS // columns
    table = Table(box=None, padding=(0, 1), show_header=False)
    rows = -(-len(pads) // columns)
    for row in range(rows):
        line: list[Text] = []
        # the highest channel on top, as on the wall
        for channel in (rows - 1 - row + rows * column for column in range(columns)):
            if channel < len(pads):
                there = channel < len(view.counts)
                line += [
                    Text(pads[channel]),
                    Text(bar(view.bars[channel] if there else 0.0, cells), style="cyan"),
                ]
                line.append(Text(f"{view.counts[channel]:>8}" if there else "-"))
                line.append(_stillness(view, channel))
        table.add_row(*line)
    warm = f", {view.temperature_c:.1f} °C" if view.temperature_c == view.temperature_c else ""
    head = Text(f"{view.name}: {status(view)}{warm}", style="bold" if view.connected else "bold red")
    tail = [Text(view.message, style="dim")] if view.message else []
    left = to_go(view)
    tail += [Text(left)] if left else []
    return Group(head, table, *tail, Text(f"{view.prompt}\n> {typed}"))


def _stillness(view: View, channel: int) -> Text:
    from rich.text import Text

    if channel >= len(view.settled):
        return Text("")
    return Text("settled", style="green") if view.settled[channel] else Text("moving", style="yellow")


def to_go(view: View) -> str:
    """How long to wait at this step, and in all steps that are left without the filling between them."""
    if not view.plan_s:
        return ""
    at_step = f"{clock(view.step_s)} to go at this step, " if view.step_s else ""
    return f"{at_step}{clock(view.plan_s)} of holding still in all"


def bar(share: float, cells: int) -> str:
    """``share`` of a bar of ``cells`` characters, in eighths of one; below 0 and above 1 it is cut."""
    eighths = round(min(max(share, 0.0), 1.0) * cells * 8)
    full, part = divmod(eighths, 8)
    return ("█" * full + (EIGHTHS[part] if part else "")).ljust(cells, "·")


class NoEntries:
    """For captures whose bytes come from standard input."""

    typed = ""

    def __call__(self, view: View) -> str | None:
        """Nothing, ever."""
        return None


class LineEntries:
    """Entries from the lines of standard input, each taken when the capture is ready for it; for scripts."""

    typed = ""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        try:
            handle = sys.stdin.fileno()
        except (OSError, ValueError):  # there is no file behind it
            for line in sys.stdin.read().splitlines():
                self._lines.put(line)
            return
        # the handle, not the object: a thread that waits inside sys.stdin keeps Python from ending
        threading.Thread(target=self._read, args=(handle,), daemon=True).start()

    def _read(self, handle: int) -> None:
        rest = b""
        while data := os.read(handle, 4096):
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                self._lines.put(line.decode(errors="replace"))
        if rest.strip():
            self._lines.put(rest.decode(errors="replace"))

    def __call__(self, view: Asks) -> str | None:
        """The next line, once the running step is held to its end and frames come in."""
        if view.holding or not view.ready:
            return None
        try:
            return self._lines.get_nowait()
        except queue.Empty:
            return None


class KeyEntries:
    """Entries typed at a terminal, key by key, so that the picture can be redrawn around them."""

    def __init__(self, keys: Callable[[], str]) -> None:
        self._keys = keys
        self.typed = ""

    def __call__(self, view: View) -> str | None:
        """The line that was ended with Enter, if one was; while a step is held, only 'skip', 'back' and
        'done' count.
        """
        for key in self._keys():
            if key in "\r\n":
                text, self.typed = self.typed, ""
                if not view.holding or text.strip().lower() in ("skip", "back", "done"):
                    return text
            elif key in "\x7f\b":
                self.typed = self.typed[:-1]
            elif key.isprintable():
                self.typed += key
        return None


@contextmanager
def keyboard() -> Iterator[Callable[[], str]]:
    """The keys pressed since the last call, without waiting and without echo; the terminal is put back
    afterwards.
    """
    if sys.platform == "win32":
        import msvcrt

        def keys() -> str:
            pressed = ""
            while msvcrt.kbhit():
                pressed += msvcrt.getwch()
            return pressed

        yield keys
        return
    import select
    import termios
    import tty

    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)

    def posix_keys() -> str:
        ready, _, _ = select.select([handle], [], [], 0)
        return os.read(handle, 1024).decode(errors="replace") if ready else ""

    tty.setcbreak(handle)  # signals stay: Ctrl-C is still Ctrl-C
    try:
        yield posix_keys
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


@contextmanager
def operator(
    pads: Sequence[str], say: Callable[[str], None], from_stdin: bool
) -> Iterator[tuple[Shows, NoEntries | LineEntries | KeyEntries]]:
    """The view and the entries that fit where this runs: bars and keys on a terminal, lines elsewhere."""
    if from_stdin:
        yield PlainView(say), NoEntries()
    elif sys.stdin.isatty() and sys.stdout.isatty():
        with keyboard() as keys, BarView(pads, console()) as view:
            yield view, KeyEntries(keys)
    else:
        yield PlainView(say), LineEntries()
