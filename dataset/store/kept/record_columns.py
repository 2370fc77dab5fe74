"""Records of a frozen set as plain values and back, column by column: thousands of them take a few
milliseconds, and what many of them share is one object again.

What is read is never trusted to say what to make: the classes are those named here, and their fields must be
the ones that they have now. Anything else is an error of the kinds in :data:`UNREADABLE`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from itertools import chain, repeat
from operator import attrgetter
from typing import Any

from dataset import records, words

RECORDS: Mapping[str, type[Any]] = {
    kind.__name__: kind
    for kind in (
        records.FrozenSet,
        records.Session,
        records.Mark,
        records.Stretch,
        records.Conditions,
        records.Source,
        records.Occasion,
        records.DoorWarning,
        records.Unit,
        records.Liquid,
        records.Mounting,
        records.Tank,
        records.Sensor,
        records.Pad,
        records.Trim,
    )
}
_NAMES = {kind: name for name, kind in RECORDS.items()}
WORDS: Mapping[str, type[Enum]] = {
    kind.__name__: kind
    for kind in vars(words).values()
    if isinstance(kind, type) and issubclass(kind, Enum) and kind.__module__ == words.__name__
}
UNREADABLE = (ValueError, KeyError)  # what content of another version leads to
_PLAIN = {str, int, float, bool, type(None)}
_NO_RECORDS = {*_PLAIN, tuple}


def to_columns(value: object) -> dict[str, Any]:
    """What :func:`from_columns` makes an equal value of: a record, a word, a plain value or a tuple of these;
    TypeError for anything else.
    """
    taken = _Taken()
    tree = taken.tree(value)
    return {"tree": tree, "records": taken.columns()}


def from_columns(content: Mapping[str, Any]) -> Any:
    """The value that :func:`to_columns` was given."""
    tables = content["records"]
    kept = {
        name: [*map(object.__new__, repeat(RECORDS[name], table["records"]))]
        for name, table in tables.items()
    }
    for name, table in tables.items():
        _fill(kept, kept[name], table["columns"], _names(name))
    return _value(kept, content["tree"])


def _fill(
    kept: Mapping[str, list[Any]], mine: list[Any], columns: Mapping[str, Any], names: tuple[str, ...]
) -> None:
    """Give records their fields; what all of them share takes no time of each."""
    if columns.keys() != set(names):
        raise ValueError(f"fields {', '.join(columns)}")
    same = {field: _value(kept, content) for field, (form, content) in columns.items() if form == "one"}
    others = {
        field: _column(kept, form, content) for field, (form, content) in columns.items() if form != "one"
    }
    for record in mine:
        record.__dict__.update(same)
    if others:
        for record, values in zip(mine, zip(*others.values(), strict=True), strict=True):
            record.__dict__.update(zip(others, values, strict=False))


class _Taken:
    """Records by their class, each once, in the order in which they were met: field by field for all of a
    class, since most fields hold plain values and need not be looked at one by one.
    """

    def __init__(self) -> None:
        self._places: dict[int, int] = {}
        self._of: dict[str, list[Any]] = {}
        self._seen: dict[str, int] = {}  # how many of a class were looked into

    def place(self, record: Any) -> int:
        """The place of a record among those of its class; all that it leads to gets one too."""
        if id(record) in self._places:
            return self._places[id(record)]
        self._meet([record])
        while waiting := [name for name, mine in self._of.items() if self._seen.get(name, 0) < len(mine)]:
            for name in waiting:
                new = self._of[name][self._seen.get(name, 0) :]
                self._seen[name] = len(self._of[name])
                for values in zip(*map(attrgetter(*_names(name)), new), strict=True):
                    self._meet(values)
        return self._places[id(record)]

    def _meet(self, values: Sequence[Any]) -> None:
        """Give records among these values, and within tuples of them, a place."""
        kinds = set(map(type, values))
        if kinds <= _PLAIN:
            return
        if tuple in kinds:
            self._meet(list(chain.from_iterable([one for one in values if type(one) is tuple])))
        for place, one in dict(zip(map(id, values), values, strict=True)).items():
            if type(one) in _NO_RECORDS or place in self._places:
                continue
            if (name := _NAMES.get(type(one))) is not None:
                mine = self._of.setdefault(name, [])
                self._places[place] = len(mine)
                mine.append(one)
            elif is_dataclass(one):
                raise TypeError(type(one).__name__)

    def tree(self, value: object) -> Any:
        """A value in JSON's terms: plain ones as they are, a tuple as a list, a word and a record by name."""
        if isinstance(value, Enum):
            if WORDS.get(type(value).__name__) is not type(value):
                raise TypeError(type(value).__name__)
            return {"word": [type(value).__name__, value.value]}
        if type(value) in _PLAIN:
            return value
        if isinstance(value, tuple):
            return [self.tree(one) for one in value]
        if is_dataclass(value):
            return {"record": [type(value).__name__, self.place(value)]}
        raise TypeError(type(value).__name__)

    def columns(self) -> dict[str, Any]:
        columns = {}
        for name, mine in self._of.items():
            values = zip(*map(attrgetter(*_names(name)), mine), strict=True)
            by_field = dict(zip(_names(name), map(self._column, values), strict=True))
            columns[name] = {"records": len(mine), "columns": by_field}
        return columns

    def _column(self, values: Sequence[Any]) -> list[Any]:
        """One of the forms that :func:`_fill` reads: what most columns are takes least time to read."""
        first = values[0]
        if all(one is first for one in values):
            return ["one", self.tree(first)]
        kinds = set(map(type, values))
        if kinds <= _PLAIN:
            return ["plain", list(values)]
        if (name := _record_of(kinds)) is not None:
            return ["records", [name, [self._places[id(one)] for one in values]]]
        if kinds == {tuple}:
            within = {type(part) for one in values for part in one}
            if within <= _PLAIN:
                return ["lists", list(map(list, values))]
            if (name := _record_of(within)) is not None:
                return ["tuples", [name, [[self._places[id(part)] for part in one] for one in values]]]
        return ["trees", [self.tree(one) for one in values]]


def _column(kept: Mapping[str, list[Any]], form: str, content: Any) -> Iterable[Any]:
    """The values of a field that are not the same for all, record by record."""
    if form == "plain":
        return tuple(content)
    if form == "records":
        mine = kept[content[0]]
        return [mine[place] for place in content[1]]
    if form == "tuples":
        mine = kept[content[0]]
        return [tuple([mine[place] for place in places]) for places in content[1]]
    if form == "lists":
        return map(tuple, content)
    if form == "trees":
        return [_value(kept, one) for one in content]
    raise ValueError(form)


def _value(kept: Mapping[str, list[Any]], tree: Any) -> Any:
    if isinstance(tree, list):
        return tuple([_value(kept, one) for one in tree])
    if not isinstance(tree, dict):
        return tree
    ((kind, (name, which)),) = tree.items()
    if kind == "word":
        return WORDS[name](which)
    if kind == "record":
        return kept[name][which]
    raise ValueError(kind)


def _record_of(kinds: set[type[Any]]) -> str | None:
    """The name of the only class of records that there is among ``kinds``; None where there is another."""
    return next((name for name, kind in RECORDS.items() if kinds == {kind}), None)


@cache
def _names(record: str) -> tuple[str, ...]:
    return tuple(field.name for field in fields(RECORDS[record]))
