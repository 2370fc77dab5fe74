"""One line of delimited text as cells. Line by line, so that a quotation mark left open spoils its own line
and no other.
"""

from __future__ import annotations

import csv

from dataset.errors import InputError


def cells_of(line: str, where: str, delimiter: str = ",") -> list[str]:
    """The cells of a line; InputError at ``where`` for one that cannot be split, such as a cell beyond what
    the csv module takes (131,072 characters).
    """
    try:
        return next(csv.reader([line], delimiter=delimiter))
    except csv.Error as error:
        raise InputError(where, f"cannot be read ({error})", "delimited text") from error
