"""Moving a channel to a bundle: judged by the store first, its files kept, then the name moved."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import ChangedMeanwhileError, InputError, NotFoundError
from dataset.records import ID_DIGITS
from dataset.values import check_channel, check_reason
from innage.jobs import Progress, silent
from innage.jobs.releasing.gates import CONCESSIONS, Judgement, judge, judged_earlier
from innage.jobs.releasing.signing import signatures_in, signed_files

if TYPE_CHECKING:
    from dataset.records import ChannelMove, KnownBundle
    from dataset.store import Store

CURRENT = "current"  # a move that follows whatever stands when it is judged


@dataclass(frozen=True)
class Wish:
    """What somebody wants of a channel. ``follows``: the hash of the move that stands as far as they know,
    None where the channel is to be new; by default whatever stands when the bundle begins to be judged.
    """

    channel: str
    author: str
    reason: str
    concessions: tuple[str, ...] = ()
    follows: str | None = CURRENT


@dataclass(frozen=True)
class Moved:
    """A channel that was moved, and what the gates said. ``before`` is the bundle that it pointed at; None
    where it is new.
    """

    move: ChannelMove
    judgement: Judgement
    before: str | None


class GatesShutError(InputError):
    """The channel stays where it is: ``judgement`` has what the gates said, ``stopping`` are those that stay
    shut.
    """

    def __init__(
        self,
        judgement: Judgement,
        concessions: Collection[str] = (),
        *,
        stopping: Collection[str] | None = None,
    ) -> None:
        self.judgement, self.stopping = judgement, judgement.stopping(concessions)
        if stopping is not None:  # as another store says
            self.stopping = tuple(gate for gate in judgement.gates if gate.name in stopping)
        first = self.stopping[0]
        named = [gate.concession for gate in self.stopping]
        asked = tuple(dict.fromkeys(f"{one}=True" for one in named if one is not None))
        hint = "" if None in named else f"say {' and '.join(asked)} with the reason, to move it all the same"
        super().__init__(
            f"bundle {judgement.bundle_sha256[:ID_DIGITS]}",
            f"{first.name}: {first.sentence}",
            "a bundle that passes every gate",
            hint,
            fields=asked,
        )

    @property
    def lacks_evidence_only(self) -> bool:
        """Whether nothing says no, and evidence is missing."""
        return all(gate.answer != "failed" for gate in self.stopping)


def move_channel(
    store: Store,
    bundle: Path | str | Mapping[str, bytes],
    wish: Wish,
    *,
    when: datetime | None = None,
    progress: Progress = silent,
) -> Moved:
    """Point a channel at a bundle, as ``innage channel move`` does.

    Args:
        store: the open store, which has the bundle's model; it judges, and keeps the files.
        bundle: its folder or its zip file; the first digits of the hash of one that the store keeps; or its
            files.
        wish: which channel, who, why, and what is conceded.
        when: the time that is recorded; None is now.
        progress: called with (what, done, total).

    Raises:
        GatesShutError: a gate stays shut; nothing is written. ChangedMeanwhileError: somebody moved the
            channel, or said something of the model or its sessions meanwhile.
        InputError: no bundle, no reason, a bundle that is withdrawn. NotFoundError: no such bundle.
    """
    _check_wish(wish)
    before = _standing(store, wish)
    files = bundle if isinstance(bundle, Mapping) else files_of(store, bundle)
    judgement = _judged(store, files, progress)
    if judgement.stopping(wish.concessions):
        raise GatesShutError(judgement, wish.concessions)
    from dataset.store.events.channels import NewMove

    keep(store, files)
    move = store.move_channel(
        NewMove(
            wish.channel,
            judgement.bundle_sha256,
            wish.author,
            wish.reason,
            when or datetime.now(UTC),
            None if before is None else before.sha256,
            judgement.said,
            tuple(one for one in judgement.asked() if one in wish.concessions),
            f"innage {version('innage')}",
        )
    )
    return Moved(move, judgement, None if before is None else before.bundle_sha256)


def _check_wish(wish: Wish) -> None:
    """InputError before anything is judged, which takes its time."""
    check_channel(wish.channel)
    check_reason(f"channel {wish.channel}, author", wish.author, "who moved it")
    check_reason(f"channel {wish.channel}, reason", wish.reason, "why it was moved")
    unknown = sorted(set(wish.concessions) - set(CONCESSIONS))
    if unknown:
        raise InputError("concessions", repr(unknown[0][:40]), "of " + ", ".join(CONCESSIONS))


def _standing(store: Store, wish: Wish) -> ChannelMove | None:
    """The move that stands; ChangedMeanwhileError where it is another than was thought."""
    try:
        before: ChannelMove | None = store.channel(wish.channel)
    except NotFoundError:
        before = None
    if wish.follows not in (CURRENT, None if before is None else before.sha256):
        where = f"channel {wish.channel}"
        stands = "there is none" if before is None else f"points at {before.bundle_sha256[:ID_DIGITS]} by now"
        raise ChangedMeanwhileError(
            where, stands, "what stood when you looked", "look at it again, then move it"
        )
    return before


def files_of(store: Store, bundle: Path | str) -> dict[str, bytes]:
    """The files of a bundle by name: from its folder or zip file, or as the store keeps them, with what was
    signed.

    Raises:
        InputError: neither there nor a hash. NotFoundError: the store does not keep it.
    """
    from export.bundle.verify import read_bundle

    path = Path(bundle)
    if path.exists():
        return read_bundle(path)
    known = store.bundle(str(bundle))
    if not known.kept:
        raise NotFoundError(
            f"bundle {known.bundle_sha256[:ID_DIGITS]}",
            "was exported, and its files are not kept here",
            "its folder or its zip file",
            "name that instead of the hash",
        )
    files = {file.name: store.bundle_file(known.bundle_sha256, file.sha256) for file in known.files}
    return signed_files(files, known.signatures)


def _judged(store: Store, files: Mapping[str, bytes], progress: Progress) -> Judgement:
    """What the gates say; of bytes that passed them before, made again only where this version can."""
    judgement = judge(store, files, progress)
    earlier = store.moves_to(judgement.bundle_sha256)
    if not earlier:
        return judgement
    return judged_earlier(judgement, earlier[0].moved_at[:10], earlier[0].channel)


def keep(store: Store, files: Mapping[str, bytes]) -> tuple[KnownBundle, bool]:
    """Keep the files of a bundle in the store, and what is signed of it; whether anything was new. That its
    model is here and that its files are those of its manifest is looked at; the gates come when a channel is
    moved.

    Raises:
        InputError: the store does not have the model, or files that are not those of the manifest.
    """
    from dataset.canonical import model_sha256
    from export.bundle.manifest import MANIFEST, SIGNATURES, read_manifest
    from export.bundle.packing import pack
    from export.bundle.verify import verify_files
    from innage.jobs.models.verifying import model_in

    if MANIFEST not in files:
        raise InputError("bundle", f"holds no {MANIFEST}", "the files of an exported bundle")
    manifest = read_manifest(files[MANIFEST])
    where = f"bundle {manifest.bundle_sha256[:ID_DIGITS]}"
    wrong = [check for check in verify_files(files, ("manifest", "files")).checks if not check.passed]
    if wrong:
        raise InputError(where, wrong[0].sentence, "a bundle as it was exported")
    model = model_in(store, manifest)
    if model is None or model_sha256(model) != manifest.body["model"].get("content_sha256"):
        raise InputError(
            where,
            f"the store does not have its model {manifest.body['model']['name']}",
            "a model that is there already",
            "push it first",
        )
    own = {name: content for name, content in files.items() if name != SIGNATURES}
    archive = hashlib.sha256(pack(own)).hexdigest()
    new = store.keep_bundle(model, manifest.bundle_sha256, own, archive, signatures_in(files))
    return store.bundle(manifest.bundle_sha256), new
