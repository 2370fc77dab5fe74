"""The audit chain: rows that each hold the hash of the one before, so that whoever edits, removes or reorders
one has to write all later ones anew, and whoever does that, or cuts the end off, is given away by the
receipts that others hold.

A row's hash is the SHA-256 of canonical JSON over all of it, the hash of the row before included; what is
NULL is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from sqlalchemy import ColumnElement, and_, insert, or_, select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import sha256
from dataset.records import ID_DIGITS, Actor, AuditEntry, Receipt
from dataset.store.tables import AuditRow
from dataset.store.team import clock

FORMAT = 1
START = "0" * 64  # what the first row holds in place of the hash of one before
_COLUMNS = tuple(AuditRow.__table__.c)
_HEAD = "SELECT number, sha256 FROM audit ORDER BY number DESC LIMIT 1"
_AT_ONCE = 1000
_ROWS_AFTER = (
    f"SELECT {', '.join(column.name for column in _COLUMNS)} FROM audit "  # noqa: S608 - mapped names
    f"WHERE number > ? ORDER BY number LIMIT {_AT_ONCE}"
)
_BEFORE_ALL = -(1 << 63)
Ask = Callable[[str, int], Iterable[Any]]  # the rows of a query with one question mark
MOST_TRIED = 1000  # changed rows among whose places each is looked for


@dataclass(frozen=True)
class Act:
    """What was done: the kind of object, its key, what it is said of, and why."""

    kind: str
    object_sha256: str
    about: str | None = None
    reason: str | None = None


@dataclass(frozen=True)
class ChainFault:
    """What is wrong with a chain: where, and a sentence."""

    where: str
    sentence: str


def entry_sha256(entry: AuditEntry) -> str:
    """The hash that a row must have."""
    facts = {key: value for key, value in asdict(entry).items() if key != "sha256" and value is not None}
    return sha256({"format": FORMAT} | facts)


def append(orm: OrmSession, actor: Actor, acts: Sequence[Act]) -> None:
    """Write a row for each act at the end of the chain: the last thing that a transaction does, which holds
    the one lock of all writers since it began.
    """
    if not acts:
        return
    head = orm.connection().exec_driver_sql(_HEAD).first()
    number, previous = (0, START) if head is None else head
    at = clock.written(clock.now(orm))
    rows = []
    for number_now, act in enumerate(acts, number + 1):
        who = (actor.who, actor.known_by.value, actor.token, actor.bench)
        what = (act.kind, act.object_sha256, act.about, act.reason)
        entry = AuditEntry(number_now, at, *who, *what, previous, "")
        previous = entry_sha256(entry)
        rows.append(asdict(replace(entry, sha256=previous)))
    orm.execute(insert(AuditRow), rows)


def entries(ask: Ask) -> Iterator[AuditEntry]:
    """The rows of the chain, in order, asked for some at a time: most chains come by one question."""
    after, some = _BEFORE_ALL, _AT_ONCE
    while some == _AT_ONCE:
        page = [AuditEntry(*row) for row in ask(_ROWS_AFTER, after)]
        yield from page
        some = len(page)
        after = page[-1].number if page else after


@dataclass(frozen=True)
class By:
    """Whose rows are looked for: a token's, by its id, and somebody's, by name; None for anybody's."""

    token: str | None = None
    who: str | None = None

    @property
    def conditions(self) -> list[ColumnElement[bool]]:
        """What a row must fulfil."""
        wanted = ((AuditRow.token, self.token), (AuditRow.who, self.who))
        return [column == value for column, value in wanted if value is not None]


ANYBODY = By()


def entries_after(orm: OrmSession, after: int, most: int | None, by: By = ANYBODY) -> tuple[AuditEntry, ...]:
    """At most so many of the rows behind number ``after``, in order."""
    rows = select(*_COLUMNS).where(AuditRow.number > after, *by.conditions).order_by(AuditRow.number)
    return tuple(AuditEntry(*row) for row in orm.execute(rows.limit(most)))


def entries_about(orm: OrmSession, digits: str, by: By = ANYBODY) -> tuple[AuditEntry, ...]:
    """The rows whose object, or what it is said of, has a key that begins with these digits, in order."""
    begins = [
        and_(key >= digits, key < digits + "g") for key in (AuditRow.object_sha256, AuditRow.about)
    ]  # 'g' sorts behind every digit
    rows = select(*_COLUMNS).where(or_(*begins), *by.conditions).order_by(AuditRow.number)
    return tuple(AuditEntry(*row) for row in orm.execute(rows))


def last_entries(
    orm: OrmSession, most: int, by: By = ANYBODY, before: int | None = None
) -> tuple[AuditEntry, ...]:
    """The last rows of the chain, or of what it is before a number, at most so many, in order."""
    earlier = [] if before is None else [AuditRow.number < before]
    rows = select(*_COLUMNS).where(*earlier, *by.conditions).order_by(AuditRow.number.desc()).limit(most)
    return tuple(AuditEntry(*row) for row in orm.execute(rows))[::-1]


def of_objects(orm: OrmSession, keys: Sequence[str]) -> dict[str, AuditEntry]:
    """By the keys of objects: the first row that each has in the chain."""
    known: dict[str, AuditEntry] = {}
    for start in range(0, len(keys), _AT_ONCE):
        some = keys[start : start + _AT_ONCE]
        rows = select(*_COLUMNS).where(AuditRow.object_sha256.in_(some)).order_by(AuditRow.number)
        for row in orm.execute(rows):
            entry = AuditEntry(*row)
            known.setdefault(entry.object_sha256, entry)
    return known


@dataclass(frozen=True)
class Walked:
    """What was found of a chain: the number of its last row, that one's hash, and what is wrong."""

    number: int
    sha256: str | None
    faults: tuple[ChainFault, ...]


def walk(chain: Iterable[AuditEntry], receipts: Iterable[Receipt] = ()) -> Walked:
    """What is wrong with a chain by itself, in the order of its rows, and by receipts for rows of it."""
    kept: dict[int, str] = {}
    changed: list[AuditEntry] = []
    told: list[tuple[int, str]] = []
    before = (0, START)
    for entry in chain:
        told += _gap(entry.number, before[0])
        if entry_sha256(entry) != entry.sha256:
            changed.append(entry)
        elif entry.previous != before[1]:
            told.append((entry.number, _broken(entry, *before)))
        kept[entry.number] = entry.sha256
        before = (entry.number, entry.sha256)
    places = [entry.number for entry in changed[:MOST_TRIED]]
    told += [(entry.number, _changed(entry, places)) for entry in changed]
    of_chain = [ChainFault(f"audit row {number}", sentence) for number, sentence in sorted(told, key=_place)]
    of_receipts = [fault for one in receipts for fault in _by_receipt(one, kept, before[0])]
    number, last = before
    return Walked(number, last if kept else None, (*of_chain, *of_receipts))


def _place(told: tuple[int, str]) -> int:
    return told[0]


def _gap(number: int, before: int) -> list[tuple[int, str]]:
    first, last = before + 1, number - 1
    if last < first:
        return []
    return [(number, f"row {first} is missing before it" if first == last else _missing(first, last))]


def _missing(first: int, last: int) -> str:
    return f"rows {first} to {last} are missing before it"


def _broken(entry: AuditEntry, number: int, sha256_before: str) -> str:
    return (
        f"follows a row with hash {entry.previous[:ID_DIGITS]}, not row {number} as it is now "
        f"({sha256_before[:ID_DIGITS]}): what stands before it was changed or removed"
    )


def _changed(entry: AuditEntry, places: Sequence[int]) -> str:
    """That a row does not have its hash: it was moved, where it has it at another place; else edited."""
    actual = entry_sha256(entry)
    for number in places:
        if entry_sha256(replace(entry, number=number)) == entry.sha256:
            return f"was written as row {number}: rows were reordered"
    return f"was edited: its content hashes to {actual[:ID_DIGITS]}; expected {entry.sha256[:ID_DIGITS]}"


def _by_receipt(receipt: Receipt, kept: dict[int, str], last: int) -> Iterator[ChainFault]:
    if receipt.audit_number is None or receipt.audit_sha256 is None:
        return
    where = f"receipt for {receipt.kind} {receipt.object_sha256[:ID_DIGITS]} of {receipt.received}"
    number, named = receipt.audit_number, receipt.audit_sha256
    if number > last:
        end = f"the chain ends with row {last}" if last else "the chain is empty"
        yield ChainFault(where, f"names audit row {number}; {end}: its end was cut off")
    elif number not in kept:
        yield ChainFault(where, f"names audit row {number}, which is missing")
    elif kept[number] != named:
        yield ChainFault(
            where,
            f"names audit row {number} with hash {named[:ID_DIGITS]}; the row has "
            f"{kept[number][:ID_DIGITS]}: the chain was written anew",
        )
