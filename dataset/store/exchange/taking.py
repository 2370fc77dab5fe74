"""One exchange on its way into a store: what is here by its name, and what has to be said at the end."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.documents import Document, name_of
from dataset.errors import InputError
from dataset.records import ID_DIGITS
from dataset.store import check_standards, registry, tables, units
from dataset.store.events import amendments
from dataset.store.reading import amendments as amendments_read
from dataset.store.registry import given_name

R = TypeVar("R", bound=tables.Base)
_SCANNED: tuple[tuple[type[tables.Base], Callable[[Any], Any]], ...] = (
    (tables.TankRow, registry.to_tank),
    (tables.SensorRow, registry.to_sensor),
    (tables.LiquidRow, registry.to_liquid),
    (tables.MountingRow, registry.to_mounting),
    (tables.CheckStandardRow, check_standards.to_standard),
)


class Known(Mapping[str, Any]):
    """What other objects refer to by name, as records, each with its row; units as their bench of origin has
    them.
    """

    def __init__(self, orm: OrmSession) -> None:
        self._orm = orm
        self._entries: dict[str, tuple[Any, tables.Base]] = {}
        self._scanned = False

    def learn(self, name: str, record: Any, row: tables.Base) -> None:
        """Keep what came in, or what is known here under another name."""
        self._entries[name] = (record, row)

    def row(self, where: str, kind: type[R], name: object) -> R:
        """The row of the object of this name; InputError where it is not here."""
        entry = self._entry(name) if isinstance(name, str) else None
        if entry is None or not isinstance(entry[1], kind):
            raise InputError(where, f"refers to {str(name)[:ID_DIGITS]}", "an object that is there already")
        return entry[1]

    def __getitem__(self, name: str) -> Any:
        entry = self._entry(name)
        if entry is None:
            raise KeyError(name)
        return entry[0]

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)

    def _entry(self, name: str) -> tuple[Any, tables.Base] | None:
        if name not in self._entries:
            unit = self._orm.scalar(select(tables.UnitRow).where(tables.UnitRow.identity == name))
            if unit is not None:
                self._entries[name] = (registry.stated_unit(unit), unit)
            elif not self._scanned:
                self._scan()
        return self._entries.get(name)

    def _scan(self) -> None:
        self._scanned = True
        for kind, to_record in _SCANNED:
            for row in self._orm.scalars(select(kind)):
                record = to_record(row)
                self._entries.setdefault(name_of(record), (record, row))


class Taking:
    """What one exchange has taken so far.

    Args:
        orm: the store, writing.
        there: what sentences call the source.
        sessions: all that the source offers, by hash.
        void: those of them that are void there.
    """

    def __init__(
        self, orm: OrmSession, there: str, sessions: Collection[str] = (), void: Collection[str] = ()
    ) -> None:
        self.orm, self.there = orm, there
        self.sessions, self.void = frozenset(sessions), frozenset(void)
        self.known = Known(orm)
        self.remarks: list[str] = []
        self.amended: set[str] = set()  # sessions with amendments that came in
        self.new_units: list[str] = []  # their identities
        self._to_settle = False

    def where(self, document: Document) -> str:
        """What sentences call the object of a document."""
        called = document.facts.get("called") or document.facts.get("name")
        return f"{document.kind} {called if isinstance(called, str) else document.name[:ID_DIGITS]}"

    def session(self, where: str, sha256: object) -> tables.SessionRow:
        """The session of this hash; InputError where it is not here."""
        row = self.orm.scalar(select(tables.SessionRow).where(tables.SessionRow.sha256 == str(sha256)))
        if row is None:
            raise InputError(
                where, f"is of session {str(sha256)[:ID_DIGITS]}", "a session that is there already"
            )
        return row

    def remark_note(self, where: str, here: Any, theirs: Any) -> None:
        """Say of two records that are the same where their notes differ."""
        if here.note != theirs.note:
            self.remarks.append(
                f"{where}: its note differs and stays '{here.note}'; in {self.there} it is '{theirs.note}'"
            )

    def unsettle(self) -> None:
        """Units, or what says which of them are one, came in."""
        self._to_settle = True

    def settle(self) -> None:
        """Work out which units are one and what each is called, where that may have changed."""
        if self._to_settle:
            units.settle(self.orm)
            self._to_settle = False

    def finish(self) -> None:
        """Settle, and say what is to be known of the whole."""
        self.settle()
        new = select(tables.UnitRow).where(tables.UnitRow.identity.in_(self.new_units))
        for unit in sorted(self.orm.scalars(new), key=lambda row: row.name):
            if "@" in unit.name and unit.same_as_id is None:
                self.remarks.append(
                    f"unit {given_name(unit)} of {unit.bench.name} is another sample than {given_name(unit)} "
                    f"here, and is called {unit.name}"
                )
        for sha256 in sorted(self.amended):
            apart = amendments_read.last(self.session("amendment", sha256))
            if len(apart) > 1:
                self.remarks.append(
                    f"session {sha256[:ID_DIGITS]}: {amendments.words_apart(apart)} stand beside one "
                    "another; both are kept, and it cannot be frozen before a further amendment says what is "
                    "so"
                )


def same_hash(where: str, actual: str | None, document: Document) -> None:
    """InputError unless what was written hashes to the name of its document."""
    if actual != document.name:
        raise InputError(
            where, f"its content hashes to {str(actual)[:ID_DIGITS]}", f"{document.name[:ID_DIGITS]}"
        )


def contradiction(where: str, here: Mapping[str, Any], theirs: Mapping[str, Any], there: str) -> InputError:
    """The error for facts that differ under one name."""
    keys = sorted(key for key in here.keys() | theirs.keys() if here.get(key) != theirs.get(key))
    told = [key for key in keys if _short(here.get(key)) and _short(theirs.get(key))]
    clauses = [
        f"{_words(key)} is {_said(here.get(key))} here and {_said(theirs.get(key))} in {there}"
        for key in told
    ]
    clauses += [f"{_words(key)} here is another than in {there}" for key in keys if key not in told]
    return InputError(
        where,
        ", ".join(clauses[:4]) or f"is another here than in {there}",
        "the same content under the same name",
        "one of the two needs another name",
    )


def _words(key: str) -> str:
    return key.replace("_", " ")


def _short(value: object) -> bool:
    return value is None or (isinstance(value, str | int | float) and len(str(value)) <= 40)


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else "not given" if value is None else str(value)
