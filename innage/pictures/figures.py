"""Figures: one look for all of them, and the same bytes for the same content."""

from __future__ import annotations

import io
import textwrap
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from export.report.numbers import set_apart
from innage.outputs import check_place, write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KINDS = (".svg", ".png", ".pdf")
# those of the reports by light (export/data/colours.css); a dash, a mark or a hatch says the same
BLUE, ORANGE, GREEN, OCHRE, RED = "#0067a5", "#c24e00", "#00795a", "#7a6400", "#a3231f"
LOOK: dict[Any, Any] = {
    "axes.axisbelow": True,
    "axes.grid": True,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "figure.dpi": 120,
    "font.size": 9.0,
    "grid.alpha": 0.3,
    "legend.frameon": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "innage",  # otherwise the ids in an SVG are drawn at random
    "text.parse_math": False,  # users' words are text: two dollar signs are no formula
}


def fitted(text: str, width: int, lines: int = 1) -> str:
    """``text`` in at most ``lines`` lines of ``width`` characters: a word of a user must not squeeze a
    picture to nothing.

    What is too long for one line loses its middle, since names often differ at their ends; for several lines,
    what is left over.
    """
    wrapped = textwrap.wrap(text, width)
    if len(wrapped) <= lines:
        return "\n".join(wrapped)
    head = width // 2
    last = (
        text[:head] + "\u2026" + text[head + 1 - width :]
        if lines == 1
        else wrapped[lines - 1][: width - 1] + "\u2026"
    )
    return "\n".join([*wrapped[: lines - 1], last])


def ink_on(red: float, green: float, blue: float) -> str:
    """'black' or 'white', whichever can be read better on a ground of these parts of 0 to 1: its contrast is
    then at least 4.5 (WCAG 2.1, 1.4.3).
    """
    linear = (
        part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in (red, green, blue)
    )
    luminance = sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))
    return "black" if (luminance + 0.05) / 0.05 >= 1.05 / (luminance + 0.05) else "white"


def check_picture(path: Path) -> None:
    """Raise InputError for a suffix that isn't known or a path that can't be written, before the work."""
    if path.suffix.lower() not in KINDS:
        raise InputError(str(path), f"a figure called *{path.suffix}", "one of " + ", ".join(KINDS))
    check_place(path)


@contextmanager
def figure(path: Path, width: float = 8.0, height: float = 4.5) -> Iterator[Figure]:
    """Give a figure of ``width`` x ``height`` inches and write it to ``path`` when the block ends; the suffix
    says how.

    Raises InputError for a suffix that isn't known or a path that can't be written.
    """
    check_picture(path)
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context(LOOK), warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", "Glyph .* missing from"
        )  # drawn as an empty box; tables and captions beside have the word
        drawn = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasAgg(drawn)
        yield drawn
        _set_numbers_apart(drawn)
        undated = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(path.suffix.lower())
        drawing = io.BytesIO()
        drawn.savefig(drawing, format=path.suffix.lower()[1:], metadata=undated)
        write_file(path, drawing.getvalue())


def _set_numbers_apart(drawn: Figure) -> None:
    """Numbers on the axes as tables have them; words, which were set one by one, stay as they are."""
    from matplotlib.ticker import ScalarFormatter

    class Apart(ScalarFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            return set_apart(super().__call__(x, pos))

    for axes in drawn.axes:
        for axis in (axes.xaxis, axes.yaxis):
            if type(axis.get_major_formatter()) is ScalarFormatter:
                axis.set_major_formatter(Apart(useOffset=False))
