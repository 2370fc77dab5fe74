"""The public Python interface beyond the store itself: logging, replaying. Everything here is had
as ``innage.NAME``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dataset.errors import InputError
from dataset.records import ColumnMapping, Session
from dataset.store import Store
from dataset.store.places import Address, Place, place_of


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


def upgrade_store(path: Path | str | Address, *, bench: str | None = None) -> Upgraded:
    """Make a store in the empty database of a server, or bring the one there to the newest revision, in one
    transaction; nobody else writes meanwhile. Of a file it does what opening does.

    Args:
        path: the file, or ``postgresql+psycopg://USER@HOST/DATABASE``.
        bench: the identity of a new store's own bench, 32 hexadecimal digits; None takes a random one.

    Raises:
        InputError: ``bench`` is no identity, or the store that is there has another.
        StoreError: no store, made by a newer version, damaged, busy, or the server refuses.
    """
    from dataset.admission.rules import check_identity
    from dataset.store.database import HISTORY

    if bench is not None:
        check_identity("bench", bench)
    place = place_of(path)
    before = _brought_up(place, bench)
    if bench is not None and before is not None:
        with Store.open(place) as store:
            own = store.bench().identity
        if own != bench:
            raise InputError(
                f"store {place.name}", f"is of bench {own}", "a new store, for a bench of its own", fields=()
            )
    return Upgraded(HISTORY.head, before)


def _brought_up(place: Place, bench: str | None) -> str | None:
    """The revision that a store was of before; None where it was made."""
    from dataset.store.database import HISTORY, TIMEOUT_S, revision_of

    if isinstance(place, Address):
        from dataset.store.server.database import upgrade_server

        return upgrade_server(place, bench=bench)
    there = place.exists() and place.stat().st_size > 0
    before = revision_of(place, TIMEOUT_S, HISTORY) if there else None
    Store.open(place, bench=bench).close()
    return before


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
