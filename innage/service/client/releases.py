"""Channels and bundles at the other end of a line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from dataset.errors import ChangedMeanwhileError, InnageError, InputError, NotFoundError
from dataset.records import ChannelMove
from dataset.values import check_channel
from innage.jobs import Progress
from innage.jobs.releasing.gates import Judgement
from innage.jobs.releasing.moving import CURRENT, GatesShutError, Moved, Wish
from innage.jobs.releasing.pulling import BundleNow
from innage.service.client.connection import Connection, ProblemError
from innage.service.messages.releases import (
    BundleAnswer,
    ChannelAnswer,
    Channels,
    GatesAnswer,
    MoveAsked,
    MovedAnswer,
    Moves,
    Said,
    Withdrawn,
)

_ZIP = "application/zip"
JUDGED_S = 600.0  # a busy server judges a bundle for minutes


class Releases(Connection):
    """A store behind a URL, as a :class:`innage.jobs.releasing.at_hand.ReleasePlace`. The server says who did
    what: the holder of the token.
    """

    def channel_rows(self) -> list[dict[str, Any]]:
        """As of :class:`ReleasePlace`."""
        self.protocol()
        return [one.model_dump() for one in self._json(Channels, "GET", "/v1/channels").channels]

    def channel(self, name: str) -> ChannelMove:
        """The move of a channel that stands; NotFoundError where there is none."""
        self.protocol()
        check_channel(name)
        with _told():
            return self._json(ChannelAnswer, "GET", f"/v1/channels/{name}").move

    def channel_moves(self, name: str) -> tuple[ChannelMove, ...]:
        """The moves of a channel, the oldest first."""
        self.protocol()
        check_channel(name)
        with _told():
            return tuple(one.move for one in self._json(Moves, "GET", f"/v1/moves?channel={name}").moves)

    def call_to_move(self, channel: str, bundle: str) -> str:
        """How whoever releases moves a channel to a bundle there, as errors name calls."""
        return f"Releases.move('{channel}', '{bundle}', '{self.server}')"

    def bundle_now(self, bundle_sha256: str) -> BundleNow:
        """A bundle, and what is said of it now; NotFoundError where there is none."""
        self.protocol()
        with _told():
            return self._json(BundleAnswer, "GET", f"/v1/bundles/{_hash(bundle_sha256)}").now

    def bundle_file(self, bundle_sha256: str, sha256: str, size: int) -> bytes:
        """The bytes of a file, by their hash."""
        with _told():
            return self._ask("GET", f"/v1/bundles/{_hash(bundle_sha256)}/files/{_hash(sha256)}")

    def offer(self, bundle_sha256: str, files: Mapping[str, bytes]) -> None:
        """Give it the files of a bundle, and what is signed of it."""
        from export.bundle.packing import pack

        self.protocol()
        self._ask("PUT", f"/v1/bundles/{bundle_sha256}", pack(files), _ZIP)

    def move(self, bundle: Path | str, wish: Wish, progress: Progress) -> Moved:
        """As of :class:`ReleasePlace`: the files of a bundle that lies here are given to it first."""
        from export.bundle.manifest import MANIFEST, read_manifest
        from export.bundle.verify import read_bundle

        check_channel(wish.channel)
        if not Path(bundle).exists():
            bundle_sha256 = self.bundle_now(str(bundle)).bundle.bundle_sha256
        else:
            files = read_bundle(Path(bundle))
            bundle_sha256 = read_manifest(files[MANIFEST]).bundle_sha256
            progress("sending", 0, 1)
            self.offer(bundle_sha256, files)
        progress("judging", 0, 1)
        return self._move(bundle_sha256, wish)

    def _move(self, bundle_sha256: str, wish: Wish) -> Moved:
        before = self._before(wish)
        condition = {"If-None-Match": "*"} if before is None else {"If-Match": f'"{before.sha256}"'}
        asked = MoveAsked(bundle_sha256=bundle_sha256, reason=wish.reason, concessions=list(wish.concessions))
        try:
            with _told():
                answer = self._json(
                    MovedAnswer, "PUT", f"/v1/channels/{wish.channel}", asked, condition, JUDGED_S
                )
        except InnageError as error:
            moved = self._own(bundle_sha256, wish, before)
            if moved is None:
                raise error
            return moved
        return Moved(answer.move.move, answer.judgement, answer.before)

    def _before(self, wish: Wish) -> ChannelMove | None:
        try:
            before: ChannelMove | None = self.channel(wish.channel)
        except NotFoundError:
            before = None
        stands = None if before is None else before.sha256
        if wish.follows not in (CURRENT, stands):
            raise ChangedMeanwhileError(
                f"channel {wish.channel}", "was moved since you looked", "", "look at it again, then move it"
            )
        return before

    def _own(self, bundle_sha256: str, wish: Wish, before: ChannelMove | None) -> Moved | None:
        """The move, where the answer to it was lost, whatever became of it when it was asked for again: it
        stands after the one before.
        """
        try:
            now = self.channel(wish.channel)
        except InnageError:  # what was said of the move itself is told
            return None
        parent = None if before is None else before.sha256
        if (now.parent, now.bundle_sha256, now.reason) != (parent, bundle_sha256, wish.reason):
            return None
        return Moved(
            now, Judgement(bundle_sha256, None, ()), None if before is None else before.bundle_sha256
        )

    def withdraw(self, bundle: str, author: str, reason: str) -> Withdrawn:
        """As of :class:`ReleasePlace`; ``author`` is the server's to say."""
        return self._said(bundle, reason, "withdraw")

    def take_back(self, bundle: str, author: str, reason: str) -> Withdrawn:
        """As of :class:`ReleasePlace`; ``author`` is the server's to say."""
        return self._said(bundle, reason, "take-back")

    def _said(self, bundle: str, reason: str, what: str) -> Withdrawn:
        self.protocol()
        if not reason.strip():
            raise InputError(
                "reason", "nothing", "a few words that explain it a year later", fields=("reason",)
            )
        with _told():
            return self._json(Withdrawn, "POST", f"/v1/bundles/{_hash(bundle)}/{what}", Said(reason=reason))


@contextmanager
def _told() -> Iterator[None]:
    """What the server says, as the errors of a store at hand."""
    try:
        yield
    except ProblemError as problem:
        parts = (problem.where, problem.found, problem.expected, problem.hint)
        if problem.kind == "not-found":
            raise NotFoundError(*parts, fields=problem.fields) from problem
        if problem.kind == "precondition-failed":
            raise ChangedMeanwhileError(*parts, fields=problem.fields) from problem
        if problem.kind == "gates":
            said = GatesAnswer.model_validate(problem.members)
            raise GatesShutError(said.judgement, stopping=said.stopping) from problem
        raise


def _hash(text: str) -> str:
    """A hash or the first digits of it, which may stand in an address as it is."""
    if not text or not set(text.lower()) <= set("0123456789abcdef") or len(text) > 64:
        raise InputError("bundle", repr(text[:80]), "its hash, or at least its first 8 digits")
    return text.lower()
