"""Tokens and sign-ins, the audit chain, receipts, and blobs on their way in."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy.orm import Session as OrmSession

from dataset.errors import NotAllowedError, StoreError
from dataset.records import AuditEntry, Receipt, Scope, Token
from dataset.store.doors.transactions import Transactions
from dataset.store.team import chain, clock, receipts, sign_ins, tokens
from dataset.store.team.chain import ChainFault

log = logging.getLogger(__name__)


class TeamDoor(Transactions):
    """Who may do what, who did what, and what a server acknowledged."""

    def add_token(
        self, name: str, scopes: Sequence[Scope], days: int = tokens.DAYS, bench: str | None = None
    ) -> tuple[Token, str]:
        """Make a token. The first one makes the store a team's, whose acts are audited.

        Args:
            name: whose it is, or what it is for; it need not be new.
            scopes: what it allows, one at least.
            days: how long it is good, 1 to 366.
            bench: the identity of the one bench of which it may write; None is any.

        Returns:
            The record, and the token itself, which cannot be had again.

        Raises:
            InputError: no such name, scope, time or bench. NotAllowedError: whoever acts has not all of these
                scopes.
        """
        own = None if self._actor is None else self._actor.scopes
        for scope in scopes:
            if own is not None and scope not in own:
                raise NotAllowedError(
                    "the token", f"does not allow {scope} itself", "scopes that it has", scope=scope.value
                )
        return self._write(lambda orm: tokens.add(orm, name, scopes, days, bench), of_team=True)

    def revoke_token(self, token_id: str, reason: str) -> Token:
        """Record that a token is refused from now on, and why.

        Raises:
            InputError: no reason, or revoked already. NotFoundError: no such token.
        """
        return self._write(lambda orm: tokens.revoke(orm, token_id, reason))

    def tokens(self) -> tuple[Token, ...]:
        """All tokens, in the order in which they were made, revoked and expired ones too."""
        return self._read(tokens.all_tokens)

    def has_tokens(self) -> bool:
        """Whether there is any token, good or not."""
        return self._read(tokens.any_token)

    def time_now(self) -> str:
        """What time it is by the clock that tokens expire by, as in their records."""
        return self._read(lambda orm: clock.written(clock.now(orm)))

    def authentic(self, presented: str) -> Token | None:
        """The token that somebody presented, the hour of its use kept; None for one that is malformed,
        unknown, expired or revoked, without saying which.

        Raises:
            StoreError: its record was changed by something else.
        """

        def work(orm: OrmSession) -> tuple[Token | None, bool]:
            token = tokens.authentic(orm, presented)
            return token, token is not None and not tokens.is_used_in_this_hour(orm, token)

        token, first_in_hour = self._read(work)
        if token is not None and first_in_hour:
            used = token.id
            try:
                self._database.write(lambda orm: tokens.used_now(orm, used))
            except StoreError as error:  # it is as good without
                log.warning("the last use of token %s was not kept: %s", used, error)
        return token

    def sign_in(self, presented: str) -> tuple[Token, str] | None:
        """Exchange a token for a secret that a browser holds; None for a token that is not good, as of
        :meth:`authentic`.
        """
        token = self.authentic(presented)
        if token is None:
            return None
        return token, self._database.write(lambda orm: sign_ins.begin(orm, token.id))

    def signed_in(self, secret: str) -> Token | None:
        """The token of whoever signed in and was given this secret, seen as of now; None where nobody was,
        where they were not seen for long, and once the token is revoked or has expired.

        Raises:
            StoreError: its record was changed by something else.
        """
        token, is_due = self._read(lambda orm: sign_ins.token_of(orm, secret))
        if token is not None and is_due:
            try:
                self._database.write(lambda orm: sign_ins.seen_now(orm, secret))
            except StoreError as error:  # they are asked to sign in again somewhat earlier
                log.warning("that the holder of token %s was seen was not kept: %s", token.id, error)
        return token

    def sign_out(self, secret: str) -> None:
        """Let a secret that a browser holds be good no longer."""
        self._database.write(lambda orm: sign_ins.end(orm, secret))

    def audit(
        self, after: int = 0, most: int | None = None, *, token: str | None = None, who: str | None = None
    ) -> tuple[AuditEntry, ...]:
        """The rows of the audit chain behind number ``after``, in order, at most so many; with ``token`` or
        ``who`` those of a token, by its id, or of somebody, by name.
        """
        return self._read(lambda orm: chain.entries_after(orm, after, most, chain.By(token, who)))

    def audit_about(
        self, digits: str, *, token: str | None = None, who: str | None = None
    ) -> tuple[AuditEntry, ...]:
        """The rows of the audit chain whose object, or what it is said of, has a key that begins with these
        digits, in order.
        """
        return self._read(lambda orm: chain.entries_about(orm, digits.lower(), chain.By(token, who)))

    def last_audit(
        self, most: int, *, before: int | None = None, token: str | None = None, who: str | None = None
    ) -> tuple[AuditEntry, ...]:
        """The last rows of the audit chain, or the last before a number, at most so many, in order."""
        return self._read(lambda orm: chain.last_entries(orm, most, chain.By(token, who), before))

    def audit_of(self, keys: Sequence[str]) -> dict[str, AuditEntry]:
        """By the keys of objects: the row of the audit chain that tells that each came in, where there is
        one.
        """
        return self._read(lambda orm: chain.of_objects(orm, keys))

    def audit_faults(self, held: Iterable[Receipt] = ()) -> tuple[ChainFault, ...]:
        """What is wrong with the audit chain: edited, removed and reordered rows by itself, one that was cut
        off or written anew by receipts that others hold.
        """
        return self.walk_audit(held).faults

    def walk_audit(self, held: Iterable[Receipt] = ()) -> chain.Walked:
        """As :meth:`audit_faults`, with the end of the chain, as it is in the same view of the store."""
        return self._read_rows(
            lambda rows: chain.walk(
                chain.entries(lambda query, after: rows.together([query], after)[0]), held
            )
        )

    def keep_receipts(self, given: Sequence[Receipt]) -> None:
        """Keep what a server acknowledged; what is kept already changes nothing."""
        self._write(lambda orm: receipts.add(orm, given))

    def receipts(self, server: str | None = None) -> tuple[Receipt, ...]:
        """What a server, or any, acknowledged, in the order in which it was kept."""
        return self._read(lambda orm: receipts.receipts(orm, server))

    def stage_blob(self, sha256: str, content: bytes) -> bool:
        """Keep bytes until an object names them; whether they are new here.

        Raises:
            InputError: they do not hash to their name.
        """
        token = None if self._actor is None else self._actor.token
        return self._write(lambda orm: receipts.stage(orm, sha256, content, token))

    def stage_blobs(self, blobs: Mapping[str, bytes]) -> tuple[str, ...]:
        """As :meth:`stage_blob`, many or none of them; the names of those that are new here."""
        token = None if self._actor is None else self._actor.token
        return self._write(lambda orm: receipts.stage_many(orm, blobs, token))

    def staged_names(self, names: Sequence[str]) -> frozenset[str]:
        """Which of these blobs wait, at most 1000 of them."""
        return self._read(lambda orm: receipts.staged_names(orm, names))

    def staged_blobs(self, names: Sequence[str], most_bytes: int) -> dict[str, bytes] | None:
        """These blobs, at most 1000, as far as they wait; None where they are more bytes than that."""
        return self._read(lambda orm: receipts.staged_blobs(orm, names, most_bytes))

    def staged_blob(self, sha256: str) -> bytes | None:
        """Bytes that wait; None where there are none of this name."""
        return self._read(lambda orm: receipts.staged_blob(orm, sha256))

    def staged_bytes(self, token: str | None = None) -> int:
        """How many bytes wait, of a token or of all."""
        return self._read(lambda orm: receipts.staged_bytes(orm, token))

    def drop_staged_before(self, days: float) -> int:
        """Let go of blobs that wait longer than so many days; how many there were."""
        return self._write(lambda orm: receipts.drop_staged_before(orm, days))
