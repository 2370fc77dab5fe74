"""What the door writes to standard error: a line of JSON for each request and each thing that went wrong.

No header, query, body or path that a client chose is written: tokens travel in those, and a line must not be
a client's to shape.
"""

from __future__ import annotations

import json
import logging
import sys
import traceback
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from dataset.errors import StoreError

log = logging.getLogger("innage.service")


def as_in_python(field: str) -> str:
    """A field that an error names, as it is."""
    return field


class JsonLines(logging.Formatter):
    """A record as one line of JSON; ``spell`` is how whoever reads it is told of fields that errors name."""

    def __init__(self, spell: Callable[[str], str] = as_in_python) -> None:
        super().__init__()
        self._spell = spell

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        line: dict[str, Any] = {"time": at, "level": record.levelname.lower(), "what": record.getMessage()}
        line |= getattr(record, "facts", {})
        if (error := getattr(record, "of_store", None)) is not None:
            line["why"] = error.said_by(self._spell)
        if record.exc_info and record.exc_info[1] is not None:
            line["traceback"] = "".join(traceback.format_exception(record.exc_info[1]))
        return json.dumps(line, ensure_ascii=True, default=str)


def to_stderr(spell: Callable[[str], str]) -> None:
    """Write what this process logs as lines of JSON."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines(spell))
    for name, least in (
        ("innage.service", logging.INFO),
        ("uvicorn", logging.WARNING),  # that it begins and ends is told by log_event
        ("dataset", logging.INFO),
    ):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [handler], False
        logger.setLevel(least)


def log_event(what: str, **facts: Any) -> None:
    """What the service itself does: begin, be told to end, end."""
    log.info(what, extra={"facts": facts})


def log_request(*, seconds: float, **facts: Any) -> None:
    """A request that was answered; ``facts`` are the log's own words, and no text of the client's."""
    log.info("request", extra={"facts": facts | {"ms": round(1000 * seconds, 1)}})


def log_error(error: Exception) -> None:
    """Something that went wrong here: of the store, what and what to do; with its traceback where that is not
    known.
    """
    if isinstance(error, StoreError):
        known = None if error.hint else error
        log.error("the store cannot be used", extra={"of_store": error}, exc_info=known)
    else:
        log.error("unexpected", exc_info=error)
