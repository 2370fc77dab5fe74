"""The filters of a list, as they stand in a page's address: those of the command line, by the same names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, Request
from starlette.datastructures import QueryParams

from dataset.errors import InputError
from innage.jobs.sessions.finding import SessionFilter, read_day

MANY = ("unit", "tank", "liquid", "condition", "tag", "operator", "bench")
DAYS = ("since", "until")
TRUTHS = {"void": {"yes": True, "no": False}, "simulated": {"yes": True, "no": False}}
MOST_VALUES, MOST_LENGTH, MOST_LIMIT = 20, 100, 500


@dataclass(frozen=True)
class Asked:
    """The filter of an address, and its values as they stand there; empty fields of a form are none."""

    filter: SessionFilter
    values: Mapping[str, tuple[str, ...]]

    def value(self, field: str) -> str:
        """What a form shows in a field."""
        return ", ".join(self.values.get(field, ()))

    def query(self, **changed: Any) -> str:
        """The query of this filter with some values changed, None for none: '?...', or nothing."""
        pairs = [(name, value) for name, values in self.values.items() for value in values]
        pairs = [(name, value) for name, value in pairs if name not in changed]
        pairs += [(name, str(value)) for name, value in changed.items() if value is not None]
        return f"?{urlencode(pairs)}" if pairs else ""

    @property
    def said(self) -> list[tuple[str, str]]:
        """What is asked for, field by field."""
        return [(name, " or ".join(values)) for name, values in self.values.items() if name != "limit"]


def read_filter(query: QueryParams) -> Asked:
    """The filter of an address' query.

    Raises:
        InputError: a day that is none, another word where there are two, too many values.
    """
    values: dict[str, tuple[str, ...]] = {}
    for name in (field.name for field in fields(SessionFilter)):
        given = tuple(part.strip() for text in query.getlist(name) for part in _parts(name, text))
        given = tuple(dict.fromkeys(part for part in given if part))
        if len(given) > MOST_VALUES or any(len(part) > MOST_LENGTH for part in given):
            raise InputError(name, "too much", f"at most {MOST_VALUES} names", fields=(name,))
        if given:
            values[name] = given
    chosen: dict[str, Any] = {name: values[name] for name in MANY if name in values}
    for name, given in values.items():
        if name not in MANY:
            chosen[name] = _one(name, given[-1])
    return Asked(SessionFilter(**chosen), values)


def _parts(name: str, text: str) -> list[str]:
    """Names may stand in one field with commas between, since no name has one."""
    return text.split(",") if name in MANY else [text]


def _one(name: str, text: str) -> Any:
    if name in DAYS:
        return read_day(name, text)
    if name in TRUTHS:
        if text not in TRUTHS[name]:
            raise InputError(name, repr(text), "yes or no", fields=(name,))
        return TRUTHS[name][text]
    if name == "limit":
        if not text.isascii() or not text.isdigit() or not 1 <= int(text[:9]) <= MOST_LIMIT:
            raise InputError("limit", repr(text[:20]), f"1 to {MOST_LIMIT}", fields=("limit",))
        return int(text)
    return text


def _asked(request: Request) -> Asked:
    return read_filter(request.query_params)


AskedOf = Annotated[Asked, Depends(_asked)]
