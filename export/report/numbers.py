"""How numbers are written for people: thousands apart by a narrow space that no line breaks, and a true minus
(ISO 80000-1:2022, 7.3, from memory; neither point nor comma, of which a reader takes one for the decimal
sign). So on pages, in reports and in pictures; terminal and files for programs have digits alone.
"""

from __future__ import annotations

import re

_APART = "\u202f"
_MINUS = "\u2212"
_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_COUNTED = re.compile(r"(?<![\w.,-])\d{4,}(?= (?:frames|episodes|readings|power-ons)\b)")
_OF_A_TEXT = re.compile(r"(?<=\d) (?=%[^<>]*(?:<|\Z))")  # what stands within a tag ends in '>'
_CELL = re.compile(rf"({_NUMBER})(?: \(({_NUMBER})\))?")


def set_apart(text: str) -> str:
    """A number as Python writes it, as people read it."""
    whole, point, decimals = text.partition(".")
    digits = whole.lstrip("+-")
    if digits.isdecimal():
        whole = whole.removesuffix(digits) + f"{int(digits):,}".replace(",", _APART)
    return f"{whole}{point}{decimals}".replace("-", _MINUS)


def cell_apart(cell: str) -> str:
    """A ready-made cell of a table; of one that is a number, or a number and another in brackets, the digits
    as people read them.
    """
    found = _CELL.fullmatch(cell)
    return cell if found is None else re.sub(_NUMBER, lambda number: set_apart(number[0]), cell)


def counts_apart(sentence: str) -> str:
    """A sentence that the terminal has too, what it counts as people read it; names stay as they are."""
    return _COUNTED.sub(lambda number: set_apart(number[0]), sentence)


def percent_kept(page: str) -> str:
    """A page of HTML, a number and its percent sign on one line wherever they stand in a text: between them
    is a space (the SI Brochure, 9th edition, 5.4.7, from memory), at which no line may break. Attributes,
    such as what a form was filled in with, stay as they are.
    """
    return _OF_A_TEXT.sub("\u00a0", page)
