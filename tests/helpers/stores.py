"""What tests of stores share: a connection past the door, and a model for a frozen set."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager

from dataset.records import (
    FrozenSet,
    Model,
    Role,
)
from dataset.store import Store

ROLES = {"15": Role.FIT, "25": Role.PROVE}


@contextmanager
def behind(store: Store) -> Iterator[sqlite3.Connection]:
    """A connection past the store's own door; to a store in memory there is only the store's."""
    if store.path.name == ":memory:":
        held = store._database._reader.raw_connection()
        yield held.driver_connection  # type: ignore[misc]  # the driver below
        held.close()
    else:
        with closing(sqlite3.connect(store.path)) as connection:
            yield connection
            connection.commit()


def model_of(frozen: FrozenSet) -> Model:
    """A model named m, of no program, made from a frozen set."""
    return Model(
        "m",
        "a" * 64,
        frozen,
        None,
        '{"seed":0}',
        '{"numpy":"2"}',
        '{"rmse_mm":0.5}',
        '{"format":1}',
        b"\x08\x0a\x00",
    )
