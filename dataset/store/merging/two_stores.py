"""The two stores of a merge, row by row: what is on either side, what was written here, what contradicts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, cast

from sqlalchemy import ColumnElement, Connection, Table, insert, select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError, StoreError
from dataset.records import ID_DIGITS
from dataset.store import tables
from dataset.store.merging.report import Merged, MergeReport, Renumbered
from dataset.store.proof import check, record_sha256

Progress = Callable[[str, int, int], None]
Values = dict[str, Any]
Kind = type[tables.Base]
SameUnit = tuple[str, str, str]  # a unit here, the one there that it is, and how somebody knows
NAMED_FACTS = 4  # that a sentence on a contradiction spells out
NAMED_OTHERS = 8  # further contradictions that it names
SHORT = 40  # characters of a fact that can stand in a sentence


class TwoStores:
    """One merge on its way. ``ids`` maps, for each table, their row ids to ours; a conflict leaves its row
    out of it.
    """

    def __init__(
        self, orm: OrmSession, here: str, theirs: Connection, there: str, progress: Progress
    ) -> None:
        self.orm, self.ours, self.here = orm, orm.connection(), here
        self.theirs, self.there = theirs, there
        self.progress = progress
        self.ids: defaultdict[str, dict[int, int]] = defaultdict(dict)
        self.renumbered: list[Renumbered] = []
        self.remarks: list[str] = []
        self.same_units: Sequence[SameUnit] = ()
        self.new_units: list[str] = []  # their identities
        self._counts: dict[str, tuple[int, int]] = {}
        self._conflicts: list[tuple[str, str, str]] = []  # where, what contradicts, what to do

    # -- rows ------------------------------------------------------------------------------------------------

    def references_here(self, kind: Kind, row: Mapping[str, Any]) -> Values | None:
        """Their row with its references turned into ours; None when one of them is in conflict."""
        values = dict(row)
        for key, target in references(kind).items():
            if values[key] is not None:
                our_id = self.ids[table(target).name].get(values[key])
                if our_id is None:
                    return None
                values[key] = our_id
        return values

    def insert(self, kind: Kind, values: Mapping[str, Any]) -> int:
        """Write a row; its id here."""
        key = self.ours.execute(insert(kind).values(**values)).inserted_primary_key
        return int(cast(Any, key)[0])

    def check(self, kind: Kind, row_id: int, what: str) -> None:
        """StoreError unless the record that came in has the hash that it has in the other store."""
        name = table(kind).name
        kept = self.ours.scalar(select(table(kind).c.record_sha256).where(key_of(kind) == row_id))
        check(f"{self.there}, {what}", record_sha256(self.ours, name, row_id), kept)

    @contextmanager
    def named_there(self) -> Iterator[None]:
        """What is wrong with something that came in is said of the other store."""
        try:
            yield
        except StoreError as error:
            where = f"{self.there}, {error.where}"
            raise StoreError(where, error.found, error.expected, error.hint) from error

    def copy_children(self, kind: Kind, their_id: int, our_id: int) -> None:
        """Write the rows that belong to one of their rows under one of ours."""
        parent = parent_column(kind)
        children = [row | {parent: our_id} for row in rows(self.theirs, kind, **{parent: their_id})]
        if children:
            self.ours.execute(insert(kind), children)

    def session_id(self, row_id: int) -> str:
        """The id that people know a session of ours by."""
        sha256 = self.ours.scalar(select(tables.SessionRow.sha256).where(tables.SessionRow.id == row_id))
        return str(sha256)[:ID_DIGITS]

    # -- what is told ----------------------------------------------------------------------------------------

    def count(self, what: str, new: bool) -> None:
        """Count one thing, new here or known."""
        were_new, known = self._counts.get(what, (0, 0))
        self._counts[what] = (were_new + new, known + (not new))

    def conflict(self, where: str, sentence: str, hint: str) -> None:
        """Note a contradiction; the merge goes on, so that all of them can be named."""
        self._conflicts.append((where, sentence, hint))

    def differ(self, where: str, here: Values, there: Values, hint: str) -> None:
        """Note that facts of one record differ."""
        keys = [key for key in here | there if here.get(key) != there.get(key)]
        short = [key for key in keys if _short(here.get(key)) and _short(there.get(key))]
        clauses = [
            f"{_words(key)} is {_value(here.get(key))} in {self.here} and {_value(there.get(key))} in "
            f"{self.there}"
            for key in short
        ]
        clauses += [
            f"{_words(key)} in {self.here} is another than in {self.there}"
            for key in keys
            if key not in short
        ]
        more = len(clauses) - NAMED_FACTS
        facts = ", ".join(clauses[:NAMED_FACTS]) + (f" and {more} facts more" if more > 0 else "")
        self.conflict(where, facts, hint)

    def refuse_conflicts(self) -> None:
        """One sentence for the first contradiction, and the names of the others."""
        if not self._conflicts:
            return
        where, sentence, hint = self._conflicts[0]
        others = list(dict.fromkeys(other for other, _, _ in self._conflicts[1:] if other != where))
        if others:
            listed = ", ".join(others[:NAMED_OTHERS]) + (", ..." if len(others) > NAMED_OTHERS else "")
            sentence += f"; {len(others)} more contradict each other: {listed}"
        raise InputError(
            where, sentence, "the same content under the same name", f"nothing was merged; {hint}"
        )

    def report(self) -> MergeReport:
        """What was done."""
        counts = tuple(Merged(what, new, known) for what, (new, known) in self._counts.items())
        return MergeReport(counts, tuple(self.renumbered), tuple(self.remarks))


def table(kind: Kind) -> Table:
    """The table of a kind of row."""
    return cast(Table, kind.__table__)


def rows(connection: Connection, kind: Kind, **where: object) -> list[Values]:
    """Rows in the order of their primary key."""
    of_kind = table(kind)
    query = (
        select(of_kind)
        .where(*(of_kind.c[key] == value for key, value in where.items()))
        .order_by(*of_kind.primary_key)
    )
    return [dict(row) for row in connection.execute(query).mappings()]


def key_of(kind: Kind) -> ColumnElement[int]:
    """The column that holds a row's id."""
    return next(iter(table(kind).primary_key))


def facts_of(row: Mapping[str, Any]) -> Values:
    """What a record says: no ids, and not what a store keeps to prove it."""
    return without(row, "id", "record_sha256", "hashed_by_upgrade")


def without(row: Mapping[str, Any], *keys: str) -> Values:
    """The row without these columns."""
    return {key: value for key, value in row.items() if key not in keys}


def children_of(connection: Connection, kind: Kind, parent_id: int) -> tuple[Any, ...]:
    """The content of the rows that belong to a row."""
    parent = parent_column(kind)
    return tuple(
        tuple(facts_of(without(row, parent)).items()) for row in rows(connection, kind, **{parent: parent_id})
    )


def references(kind: Kind) -> dict[str, Kind]:
    """Columns that refer to rows by id, and the kind of row."""
    kinds = {table(mapper.class_).name: mapper.class_ for mapper in tables.Base.registry.mappers}
    return {
        column.name: kinds[key.column.table.name]
        for column in table(kind).columns
        for key in column.foreign_keys
    }


def parent_column(kind: Kind) -> str:
    """The column by which a child row belongs to its parent: the first of its primary key."""
    return next(iter(table(kind).primary_key)).name


def remark_note(stores: TwoStores, what: str, ours: Values, theirs: Values) -> None:
    """Say of two records that are the same where their notes differ."""
    if theirs.get("note") != ours.get("note"):
        stores.remarks.append(
            f"{what} {ours['name']}: its note differs and stays '{ours['note']}'; in {stores.there} it is "
            f"'{theirs['note']}'"
        )


def _words(key: str) -> str:
    return key.replace("_", " ")


def _short(value: object) -> bool:
    """Whether a fact can stand in a sentence."""
    return value is None or (isinstance(value, str | int | float) and len(str(value)) <= SHORT)


def _value(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else "not given" if value is None else str(value)
