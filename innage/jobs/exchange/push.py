"""Pushing: what a server has not acknowledged yet, group by group, each whole or not at all.

What was acknowledged is known by the receipts that the store keeps, so that a rig that was away for a week
catches up, and a push that was cut goes on where it was: what arrived, blobs or groups, is not sent again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from dataset.documents import Document
from dataset.exchange.groups import batches, groups_of, subject_of
from dataset.exchange.objects import KINDS, Offered, Parcel
from dataset.exchange.report import Exchanged, Held, Taken
from dataset.store.exchange.packs import MOST_BYTES, pack_name
from innage.jobs import Progress, silent
from innage.jobs.exchange.choosing import chosen_objects
from innage.jobs.exchange.judging import judge
from innage.jobs.exchange.leaning import HeldBack
from innage.jobs.exchange.peer import Peer, Sent
from innage.jobs.sessions.finding import EVERY_SESSION, SessionFilter

if TYPE_CHECKING:
    from dataset.store import Store

AT_ONCE = 20  # groups in one request
MOST_TEXT = 4 << 20  # characters of documents in one request, unless a single group has more
# their subject is told by their document; of other kinds an object is its own
_SAID_OF = ("void", "tag", "amendment", "mark revision", "unit assignment", "opening", "status", "bundle")


@dataclass(frozen=True)
class Pushed(Exchanged):
    """What a push did, or would do: how many objects were new to the server, and what it did not take.

    Attributes:
        sent_bytes: of frames and models that travelled.
        not_judged: of a dry run: sentences on what it could not find out.
    """

    sent_bytes: int = 0
    not_judged: tuple[str, ...] = ()


def push(
    store: Store,
    peer: Peer,
    *,
    wanted: SessionFilter = EVERY_SESSION,
    again: bool = False,
    dry_run: bool = False,
    progress: Progress = silent,
) -> Pushed:
    """Give ``peer`` what it has not acknowledged.

    Args:
        store: the store; it keeps the receipts.
        peer: the server.
        wanted: some sessions only, with what they lean on.
        again: ask about what was acknowledged too.
        dry_run: say what would be sent and what of it would not be taken, as far as documents tell; nothing
            is written there.
        progress: told how far it is.

    Raises:
        InputError: the server refuses to talk. StoreError: it cannot be reached; what was acknowledged until
            then is kept.
    """
    kept = set() if again else {(one.kind, one.object_sha256) for one in store.receipts(peer.server)}
    pending = [one for one in chosen_objects(store, wanted) if tuple(one) not in kept]
    lacking = frozenset(peer.lacking(pending))
    subjects = {
        parcel.offered: subject_of(parcel.document)
        for parcel in store.parcels([one for one in pending if one.kind in _SAID_OF])
    }
    groups = list(groups_of((one, subjects.get(one, one.key)) for one in pending))
    if dry_run:
        judged = judge(store, peer, groups, lacking, progress)
        arriving = _without(pending, judged.held)
        remarks, not_judged = tuple(judged.remarks), tuple(judged.not_judged)
        return Pushed(_counted(arriving, lacking), tuple(judged.held), remarks, not_judged=not_judged)
    pushing = _Pushing(store, peer, lacking)
    done = 0
    for batch in batches(groups, AT_ONCE):
        progress("sending", done, len(groups))
        pushing.send(batch)
        done += len(batch)
    progress("sending", len(groups), len(groups))
    held = tuple(pushing.held.objects)
    arrived = _without(pending, held)
    remarks = tuple(pushing.remarks)
    return Pushed(_counted(arrived, lacking), held, remarks, sent_bytes=pushing.sent_bytes)


def _without(objects: Sequence[Offered], held: Sequence[Held]) -> list[Offered]:
    left = frozenset(Offered(one.kind, one.key) for one in held)
    return [one for one in objects if one not in left]


def _counted(objects: Sequence[Offered], lacking: frozenset[Offered]) -> tuple[Taken, ...]:
    every = Counter(one.kind for one in objects)
    new = Counter(one.kind for one in objects if one in lacking)
    return tuple(Taken(kind, new[kind], every[kind] - new[kind]) for kind in KINDS if every[kind])


@dataclass(frozen=True)
class Beside:
    """What travels beside a document: ``names``, the hashes of its blobs in order, ``blob``, which makes the
    one at a place when it goes, and how many bytes are held until then.
    """

    names: tuple[str, ...] = ()
    blob: Callable[[int], bytes] = bytes
    held_bytes: int = 0


@dataclass
class _Load:
    """What goes of a group: its objects with their documents, and what travels beside each."""

    objects: list[Offered] = field(default_factory=list)
    documents: list[Document] = field(default_factory=list)
    by_upgrade: list[bool] = field(default_factory=list)
    beside: list[Beside] = field(default_factory=list)

    def sent(self) -> list[Sent]:
        """As the server is given it."""
        names = (own.names for own in self.beside)
        texts = (document.text for document in self.documents)
        return list(map(Sent, texts, names, self.by_upgrade))

    def by_key(self) -> dict[Offered, Document]:
        """Its documents, each by its object."""
        return dict(zip(self.objects, self.documents, strict=True))


class _Pushing:
    """A push under way: what was held back, which holds back what leans on it."""

    def __init__(self, store: Store, peer: Peer, lacking: frozenset[Offered]) -> None:
        self._store, self._peer, self._lacking = store, peer, lacking
        self.held = HeldBack()
        self.remarks: list[str] = []
        self.sent_bytes = 0

    def send(self, groups: Sequence[Sequence[Offered]]) -> None:
        """Send groups, and keep what is acknowledged of them."""
        loads = self._loads(groups)
        self._send_blobs(loads)
        going: list[_Load] = []
        for load in loads:
            reason = self.held.leaning(load.documents)
            if reason is None:
                going.append(load)
            else:
                self.held.hold([Held(*one, reason) for one in load.objects], load.by_key())
        for some in _in_requests(going):
            answers = self._peer.send([load.sent() for load in some])
            receipts = [receipt for answered in answers for receipt in answered.receipts]
            if receipts:
                self._store.keep_receipts(receipts)
            for load, answered in zip(some, answers, strict=True):
                self.remarks += answered.report.remarks
                self.held.hold(answered.report.held, load.by_key())

    def _loads(self, groups: Sequence[Sequence[Offered]]) -> list[_Load]:
        """What goes of each group; frames are let go of as soon as their document is made."""
        place = {one: number for number, group in enumerate(groups) for one in group}
        loads = [_Load() for _ in groups]
        for parcel in self._store.parcels(tuple(place)):
            load = loads[place[parcel.offered]]
            load.objects.append(parcel.offered)
            load.documents.append(parcel.document)
            load.by_upgrade.append(parcel.hashed_by_upgrade)
            load.beside.append(beside_model(parcel.content))
        for load in loads:
            for place_there, one in enumerate(load.objects):
                if one not in self._lacking:
                    load.beside[place_there] = Beside()
                elif one.kind == "session":
                    load.beside[place_there] = beside_session(self._store, one.key)
        return loads

    def _send_blobs(self, loads: Sequence[_Load]) -> None:
        """Give the server what travels beside documents, as far as it is missing there."""
        every = [own for load in loads for own in load.beside]
        names = tuple(dict.fromkeys(name for own in every for name in own.names))
        missing = set(self._peer.blobs_missing(names)) if names else set()
        together: list[tuple[str, bytes]] = []
        for name, content in _made(every, missing):
            self.sent_bytes += len(content)
            if together and _bytes(together) + len(content) > MOST_BYTES:
                self._peer.send_blobs(together)
                together = []
            together.append((name, content))
        if together:
            self._peer.send_blobs(together)


def _in_requests(loads: Sequence[_Load]) -> Iterator[list[_Load]]:
    """As many of them at a time as go into a request."""
    some: list[_Load] = []
    size = 0
    for load in loads:
        length = sum(len(document.text) for document in load.documents)
        if some and size + length > MOST_TEXT:
            yield some
            some, size = [], 0
        some.append(load)
        size += length
    if some:
        yield some


def _bytes(blobs: Sequence[tuple[str, bytes]]) -> int:
    return sum(len(content) for _, content in blobs)


def _made(every: Sequence[Beside], missing: set[str]) -> Iterator[tuple[str, bytes]]:
    """The blobs that are missing, each once, with their names."""
    for own in every:
        for place, name in enumerate(own.names):
            if name in missing:
                missing.remove(name)
                yield name, own.blob(place)


def beside(store: Store, parcel: Parcel) -> Beside:
    """What travels beside a document."""
    if parcel.document.kind == "session":
        return beside_session(store, parcel.document.name)
    return beside_model(parcel.content)


def beside_model(float_onnx: bytes | None) -> Beside:
    """The float ONNX of a model, in pieces of at most 8 MiB; nothing of what is none."""
    whole = float_onnx or b""
    pieces = [whole[at : at + MOST_BYTES] for at in range(0, len(whole), MOST_BYTES)]
    return Beside(tuple(map(pack_name, pieces)), pieces.__getitem__, len(whole))


def beside_session(store: Store, session: str) -> Beside:
    """The frames of the session with this hash, in packs."""
    return Beside(store.pack_names(session), partial(store.pack, session))
