"""Settings of jobs as JSON: read into the dataclass of their kind, and written from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, asdict, fields
from difflib import get_close_matches
from enum import Enum
from types import UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from dataset.errors import InputError, quoted

S = TypeVar("S")
MOST_TEXT = 500  # characters of a setting
MOST_LISTED = 100
_WORDS = {str: "a text", int: "a whole number", bool: "true or false", tuple: "a list of texts"}


def read(kind: str, of: type[S], given: Mapping[str, Any]) -> S:
    """Settings of a kind of job.

    Raises:
        InputError: a setting that there is not, that is missing, or of another type.
    """
    known = {field.name: field for field in fields(of)}  # type: ignore[arg-type]  # each is a dataclass
    where = f"settings of {kind}"
    for name in given:
        if name not in known:
            near = get_close_matches(str(name), known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else ""
            raise InputError(where, quoted(name), "some of " + ", ".join(known), hint)
    lacking = [f.name for f in known.values() if f.default is MISSING and f.name not in given]
    if lacking:
        raise InputError(where, f"no {' and no '.join(lacking)}", "each of them")
    hints = get_type_hints(of)
    return of(**{name: _value(f"{where}, {name}", hints[name], value) for name, value in given.items()})


def written(settings: Any) -> dict[str, Any]:
    """The same as plain values, ready for JSON."""
    return {name: _plain(value) for name, value in asdict(settings).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.value
    return list(value) if isinstance(value, tuple) else value


def _value(where: str, hint: Any, value: Any) -> Any:
    """A value of the type that a field has."""
    allowed = get_args(hint) if isinstance(hint, UnionType) else (hint,)
    if value is None and type(None) in allowed:
        return None
    (kind,) = (one for one in allowed if one is not type(None))
    if get_origin(kind) is tuple:
        if isinstance(value, list | tuple) and len(value) <= MOST_LISTED:
            return tuple(_text(where, one) for one in value)
        raise InputError(where, quoted(value), f"a list of at most {MOST_LISTED} texts")
    if issubclass(kind, Enum):
        if value not in [one.value for one in kind]:
            raise InputError(where, quoted(value), "one of " + ", ".join(one.value for one in kind))
        return kind(value)
    if kind is str:
        return _text(where, value)
    if type(value) is not kind:
        raise InputError(where, quoted(value), _WORDS[kind])
    return value


def _text(where: str, value: Any) -> str:
    if not isinstance(value, str) or len(value) > MOST_TEXT or not value.isprintable():
        raise InputError(where, quoted(value), f"a text of at most {MOST_TEXT} characters, on one line")
    return value
