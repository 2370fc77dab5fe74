"""Records that become JSON and are read from it, in this one place.

A record is an object under the names of its fields, in their order. What an earlier version did not keep is
None or empty; a record that lacks a figure which every version kept is left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from functools import cache
from types import NoneType, UnionType
from typing import Any, Self, get_args, get_origin, get_type_hints

# of a field's metadata: another name in JSON; the field without which this one is left out; None is {}
KEY, WITH, EMPTY = "key", "with", "empty"
SPARSE = {WITH: None}  # left out where it is None itself
_UNREADABLE = object()


@dataclass(frozen=True)
class Kept:
    """What is kept as an object of JSON."""

    def to_json(self) -> dict[str, Any]:
        """The fields that hold something, in order."""
        return {
            one.metadata.get(KEY, one.name): _of_field(getattr(self, one.name), EMPTY in one.metadata)
            for one in fields(self)
            if WITH not in one.metadata or getattr(self, one.metadata[WITH] or one.name) is not None
        }

    @classmethod
    def from_json(cls, kept: object) -> Self | None:
        """The record of an object as :meth:`to_json` writes it; None where it is none, or not whole."""
        if not isinstance(kept, Mapping):
            return None
        record: Any = cls  # mypy takes a type of Self for nothing that a cache can hold
        kinds, values = _kinds(record), dict[str, Any]()
        for one in fields(cls):
            given = kept.get(one.metadata.get(KEY, one.name))
            value = _read(kinds[one.name], None if given == {} and EMPTY in one.metadata else given)
            if value is not _UNREADABLE:
                values[one.name] = value
            elif one.default is MISSING:
                return None
        return cls(**values)


@cache
def _kinds(record: type[Kept]) -> dict[str, Any]:
    return get_type_hints(record)


def _of_field(value: Any, may_be_empty: bool) -> Any:
    return {} if value is None and may_be_empty else _written(value)


def _written(value: Any) -> Any:
    if isinstance(value, Kept):
        return value.to_json()
    if isinstance(value, Mapping):
        return {key: _written(one) for key, one in value.items()}
    return [_written(one) for one in value] if isinstance(value, tuple) else value


def _read(kind: Any, value: object) -> Any:
    """``value`` as what a field holds; None or empty where it is not of that kind and may be, else
    unreadable.
    """
    origin = get_origin(kind)
    if origin is UnionType:
        return _read_union(get_args(kind), value)
    if origin is tuple:
        inside = [_read(get_args(kind)[0], one) for one in value] if isinstance(value, list | tuple) else []
        return tuple(one for one in inside if one is not _UNREADABLE)
    if origin is Mapping:
        pairs = value.items() if isinstance(value, Mapping) else ()
        by_name = {str(key): _read(get_args(kind)[1], one) for key, one in pairs}
        return {key: one for key, one in by_name.items() if one is not _UNREADABLE}
    if issubclass(kind, Kept):
        record = kind.from_json(value)
        return _UNREADABLE if record is None else record
    return value if _is_of(kind, value) else _UNREADABLE


def _read_union(kinds: tuple[Any, ...], value: object) -> Any:
    """``value`` as the first of the kinds that it is one of; None where it is of none and may be."""
    if value is None and NoneType in kinds:
        return None
    inside = (_read(one, value) for one in kinds if one is not NoneType)
    given = next((one for one in inside if one is not _UNREADABLE), _UNREADABLE)
    return None if given is _UNREADABLE and NoneType in kinds else given


def _is_of(kind: type, value: object) -> bool:
    if isinstance(value, bool) or kind not in (int, float):
        return isinstance(value, kind) and (kind is bool or not isinstance(value, bool))
    return isinstance(value, int) or (kind is float and isinstance(value, float) and math.isfinite(value))
