"""How pages write times, hashes and numbers, and what they say when something was done."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from dataset.errors import InnageError
from dataset.records import ID_DIGITS
from dataset.text.limits_text import condition_text
from export.report.numbers import set_apart

DONE: Mapping[str, str] = {
    "void": "The session is void: training and freezing refuse it from now on.",
    "usable": "The session can be used again.",
    "tagged": "The tag is there.",
    "untagged": "The tag is gone; both events are kept.",
    "signed": "The limits are signed, as a new revision.",
    "moved": "The channel points at the bundle.",
    "queued": "The job is in the queue.",
    "ending": "The job was asked to end.",
    "amended": "The amendment is in use. What was sealed is kept.",
    "withdrawn": "The bundle is withdrawn: no channel can be moved to it, and whoever pulls it is told.",
    "taken-back": "The bundle can be used again.",
    "signed-in": "You are signed in.",
    "signed-out": "You are signed out.",
}


def when(started: str | None) -> str:
    """An instant as it was stated, to the second, with its offset from UTC; nothing for None."""
    if not started:
        return ""
    moment = datetime.fromisoformat(started)
    offset = moment.strftime("%z")
    shown = moment.strftime("%Y-%m-%d %H:%M:%S")
    return (
        f"{shown} UTC" if moment.utcoffset() == UTC.utcoffset(None) else f"{shown} {offset[:3]}:{offset[3:]}"
    )


def in_utc(started: str) -> str:
    """An instant in UTC, for programs."""
    return datetime.fromisoformat(started).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def brief(sha256: str | None) -> str:
    """A hash as people name things by it."""
    return (sha256 or "")[:ID_DIGITS]


def in_eights(sha256: str) -> list[str]:
    """A hash in groups that an eye can compare."""
    return [sha256[k : k + 8] for k in range(0, len(sha256), 8)]


def figure(value: Any, digits: int = 6) -> str:
    """A number with so many digits, as people read it; nothing for None."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        text = str(value)
    elif abs(value) >= 10**digits:
        text = f"{value:.0f}"
    else:
        text = f"{value:.{digits}g}"
    return set_apart(text)


def fixed(value: float | None, places: int = 1) -> str:
    """A number with so many decimals; nothing for None."""
    return "" if value is None else set_apart(f"{value:.{places}f}")


def counted(number: int, one: str, several: str | None = None) -> str:
    """So many of something, in words."""
    return f"{figure(number)} {one if number == 1 else several or one + 's'}"


def numbers(names: Iterable[str]) -> list[tuple[str, str]]:
    """Names as the heads of columns of numbers."""
    return [(name, "n") for name in names]


FILTERS = {
    "when": when,
    "in_utc": in_utc,
    "brief": brief,
    "in_eights": in_eights,
    "figure": figure,
    "fixed": fixed,
    "condition": condition_text,
    "counted": counted,
    "numbers": numbers,
}


_SPELLED = {"Store.sessions()": "the register of sessions", "started": "start"}


def said(error: InnageError) -> str:
    """An error's sentence, its fields as forms label them."""
    return error.said_by(lambda field: _SPELLED.get(field, field.partition("(")[0].replace("_", " ")))
