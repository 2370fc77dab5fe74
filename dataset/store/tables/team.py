"""Tables of a store that a team works with: tokens and who is signed in by them, the audit chain, receipts,
and blobs on their way in.

Times are text in UTC, as ``dataset.store.team.clock`` writes them, so that they sort as they stand.
"""

from __future__ import annotations

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.store.tables.base import Base, Bytes, Covered, Digest, Key, Name, Prose, words

WHEN = 27  # characters: 2026-03-02T09:15:00.000000Z
HOUR = 13  # characters: 2026-03-02T09


class TokenRow(Covered, Base):
    """A token, without its secret; ``scopes`` are words with commas between, ``bench`` the identity of the
    one bench that it is for, or none.
    """

    __tablename__ = "token"

    id: Mapped[Key]
    public_id: Mapped[str] = mapped_column(words(10), unique=True)
    secret_sha256: Mapped[Digest]
    name: Mapped[Name]
    scopes: Mapped[Prose]
    bench: Mapped[str | None] = mapped_column(words(32))
    created: Mapped[str] = mapped_column(words(WHEN))
    expires: Mapped[str] = mapped_column(words(WHEN))
    revocation: Mapped[TokenRevocationRow | None] = relationship(back_populates="token", lazy="joined")
    use: Mapped[TokenUseRow | None] = relationship(back_populates="token", lazy="joined")


class TokenRevocationRow(Covered, Base):
    """The event that a token was revoked, which is for good."""

    __tablename__ = "token_revocation"

    id: Mapped[Key]
    token_id: Mapped[int] = mapped_column(ForeignKey("token.id"), unique=True)
    revoked: Mapped[str] = mapped_column(words(WHEN))
    reason: Mapped[Prose]
    token: Mapped[TokenRow] = relationship(back_populates="revocation")


class TokenUseRow(Covered, Base):
    """The hour in which a token was used last: the one row here that changes."""

    __tablename__ = "token_use"

    id: Mapped[Key]
    token_id: Mapped[int] = mapped_column(ForeignKey("token.id"), unique=True)
    hour: Mapped[str] = mapped_column(words(HOUR))
    token: Mapped[TokenRow] = relationship(back_populates="use")


class SignInRow(Covered, Base):
    """Somebody who reads the pages by a token: the SHA-256 of the secret that their browser holds, when they
    came and when they were seen last. It goes when they sign out, or were not seen for long.
    """

    __tablename__ = "sign_in"

    id: Mapped[Key]
    token_id: Mapped[int] = mapped_column(ForeignKey("token.id"))
    secret_sha256: Mapped[Digest] = mapped_column(unique=True)
    begun: Mapped[str] = mapped_column(words(WHEN))
    seen: Mapped[str] = mapped_column(words(WHEN))
    token: Mapped[TokenRow] = relationship(lazy="joined")


class AuditRow(Base):
    """One thing that somebody did to a store; ``sha256`` covers the row and the hash of the one before it.

    ``who`` is a token's name, a role of the database or a user of the operating system, as ``known_by`` says.
    ``bench`` is where it came from, where that is known. ``object_sha256`` is the key that stores exchange
    the object under, ``about`` that of the session, or whatever else, that it is said of. ``number`` counts
    from 1 without a gap: the store gives it, not the database.
    """

    __tablename__ = "audit"

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(words(WHEN))
    who: Mapped[Prose]
    known_by: Mapped[str] = mapped_column(words(20))
    token: Mapped[str | None] = mapped_column(words(10))
    bench: Mapped[str | None] = mapped_column(words(32))
    kind: Mapped[str] = mapped_column(words(40))
    object_sha256: Mapped[Digest] = mapped_column(index=True)
    about: Mapped[Digest | None]
    reason: Mapped[Prose | None]
    previous: Mapped[Digest]
    sha256: Mapped[Digest] = mapped_column(unique=True)


class ReceiptRow(Covered, Base):
    """What a server acknowledged of an object that was pushed to it: when by its clock, the SHA-256 of what
    it took, and the row of its audit chain.
    """

    __tablename__ = "receipt"

    id: Mapped[Key]
    kind: Mapped[str] = mapped_column(words(40))
    object_sha256: Mapped[Digest] = mapped_column(index=True)
    server: Mapped[Prose]
    received: Mapped[str] = mapped_column(words(WHEN))
    digest: Mapped[Digest]
    audit_number: Mapped[int | None]
    audit_sha256: Mapped[Digest | None]


class StagedBlobRow(Covered, Base):
    """Bytes that a client sent and no object names yet; ``token`` is the id of who sent them."""

    __tablename__ = "staged_blob"

    id: Mapped[Key]
    sha256: Mapped[Digest] = mapped_column(unique=True)
    size: Mapped[int]
    staged: Mapped[str] = mapped_column(words(WHEN))
    token: Mapped[str | None] = mapped_column(words(10))
    content: Mapped[Bytes]
