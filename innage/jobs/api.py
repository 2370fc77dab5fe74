"""The public Python interface beyond the store itself: logging, replaying. Everything here is had
as ``innage.NAME``.
"""

from __future__ import annotations

from pathlib import Path

from dataset.records import ColumnMapping, Session
from dataset.store import Store


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
    from innage.jobs.registry import in_use
    from innage.jobs.sessions.circumstances import find_circumstances
    from innage.jobs.sessions.logging_files import log_files

    circumstances = find_circumstances(
        store, unit=unit, liquid=liquid, mounting=mounting, condition=conditions or None, note=note
    )
    if columns is None:
        columns = ColumnMapping(name="columns", counts=circumstances.mounting.sensor.channel_names)
    elif isinstance(columns, str):
        columns = in_use(store, "mapping", store.mapping(columns))
    (session,) = log_files(store, [Path(path)], circumstances, columns).sessions
    return session
