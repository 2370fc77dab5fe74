"""Single values: those that several rooms go by, and checks of numbers, names and free text. Each check
raises InputError that says where, what was found and what was expected.
"""

from __future__ import annotations

import math
import re
from datetime import date, datetime, timedelta
from functools import lru_cache

from dataset.errors import InputError, quoted

MAX_NAME = 60
MAX_MM = 100_000.0
GAP_PERIODS = 1.5  # a step of time beyond so many median periods cannot be one period with jitter
LEAST_NOISE = 0.5  # counts are whole numbers: quieter than half a count cannot be seen
MAD_TO_SD = 1.4826  # a normal law's standard deviation over its median absolute deviation
FEWEST_GROUPS = 3  # units, say: the scatter of fewer says nothing
FIRST_YEAR = 1990  # of a start: clocks that were never set begin earlier
_INSTANT = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[T ]([0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]{1,6})?)?)"
    r" ?(Z|[+-][0-9]{2}:?[0-9]{2})?"
)
_OFFSET = re.compile(r"Z|[+-]([0-9]{2}):?([0-9]{2})")
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*")
_CHANNEL = re.compile(r"[a-z0-9][a-z0-9._-]*(?:/[a-z0-9][a-z0-9._-]*)*")


def plain_float(text: str) -> float:
    """A number written in the digits 0 to 9: Python reads those of other scripts too, and 1_000, which a file
    does not mean. ValueError for anything else.
    """
    if not text.isascii() or "_" in text:
        raise ValueError(f"no plain number: {text[:80]!r}")
    return float(text)


@lru_cache(4096)  # thousands of cells are of a few names
def natural(name: str) -> tuple[tuple[int, float, str], ...]:
    """A sorting key under which names stand as people count: unit-2 before unit-10, '5' before '15'."""
    parts = re.split(r"(\d+(?:\.\d+)?)", name)
    return tuple([(0, float(part), "") if k % 2 else (1, 0.0, part) for k, part in enumerate(parts)])


def check_name(what: str, name: str) -> None:
    """A name starts with a letter or digit and holds letters, digits, '-', '_' and '.'; '@' is left for
    revisions.
    """
    if not _NAME.fullmatch(name) or len(name) > MAX_NAME:
        raise InputError(
            f"{what} name",
            quoted(name),
            f"1 to {MAX_NAME} letters, digits, '-', '_' or '.', the first a letter, digit or '_'",
        )


def check_channel(name: str) -> None:
    """A channel's name is one or more words of lower-case letters, digits, '.', '_' and '-', parted by '/',
    each beginning with a letter or digit: what may stand in an address as it is.
    """
    if not _CHANNEL.fullmatch(name) or len(name) > MAX_NAME:
        raise InputError(
            "channel",
            quoted(name),
            f"at most {MAX_NAME} lower-case letters, digits, '.', '_', '-' and '/', such as washer/stable",
        )


def check_text(where: str, text: str) -> None:
    """Free text: anything that can be printed on a line."""
    if any(not (c.isprintable() or c == "\n") for c in text):
        raise InputError(where, "a control character", "text that can be printed")


def check_reason(where: str, text: str, what: str) -> None:
    """Free text that says something: who did it, or why."""
    if not text.strip():
        raise InputError(where, "nothing", f"a few words that explain, a year later, {what}")
    check_text(where, text)


def check_number(
    where: str, value: float | None, low: float, high: float, *, above: bool = False, unit: str = ""
) -> None:
    """``low`` <= value <= ``high`` (``above``: low < value); None passes."""
    if value is None or (math.isfinite(value) and (low < value if above else low <= value) and value <= high):
        return
    raise InputError(
        where,
        f"{value:g}",
        f"{'more than' if above else 'at least'} {low:g} and at most {high:g}{unit and ' ' + unit}",
    )


def instant(where: str, text: str, utc_offset: str | None = None, *, beside: bool = False) -> str:
    """An instant as it is kept: ISO 8601 with its offset from UTC, to the second, or to the millisecond where
    that is stated.

    Args:
        where: for messages.
        text: such as 2026-03-02T09:15+01:00 or 2026-03-02 08:15:00.250Z.
        utc_offset: where the text has none.
        beside: whether whoever reads the error can give that.

    Raises:
        InputError: no instant, or one without an offset.
    """
    text = text.strip()
    match = _INSTANT.fullmatch(text)
    expected = "date and time in ISO 8601, such as 2026-03-02T09:15:00+01:00"
    if match is None:
        raise InputError(where, quoted(text) if text else "no start", expected)
    day, clock, stated = match[1], match[2].replace(",", "."), match[3] or utc_offset
    if stated is None:
        raise InputError(
            where,
            f"{quoted(text)} without an offset from UTC",
            expected,
            "add it" + (", or give utc_offset" if beside else ""),
            fields=("utc_offset",) if beside else (),
        )
    check_offset(where, stated)
    try:
        moment = datetime.fromisoformat(f"{day}T{clock}{stated}")
    except ValueError as error:
        raise InputError(where, quoted(text), expected, str(error)) from error
    if moment.year < FIRST_YEAR:
        hint = "a clock that was never set says such a time"
        raise InputError(where, quoted(text), f"a time from {FIRST_YEAR} on", hint)
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def later(started: str, milliseconds: int) -> str:
    """An instant after another, as it is kept, in whole seconds."""
    after = datetime.fromisoformat(started) + timedelta(milliseconds=milliseconds)
    return after.replace(microsecond=0).isoformat()


def now_instant() -> str:
    """The host's time now, to the second, with its offset from UTC."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def check_offset(where: str, text: str) -> None:
    """An offset from UTC: Z, or hours and minutes such as +01:00."""
    match = _OFFSET.fullmatch(text)
    if match is None or (match[1] and (int(match[1]) > 14 or int(match[2]) > 59)):
        raise InputError(where, quoted(text), "an offset from UTC such as +01:00, or Z")


def today() -> str:
    """The host's date, ISO 8601."""
    return date.today().isoformat()


def check_day(where: str, text: str) -> None:
    """A date as YYYY-MM-DD."""
    try:
        known = date.fromisoformat(text).isoformat() == text
    except ValueError:
        known = False
    if not known:
        raise InputError(where, quoted(text), "a date as YYYY-MM-DD, such as 2026-01-31")


def check_instant(where: str, text: str | None) -> None:
    """An instant as :func:`instant` writes it; None passes."""
    if text is not None and instant(where, text) != text:
        raise InputError(where, quoted(text), instant(where, text))
