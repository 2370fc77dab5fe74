"""What a model is by its rows; see ``dataset.store.events.statuses``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from dataset.records import ModelStatus, StatusEvent
from dataset.store.proof import check_row

if TYPE_CHECKING:
    from dataset.store.tables import StatusRow


def current(rows: Sequence[StatusRow]) -> StatusEvent | None:
    """What a model is now; None where nobody said."""
    newest = max(
        last(rows), key=lambda r: (r.status == ModelStatus.RETIRED, str(r.record_sha256)), default=None
    )
    return None if newest is None else to_event(newest)


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
