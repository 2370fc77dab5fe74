"""The public Python interface beyond the store itself: logging, replaying. Everything here is had
as ``innage.NAME``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dataset.records import (
    ColumnMapping,
    NewSession,
    Session,
    Stretch,
)
from dataset.store import Store

if TYPE_CHECKING:
    pass


def open_store(path: Path | str) -> Store:
    """Open the store at ``path``: made where there is none, upgraded (a copy is kept) where it is of an older
    version. Use it in a ``with`` block.

    Raises:
        StoreError: no store, made by a newer version, damaged, busy, or not readable.
    """
    return Store.open(path)


def log_file(
    store: Store,
    path: Path | str,
    *,
    unit: str,
    liquid: str,
    mounting: str,
    columns: ColumnMapping | str | None = None,
    conditions: str = "",
    note: str = "",
) -> Session:
    """Log a file of delimited text or Parquet as a capture session, as ``innage log`` does.

    Args:
        store: the open store.
        path: the file.
        unit: the unit's name.
        liquid: the liquid's name.
        mounting: the mounting's name.
        columns: which column holds what; the name of a saved mapping; None means the channels' own names,
            without time and level.
        conditions: what holds for the whole session, such as ``surface=foam:40-60,wall=film``.
        note: free text.

    Raises:
        InputError: a file that cannot be used, with line and column; nothing is stored then.
        NotFoundError: a name that the store does not have.
    """
    from dataset.admission.rules import check_mapping
    from dataset.admission.session_files import read_file
    from dataset.labels.conditions import read_conditions
    from dataset.labels.marking import Labelling

    its, its_liquid = store.mounting(mounting), store.liquid(liquid)
    chosen = (
        store.mapping(columns)
        if isinstance(columns, str)
        else columns or ColumnMapping("columns", its.sensor.channel_names)
    )
    check_mapping(chosen)
    parsed = read_file(Path(path), chosen, its.sensor, its.tank, Labelling(its_liquid))
    stretches = (
        (Stretch(0, len(parsed.frames), read_conditions("conditions", conditions)),) if conditions else ()
    )
    (added,) = store.add_sessions(
        [
            NewSession(
                store.unit(unit), its_liquid, its, parsed.frames, parsed.marks, parsed.source, note, stretches
            )
        ]
    )
    return added
