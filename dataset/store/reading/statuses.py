"""What a model is by its rows; see ``dataset.store.events.statuses``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from dataset.records import ModelStatus, StatusEvent
from dataset.store.proof import check_row

if TYPE_CHECKING:
    from dataset.store.reading.rows import Rows
    from dataset.store.tables import StatusRow


def current(rows: Sequence[StatusRow]) -> StatusEvent | None:
    """What a model is now; None where nobody said."""
    newest = max(
        last(rows), key=lambda r: (r.status == ModelStatus.RETIRED, str(r.record_sha256)), default=None
    )
    return None if newest is None else to_event(newest)


def every_current(rows: Rows) -> dict[str, StatusEvent]:
    """The same of every model of which somebody said something, by its name."""
    of_model: dict[str, list[StatusRow]] = {}
    for row in rows.select("status_event", "ORDER BY sequence"):
        of_model.setdefault(row.model.name, []).append(row)
    return {name: event for name, said in of_model.items() if (event := current(said)) is not None}


def last(rows: Sequence[StatusRow]) -> list[StatusRow]:
    """The events that no other follows."""
    followed = {parent for row in rows for parent in json.loads(row.parents)}
    return [row for row in rows if row.record_sha256 not in followed]


def to_event(row: StatusRow) -> StatusEvent:
    """The record, its hash checked again."""
    check_row(row, f"status of model {row.model.name}")
    return StatusEvent(
        str(row.record_sha256),
        tuple(json.loads(row.parents)),
        ModelStatus(row.status),
        row.author,
        row.reason,
    )
