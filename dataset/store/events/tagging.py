"""Tags of sessions: events outside the session's hash, added and removed.

Stores unite their events, so whether a tag stands must not hang on their order: a session has a tag while any
event that added it has no removal of that very event.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError
from dataset.records import ID_DIGITS
from dataset.store.proof import keep
from dataset.store.reading.tagging import standing, tags_of
from dataset.store.tables import SessionRow, TagRow
from dataset.values import check_name, check_text


def add(orm: OrmSession, row: SessionRow, tags: Sequence[str], author: str | None = None) -> None:
    """Tag a session; InputError for a tag that it has."""
    where = f"session {row.sha256[:ID_DIGITS]}"
    _check_author(where, author)
    for tag in tags:
        check_name("tag", tag)
        if tag in tags_of(row):
            raise InputError(where, f"has the tag {tag} already")
        follows = max((str(e.record_sha256) for e in _last_removals(row, tag)), default=None)
        keep(orm, TagRow(session=row, tag=tag, removes=False, author=author, parent_sha256=follows))


def remove(orm: OrmSession, row: SessionRow, tags: Sequence[str], author: str | None = None) -> None:
    """Remove tags from a session, by every event that added one; InputError for a tag that it has not."""
    where = f"session {row.sha256[:ID_DIGITS]}"
    _check_author(where, author)
    for tag in tags:
        check_name("tag", tag)
        added = [event for event in standing(row) if event.tag == tag]
        if not added:
            has = ", ".join(tags_of(row))
            raise InputError(
                where, f"has no tag {tag}", f"one of its tags: {has}" if has else "a session with it"
            )
        for event in added:
            keep(
                orm,
                TagRow(session=row, tag=tag, removes=True, author=author, parent_sha256=event.record_sha256),
            )


def _last_removals(row: SessionRow, tag: str) -> list[TagRow]:
    """The removals of a tag that did not come again yet."""
    followed = {event.parent_sha256 for event in row.tag_events if not event.removes}
    return [e for e in row.tag_events if e.removes and e.tag == tag and e.record_sha256 not in followed]


def _check_author(where: str, author: str | None) -> None:
    if author is not None:
        check_text(f"{where}, author", author)
