"""Tables of text that fit the width: what can be folded is folded, and what still does not fit goes into a
second table below.

Written here and not taken from rich, which needs more time to be imported than most lists need to be found.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from unicodedata import combining, east_asian_width

GAP = "  "
NO_BREAK = "\u00a0"
# a word longer than this may be broken to fit the width, after punctuation where it has some; no-break spaces
# make one word of any length
_WORD = 12
# a long word, such as a file's name, gets the width in which it takes no more lines, up to a third of the
# table
_LINES = 3


def lines_of(
    columns: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[bool], width: int
) -> list[str]:
    """The lines of a table, at most ``width`` wide where a number or a short word does not ask for more.

    Args:
        columns: headings; a line break in one is kept.
        rows: cells, as many in each row as there are columns.
        right: which columns stand to the right, and are never folded: numbers.
        width: in characters.
    """
    cells = [[column, *(row[k] for row in rows)] for k, column in enumerate(columns)]
    widest = [max(shown(line) for cell in column for line in cell.split("\n")) for column in cells]
    narrowest = [_narrowest(column, k, width // 3) for column, k in zip(cells, right, strict=True)]
    parts = _parts(narrowest, width)
    lines: list[str] = []
    for part in parts:
        widths = _widths([widest[k] for k in part], [narrowest[k] for k in part], width)
        lines += [
            *([""] if lines else []),
            *_block([cells[k] for k in part], widths, [right[k] for k in part]),
        ]
    return lines


def _narrowest(column: Sequence[str], number: bool, most: int) -> int:
    """The width below which a column would be torn: of its numbers, or of its words; ``most`` is the width
    that a long word asks for at most.
    """
    heading, *cells = column
    words = [
        word
        for cell in [heading, *([] if number else cells)]
        for line in cell.split("\n")
        for word in line.split(" ")
    ]
    longest = max((len(word) if NO_BREAK in word else _of_word(word, most) for word in words), default=1)
    return max(longest, *(len(cell) for cell in cells)) if number and cells else longest


def _of_word(word: str, most: int) -> int:
    """The least width for a word: its own where it is short, else one in which it takes few lines."""
    if len(word) <= _WORD * _LINES // 2:
        return min(len(word), _WORD)
    widths = range(_WORD, max(most, _WORD) + 1)
    return next((width for width in widths if len(_torn(word, width)) <= _LINES), widths[-1])


def _parts(narrowest: Sequence[int], width: int) -> list[list[int]]:
    """The columns of each table: all of them in one where they fit, else the first column again in each."""
    parts, used = [[0]], narrowest[0]
    for k, least in enumerate(narrowest[1:], 1):
        if used + len(GAP) + least > width and len(parts[-1]) > 1:
            parts, used = [*parts, [0]], narrowest[0]
        parts[-1].append(k)
        used += len(GAP) + least
    return parts


def _widths(widest: Sequence[int], narrowest: Sequence[int], width: int) -> list[int]:
    """As wide as the content where there is room; else the widest columns give way, none below
    its narrowest.
    """
    room = width - len(GAP) * (len(widest) - 1)
    cap = max(widest)
    while (
        widths := [max(least, min(most, cap)) for most, least in zip(widest, narrowest, strict=True)]
    ) != list(narrowest) and sum(widths) > room:
        cap -= 1
    spare = room - sum(widths)
    for k, most in enumerate(widest):  # the last columns that were capped share what is left
        more = min(max(spare, 0), most - widths[k])
        widths[k], spare = widths[k] + more, spare - more
    return widths


def _block(columns: Sequence[Sequence[str]], widths: Sequence[int], right: Sequence[bool]) -> list[str]:
    lines: list[str] = []
    for number, row in enumerate(zip(*columns, strict=True)):
        folded = [_fold(cell, width) for cell, width in zip(row, widths, strict=True)]
        height = max(map(len, folded))
        above = height if number == 0 else 0  # headings stand on the rule, cells hang from their first line
        filled = [
            [""] * (above - len(cell) if above else 0) + cell + [""] * (0 if above else height - len(cell))
            for cell in folded
        ]
        for line in zip(*filled, strict=True):
            placed = (
                _placed(text, width, to_right)
                for text, width, to_right in zip(line, widths, right, strict=True)
            )
            lines.append(GAP.join(placed).replace(NO_BREAK, " ").rstrip())
        if number == 0:
            lines.append("─" * (sum(widths) + len(GAP) * (len(widths) - 1)))
    return lines


def shown(text: str) -> int:
    """How many columns a line of text takes: two for wide characters, none for what stands on
    the one before.
    """
    if text.isascii():
        return len(text)
    return sum(0 if combining(c) else 2 if east_asian_width(c) in "WF" else 1 for c in text)


def _placed(text: str, width: int, right: bool) -> str:
    room = " " * max(width - shown(text), 0)
    return room + text if right else text + room


def _fold(cell: str, width: int) -> list[str]:
    if shown(cell) <= width and "\n" not in cell:
        return [cell]
    return [line for part in cell.split("\n") for line in (_wrapped(part, width) or [""])]


def _wrapped(text: str, width: int) -> list[str]:
    words = (
        piece for word in text.split(" ") for piece in ([word] if len(word) <= width else _torn(word, width))
    )
    return textwrap.wrap(" ".join(words), width, break_on_hyphens=False)


def _torn(word: str, width: int) -> list[str]:
    """A word that is too long in pieces that fit, no two of which would fit into one line: broken after
    punctuation where it has some.
    """
    pieces = [""]
    for part in re.split(r"(?<=[-_/@.,:])", word):
        if len(pieces[-1]) + len(part) > width:
            pieces.append("")
        pieces[-1] += part
    return [piece[at : at + width] for piece in pieces for at in range(0, len(piece), width)]
