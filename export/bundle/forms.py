"""What each entry of a manifest may be: its kind, its range, its pattern. A manifest from elsewhere is held
to it before anything in it is used.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from dataset.errors import InputError

Form = Callable[
    [object, str], None
]  # raises InputError, naming the place, for a value that is of another kind

LONGEST_TEXT = 4000  # characters
DEEPEST = 24  # objects and lists inside one another; figures have up to eight
_MOST_DIGITS = 20  # of a whole number: a count of bytes or frames has fewer
_SHOWN = 60  # characters of a value that is refused


def read_json(content: bytes, where: str, most: int) -> dict[str, Any]:
    """A JSON object of at most ``most`` bytes, in which every number is finite and no key stands twice.

    Raises InputError for anything else, and for what is nested deeper than ``DEEPEST``.
    """
    expected = "a manifest written by innage"
    if len(content) > most:
        raise InputError(where, f"{len(content)} bytes", f"at most {most}")
    try:
        body = json.loads(
            content, parse_int=_whole, parse_float=_number, parse_constant=_number, object_pairs_hook=_object
        )
    except (ValueError, RecursionError) as error:
        raise InputError(where, f"not JSON ({error})"[:200], expected) from error
    if not isinstance(body, dict):
        raise InputError(where, "not a JSON object", expected)
    return body


def _whole(digits: str) -> int:
    if len(digits) > _MOST_DIGITS:
        raise ValueError(f"a whole number of {len(digits)} digits")
    return int(digits)


def _number(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError(f"{digits[:_SHOWN]} is no finite number")
    return value


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    body = dict(pairs)
    if len(body) < len(pairs):
        raise ValueError("a key that stands twice")
    return body


def _refuse(where: str, value: object, expected: str) -> InputError:
    return InputError(where, repr(value)[:_SHOWN], expected)


def text(pattern: str = "", longest: int = LONGEST_TEXT) -> Form:
    """Text, all of which fits ``pattern`` where there is one."""
    fits = re.compile(pattern or r"[\s\S]*")

    def check(value: object, where: str) -> None:
        if not isinstance(value, str) or len(value) > longest or not fits.fullmatch(value):
            wanted = f" that fits {pattern}" if pattern else f" of at most {longest} characters"
            raise _refuse(where, value, f"text{wanted}")

    return check


def whole(low: int = 0, high: int = 2**53) -> Form:
    """A whole number from ``low`` to ``high``."""

    def check(value: object, where: str) -> None:
        if type(value) is not int or not low <= value <= high:
            raise _refuse(where, value, f"a whole number from {low} to {high}")

    return check


def number(low: float = -1e15, high: float = 1e15) -> Form:
    """A number from ``low`` to ``high``."""

    def check(value: object, where: str) -> None:
        plain = isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high
        if not plain:
            raise _refuse(where, value, f"a number from {low:g} to {high:g}")

    return check


def flag(value: object, where: str) -> None:
    """True or false."""
    if type(value) is not bool:
        raise _refuse(where, value, "true or false")


def maybe(form: Form) -> Form:
    """Null, or what ``form`` allows."""

    def check(value: object, where: str) -> None:
        if value is not None:
            form(value, where)

    return check


def each(form: Form, most: int = 100_000) -> Form:
    """A list of at most ``most`` entries, all of one kind."""

    def check(value: object, where: str) -> None:
        if not isinstance(value, list) or len(value) > most:
            raise _refuse(where, value, f"a list of at most {most}")
        for k, entry in enumerate(value):
            form(entry, f"{where}, {k}")

    return check


def by_name(form: Form, name: Form | None = None) -> Form:
    """An object with any keys, all of its values of one kind."""
    fits = name or text()

    def check(value: object, where: str) -> None:
        if not isinstance(value, dict):
            raise _refuse(where, value, "an object")
        for key, entry in value.items():
            fits(key, f"{where}, a key")
            form(entry, f"{where}, {key[:_SHOWN]}")

    return check


def record(forms: Mapping[str, Form], optional: Mapping[str, Form] | None = None) -> Form:
    """An object with exactly these keys; those that are ``optional`` may be missing."""
    known = {**forms, **(optional or {})}

    def check(value: object, where: str) -> None:
        if not isinstance(value, dict):
            raise _refuse(where, value, "an object")
        for key in forms:
            if key not in value:
                raise InputError(where, f"no entry {key!r}", ", ".join(sorted(known)))
        for key, entry in value.items():
            if key not in known:
                raise InputError(where, f"an entry {key[:_SHOWN]!r}", ", ".join(sorted(known)))
            known[key](entry, f"{where}, {key}")

    return check


def figures(value: object, where: str, depth: int = 0) -> None:
    """What training recorded: objects, lists, texts and numbers, nested no deeper than ``DEEPEST``."""
    if depth > DEEPEST:
        raise InputError(
            where[:200], "nested too deep", f"at most {DEEPEST} objects and lists in one another"
        )
    if isinstance(value, dict):
        for key, entry in value.items():
            figures(entry, f"{where}, {key[:_SHOWN]}", depth + 1)
    elif isinstance(value, list):
        for entry in value:
            figures(entry, where, depth + 1)
    elif isinstance(value, str) and len(value) > LONGEST_TEXT:
        raise _refuse(where, value, f"text of at most {LONGEST_TEXT} characters")


def object_of_figures(value: object, where: str) -> None:
    """``figures`` in an object."""
    if not isinstance(value, dict):
        raise _refuse(where, value, "an object")
    figures(value, where)
