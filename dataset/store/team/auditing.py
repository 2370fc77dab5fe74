"""Whatever a transaction wrote, told: looked up in the tables at its end, so that no method has to remember.

A store's writers take turns (one lock on a server, SQLite's own in a file), so that the rows behind the last
number of each table, as it was when the transaction began, are those that it wrote.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, bindparam, func, literal, null, select
from sqlalchemy.orm import InstrumentedAttribute
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import sha256
from dataset.errors import NotAllowedError
from dataset.exchange.scopes import SCOPES
from dataset.records import ID_DIGITS, Actor, KnownBy
from dataset.store import tables
from dataset.store.exchange import offering
from dataset.store.team import chain, tokens
from dataset.words import JobEventKind

T = TypeVar("T")
Column = ColumnElement[Any] | InstrumentedAttribute[Any]


@dataclass(frozen=True)
class Audited:
    """What is told of a kind of object.

    Attributes:
        rows: its table.
        bench: of which bench it is; None where it is of none, and a token for one bench may not write it.
        shared: it is of no bench, and such a token may write it, since sessions stand on it.
        joins: what leads from the table to these columns.
        about: the key of what it is said of.
        reason: what was stated.
        undoes: that it takes another back, and how that is called.
        key: the object's key, where stores do not exchange it.
        only: of which of the table's rows anything is told.
    """

    rows: type[tables.Base]
    bench: Column | None = None
    shared: bool = False
    joins: tuple[Any, ...] = ()
    about: Column | None = None
    reason: Column | None = None
    undoes: tuple[Column, str] | None = None
    key: Column | None = None
    only: ColumnElement[bool] | None = None

    @property
    def number(self) -> Column:
        """What the database counts its rows by."""
        (own,) = self.rows.__table__.primary_key
        return own


@dataclass(frozen=True)
class _Written:
    """An object that was written, of which kind and bench it is."""

    act: chain.Act
    kind: str
    bench: str | None


_OF_SESSION = func.coalesce(tables.SessionRow.bench, tables.BenchRow.identity)
_TO_BENCH = (tables.SessionRow.unit, tables.UnitRow.bench)


def _of_bench(rows: type[tables.Base]) -> Audited:
    return Audited(rows, rows.__table__.c.bench)


def _shared(rows: type[tables.Base]) -> Audited:
    return Audited(rows, shared=True)


def _of_session(rows: Any, reason: Column | None, undoes: tuple[Column, str] | None = None) -> Audited:
    """Said of a session, and so of its bench."""
    joins = (rows.session, *_TO_BENCH)
    return Audited(
        rows, _OF_SESSION, joins=joins, about=tables.SessionRow.sha256, reason=reason, undoes=undoes
    )


def _taken_back(rows: Any) -> tuple[Column, str]:
    return rows.takes_back, "taken back"


AUDITED: Mapping[str, Audited] = {
    "bench": _shared(tables.BenchRow),
    "operator": _shared(tables.OperatorRow),
    "unit": Audited(tables.UnitRow, tables.BenchRow.identity, joins=(tables.UnitRow.bench,)),
    "tank": _shared(tables.TankRow),
    "liquid": _shared(tables.LiquidRow),
    "sensor": _shared(tables.SensorRow),
    "mounting": _shared(tables.MountingRow),
    "instrument": _of_bench(tables.InstrumentRow),
    "check standard": _of_bench(tables.CheckStandardRow),
    "check measurement": Audited(
        tables.CheckMeasurementRow,
        tables.CheckStandardRow.bench,
        joins=(tables.CheckMeasurementRow.standard,),
    ),
    "budget": Audited(tables.BudgetRow),
    "mapping": _shared(tables.MappingRow),
    "limits": Audited(tables.LimitsRow),
    "sign-off": Audited(tables.LimitsRow, reason=tables.LimitsRow.signer),
    "retirement": Audited(
        tables.RetirementRow,
        about=tables.RetirementRow.object_sha256,
        reason=tables.RetirementRow.reason,
        undoes=_taken_back(tables.RetirementRow),
    ),
    "session": Audited(tables.SessionRow, _OF_SESSION, joins=_TO_BENCH),
    "void": _of_session(tables.VoidRow, tables.VoidRow.reason, _taken_back(tables.VoidRow)),
    "tag": _of_session(tables.TagRow, tables.TagRow.tag, (tables.TagRow.removes, "removed")),
    "amendment": _of_session(tables.AmendmentRow, tables.AmendmentRow.reason),
    "mark revision": _of_session(tables.MarkRevisionRow, tables.MarkRevisionRow.reason),
    "trim": Audited(
        tables.TrimRow,
        tables.BenchRow.identity,
        joins=(tables.TrimRow.unit, tables.UnitRow.bench),
    ),
    "unit assignment": Audited(
        tables.UnitAssignmentRow, shared=True, about=tables.UnitAssignmentRow.object_sha256
    ),
    "unit union": Audited(
        tables.UnitUnionRow,
        about=tables.UnitUnionRow.identity,
        reason=tables.UnitUnionRow.reason,
        undoes=_taken_back(tables.UnitUnionRow),
    ),
    "frozen set": Audited(tables.FrozenSetRow, reason=tables.FrozenSetRow.even_if_warned),
    "opening": Audited(tables.ProveOpeningRow, reason=tables.ProveOpeningRow.purpose),
    "model": Audited(tables.ModelRow),
    "status": Audited(tables.StatusRow, reason=tables.StatusRow.reason),
    "bundle": Audited(tables.ExportRow, about=tables.ExportRow.bundle_sha256),
    "board measurement": Audited(tables.BoardMeasurementRow),
    "bundle signature": Audited(
        tables.BundleSignatureRow,
        key=tables.BundleSignatureRow.record_sha256,
        about=tables.BundleSignatureRow.bundle_sha256,
        reason=tables.BundleSignatureRow.keyid,
    ),
    "channel move": Audited(
        tables.ChannelMoveRow,
        key=tables.ChannelMoveRow.record_sha256,
        about=tables.ChannelMoveRow.bundle_sha256,
        reason=tables.ChannelMoveRow.channel
        + literal(": ")
        + tables.ChannelMoveRow.reason
        + literal(" ")
        + tables.ChannelMoveRow.concessions,
    ),
    "withdrawal": Audited(
        tables.WithdrawalRow,
        key=tables.WithdrawalRow.record_sha256,
        about=tables.WithdrawalRow.bundle_sha256,
        reason=tables.WithdrawalRow.reason,
        undoes=_taken_back(tables.WithdrawalRow),
    ),
    "token": Audited(
        tables.TokenRow,
        key=tables.TokenRow.record_sha256,
        reason=tables.TokenRow.public_id + literal(" ") + tables.TokenRow.name,
    ),
    "revocation": Audited(
        tables.TokenRevocationRow,
        key=tables.TokenRevocationRow.record_sha256,
        joins=(tables.TokenRevocationRow.token,),
        about=tables.TokenRow.record_sha256,
        reason=tables.TokenRevocationRow.reason,
    ),
    "job": Audited(tables.JobRow, key=tables.JobRow.key, reason=tables.JobRow.kind),
    "job cancel": Audited(
        tables.JobEventRow,
        key=tables.JobEventRow.record_sha256,
        joins=(tables.JobEventRow.job,),
        about=tables.JobRow.key,
        only=tables.JobEventRow.kind == JobEventKind.CANCEL_ASKED,
    ),
}


def is_team(orm: OrmSession) -> bool:
    """Whether acts on the store are audited: it is on a server, or it holds a token. Then more than one
    person writes to it, and whoever may write to it can not simply change its file. What a plain file holds
    is said by whoever has the file, who could write any chain.
    """
    return orm.connection().dialect.name != "sqlite" or tokens.any_token(orm)


def audited(orm: OrmSession, actor: Actor | None, work: Callable[[OrmSession], T]) -> T:
    """The outcome of ``work``, with a row of the audit chain for each object that it wrote, in the same
    transaction.

    Raises:
        NotAllowedError: the actor's token does not allow one of these, or is no longer good.
    """
    before = _last_numbers(orm)
    outcome = work(orm)
    if not orm.in_transaction():  # the work undid itself
        return outcome
    orm.flush()
    acting = at_command_line(orm) if actor is None else actor
    _refuse_ended(orm, acting)
    written = list(_written(orm, before))
    for one in written:
        _refuse(acting, one)
    chain.append(orm, acting, [one.act for one in written])
    return outcome


class Allowing:
    """Looks at single objects as they are written, so that one which an actor may not write can be held back
    and the others come in; what :func:`audited` would refuse all together.
    """

    def __init__(self, orm: OrmSession, actor: Actor) -> None:
        self._orm, self._actor = orm, actor
        self._last = _last_numbers(orm)

    def check(self, kind: str) -> None:
        """NotAllowedError unless what was written of a kind since the last call may be."""
        self._orm.flush()
        rows = AUDITED[kind].rows
        for one in _written_of(self._orm, kind, self._last[rows]):
            _refuse(self._actor, one)
        self._last[rows] = self._orm.scalar(select(func.max(AUDITED[kind].number))) or 0


def at_command_line(orm: OrmSession) -> Actor:
    """Who writes without a token: a role of the database, or a user of this computer."""
    if orm.connection().dialect.name != "sqlite":
        role = orm.connection().exec_driver_sql("SELECT current_user").scalar_one()
        return Actor(str(role), KnownBy.ROLE)
    return Actor(_user(), KnownBy.USER)


@cache
def _user() -> str:
    """The user whose process this is, by the system's list and not by what the environment says."""
    try:
        import pwd  # not everywhere

        return pwd.getpwuid(os.getuid()).pw_name
    except (ImportError, KeyError):
        import getpass

        try:
            return getpass.getuser()
        except (ImportError, KeyError, OSError):
            return "unknown"


def state(orm: OrmSession) -> str:
    """A hash that is another once anything was written that is told of, beside tokens and the queue."""
    left_out = (tables.JobRow, tables.JobEventRow, tables.TokenRow, tables.TokenRevocationRow)
    numbers = _last_numbers(orm).items()
    return sha256({rows.__tablename__: number for rows, number in numbers if rows not in left_out})


def _last_numbers(orm: OrmSession) -> dict[type[tables.Base], int]:
    row = orm.connection().exec_driver_sql(_last_numbers_query()).one()
    return {rows: number or 0 for rows, number in zip(_tables(), row, strict=True)}


@cache
def _tables() -> tuple[type[tables.Base], ...]:
    return tuple(dict.fromkeys(one.rows for one in AUDITED.values()))


@cache
def _last_numbers_query() -> str:
    """As text: finding a query of so many parts among those compiled before takes longer than running it."""
    tables_of = [(rows.__tablename__, next(iter(rows.__table__.primary_key)).name) for rows in _tables()]
    parts = [f"(SELECT max({key}) FROM {name})" for name, key in tables_of]  # noqa: S608 - mapped names
    return "SELECT " + ", ".join(parts)


def _written(orm: OrmSession, before: Mapping[type[tables.Base], int]) -> Iterator[_Written]:
    """What was written since, kind by kind in order of reference."""
    now = _last_numbers(orm)
    for kind, told in AUDITED.items():
        if now[told.rows] > before[told.rows]:
            yield from _written_of(orm, kind, before[told.rows])


def _written_of(orm: OrmSession, kind: str, last: int) -> Iterator[_Written]:
    """What of a kind stands behind the number ``last`` of its table."""
    told = AUDITED[kind]
    keys = None if told.key is not None else offering.keys_after(orm, kind, last)
    for number, key, about, reason, undoes, bench in orm.execute(_facts(kind), {"last": last}):
        if keys is not None and number not in keys:
            continue  # such as limits, which are signed or not
        called = f"{kind} {told.undoes[1]}" if told.undoes is not None and undoes else kind
        yield _Written(
            chain.Act(called, str(key if keys is None else keys[number]), about, reason), kind, bench
        )


@cache
def _facts(kind: str) -> Select[Any]:
    told = AUDITED[kind]
    undoes = None if told.undoes is None else told.undoes[0]
    columns = [null() if column is None else column for column in (told.key, told.about, told.reason, undoes)]
    query = select(told.number, *columns, null() if told.bench is None else told.bench)
    for join in told.joins:
        query = query.join(join)
    if told.only is not None:
        query = query.where(told.only)
    return query.where(told.number > bindparam("last")).order_by(told.number)


def _refuse_ended(orm: OrmSession, actor: Actor) -> None:
    """NotAllowedError for a token that was revoked or ran out since it was looked at."""
    if actor.token is not None and not tokens.still_good(orm, actor.token):
        raise NotAllowedError(
            "the token",
            "was revoked, or ran out",
            "",
            "nothing was written; ask for another",
            token_ended=True,
        )


def _refuse(actor: Actor, written: _Written) -> None:
    scopes = SCOPES[written.kind]
    what = f"{written.act.kind} {written.act.object_sha256[:ID_DIGITS]}"
    if actor.scopes is not None and not actor.scopes.intersection(scopes):
        needed = " or ".join(scopes)
        raise NotAllowedError(
            what,
            "the token does not allow it",
            f"one with the scope {needed}",
            "nothing was written",
            scope=scopes[0],
        )
    if actor.token is not None and actor.bench is not None and not AUDITED[written.kind].shared:
        if written.bench == actor.bench:
            return
        of = "of no bench" if written.bench is None else f"of bench {written.bench[:ID_DIGITS]}"
        raise NotAllowedError(
            what,
            f"is {of}, and the token is for bench {actor.bench[:ID_DIGITS]} alone",
            "",
            "nothing was written; use a token for any bench",
        )
