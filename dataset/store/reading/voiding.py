"""Whether a session is void by its rows; see ``dataset.store.events.voiding``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dataset.records import ID_DIGITS
from dataset.records.captures import VoidEvent
from dataset.store.proof import check_row

if TYPE_CHECKING:
    from dataset.store.tables import SessionRow, VoidRow


def void_reason(row: SessionRow) -> str | None:
    """Why a session is void, every standing reason of it; None where it can be used."""
    if not row.voids:
        return None
    reasons = sorted({event.reason for event in standing(row)})
    return "; ".join(reasons) if reasons else None


def standing(row: SessionRow) -> list[VoidRow]:
    """The voids of a session that nobody took back."""
    taken_back = {event.parent_sha256 for event in row.voids if event.takes_back}
    return [e for e in row.voids if not e.takes_back and e.record_sha256 not in taken_back]


def events(row: SessionRow) -> tuple[VoidEvent, ...]:
    """What was said of a session, in the order it came into this store, every hash checked."""
    for event in row.voids:
        check_row(event, f"void of session {row.sha256[:ID_DIGITS]}")
    return tuple(
        VoidEvent(str(e.record_sha256), e.parent_sha256, e.reason, bool(e.takes_back)) for e in row.voids
    )
