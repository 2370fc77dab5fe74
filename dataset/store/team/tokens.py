"""Tokens: made, found again by what was presented, revoked.

A token is ``inn_<id>_<secret><check>``: ten characters by which it is known, 43 that are secret (256 random
bits), and eight that tell a token which was cut or mistyped (CRC-32 of what stands before them). The store
keeps the SHA-256 of the secret: a plain hash is enough for a random secret (OWASP ASVS 5.0, 6.5.2: from 112
bits on). It is shown once, when it is made.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import string
import zlib
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission.rules import check_identity
from dataset.errors import InputError, NotFoundError, StateError, StoreError, there_are
from dataset.records import Scope, Token
from dataset.store.proof import check_row, keep, record_sha256
from dataset.store.tables import TokenRevocationRow, TokenRow, TokenUseRow
from dataset.store.team import clock
from dataset.values import check_name, check_reason

PREFIX = "inn"
ID_LENGTH, SECRET_LENGTH, CHECK_LENGTH = 10, 43, 8
DAYS, MOST_DAYS = 90, 366
_ALPHABET = string.ascii_lowercase + string.digits
_SHAPE = re.compile(
    rf"{PREFIX}_([a-z0-9]{{{ID_LENGTH}}})_([A-Za-z0-9_-]{{{SECRET_LENGTH}}})([0-9a-f]{{{CHECK_LENGTH}}})"
)
_NOBODY = "0" * ID_LENGTH, "0" * SECRET_LENGTH  # looked up for what is no token, so that it takes as long


def add(
    orm: OrmSession, name: str, scopes: Sequence[Scope], days: int, bench: str | None = None
) -> tuple[Token, str]:
    """Make a token; the record, and the token itself, which nobody can have again.

    Args:
        orm: the store, writing.
        name: whose it is, or what it is for.
        scopes: what it allows, one at least.
        days: how long it is good, 1 to 366.
        bench: the identity of the one bench that it is for; None is any.
    """
    check_name("token", name)
    if not scopes:
        raise InputError("scope", "none", "one at least of " + ", ".join(Scope), fields=("scope",))
    if not 1 <= days <= MOST_DAYS:
        raise InputError("days", str(days), f"1 to {MOST_DAYS}", fields=("days",))
    if bench is not None:
        check_identity("bench", bench)
    public_id = "".join(secrets.choice(_ALPHABET) for _ in range(ID_LENGTH))
    secret = secrets.token_urlsafe(32)
    created = clock.now(orm)
    row = TokenRow(
        public_id=public_id,
        secret_sha256=_hashed(secret),
        name=name,
        scopes=",".join(scope.value for scope in Scope if scope in scopes),
        bench=bench,
        created=clock.written(created),
        expires=clock.written(clock.after_days(created, days)),
    )
    keep(orm, row)
    return to_token(row), spelled(public_id, secret)


def spelled(public_id: str, secret: str) -> str:
    """The token as its holder has it."""
    told = f"{PREFIX}_{public_id}_{secret}"
    return f"{told}{zlib.crc32(told.encode()):0{CHECK_LENGTH}x}"


def looks_whole(text: str) -> bool:
    """Whether a text has the form of a token and its last characters fit the others; whether anybody gave it
    out is for a store to say.
    """
    shape = _SHAPE.fullmatch(text)
    return shape is not None and spelled(shape[1], shape[2]) == text


def authentic(orm: OrmSession, presented: str) -> Token | None:
    """The token that was presented; None for one that is malformed, unknown, expired or revoked: one answer,
    reached by the same steps, so that neither it nor the time it takes says which.

    Raises:
        StoreError: its record was changed by something else.
    """
    shape = _SHAPE.fullmatch(presented)
    public_id, secret = (shape[1], shape[2]) if shape else _NOBODY
    row = _row(orm, public_id)
    now = clock.written(clock.now(orm))
    kept = _hashed("") if row is None else row.secret_sha256
    same = hmac.compare_digest(_hashed(secret), kept)
    whole = looks_whole(presented)
    good = row is not None and is_good(row, now)
    if not (same & whole & good) or row is None:
        return None
    check_row(row, f"token {row.public_id}")
    return to_token(row)


def is_good(row: TokenRow, now: str) -> bool:
    """Whether a token is neither revoked nor expired."""
    return (row.revocation is None) & (now < row.expires)


def still_good(orm: OrmSession, public_id: str) -> bool:
    """Whether a token is good as of now, in this transaction."""
    row = _row(orm, public_id)
    return row is not None and is_good(row, clock.written(clock.now(orm)))


def used_now(orm: OrmSession, public_id: str) -> None:
    """Keep the hour as that of a token's last use."""
    row = _row(orm, public_id)
    if row is None:
        return
    hour = _hour(clock.now(orm))
    if row.use is None:
        keep(orm, TokenUseRow(token=row, hour=hour))
    elif row.use.hour != hour:
        row.use.hour = hour
        orm.flush()
        row.use.record_sha256 = record_sha256(orm.connection(), "token_use", row.use.id)
        orm.flush()


def is_used_in_this_hour(orm: OrmSession, token: Token) -> bool:
    """Whether the hour of a token's last use is kept already."""
    return token.last_used == _hour(clock.now(orm))


def revoke(orm: OrmSession, public_id: str, reason: str) -> Token:
    """Record that a token is refused from now on, and why.

    Raises:
        InputError: no reason. StateError: revoked already. NotFoundError: no such token.
    """
    row = _row(orm, public_id)
    if row is None:
        ids = list(orm.scalars(select(TokenRow.public_id).order_by(TokenRow.id)))
        hint = there_are(ids, public_id, "there is no token yet")
        raise NotFoundError("token", _SHAPE.sub("a whole token", public_id)[:80], "a token's id", hint)
    where = f"token {public_id}"
    check_reason(f"{where}, reason", reason, "why it is revoked")
    if row.revocation is not None:
        raise StateError(where, f"is revoked already ('{row.revocation.reason}')")
    keep(orm, TokenRevocationRow(token=row, revoked=clock.written(clock.now(orm)), reason=reason))
    return to_token(row)


def all_tokens(orm: OrmSession) -> tuple[Token, ...]:
    """All tokens, in the order in which they were made."""
    return tuple(to_token(row) for row in orm.scalars(select(TokenRow).order_by(TokenRow.id)))


def any_token(orm: OrmSession) -> bool:
    """Whether the store holds a token, good or not."""
    return bool(orm.connection().exec_driver_sql("SELECT EXISTS (SELECT 1 FROM token)").scalar_one())


def to_token(row: TokenRow) -> Token:
    """The record."""
    revocation = row.revocation
    return Token(
        id=row.public_id,
        name=row.name,
        scopes=tuple(Scope(word) for word in row.scopes.split(",")),
        bench=row.bench,
        created=row.created,
        expires=row.expires,
        last_used=None if row.use is None else row.use.hour,
        revoked=None if revocation is None else revocation.revoked,
        revoked_for=None if revocation is None else revocation.reason,
    )


def check_times(row: TokenRow) -> None:
    """StoreError unless a token's times and scopes can be read."""
    token = to_token(row)
    times = [time for time in (token.created, token.expires, token.revoked) if time is not None]
    if not all(map(clock.is_written, times)) or not clock.is_hour(token.last_used or token.created[:13]):
        raise StoreError(f"token {token.id}", "has a time that is none", "times in UTC as innage writes them")


def _row(orm: OrmSession, public_id: str) -> TokenRow | None:
    query = select(TokenRow).where(TokenRow.public_id == public_id)
    return orm.scalars(query.execution_options(populate_existing=True)).one_or_none()


def _hashed(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _hour(time: datetime) -> str:
    return clock.written(time)[:13]
