"""The public Python interface beyond the store itself: logging, replaying. Everything here is had
as ``innage.NAME``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dataset.records import ColumnMapping, Session
from dataset.store import Store
from dataset.store.places import Address, place_of


def open_store(path: Path | str | Address) -> Store:
    """Open the store at ``path``, a file or ``postgresql+psycopg://USER@HOST/DATABASE``. A file is made where
    there is none, and upgraded (a copy is kept) where it is of an older version; for a server see
    :func:`upgrade_store`. Use it in a ``with`` block.

    Raises:
        StoreError: no store, made by a newer version, damaged, busy, or not readable.
    """
    return Store.open(path)


@dataclass(frozen=True)
class Upgraded:
    """The revision of a store's schema, and of which one it was before; None where it was made."""

    revision: str
    before: str | None


def upgrade_store(path: Path | str | Address) -> Upgraded:
    """Make a store in the empty database of a server, or bring the one there to the newest revision, in one
    transaction; nobody else writes meanwhile. Of a file it does what opening does.

    Raises:
        StoreError: no store, made by a newer version, damaged, busy, or the server refuses.
    """
    from dataset.store.database import HISTORY, TIMEOUT_S, revision_of

    place = place_of(path)
    if isinstance(place, Address):
        from dataset.store.server.database import upgrade_server

        return Upgraded(HISTORY.head, upgrade_server(place))
    there = place.exists() and place.stat().st_size > 0
    before = revision_of(place, TIMEOUT_S, HISTORY) if there else None
    Store.open(place).close()
    return Upgraded(HISTORY.head, before)


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
