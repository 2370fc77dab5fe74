"""What the commands print: tables, sentences and JSON. Colour only on a terminal, and never with NO_COLOR."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console


def console(stderr: bool = False) -> Console:
    """A console that keeps to 80 columns when it isn't a terminal, so that logs look the same everywhere."""
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    return Console(file=stream, width=None if stream.isatty() else 100, highlight=False, soft_wrap=False)


def say(text: str) -> None:
    """Print one sentence."""
    print(text)


def emit(data: Any) -> None:
    """Print JSON: sorted keys, two spaces."""
    print(json.dumps(data, indent=2, sort_keys=True, ensure_ascii=False))


LONG = 300  # rows; fitting a longer table to the width takes longer than finding what is in it


def table(title: str, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a table; numbers stand to the right. ``None`` shows as a dash. Long tables are not folded to the width."""
    if len(rows) > LONG:
        _long_table(title, columns, rows)
        return
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for name, right in zip(columns, _numeric(columns, rows), strict=True):
        made.add_column(escape(name), justify="right" if right else "left", overflow="fold")
    for row in rows:
        made.add_row(*(escape(_cell(value)) for value in row))
    out = console()
    out.print(f"[bold]{escape(title)}[/bold]\n")
    out.print(made)
    out.print()


def _long_table(title: str, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    cells = [list(columns), *([_cell(value) for value in row] for row in rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    aligned = [str.rjust if right else str.ljust for right in _numeric(columns, rows)]
    lines = ["   ".join(align(cell, width) for align, cell, width in zip(aligned, row, widths, strict=True)).rstrip() for row in cells]
    lines.insert(1, "-" * (sum(widths) + 3 * (len(widths) - 1)))
    print("\n".join([title, "", *lines, ""]))


def _numeric(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> list[bool]:
    """Which columns hold numbers only."""
    return [all(isinstance(r[k], int | float) or r[k] is None for r in rows) and bool(rows) for k in range(len(columns))]


def _cell(value: object) -> str:
    if value is None:
        return "-"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


@contextmanager
def progress(title: str) -> Iterator[Callable[[str, int, int], None]]:
    """Show progress on a terminal (on stderr); gives a function (what, done, total) to call. Silent elsewhere."""
    if not sys.stderr.isatty():
        yield lambda what, done, total: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}/{task.total}"), TimeRemainingColumn())
    with Progress(*columns, console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=None)
        yield lambda what, done, total: bar.update(task, description=f"{title}: {what}", completed=done, total=total)
