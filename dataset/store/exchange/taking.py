"""One exchange on its way into a store: what is here by its name, and what has to be said at the end."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.documents import Document, name_of
from dataset.errors import InputError
from dataset.exchange.objects import Offered, Parcel
from dataset.records import ID_DIGITS, FrozenSet
from dataset.store import check_standards, registry, tables, units
from dataset.store.events import amendments
from dataset.store.reading import amendments as amendments_read
from dataset.store.reading import sessions as sessions_read
from dataset.store.reading import sets as sets_read
from dataset.store.registry import given_name

R = TypeVar("R", bound=tables.Base)
NAMED_FACTS = 4  # of a contradiction that a sentence spells out
SHORT = 40  # characters of a fact that can stand in a sentence
MANY = 50  # sessions that come in, of which it is asked at once whether they are here under other labels
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
        here: where sentences say that something is which this store has.
        merging: a whole store comes in or nothing does: benches that nobody named take their names from it,
            and units that are said to be one are looked at when everything is there.
        documents_alone: what travels beside documents is not there, and everything is undone afterwards:
            sessions and models are taken as far as their documents tell.

    Attributes:
        sessions: all that the source offers, by hash.
        void: those of them that are void there.
        amended: sessions with amendments that came in.
        marked: sessions, each with the marks that came in amendments of.
        new_units: identities of units that came in.
        lacking: what the store had not when the exchange began.
    """

    def __init__(
        self,
        orm: OrmSession,
        there: str,
        here: str = "here",
        *,
        merging: bool = False,
        documents_alone: bool = False,
    ) -> None:
        self.orm, self.there, self.here, self.merging = orm, there, here, merging
        self.documents_alone = documents_alone
        self.sessions: frozenset[str] = frozenset()
        self.void: frozenset[str] = frozenset()
        self.known = Known(orm)
        self.remarks: list[str] = []
        self.amended: set[str] = set()
        self.marked: set[tuple[str, str | None]] = set()
        self.new_units: list[str] = []
        self.lacking: frozenset[Offered] = frozenset()
        self._came_in: set[Offered] = set()
        self._assigned: set[str] = set()  # sessions and trims of which it was said whose they are
        self._recordings: set[str] | None = None  # hashes of readings and counts of sessions here
        self._frozen: dict[tuple[str, str], FrozenSet] = {}
        self._void_for: dict[str, frozenset[str]] = {}
        self._to_settle = False
        self._were_one: list[set[str]] | None = None  # before anything of units came in

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

    def tell_void(self, session: tables.SessionRow, event: tables.VoidRow) -> None:
        """Say of a void that comes in that it ends, or gives another reason than those here before it."""
        called = f"session {session.sha256[:ID_DIGITS]}"
        here = self._void_for.setdefault(
            session.sha256,
            frozenset(one.reason for one in session.voids if one is not event and not one.takes_back),
        )
        if event.takes_back:
            self.remarks.append(f"{called}: its void was taken back in {self.there}: '{event.reason}'")
        elif here and event.reason not in here:
            before = "', '".join(sorted(here))
            self.remarks.append(
                f"{called}: void {self._remarked} for '{before}', in {self.there} for '{event.reason}'; "
                "both hold"
            )

    @property
    def _remarked(self) -> str:
        """Where remarks say that something is; a merge is told where it is done."""
        return "here" if self.merging else self.here

    @cached_property
    def _are_many(self) -> bool:
        return sum(one.kind == "session" for one in self.lacking) >= MANY

    def note_new(self, parcel: Parcel) -> None:
        """An object came in."""
        document = parcel.document
        self._came_in.add(parcel.offered)
        if document.kind == "unit assignment":
            self._assigned.add(str(document.facts["object"]))

    def may_be_here(self, offered: Offered) -> bool:
        """Whether the store may have an object: False for one that it had not, and that has not come in
        since.
        """
        return offered not in self.lacking or offered in self._came_in

    def came_in(self, kind: str, key: str) -> bool:
        """Whether an object came in by this exchange."""
        return Offered(kind, key) in self._came_in

    def is_unassigned(self, object_sha256: str) -> bool:
        """Whether a session or trim came in by this exchange, and nothing that says whose it is."""
        return object_sha256 not in self._assigned and (
            self.came_in("session", object_sha256) or self.came_in("trim", object_sha256)
        )

    def may_have_twin(self, row: tables.SessionRow) -> bool:
        """Whether a session here may hold the recording of a new row, which is remembered. Where many come in
        all hashes of recordings are asked for at once.
        """
        if not self._are_many:
            return True
        if self._recordings is None:
            hashes = select(tables.SessionRow.readings_sha256, tables.SessionRow.counts_sha256)
            self._recordings = {hashed for pair in self.orm.execute(hashes) for hashed in pair if hashed}
        own = {hashed for hashed in (row.readings_sha256, row.counts_sha256) if hashed}
        may = not own.isdisjoint(self._recordings)
        self._recordings |= own
        return may

    def frozen_set(self, row: tables.FrozenSetRow) -> FrozenSet:
        """The record of a set here, made once while nothing changes what its units are called."""
        key = (row.name, row.sha256)  # a row that is undone leaves its number to another
        if key not in self._frozen:
            self._frozen[key] = sets_read.to_frozen_set(row)
        return self._frozen[key]

    def unsettle(self) -> None:
        """Units, or what says which of them are one, come in."""
        self._frozen.clear()
        if self._were_one is None:
            self._were_one = self._classes()
        self._to_settle = True

    def settle(self) -> None:
        """Work out which units are one and what each is called, where that may have changed."""
        if self._to_settle:
            units.settle(self.orm)
            self._to_settle = False

    def finish(self) -> None:
        """Settle, and say what is to be known of the whole."""
        for sha256, parent in sorted(self.marked, key=str):
            self._tell_marks(sha256, parent)
        self._tell_amended()
        self.settle()
        if self._were_one is not None:
            self._tell_unions(self._were_one)
        new = select(tables.UnitRow).where(tables.UnitRow.identity.in_(self.new_units))
        for unit in sorted(self.orm.scalars(new), key=lambda row: row.name):
            if "@" in unit.name and unit.same_as_id is None:
                self.remarks.append(
                    f"unit {given_name(unit)} of {unit.bench.name} is another sample than {given_name(unit)} "
                    f"{self._remarked}, and is called {unit.name}"
                )

    def _tell_marks(self, sha256: str, parent: str | None) -> None:
        session = self.session("marks", sha256)
        siblings = sorted(
            (row for row in session.mark_revisions if row.parent_sha256 == parent), key=lambda row: row.sha256
        )
        if len(siblings) > 1:
            authors = ", ".join(
                f"{row.sha256[:ID_DIGITS]} by {row.author} ('{row.reason}')" for row in siblings
            )
            current = str(sessions_read.to_session(session).mark_revision)[:ID_DIGITS]
            self.remarks.append(
                f"session {sha256[:ID_DIGITS]}: its marks were amended on both benches, from the same marks: "
                f"{authors}; both are kept, {current} counts"
            )

    def _tell_amended(self) -> None:
        for sha256 in sorted(self.amended):
            apart = amendments_read.last(self.session("amendment", sha256))
            if len(apart) > 1:
                self.remarks.append(
                    f"session {sha256[:ID_DIGITS]}: it was amended on both benches: "
                    f"{amendments.words_apart(apart)} stand beside one another; both are kept, and it cannot "
                    "be frozen before a further amendment says what is so"
                )

    def _tell_unions(self, before: Sequence[set[str]]) -> None:
        rows = {row.identity: row for row in self.orm.scalars(select(tables.UnitRow))}
        for identities in self._classes():
            if any(identities <= known for known in before):
                continue
            members = [rows[identity] for identity in sorted(identities)]
            shown = (members[0].same_as or members[0]).name
            of_benches = sorted(f"{given_name(row)} of {row.bench.name}" for row in members)
            self.remarks.append(f"unit {shown}: {' and '.join(of_benches)} are one unit")

    def _classes(self) -> list[set[str]]:
        """The identities of units that are one, as they were settled last."""
        shown: defaultdict[int, set[str]] = defaultdict(set)
        columns = select(tables.UnitRow.id, tables.UnitRow.same_as_id, tables.UnitRow.identity)
        for row_id, same_as, identity in self.orm.execute(columns):
            shown[same_as or row_id].add(identity)
        return [identities for identities in shown.values() if len(identities) > 1]


class ContradictionError(InputError):
    """What comes in and what is here cannot both be so."""


def same_hash(where: str, actual: str | None, document: Document) -> None:
    """InputError unless what was written hashes to the name of its document."""
    if actual != document.name:
        raise InputError(
            where, f"its content hashes to {str(actual)[:ID_DIGITS]}", f"{document.name[:ID_DIGITS]}"
        )


def contradiction(
    taking: Taking, where: str, ours: Mapping[str, Any], theirs: Mapping[str, Any]
) -> ContradictionError:
    """The error for facts that differ under one name."""
    here, there = taking.here, taking.there
    keys = sorted(key for key in ours.keys() | theirs.keys() if ours.get(key) != theirs.get(key))
    told = [key for key in keys if _short(ours.get(key)) and _short(theirs.get(key))]
    clauses = [
        f"{_words(key)} is {_said(ours.get(key))} {here} and {_said(theirs.get(key))} in {there}"
        for key in told
    ]
    clauses += [f"{_words(key)} {here} is another than in {there}" for key in keys if key not in told]
    more = len(clauses) - NAMED_FACTS
    facts = ", ".join(clauses[:NAMED_FACTS]) + (f" and {more} facts more" if more > 0 else "")
    return ContradictionError(
        where,
        facts or f"is another {here} than in {there}",
        "the same content under the same name",
        "one of the two needs another name",
    )


def contested_session(
    taking: Taking, sha256: str, of_units: Sequence[tables.UnitRow], way_out: str, *fields: str
) -> ContradictionError:
    """The error for a session of two units: it must not be learnt from."""
    here = "this store" if taking.here == "here" else taking.here.removeprefix("in ")
    return ContradictionError(
        f"session {sha256[:ID_DIGITS]}",
        f"is of units {' and '.join(row.name for row in of_units)}, as {here} and {taking.there} say, and "
        "too few of its frames differ to tell that it is one recording",
        "one unit",
        way_out,
        fields=fields,
    )


def _words(key: str) -> str:
    return key.replace("_", " ")


def _short(value: object) -> bool:
    return value is None or (isinstance(value, str | int | float) and len(str(value)) <= SHORT)


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else "not given" if value is None else str(value)
