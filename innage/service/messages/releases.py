"""What travels of channels and bundles, as JSON: the facts of :mod:`innage.jobs.releasing.facts`."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from dataset.records import BundleFile, BundleSignature, ChannelMove, KnownBundle
from innage.jobs.releasing.gates import CONCESSIONS, Gate, Judgement
from innage.jobs.releasing.pulling import BundleNow
from innage.service.messages.wire import Answer, Message

MOST_REASON = 1000
Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Text = Annotated[str, Field(max_length=4000)]


def _known(concession: str) -> str:
    if concession not in CONCESSIONS:
        raise ValueError("expected one of " + ", ".join(CONCESSIONS))
    return concession


class MoveAsked(Message):
    """What a channel is to point at, and why.

    Attributes:
        bundle_sha256: a bundle that the store keeps.
        reason: why.
        concessions: gates that are to be opened all the same.
    """

    bundle_sha256: Hash
    reason: Annotated[str, Field(min_length=1, max_length=MOST_REASON)]
    concessions: Annotated[
        list[Annotated[str, AfterValidator(_known), Field(json_schema_extra={"enum": list(CONCESSIONS)})]],
        Field(default_factory=list, max_length=len(CONCESSIONS)),
    ]


class Said(Message):
    """What is said of a bundle.

    Attributes:
        reason: why.
    """

    reason: Annotated[str, Field(min_length=1, max_length=MOST_REASON)]


class MoveAnswer(Answer):
    """A move of a channel."""

    sha256: Hash
    parent: Hash | None
    channel: Text
    bundle_sha256: Hash
    author: Text
    reason: Text
    moved_at: Text
    concessions: list[Text]
    judged_by: Text

    @property
    def move(self) -> ChannelMove:
        """The record."""
        facts = {name: getattr(self, name) for name in MoveAnswer.model_fields}
        return ChannelMove(**facts | {"concessions": tuple(self.concessions)})


class ChannelAnswer(MoveAnswer):
    """What a channel points at, and whether that may be used."""

    model: Text
    withdrawn: Text | None


class Channels(Answer):
    """Every channel, by name."""

    channels: list[ChannelAnswer]


class Moves(Answer):
    """The moves of a channel, the oldest first."""

    moves: list[MoveAnswer]


class GateAnswer(Answer):
    """What a gate said."""

    name: Text
    answer: Text
    sentence: Text
    concession: Text | None


class GatesAnswer(Answer):
    """What the gates said of a bundle, and which of them stay shut."""

    bundle_sha256: Hash
    gates: list[GateAnswer]
    stopping: list[Text]

    @property
    def judgement(self) -> Judgement:
        """The record; of which model it is, it does not say."""
        gates = (Gate(one.name, one.answer, one.sentence, one.concession) for one in self.gates)
        return Judgement(self.bundle_sha256, None, tuple(gates))


class MovedAnswer(GatesAnswer):
    """A channel that was moved; ``before`` is the bundle that it pointed at."""

    move: MoveAnswer
    before: Hash | None


class FileAnswer(Answer):
    """A file of a bundle; ``size`` is none where the store does not keep it."""

    name: Text
    sha256: Hash
    size: int | None


class SignatureAnswer(Answer):
    """A signature of a bundle, which nobody has checked."""

    keyid: Text
    signature: Text


class BundleAnswer(Answer):
    """A bundle, and what is said of it now."""

    bundle_sha256: Hash
    model: Text
    files: list[FileAnswer]
    signatures: list[SignatureAnswer]
    withdrawn: Text | None
    void: dict[str, Text]
    amended: list[Text]

    @property
    def now(self) -> BundleNow:
        """The record."""
        known = KnownBundle(
            self.bundle_sha256,
            self.model,
            tuple(BundleFile(one.name, one.sha256, one.size) for one in self.files),
            tuple(BundleSignature(one.keyid, one.signature) for one in self.signatures),
            self.withdrawn,
        )
        return BundleNow(known, tuple(self.void.items()), tuple(self.amended))


class Withdrawn(Answer):
    """What was said of a bundle."""

    bundle_sha256: Hash
    author: Text
    reason: Text
    said_at: Text
    takes_back: bool
