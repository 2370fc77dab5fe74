"""Pieces of C text: literals, integer types, comments that cannot break out, templates with named gaps."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping
from importlib import resources

from training.program import INT32_MIN, Interval

WIDTH = 120

# Narrowest first; of equal widths the unsigned one first, since ARMv6-M loads it in fewer instructions.
_TYPES = (
    ("uint8_t", 0, 0xFF, 1),
    ("int8_t", -0x80, 0x7F, 1),
    ("uint16_t", 0, 0xFFFF, 2),
    ("int16_t", -0x8000, 0x7FFF, 2),
    ("int32_t", INT32_MIN, 0x7FFFFFFF, 4),
)
TYPE_RANGE = {name: (low, high) for name, low, high, _ in _TYPES}
TYPE_BYTES = {name: size for name, _, _, size in _TYPES} | {"uint32_t": 4}


def narrowest(values: Iterable[int]) -> tuple[str, int]:
    """The narrowest C integer type that holds all of ``values``, and its bytes."""
    entries = tuple(values)
    low, high = min(entries), max(entries)
    return next((name, size) for name, least, most, size in _TYPES if least <= low and high <= most)


def literal(value: int) -> str:
    """An int32 constant; INT32_MIN has no literal of its own in C, since the minus is an operator."""
    if value == INT32_MIN:
        return "(-2147483647 - 1)"
    return str(value) if value >= 0 else f"({value})"


def span_text(interval: Interval, scale: str = "") -> str:
    """The range of a value over all its elements, with its scale, as it stands in comments."""
    text = f"[{min(interval.low)}, {max(interval.high)}]"
    return f"{text} {comment_text(scale)}" if scale else text


def comment_text(text: str) -> str:
    """``text`` as one line that can stand inside a C comment.

    Text from outside must not end the comment, open another, continue a line or form a trigraph; what is not
    printable ASCII is shown as its code point.
    """
    line = " ".join(text.split())
    line = "".join(c if " " <= c <= "~" and c != "\\" else f"<U+{ord(c):04X}>" for c in line)
    for pair in ("*/", "/*", "??"):
        line = line.replace(pair, f"{pair[0]} {pair[1]}")
    return line.replace("??", "? ?")


def comment_block(text: str, lead: str = " * ") -> str:
    """``text`` wrapped into the lines of a block comment, each behind ``lead``."""
    return "\n".join(
        (lead + line).rstrip()
        for line in textwrap.wrap(comment_text(text), WIDTH - len(lead), break_on_hyphens=False)
    )


def numbers(values: Iterable[int], indent: str) -> str:
    """The entries of an initialiser, wrapped."""
    text = ", ".join(str(v) if v != INT32_MIN else literal(v) for v in values)
    if len(text) + len(indent) + 8 <= WIDTH:
        return "{" + text + "}"
    lines = textwrap.wrap(text, WIDTH - len(indent) - 4, break_long_words=False)
    return "{\n" + "\n".join(f"{indent}    {line}" for line in lines) + f"\n{indent}}}"


def hex_words(values: Iterable[int], indent: str) -> str:
    """The entries of an initialiser of packed words, in hexadecimal and wrapped."""
    lines = textwrap.wrap(", ".join(f"0x{v:08X}U" for v in values), WIDTH - len(indent) - 4)
    return "{\n" + "\n".join(f"{indent}    {line}" for line in lines) + f"\n{indent}}}"


def template(name: str) -> str:
    """A template that ships with the package."""
    return (resources.files("export.data") / name).read_text(encoding="utf-8")


def fill(text: str, gaps: Mapping[str, str]) -> str:
    """``text`` with every ``@name@`` replaced from ``gaps``, once: what is filled in is not
    searched again.
    """
    return re.sub(r"@(\w+)@", lambda gap: gaps[gap[1]], text)
