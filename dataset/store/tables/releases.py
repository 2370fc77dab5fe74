"""Tables of what a team lets out: moves of channels, withdrawals, and the files of bundles that were
offered.
"""

from __future__ import annotations

from sqlalchemy.orm import Mapped, mapped_column

from dataset.store.tables.base import Base, Bytes, Covered, Digest, Key, Name, Prose, words


class ChannelMoveRow(Covered, Base):
    """The event that a channel was pointed at a bundle.

    ``parent_sha256`` is the record hash of the move before it, so that the moves of a channel are a chain;
    ``id`` is their order. ``concessions`` are, as JSON, the gates
    that were opened all the same.
    """

    __tablename__ = "channel_move"

    id: Mapped[Key]
    channel: Mapped[Name] = mapped_column(index=True)
    bundle_sha256: Mapped[Digest] = mapped_column(index=True)
    parent_sha256: Mapped[Digest | None]
    author: Mapped[Prose]
    reason: Mapped[Prose]
    moved_at: Mapped[str] = mapped_column(words(40))
    concessions: Mapped[Prose]
    judged_by: Mapped[str] = mapped_column(words(40))


class WithdrawalRow(Covered, Base):
    """The event that a bundle was withdrawn, or (``takes_back``) that one such event was taken back;
    ``parent_sha256`` as of a void.
    """

    __tablename__ = "withdrawal_event"

    id: Mapped[Key]
    bundle_sha256: Mapped[Digest] = mapped_column(index=True)
    reason: Mapped[Prose]
    author: Mapped[Prose]
    said_at: Mapped[str] = mapped_column(words(40))
    parent_sha256: Mapped[Digest | None]
    takes_back: Mapped[bool | None]


class BundleContentRow(Base):
    """The bytes of a bundle's file by their hash, packed by zstd; ``size`` is theirs."""

    __tablename__ = "bundle_content"

    id: Mapped[Key]
    sha256: Mapped[Digest] = mapped_column(unique=True)
    size: Mapped[int]
    packed: Mapped[Bytes]


class BundleSignatureRow(Covered, Base):
    """A signature over a bundle's manifest, as somebody brought it."""

    __tablename__ = "bundle_signature"

    id: Mapped[Key]
    bundle_sha256: Mapped[Digest] = mapped_column(index=True)
    keyid: Mapped[Prose]
    signature: Mapped[Prose]
