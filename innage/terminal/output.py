"""What the commands print: tables, sentences and JSON. Colour only on a terminal, and never with NO_COLOR."""

from __future__ import annotations

import codecs
import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console


WIDTH = 80
LEAST_WIDTH = 40


def console(stderr: bool = False) -> Console:
    """A console for what moves: progress, and the view of a live capture."""
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    return Console(file=stream, width=None if stream.isatty() else WIDTH, highlight=False, soft_wrap=False)


def say(text: str) -> None:
    """Print one sentence; a terminal gets it in lines of whole words."""
    text = harmless(text)
    if sys.stdout.isatty():
        text = "\n".join(
            textwrap.fill(line, width(), break_long_words=False, break_on_hyphens=False)
            for line in text.split("\n")
        )
    print(text)


def say_aside(text: str) -> None:
    """Print a sentence on standard error, where it does not come between what is piped on."""
    print(harmless(text), file=sys.stderr, flush=True)


def emit(data: Any) -> None:
    """Print JSON: sorted keys, two spaces; escaped where the output takes no other characters, or would do
    something at them.
    """
    try:
        others = codecs.lookup(sys.stdout.encoding or "utf-8").name == "utf-8"
    except LookupError:
        others = False
    text = json.dumps(data, indent=2, sort_keys=True, ensure_ascii=not others)
    print("".join(c if c.isprintable() or c == "\n" else json.dumps(c)[1:-1] for c in text))


def table(title: str, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a table that fits :func:`width`; numbers stand to the right. ``None`` shows as a dash, a
    truth value as yes or no.
    """
    from innage.terminal.text_table import lines_of

    cells = [[_cell(value) for value in row] for row in rows]
    titled = [
        _bold(line)
        for line in textwrap.wrap(harmless(title), width(), break_long_words=False, break_on_hyphens=False)
    ]
    print("\n".join([*titled, "", *lines_of(columns, cells, _numeric(columns, rows), width()), ""]))


def width() -> int:
    """The columns of the terminal; where the output goes elsewhere those of COLUMNS, or 80, so that logs
    look the same everywhere.
    """
    if sys.stdout.isatty():
        return max(shutil.get_terminal_size((WIDTH, 24)).columns, LEAST_WIDTH)
    stated = os.environ.get("COLUMNS", "")
    return max(int(stated), LEAST_WIDTH) if re.fullmatch(r"[1-9][0-9]{0,3}", stated) else WIDTH


def _bold(text: str) -> str:
    plain = not sys.stdout.isatty() or bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    return text if plain else f"\x1b[1m{text}\x1b[0m"


def _numeric(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> list[bool]:
    """Which columns hold numbers only, be they written out already; the first column names the row unless it
    is made of numbers.
    """
    return [
        bool(rows)
        and all(_is_number(row[k], written=k > 0) for row in rows)
        and any(row[k] is not None for row in rows)
        for k in range(len(columns))
    ]


def _is_number(value: object, written: bool) -> bool:
    if isinstance(value, str):
        return written and (value == "-" or re.fullmatch(r"[-+]?\d+(\.\d*)?(e[-+]?\d+)?", value) is not None)
    return value is None or isinstance(value, int | float)


def _cell(value: object) -> str:
    if value is None or isinstance(value, bool):
        return {None: "-", True: "yes", False: "no"}[value]
    return f"{value:.4g}" if isinstance(value, float) else harmless(str(value))


def harmless(text: str) -> str:
    """Text with whatever would move a terminal's cursor, change its colours or turn the direction of writing
    written out: names of files and notes come from anywhere. All that commands print goes through here, or
    through :func:`emit`.
    """
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() or c in "\n\u00a0" else c.encode("unicode_escape").decode("ascii") for c in text
    )


@contextmanager
def progress(title: str) -> Iterator[Callable[[str, int, int], None]]:
    """Show progress on stderr, with the time left on a terminal; gives a function (what, done, total) to
    call. Elsewhere work that takes longer than a few seconds says each stage in a line.
    """
    if not sys.stderr.isatty():
        from innage.terminal.stage_lines import StageLines

        yield StageLines(title, say_aside).moved
        return
    from innage.terminal.progress import progress_line

    with progress_line(title, console(stderr=True)) as moved:
        yield lambda what, done, total: moved(harmless(what), done, total)
