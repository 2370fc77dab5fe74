"""Who reads the pages by a token: it is exchanged once for a secret that a browser holds, so that the token
itself is kept nowhere.

The secret has 256 random bits, and the store keeps its SHA-256 (OWASP ASVS 5.0, 6.5.2). It is good as long as
its holder is seen now and then, and never longer than the token (7.4.1).
"""

from __future__ import annotations

import hashlib
import secrets
from datetime import timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import StoreError
from dataset.records import Token
from dataset.store.proof import check_row, keep, record_sha256
from dataset.store.tables import SignInRow, TokenRow
from dataset.store.team import clock
from dataset.store.team.tokens import is_good, to_token

IDLE = timedelta(hours=8)
SEEN_EVERY = timedelta(minutes=10)  # so that reading does not write each time


def begin(orm: OrmSession, public_id: str) -> str:
    """Sign in by the token of this id; the secret. Whoever was not seen for long is let go."""
    now = clock.now(orm)
    orm.execute(delete(SignInRow).where(SignInRow.seen < clock.written(now - IDLE)))
    token = orm.scalars(select(TokenRow).where(TokenRow.public_id == public_id)).one()
    secret = secrets.token_urlsafe(32)
    times = {"begun": clock.written(now), "seen": clock.written(now)}
    keep(orm, SignInRow(token_id=token.id, secret_sha256=_hashed(secret), **times))
    return secret


def token_of(orm: OrmSession, secret: str) -> tuple[Token | None, bool]:
    """The token that a secret stands for, and whether it is time to keep that its holder was seen; None where
    it stands for none that is good.
    """
    row = _row(orm, secret)
    now = clock.now(orm)
    if row is None or row.seen < clock.written(now - IDLE) or not is_good(row.token, clock.written(now)):
        return None, False
    check_row(row, "sign-in")
    check_row(row.token, f"token {row.token.public_id}")
    return to_token(row.token), row.seen < clock.written(now - SEEN_EVERY)


def seen_now(orm: OrmSession, secret: str) -> None:
    """Keep that the holder of a secret was seen."""
    row = _row(orm, secret)
    if row is None:
        return
    row.seen = clock.written(clock.now(orm))
    orm.flush()
    row.record_sha256 = record_sha256(orm.connection(), "sign_in", row.id)
    orm.flush()


def end(orm: OrmSession, secret: str) -> None:
    """Let a secret be good no longer; one that nobody has changes nothing."""
    orm.execute(delete(SignInRow).where(SignInRow.secret_sha256 == _hashed(secret)))


def check_times(row: SignInRow) -> None:
    """StoreError unless its times can be read."""
    if not clock.is_written(row.begun) or not clock.is_written(row.seen):
        raise StoreError("sign-in", "has a time that is none", "times in UTC as innage writes them")


def _row(orm: OrmSession, secret: str) -> SignInRow | None:
    query = select(SignInRow).where(SignInRow.secret_sha256 == _hashed(secret))
    return orm.scalars(query.execution_options(populate_existing=True)).one_or_none()


def _hashed(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
