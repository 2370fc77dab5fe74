"""What a team lets out: bundles that were offered, channels, withdrawals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy.orm import Session as OrmSession

from dataset.records import BundleLine, BundleSignature, ChannelMove, KnownBundle, Model, WithdrawalEvent
from dataset.store.doors.transactions import Transactions
from dataset.store.events import channels, withdrawals
from dataset.store.events.channels import NewMove
from dataset.store.results import bundles


class ReleasesDoor(Transactions):
    """Bundles kept with their files, channels that point at them, and which of them are withdrawn."""

    def keep_bundle(
        self,
        model: Model,
        bundle_sha256: str,
        files: Mapping[str, bytes],
        archive_sha256: str,
        signatures: Sequence[BundleSignature] = (),
    ) -> bool:
        """Keep the files of a bundle of ``model`` by name, its manifest among them, and what was signed of
        it; whether anything is new. What they hold is for the caller to judge; see ``innage.jobs.releasing``.

        Args:
            model: the model, as the store has it.
            bundle_sha256: what identifies the bundle.
            files: the bytes of each file.
            archive_sha256: the hash of its zip file, by which a trace knows it.
            signatures: nobody checks them here.

        Raises:
            InputError: another model, or the bundle is recorded with other files.
        """
        return self._write(
            lambda orm: bundles.keep_bundle(orm, model, bundle_sha256, files, archive_sha256, signatures)
        )

    def bundle(self, ref: str) -> KnownBundle:
        """The bundle whose hash begins with ``ref``, at least 8 digits.

        Raises:
            NotFoundError: no export of this store wrote it, and nobody offered it. InputError: too few
                digits.
        """

        def work(orm: OrmSession) -> KnownBundle:
            row = bundles.bundle_row(orm, ref)
            return bundles.to_bundle(orm, row, withdrawals.withdrawn(orm, row.bundle_sha256))

        return self._read(work)

    def bundle_lines(self) -> tuple[BundleLine, ...]:
        """Every bundle that was exported from this store or offered to it, in order of their hashes, as a
        list shows it.
        """
        return self._read(lambda orm: bundles.lines(orm, withdrawals.every_withdrawn(orm)))

    def bundles_of(self, model: str) -> tuple[KnownBundle, ...]:
        """The bundles of the model of that name which were exported from this store or offered to it, in
        order of their hashes.
        """

        def work(orm: OrmSession) -> tuple[KnownBundle, ...]:
            rows = bundles.exports_of(orm, model)
            return tuple(
                bundles.to_bundle(orm, row, withdrawals.withdrawn(orm, row.bundle_sha256)) for row in rows
            )

        return self._read(work)

    def bundle_file(self, bundle: str, sha256: str) -> bytes:
        """The bytes of a file of a bundle, by their hash, which is checked; NotFoundError where the store
        does not keep it.
        """
        return self._read(lambda orm: bundles.content_of(orm, bundle, sha256))

    def move_channel(self, new: NewMove) -> ChannelMove:
        """Point a channel at a bundle. Whether the bundle may be let out is for the caller to judge; that
        nothing was said since is looked at here, in the same transaction.

        Raises:
            ChangedMeanwhileError: the channel was moved, or something was said of the bundle's model or
                sessions.
            InputError: no author or reason, a bundle that is withdrawn, or the one that it points at.
            NotFoundError: a bundle that the store does not have.
        """
        return self._write(lambda orm: channels.move(orm, new))

    def said_of(self, model: str) -> str:
        """A hash over what was said of a model and of the sessions behind it; another when something further
        is said.
        """
        return self._read(lambda orm: channels.said_of(orm, model))

    def channel(self, name: str) -> ChannelMove:
        """The move of a channel that stands; NotFoundError where there is no such channel."""
        return self._read(lambda orm: channels.channel(orm, name))

    def channels(self) -> tuple[ChannelMove, ...]:
        """The move that stands of each channel, by name."""
        return self._read(channels.channels)

    def channel_moves(self, name: str) -> tuple[ChannelMove, ...]:
        """The moves of a channel, the oldest first, every hash checked."""
        return self._read(lambda orm: channels.moves(orm, name))

    def moves_to(self, bundle_sha256: str) -> tuple[ChannelMove, ...]:
        """Every move of any channel to a bundle, the oldest first."""
        return self._read(lambda orm: channels.moves_to(orm, bundle_sha256))

    def withdraw(self, bundle: str, author: str, reason: str, when: datetime) -> WithdrawalEvent:
        """Record that a bundle must not be used from now on, and why; it stays, and so do channels.

        Raises:
            InputError: no author or reason, or it is withdrawn. NotFoundError: no such bundle.
        """
        return self._write(lambda orm: withdrawals.withdraw(orm, bundle, author, reason, when))

    def take_back_withdrawal(
        self, bundle: str, author: str, reason: str, when: datetime
    ) -> tuple[WithdrawalEvent, ...]:
        """Record that a withdrawn bundle can be used after all, and why.

        Raises:
            InputError: no author or reason, or it is not withdrawn. NotFoundError: no such bundle.
        """
        return self._write(lambda orm: withdrawals.take_back(orm, bundle, author, reason, when))

    def withdrawals(self, bundle: str) -> tuple[WithdrawalEvent, ...]:
        """What was said of a bundle, in order, every hash checked."""
        return self._read(lambda orm: withdrawals.events(orm, bundle))
