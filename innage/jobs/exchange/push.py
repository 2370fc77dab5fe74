"""Pushing: what a server has not acknowledged yet, group by group, each whole or not at all.

What was acknowledged is known by the receipts that the store keeps, so that a rig that was away for a week
catches up, and a push that was cut goes on where it was: what arrived, blobs or groups, is not sent again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dataset.errors import InnageError, InputError
from dataset.exchange.groups import groups_of, subject_of
from dataset.exchange.objects import KINDS, Offered, Parcel
from dataset.exchange.report import Held, Taken
from dataset.records import ID_DIGITS
from dataset.store.exchange.packs import MOST_BYTES, pack_name
from innage.jobs import Progress, silent
from innage.jobs.exchange.choosing import chosen_objects, texts_of
from innage.jobs.exchange.peer import Peer, Sent
from innage.jobs.sessions.finding import EVERY_SESSION, SessionFilter

if TYPE_CHECKING:
    from dataset.store import Store

# their subject is told by their document; of other kinds an object is its own
_SAID_OF = ("void", "tag", "amendment", "mark revision", "unit assignment", "opening", "status", "bundle")


@dataclass(frozen=True)
class Pushed:
    """What a push did.

    Attributes:
        taken: by kind, how many objects were new to the server, and how many it had.
        held: what it did not take, with the reason.
        remarks: sentences on what a reader must know.
        sent_bytes: of frames and models that travelled.
    """

    taken: tuple[Taken, ...]
    held: tuple[Held, ...] = ()
    remarks: tuple[str, ...] = ()
    sent_bytes: int = 0

    @property
    def new(self) -> int:
        """How many objects the server did not have."""
        return sum(one.new for one in self.taken)


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
        dry_run: say what would be sent, and send nothing.
        progress: told how far it is.

    Raises:
        InputError: the server refuses to talk. StoreError: it cannot be reached; what was acknowledged until
            then is kept.
    """
    kept = set() if again else {(one.kind, one.object_sha256) for one in store.receipts(peer.server)}
    pending = [one for one in chosen_objects(store, wanted) if tuple(one) not in kept]
    lacking = frozenset(peer.lacking(pending))
    if dry_run:
        return Pushed(_counted(pending, lacking))
    subjects = {
        parcel.offered: subject_of(parcel.document)
        for parcel in store.parcels([one for one in pending if one.kind in _SAID_OF])
    }
    groups = list(groups_of((one, subjects.get(one, one.key)) for one in pending))
    pushing = _Pushing(store, peer, lacking)
    for done, group in enumerate(groups):
        progress("sending", done, len(groups))
        pushing.send(group)
    progress("sending", len(groups), len(groups))
    held = frozenset(Offered(one.kind, one.key) for one in pushing.held)
    arrived = [one for one in pending if one not in held]
    return Pushed(_counted(arrived, lacking), tuple(pushing.held), tuple(pushing.remarks), pushing.sent_bytes)


def _counted(objects: Sequence[Offered], lacking: frozenset[Offered]) -> tuple[Taken, ...]:
    every = Counter(one.kind for one in objects)
    new = Counter(one.kind for one in objects if one in lacking)
    return tuple(Taken(kind, new[kind], every[kind] - new[kind]) for kind in KINDS if every[kind])


class _Pushing:
    """A push under way: what was held back, which holds back what leans on it."""

    def __init__(self, store: Store, peer: Peer, lacking: frozenset[Offered]) -> None:
        self._store, self._peer, self._lacking = store, peer, lacking
        self.held: list[Held] = []
        self.remarks: list[str] = []
        self.sent_bytes = 0
        self._held_names: dict[str, str] = {}

    def send(self, group: Sequence[Offered]) -> None:
        """Send a group, and keep what is acknowledged of it."""
        parcels = list(self._store.parcels(group))
        reason = next(filter(None, map(self._leaning, parcels)), None)
        if reason is not None:
            self._hold([Held(*parcel.offered, reason) for parcel in parcels], parcels)
            return
        sent = [Sent(p.document.text, self._send_blobs(p), p.hashed_by_upgrade) for p in parcels]
        answered = self._peer.send(sent)
        if answered.receipts:
            self._store.keep_receipts(answered.receipts)
        self.remarks += answered.report.remarks
        self._hold(answered.report.held, parcels)

    def _leaning(self, parcel: Parcel) -> InnageError | None:
        """That an object refers to one that was held back."""
        if not self._held_names:
            return None
        held = next(
            (self._held_names[t] for t in texts_of(parcel.document.facts) if t in self._held_names), None
        )
        if held is None:
            return None
        where = f"{parcel.document.kind} {parcel.document.name[:ID_DIGITS]}"
        return InputError(where, f"leans on {held}, which was held back", "", f"first see to {held}")

    def _hold(self, held: Sequence[Held], parcels: Sequence[Parcel]) -> None:
        self.held += held
        by_key = {parcel.offered: parcel.document for parcel in parcels}
        for one in held:
            document = by_key.get(Offered(one.kind, one.key))
            if document is not None:
                called = (
                    document.facts.get("called") or document.facts.get("name") or document.name[:ID_DIGITS]
                )
                self._held_names[document.name] = f"{document.kind} {called}"

    def _send_blobs(self, parcel: Parcel) -> tuple[str, ...]:
        """Give the server what travels beside a document, as far as it is missing there; the names."""
        if parcel.offered not in self._lacking:
            return ()
        blobs = blobs_of(self._store, parcel)
        missing = self._peer.blobs_missing([name for name, _ in blobs]) if blobs else ()
        for name, content in dict(blobs).items():
            if name in missing:
                self._peer.send_blob(name, content)
                self.sent_bytes += len(content)
        return tuple(name for name, _ in blobs)


def blobs_of(store: Store, parcel: Parcel) -> list[tuple[str, bytes]]:
    """What travels beside a document, in pieces of at most 8 MiB, in order, each with its hash."""
    pieces: Sequence[bytes] = ()
    if parcel.document.kind == "session":
        pieces = store.packs(parcel.document.name)
    elif parcel.content is not None:
        whole = parcel.content
        pieces = [whole[at : at + MOST_BYTES] for at in range(0, len(whole), MOST_BYTES)]
    return [(pack_name(piece), piece) for piece in pieces]


def content_blobs(store: Store, one: Offered) -> list[tuple[str, bytes]]:
    """As :func:`blobs_of`, of an object that the store has."""
    if one.kind == "session":
        return [(pack_name(pack), pack) for pack in store.packs(one.key)]
    return [blob for parcel in store.parcels([one]) for blob in blobs_of(store, parcel)]
