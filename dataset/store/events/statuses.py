"""What models are said to be: a candidate, or retired, by whom and why.

Stores unite what was said. Of several statements that no other follows, one that retires the model counts
before one that does not, and of two alike the one of the greater hash.
"""

from __future__ import annotations

import json

from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import canonical_json
from dataset.errors import InputError, StoreError
from dataset.records import ID_DIGITS, ModelStatus, StatusEvent
from dataset.store.proof import keep
from dataset.store.reading.statuses import last, to_event
from dataset.store.results.models import model_row
from dataset.store.tables import StatusRow
from dataset.values import check_reason


def set_status(orm: OrmSession, model: str, status: ModelStatus, author: str, reason: str) -> StatusEvent:
    """Record what a model is from now on, who says so and why."""
    row = model_row(orm, model)
    where = f"model {row.name}"
    check_reason(f"{where}, author", author, "who says so")
    check_reason(f"{where}, reason", reason, f"why it is {status}")
    before = last(row.statuses)
    if len(before) == 1 and before[0].status == status:
        raise InputError(where, f"is {status} already ('{before[0].reason}')")
    event = StatusRow(
        model=row,
        status=status.value,
        author=author,
        reason=reason,
        parents=canonical_json(sorted(str(event.record_sha256) for event in before)),
    )
    keep(orm, event)
    return to_event(event)


def check_parents(row: StatusRow) -> None:
    """StoreError unless the events that one follows are there, and it says something that a model can be."""
    where = f"status of model {row.model.name}"
    parents = json.loads(row.parents)
    if canonical_json(sorted(parents)) != row.parents:
        raise StoreError(where, "its text is not as innage writes it", "canonical JSON")
    lost = sorted(set(parents) - {event.record_sha256 for event in row.model.statuses})
    if lost:
        raise StoreError(where, f"follows {lost[0][:ID_DIGITS]}, which is not there")
    if row.status not in list(ModelStatus):
        raise StoreError(where, repr(row.status), "one of " + ", ".join(ModelStatus))
