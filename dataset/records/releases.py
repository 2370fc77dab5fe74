"""What a team lets out: channels that point at bundles, bundles that are withdrawn, and their files as
kept.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ChannelMove:
    """Somebody pointed a channel at a bundle, and why. ``sha256`` is the hash of the event's record,
    ``parent`` that of the move before it, None of the first; ``moved_at`` is ISO 8601 in UTC. ``concessions``
    are the gates that were opened all the same, ``judged_by`` is the version of innage that judged.
    """

    sha256: str
    parent: str | None
    channel: str
    bundle_sha256: str
    author: str
    reason: str
    moved_at: str
    concessions: tuple[str, ...] = ()
    judged_by: str = ""


@dataclass(frozen=True)
class WithdrawalEvent:
    """Somebody said that a bundle must not be used, or (``takes_back``) that it can be after all, and why."""

    sha256: str
    parent: str | None
    bundle_sha256: str
    author: str
    reason: str
    said_at: str
    takes_back: bool = False


@dataclass(frozen=True)
class BundleFile:
    """A file of a bundle by name, hash and size in bytes; ``size`` is None where the store does not keep its
    content.
    """

    name: str
    sha256: str
    size: int | None


@dataclass(frozen=True)
class BundleLine:
    """A bundle as a list shows it. ``kept``: whether the store has the content of its files; ``withdrawn`` as
    of :class:`KnownBundle`.
    """

    bundle_sha256: str
    model: str
    files: int
    kept: bool
    signatures: int
    withdrawn: str | None


@dataclass(frozen=True)
class BundleSignature:
    """A signature over a bundle's manifest: which key says that it made it, and the signature in base64, as
    they stand in an envelope. Nobody has checked it.
    """

    keyid: str
    signature: str


@dataclass(frozen=True)
class KnownBundle:
    """A bundle that a store knows: of which model, its files, and what was signed of it. ``withdrawn``: why
    it must not be used, None where it may be.
    """

    bundle_sha256: str
    model: str
    files: tuple[BundleFile, ...]
    signatures: tuple[BundleSignature, ...] = ()
    withdrawn: str | None = None

    @property
    def kept(self) -> bool:
        """Whether the store has the content of its files."""
        return all(file.size is not None for file in self.files)
