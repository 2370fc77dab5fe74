"""Progress on a terminal: what is being done, how much of it, how long it has taken and about how long it
will.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TextColumn
from rich.text import Text

from innage.terminal.clock import clock

_PERIOD_S = 3600.0  # steps of a search take many seconds; the speed is that of the whole stage


class _Done(ProgressColumn):
    """How many of how many; nothing while that is not known."""

    def render(self, task: Task) -> Text:
        return Text("" if task.total is None else f"{task.completed:.0f} of {task.total:.0f}")


class _Times(ProgressColumn):
    """The time since the beginning and, once a stage has made two steps, about how much of it is left."""

    def render(self, task: Task) -> Text:
        took = clock(task.fields["before"] + (task.elapsed or 0.0))
        left = (
            ""
            if task.time_remaining is None or task.finished
            else f", about {clock(task.time_remaining)} left"
        )
        return Text(took + left)


class ProgressLine:
    """A line that moves; ``shown`` draws it. Clocks are in seconds; only tests give one."""

    def __init__(self, title: str, console: Console, get_time: Callable[[], float] | None = None) -> None:
        self.title = title
        columns = (TextColumn("{task.description}", markup=False), BarColumn(bar_width=16), _Done(), _Times())
        self.shown = Progress(
            *columns, console=console, transient=True, speed_estimate_period=_PERIOD_S, get_time=get_time
        )
        self._task = self.shown.add_task(title, total=None, before=0.0)

    def moved(self, what: str, done: int, total: int) -> None:
        """Say what is being done, and how much of it is; another total, or less than before, begins another
        stage.
        """
        at = self.shown.tasks[0]
        if at.total != total or done < at.completed:
            self.shown.reset(self._task, total=total, before=at.fields["before"] + (at.elapsed or 0.0))
        self.shown.update(self._task, description=f"{self.title}: {what}", completed=done)


@contextmanager
def progress_line(title: str, console: Console) -> Iterator[Callable[[str, int, int], None]]:
    """Show the line, which goes away at the end; gives a function (what, done, total)."""
    line = ProgressLine(title, console)
    with line.shown:
        yield line.moved
