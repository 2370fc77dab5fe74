"""What time it is: by the database's clock on a server, so that all who write to it go by one; by this
computer's elsewhere.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from sqlalchemy.orm import Session as OrmSession

_FORMAT = "%Y-%m-%dT%H:%M:%S.%fZ"
_HOUR = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}")


def now(orm: OrmSession) -> datetime:
    """The time in UTC, to the microsecond."""
    if orm.connection().dialect.name != "sqlite":
        on_server: datetime = orm.connection().exec_driver_sql("SELECT clock_timestamp()").scalar_one()
        return on_server.astimezone(UTC)
    return datetime.now(UTC)


def written(time: datetime) -> str:
    """A time in UTC as tables keep it, such as 2026-03-02T09:15:00.000000Z; text that sorts as times do."""
    return time.strftime(_FORMAT)


def after_days(time: datetime, days: float) -> datetime:
    """The time so many days later."""
    return time + timedelta(days=days)


def is_written(text: str) -> bool:
    """Whether a text is a time as tables keep it."""
    try:
        return written(datetime.strptime(text, _FORMAT)) == text
    except ValueError:
        return False


def is_hour(text: str) -> bool:
    """Whether a text is the hour of a time."""
    return _HOUR.fullmatch(text) is not None and is_written(f"{text}:00:00.000000Z")
