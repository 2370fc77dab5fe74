"""A bundle fetched by a channel's name: verified on arrival, and there whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from dataset.errors import InputError, NotFoundError
from dataset.records import ID_DIGITS
from dataset.words import counted
from innage.jobs import Progress, silent
from innage.jobs.releasing.gates import AMENDED, UNPROVEN, VOID, WITHDRAWN, void_and_amended
from innage.jobs.releasing.signing import check_signature, signed_files

if TYPE_CHECKING:
    from dataset.records import ChannelMove, KnownBundle
    from dataset.store import Store
    from export.bundle.verify import Check, VerifyReport

MOST_FILES = 64
_NAMED = 3  # sessions in a sentence
_LOOKED_AT = 10  # earlier bundles of a channel


@dataclass(frozen=True)
class BundleNow:
    """A bundle as a store has it now, and what is said of what stands behind it: sessions that are void, by
    id, with the reason, and those that were amended since they were frozen.
    """

    bundle: KnownBundle
    void: tuple[tuple[str, str], ...] = ()
    amended: tuple[str, ...] = ()

    def against(self) -> dict[str, str]:
        """What speaks against using it, a sentence each, by the concession that lets it through."""
        said: dict[str, str] = {}
        if self.bundle.withdrawn is not None:
            said[WITHDRAWN] = f"it is withdrawn: {self.bundle.withdrawn}"
        if self.void:
            first = "; ".join(f"session {name} behind it is void ({why})" for name, why in self.void[:_NAMED])
            said[VOID] = first + "; ..." * (len(self.void) > _NAMED)
        if self.amended:
            named = ", ".join(self.amended[:_NAMED]) + ", ..." * (len(self.amended) > _NAMED)
            said[AMENDED] = f"{len(self.amended)} of the sessions behind it were amended since ({named})"
        return said


class ReleaseSource(Protocol):
    """Where channels and bundles can be had from: a store here, or one at the other end of a line."""

    def channel(self, name: str) -> ChannelMove:
        """The move of a channel that stands; NotFoundError where there is none."""
        ...

    def channel_moves(self, name: str) -> tuple[ChannelMove, ...]:
        """The moves of a channel, the oldest first."""
        ...

    def call_to_move(self, channel: str, bundle: str) -> str:
        """How whoever releases moves a channel to a bundle there, as errors name calls."""
        ...

    def bundle_now(self, bundle_sha256: str) -> BundleNow:
        """A bundle, and what is said of it now; NotFoundError where there is none."""
        ...

    def bundle_file(self, bundle_sha256: str, sha256: str, size: int) -> bytes:
        """The bytes of a file of ``size`` bytes, by their hash."""
        ...


class StoreSource:
    """An open store as a source."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def channel(self, name: str) -> ChannelMove:
        """As of :class:`ReleaseSource`."""
        return self._store.channel(name)

    def channel_moves(self, name: str) -> tuple[ChannelMove, ...]:
        """As of :class:`ReleaseSource`."""
        return self._store.channel_moves(name)

    def call_to_move(self, channel: str, bundle: str) -> str:
        """As of :class:`ReleaseSource`."""
        return f"Store.move_channel('{channel}', '{bundle}')"

    def bundle_now(self, bundle_sha256: str) -> BundleNow:
        """As of :class:`ReleaseSource`."""
        return bundle_now(self._store, bundle_sha256)

    def bundle_file(self, bundle_sha256: str, sha256: str, size: int) -> bytes:
        """As of :class:`ReleaseSource`."""
        return self._store.bundle_file(bundle_sha256, sha256)


def bundle_now(store: Store, ref: str) -> BundleNow:
    """A bundle of the store by its hash or the first digits of it, and what is said of it now."""
    known = store.bundle(ref)
    void, amended = void_and_amended(store, store.model(known.model))
    return BundleNow(known, void, amended)


class StoppedError(InputError):
    """Nothing was written: something speaks against the bundle that nobody conceded.

    Args:
        move: the channel's move to it.
        against: what speaks against it, by the concession that lets it through.
        earlier: the one that the channel pointed at before and nothing speaks against, if any.
        to_earlier: the call that moves the channel back to that.
    """

    def __init__(
        self, move: ChannelMove, against: Mapping[str, str], earlier: str | None, to_earlier: str
    ) -> None:
        self.against = dict(against)
        asked = tuple(f"{one}=True" for one in against)
        way_back = (
            f"channel {move.channel} has no earlier one that nothing speaks against"
            if earlier is None
            else f"nothing speaks against bundle {earlier[:ID_DIGITS]}, which channel {move.channel} pointed "
            f"at before: whoever releases moves it back with {to_earlier}, then pull again"
        )
        super().__init__(
            f"bundle {move.bundle_sha256[:ID_DIGITS]}",
            "; ".join(against.values()),
            "",
            f"{way_back}; or say {' and '.join(asked)}",
            fields=(*(() if earlier is None else (to_earlier,)), *asked),
        )


class NotVerifiedError(InputError):
    """Nothing was written: ``report`` says which check said no, or lacks its evidence."""

    def __init__(self, bundle_sha256: str, report: VerifyReport) -> None:
        self.report = report
        asked = () if not self.lacks_evidence_only else (f"{UNPROVEN}=True",)
        first = next(check for check in self._failed or report.checks if not check.passed)
        super().__init__(
            f"bundle {bundle_sha256[:ID_DIGITS]}",
            f"{first.name}: {first.sentence}",
            "what verification passes",
            f"say {asked[0]} to take it all the same" if asked else "",
            fields=asked,
        )

    @property
    def _failed(self) -> tuple[Check, ...]:
        from export.bundle.verify import Answer

        return self.report.having(Answer.FAILED)

    @property
    def lacks_evidence_only(self) -> bool:
        """Whether nothing says no, and evidence is missing."""
        return not self._failed


@dataclass(frozen=True)
class Pulled:
    """A bundle that was fetched: where it lies, by which move, what verification said, and what spoke against
    it and was conceded.
    """

    out: Path
    move: ChannelMove
    now: BundleNow
    report: VerifyReport
    conceded: tuple[str, ...]


def pull_bundle(
    source: ReleaseSource,
    channel: str,
    out: Path | str,
    *,
    concessions: Collection[str] = (),
    signed_by: Path | str | None = None,
    progress: Progress = silent,
) -> Pulled:
    """Fetch the bundle that a channel points at, as ``innage pull --channel`` does. Everything is fetched and
    verified, as ``innage verify`` does, before anything is written; then the folder appears whole.

    Args:
        source: where from.
        channel: the channel's name.
        out: the folder: new, empty, or one that holds a bundle and nothing else, which is replaced.
        concessions: what may speak against it: :data:`innage.jobs.releasing.gates.WITHDRAWN`, ``VOID``,
            ``AMENDED``; ``UNPROVEN``: checks that lack their evidence.
        signed_by: the file of a public key by which it has to be signed.
        progress: called with (what, done, total).

    Raises:
        StoppedError: it is withdrawn, or sessions behind it are void or amended. NotVerifiedError: a check
            said no.
        InputError: bytes that are not what they are called, or a place that cannot be written. NotFoundError:
            no such channel.
    """
    from export.bundle.verify import VerifyReport
    from innage.jobs.folders import check_target, write_bundle

    place = Path(out)
    check_target(place, None)
    move = source.channel(channel)
    now = source.bundle_now(move.bundle_sha256)
    stops = {what: said for what, said in now.against().items() if what not in concessions}
    if stops:
        earlier = _earlier(source, move)
        call = "" if earlier is None else source.call_to_move(channel, earlier[:ID_DIGITS])
        raise StoppedError(move, stops, earlier, call)
    files = _fetched(source, now.bundle, progress)
    signature = check_signature(files, signed_by)
    if signature is not None and not signature.passed:
        raise NotVerifiedError(move.bundle_sha256, VerifyReport((signature,)))
    report = verified(files, progress)
    if signature is not None:
        report = replace(report, checks=(*report.checks, signature))
    if not report.passed:
        refused = NotVerifiedError(move.bundle_sha256, report)
        if not (refused.lacks_evidence_only and UNPROVEN in concessions):
            raise refused
    write_bundle(place, files)
    return Pulled(place, move, now, report, tuple(now.against()))


def _earlier(source: ReleaseSource, move: ChannelMove) -> str | None:
    """The last bundle that the channel pointed at before, and that nothing speaks against; None where there
    is none among the last few.
    """
    before = [one.bundle_sha256 for one in reversed(source.channel_moves(move.channel))]
    others = [one for one in dict.fromkeys(before) if one != move.bundle_sha256]
    return next((one for one in others[:_LOOKED_AT] if not source.bundle_now(one).against()), None)


def verified(files: Mapping[str, bytes], progress: Progress) -> VerifyReport:
    """Every check of ``innage verify``: C is made anew and run, nothing of the bundle is."""
    from export.bundle.verify import verify_files

    return verify_files(files, progress=progress)


def _fetched(source: ReleaseSource, bundle: KnownBundle, progress: Progress) -> dict[str, bytes]:
    """The files by name, each hashed, and of the bundle that was asked for; nothing of them is believed."""
    from export.bundle.manifest import MANIFEST, read_manifest
    from export.bundle.packing import MAX_FILE

    where = f"bundle {bundle.bundle_sha256[:ID_DIGITS]}"
    named = {file.name: file for file in bundle.files}
    if MANIFEST not in named or len(named) > MOST_FILES:
        raise InputError(
            where, f"{counted(len(named), 'file')}, or no {MANIFEST}", "the files of an exported bundle"
        )
    files: dict[str, bytes] = {}
    for done, name in enumerate(sorted(named, key=lambda name: name != MANIFEST)):
        progress("fetching", done, len(named))
        file = named[name]
        if file.size is None:
            raise NotFoundError(
                where, f"file {name} is not kept there", "a bundle that was moved to a channel"
            )
        if file.size > MAX_FILE:
            raise InputError(where, f"file {name} of {file.size} bytes", f"at most {MAX_FILE}")
        content = source.bundle_file(bundle.bundle_sha256, file.sha256, file.size)
        if hashlib.sha256(content).hexdigest() != file.sha256:
            raise InputError(
                where, f"file {name} is not what its hash says", "the bytes as they were exported"
            )
        files[name] = content
        if name == MANIFEST:
            manifest = read_manifest(content)
            if manifest.bundle_sha256 != bundle.bundle_sha256 or set(manifest.files) != set(named) - {
                MANIFEST
            }:
                raise InputError(
                    where, "its manifest is of another bundle", "the bundle that the channel names"
                )
    progress("fetching", len(named), len(named))
    return signed_files(files, bundle.signatures)
