"""Options that many commands share, so that they read the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dataset.store import Store

DEFAULT_STORE = Path("innage.db")
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "bar": "|", "space": " "}

StoreOption = Annotated[
    Path, typer.Option("--store", envvar="INNAGE_STORE", help="The store to work on.", show_default=True)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]

# How a field of an error is set on the command line, where that isn't its name with dashes.
SPELLED: dict[str, str] = {"store_path": "--store"}


def option_of(field: str) -> str:
    """The option that sets a field: ``edges_c`` is ``--edges-c``."""
    return SPELLED.get(field, "--" + field.replace("_", "-"))


def open_store(path: Path) -> Store:
    """Open the store at ``path``, making it when it does not exist."""
    from dataset.store import Store

    return Store.open(path)


def delimiter_of(text: str | None) -> str | None:
    """The delimiter that an option names; None means: find out."""
    from dataset.errors import InputError

    if text is None:
        return None
    found = DELIMITERS.get(text, text)
    if len(found) != 1 or found.isalnum() or found in '"#.-+\r\n':
        raise InputError(
            "--delimiter",
            repr(text),
            "a single character that numbers and names are not made of, or one of tab, space, "
            "comma, semicolon, bar",
        )
    return found
