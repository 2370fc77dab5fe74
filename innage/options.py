"""Options that many commands share, so that they read the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dataset.store import Store

DEFAULT_STORE = Path("innage.db")

StoreOption = Annotated[
    Path, typer.Option("--store", envvar="INNAGE_STORE", help="The store to work on.", show_default=True)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]


def open_store(path: Path) -> Store:
    """Open the store at ``path``, making it when it does not exist."""
    from dataset.store import Store

    return Store.open(path)
