"""The tags of a session by its rows; see ``dataset.store.events.tagging``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dataset.records import ID_DIGITS, TagEvent
from dataset.store.proof import check_row

if TYPE_CHECKING:
    from dataset.store.tables import SessionRow, TagRow


def tags_of(row: SessionRow) -> tuple[str, ...]:
    """The tags that a session has, each once, in the order of the alphabet."""
    if not row.tag_events:
        return ()
    return tuple(sorted({event.tag for event in standing(row)}))


def events(row: SessionRow) -> tuple[TagEvent, ...]:
    """Which tags came and went, in the order it came into this store, every hash checked."""
    for event in row.tag_events:
        check_row(event, f"tag of session {row.sha256[:ID_DIGITS]}")
    return tuple(
        TagEvent(str(e.record_sha256), e.parent_sha256, e.tag, e.removes, e.author) for e in row.tag_events
    )


def standing(row: SessionRow) -> list[TagRow]:
    """The events that added a tag which nobody removed."""
    removed = {event.parent_sha256 for event in row.tag_events if event.removes}
    return [e for e in row.tag_events if not e.removes and e.record_sha256 not in removed]
