"""Who works with a store of a team, what they did, and what a server acknowledged."""

from __future__ import annotations

from dataclasses import dataclass

from dataset.words import KnownBy, Scope


@dataclass(frozen=True)
class Actor:
    """Who writes to a store.

    Attributes:
        who: a token's name, a role of the database, a user of the operating system.
        known_by: which of these it is.
        token: the token's id.
        bench: the identity of the bench that it comes from, where that is known; with a token the only one
            of which anything may be written.
        scopes: what may be done; None is everything.
    """

    who: str
    known_by: KnownBy
    token: str | None = None
    bench: str | None = None
    scopes: frozenset[Scope] | None = None


@dataclass(frozen=True)
class Token:
    """A token without its secret. Times are text in UTC, such as 2026-03-02T09:15:00.000000Z.

    Attributes:
        id: ten characters, which may be shown.
        name: whose it is, or what it is for.
        scopes: what it allows.
        bench: the identity of the one bench that it is for; None is any.
        created: when.
        expires: from when on it is refused.
        last_used: the hour, such as 2026-03-02T09; None where it never was.
        revoked: when; None where it was not.
        revoked_for: why.
    """

    id: str
    name: str
    scopes: tuple[Scope, ...]
    bench: str | None
    created: str
    expires: str
    last_used: str | None = None
    revoked: str | None = None
    revoked_for: str | None = None

    @property
    def actor(self) -> Actor:
        """Who writes with it."""
        return Actor(self.name, KnownBy.TOKEN, self.id, self.bench, frozenset(self.scopes))


@dataclass(frozen=True)
class AuditEntry:
    """A row of the audit chain.

    Attributes:
        number: its place, from 1.
        at: when, UTC.
        who: as of :class:`Actor`.
        known_by: as of :class:`Actor`.
        token: the token's id.
        bench: where it came from, where that is known.
        kind: what was done: the kind of object that was written, such as 'session' or 'void'.
        object_sha256: the object's key, as stores exchange it.
        about: the key of the session, or whatever else, that it is said of.
        reason: what was stated.
        previous: the hash of the row before.
        sha256: the hash of this row.
    """

    number: int
    at: str
    who: str
    known_by: str
    token: str | None
    bench: str | None
    kind: str
    object_sha256: str
    about: str | None
    reason: str | None
    previous: str
    sha256: str


@dataclass(frozen=True)
class Receipt:
    """What a server acknowledged of an object that was pushed to it.

    Attributes:
        kind: the object's kind.
        object_sha256: its key, as stores exchange it.
        server: the server's URL.
        received: when, by the server's clock, UTC.
        digest: the SHA-256 of the document that it took.
        audit_number: the place of its row in the server's audit chain; None where it was there before that
            was kept.
        audit_sha256: the hash of that row.
    """

    kind: str
    object_sha256: str
    server: str
    received: str
    digest: str
    audit_number: int | None = None
    audit_sha256: str | None = None
