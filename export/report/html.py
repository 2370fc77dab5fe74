"""Pieces of the report's HTML: tables, badges, numbers as text; and reading metrics of which anything may be
missing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any, TypeGuard

from export.report.claim_tables import percent as per_cent
from export.report.numbers import cell_apart, set_apart

NONE = "&ndash;"
_LONG = (
    30  # characters from which on a cell may not be squeezed to a column of single words by those beside it
)
_SHORT = 18  # rows up to which a table is printed on one sheet
_TAG = re.compile(r"<[^>]*>")


def html_table(head: Sequence[str], rows: Iterable[Sequence[str]], left: Sequence[int] = (0,)) -> str:
    """A table of ready-made cells; columns not in ``left`` hold numbers and stand to the right, thousands
    apart.
    """

    def row(cells: Sequence[str], tag: str) -> str:
        looks = [
            " class=n"
            if k not in left
            else " class=long"
            if len(head) > 3 and len(_TAG.sub("", cell)) > _LONG
            else ""
            for k, cell in enumerate(cells)
        ]
        return (
            "<tr>"
            + "".join(f"<{tag}{look}>{cell}</{tag}>" for look, cell in zip(looks, cells, strict=True))
            + "</tr>"
        )

    cells = [
        row([one if k in left else cell_apart(one) for k, one in enumerate(of_row)], "td") for of_row in rows
    ]
    kind = '"wide short"' if len(cells) <= _SHORT else "wide"
    body = f"<tbody>{''.join(cells)}</tbody>"
    return sliding(kind, head, f"<table><thead>{row(head, 'th')}</thead>{body}</table>")


def sliding(kind: str, head: Sequence[str], table: str) -> str:
    """The region in which a table slides where it is wider than its page, by keys too; it is called by the
    table's first columns, as ready-made text.
    """
    named = ", ".join([text for cell in head if (text := _TAG.sub("", cell).strip())][:3])
    return f'<div class={kind} tabindex=0 role=region aria-label="Table of {named}">{table}</div>'


def titled(columns: Iterable[str]) -> list[str]:
    """Columns as the head of a table, each with a capital."""
    return [column[:1].upper() + column[1:] for column in columns]


def cell(value: object) -> str:
    """Text escaped, numbers to three digits, a dash for None."""
    return escape(value) if isinstance(value, str) else number(value)


def badge(answer: str) -> str:
    """The answer of a limit, coloured."""
    return (
        '<span class="badge '
        f'{"yes" if answer == "met" else "no" if answer == "not met" else "open"}">{escape(answer)}</span>'
    )


def svg_figure(svg: str, caption: str) -> str:
    """A plot with what it shows under it."""
    return f"<figure>{svg}<figcaption>{caption}</figcaption></figure>"


def unbroken(text: str) -> str:
    """Text on one line."""
    return f"<span class=one>{text}</span>"


def folded(summary: str, content: str) -> str:
    """Content that a click opens, for what few readers want and what would be pages of paper."""
    return f"<details><summary>{summary}</summary>{content}</details>"


def part(of: object, key: str) -> Mapping[str, Any]:
    """The object under ``key``, or an empty one."""
    value = of.get(key) if isinstance(of, Mapping) else None
    return value if isinstance(value, Mapping) else {}


def is_finite_number(value: object) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def number(value: object, percent: bool = False) -> str:
    """A number as text; a dash for what is none."""
    if not is_finite_number(value):
        return NONE
    if percent:
        return f"{per_cent(value):g} %"
    plain = str(value) if isinstance(value, int) else f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return set_apart(plain)


def counted(count: int, what: str) -> str:
    """'1 group', '2 groups'."""
    return f"{number(count)} {what}{'' if count == 1 else 's'}"
