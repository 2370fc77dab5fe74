"""Documents from elsewhere: read only as they are written, with values of the types that their fields have.

A hash says that a document is the one that was meant, not that whoever wrote it meant well: a document of a
stranger's has the right hash with any content. So what is read is held against the types of its record before
rules look at it.
"""

from __future__ import annotations

import json
import math
import types
import typing
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any, NoReturn

from dataset.documents import Document, document_from
from dataset.errors import InputError, quoted

MOST_UNPACKED = 2 << 30  # bytes of the frames of a session
BITS = 63  # of a whole number, beside its sign: what a database keeps


def read_document(where: str, text: str) -> Document:
    """The document in a canonical text; InputError for any other text, be it of the same content."""
    with as_written(where):
        document = document_from(json.loads(text, parse_constant=_no_number))
    if document.text != text:
        raise InputError(where, "is not as innage writes it", "canonical JSON, a document a file")
    return document


def shape_of(document: Document) -> tuple[int, int, bool]:
    """Frames, channels, and whether there are temperatures, as a session's document says; any error where it
    says nothing of the kind, or more than goes into ``MOST_UNPACKED``.
    """
    columns = document.facts["columns"]
    names = [column["name"] for column in columns]
    (rows,) = {column["rows"] for column in columns}
    warm = names[-1] == "temperature_c"
    channels = len(names) - 1 - warm
    if type(rows) is not int or rows < 1 or channels < 1 or rows * (16 + 4 * channels) > MOST_UNPACKED:
        raise ValueError(rows)
    return rows, channels, warm


@contextmanager
def as_written(where: str) -> Iterator[None]:
    """InputError for content of another form, whatever it breaks while it is read."""
    try:
        yield
    except InputError:
        raise
    except (TypeError, ValueError, LookupError, AttributeError, RecursionError) as error:
        raise InputError(where, "is not as innage writes it", "a document of its kind") from error


def facts_of(document: Document, **types_of: type) -> dict[str, Any]:
    """The facts of a document, which are of these types, a list one of texts; those that may be missing, or
    None, have a name that ends in '_'.

    Raises:
        InputError: others, or of other types.
    """
    where = f"{document.kind} {document.name[:12]}"
    wanted = {name.rstrip("_"): (kind, name.endswith("_")) for name, kind in types_of.items()}
    if unknown := document.facts.keys() - wanted.keys():
        raise InputError(where, f"a key {quoted(min(unknown))}", ", ".join(sorted(wanted)))
    for name, (kind, may_miss) in wanted.items():
        value = document.facts.get(name)
        if value is None and may_miss:
            continue
        texts = not isinstance(value, list) or all(isinstance(one, str) for one in value)
        if type(value) is not kind or not texts:
            raise InputError(f"{where}, {name}", quoted(value), f"a value of type {kind.__name__}")
    return {name: document.facts.get(name) for name in wanted}


def check_types(where: str, record: Any, *but: str) -> None:
    """InputError unless every field of a record, ``but`` these, holds what its annotation says."""
    kind: type = type(record)
    hints = _hints(kind)
    for field in fields(record):
        if field.name not in but:
            _check(f"{where}, {field.name}", hints[field.name], getattr(record, field.name))


def check_value(where: str, value: Any) -> None:
    """InputError for what no database keeps or no JSON holds, at whatever depth: text with a NUL or half a
    character, whole numbers that are too long, numbers that are none.
    """
    if isinstance(value, str) and ("\0" in value or not _encodes(value)):
        raise InputError(where, quoted(value), "text in UTF-8 without NUL")
    if isinstance(value, float) and not math.isfinite(value):
        raise InputError(where, quoted(value), "a number")
    if isinstance(value, int) and abs(value) >> BITS:
        raise InputError(where, quoted(value), f"a whole number of at most {BITS} bits")
    items: Iterable[Any] = ()
    if isinstance(value, dict | list):
        items = (*value, *value.values()) if isinstance(value, dict) else value
    for item in items:
        check_value(where, item)


def texts_of(value: Any) -> Iterator[str]:
    """Every text in JSON, at whatever depth."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for item in value.values() if isinstance(value, dict) else value:
            yield from texts_of(item)


def _encodes(text: str) -> bool:
    return text.isascii() or text.encode(errors="ignore").decode() == text


def _check(where: str, hint: Any, value: Any) -> None:
    if isinstance(hint, types.UnionType):
        arms = typing.get_args(hint)
        if value is None and types.NoneType in arms:
            return
        hint = next(arm for arm in arms if arm is not types.NoneType)
    if typing.get_origin(hint) is tuple:
        _check_tuple(where, typing.get_args(hint), value)
    elif is_dataclass(hint) and type(value) is hint:
        check_types(where, value)
    elif not _fits(hint, value):
        raise InputError(where, quoted(value), f"a value of type {getattr(hint, '__name__', hint)}")
    else:
        check_value(where, value)


def _check_tuple(where: str, items: tuple[Any, ...], value: Any) -> None:
    endless = len(items) == 2 and items[1] is ...
    if not isinstance(value, tuple) or not (endless or len(value) == len(items)):
        raise InputError(where, quoted(value), "as many values as its kind has there")
    for k, item in enumerate(value):
        _check(where, items[0] if endless else items[k], item)


def _fits(hint: Any, value: Any) -> bool:
    if hint is float:
        return type(value) in (int, float)
    return type(value) is hint  # of an enumeration too


def _no_number(name: str) -> NoReturn:
    raise ValueError(name)


@cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)
