"""What clients send: blobs that wait, and documents that name them, taken in one transaction a group."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.requests import Request

from dataset.documents import Document
from dataset.errors import InputError, NotAllowedError, NotFoundError
from dataset.exchange.groups import is_whole
from dataset.exchange.objects import REGISTRY, Offered, Parcel
from dataset.exchange.report import Exchanged, Held
from dataset.exchange.scopes import SCOPES
from dataset.records import ID_DIGITS
from dataset.words import Scope
from innage.jobs.exchange.peer import Sent
from innage.jobs.exchange.received import WITH_BLOBS, Received, read_sent
from innage.service.messages.wire import (
    MOST_BLOB,
    MOST_NAMED,
    Acknowledged,
    Counted,
    Group,
    GroupOutcome,
    Groups,
    GroupsTaken,
    HeldBack,
    Taken,
)
from innage.service.problems import Problem, parts_of, problem_of
from innage.service.rights import Actor

if TYPE_CHECKING:
    from dataset.records import AuditEntry
    from dataset.store import Store

BLOB = "application/octet-stream"
MOST_PACKED = 32 << 20  # bytes of blobs that are read at a time
MOST_UNPACKED = 256 << 20  # bytes of what travels beside the documents of one group


def check_scopes(store: Store, actor: Actor, groups: Sequence[Group]) -> None:
    """Problem 'not-allowed' for somebody who may not push, where anything new among what they send asks for
    that: then nothing is looked at, and it is said once.
    """
    if Scope.PUSH in actor.scopes:
        return
    offered: list[Offered] = []
    for group in groups:
        try:
            offered += [Parcel(document).offered for document, _ in read_group(group)]
        except InputError:
            continue  # it is refused by itself
    for one in store.lacking(offered):
        if not actor.scopes.intersection(SCOPES.get(one.kind, (Scope.PUSH,))):
            actor.must_have([Scope.PUSH])


async def read_body(request: Request) -> bytes:
    """The body of a request, which the door bounds; Problem 'media-type' for another than bytes."""
    if request.headers.get("content-type", BLOB).partition(";")[0].strip().casefold() != BLOB:
        raise Problem("media-type", f"send it as {BLOB}", {"Accept": BLOB})
    return b"".join([piece async for piece in request.stream()])


async def read_blob(request: Request, sha256: str) -> bytes:
    """The body, which has this hash.

    Raises:
        Problem: of another media type, or its bytes hash to another name.
    """
    content = await read_body(request)
    _check_digest(content, sha256)
    return content


def _check_digest(content: bytes, sha256: str) -> None:
    digest = hashlib.sha256(content).hexdigest()
    if digest != sha256:
        raise Problem("digest-mismatch", "what arrived hashes to another name", digest=digest)


def cut_blobs(body: bytes) -> dict[str, bytes]:
    """Several blobs in one body, by their hashes.

    Raises:
        Problem: 'malformed' for a body that is empty or ends within one, 'digest-mismatch', 'too-large' for
            one of them.
    """
    if not body:
        raise Problem("malformed", "the body holds no blob")
    blobs: dict[str, bytes] = {}
    at = 0
    while at < len(body):
        name, length = body[at : at + 32], int.from_bytes(body[at + 32 : at + 36], "little")
        at += 36
        if at + length > len(body):
            raise Problem("malformed", "the body ends within a blob")
        if length > MOST_BLOB or len(blobs) == MOST_NAMED:
            detail = f"at most {MOST_NAMED} blobs of {MOST_BLOB} bytes"
            raise Problem("too-large", detail, most_bytes=MOST_BLOB)
        blobs[name.hex()] = body[at : at + length]
        _check_digest(blobs[name.hex()], name.hex())
        at += length
    return blobs


@dataclass(frozen=True)
class Unpacked:
    """A group that is whole, as a :class:`dataset.exchange.objects.Source`."""

    name: str
    all_objects: tuple[Offered, ...]
    unpacked: tuple[Parcel, ...]

    def objects(self) -> Sequence[Offered]:
        return self.all_objects

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        return (parcel for parcel in self.unpacked if parcel.offered in wanted)


def take_groups(store: Store, name: str, groups: Groups) -> GroupsTaken:
    """Take groups, each as :func:`take_group` takes one: what becomes of one changes nothing of the others.
    Where all of them come in whole they do so in one transaction; else one after the other, and what nobody
    expected ends it, and what was taken before stays.
    """
    together = _together(store, name, groups)
    if together is not None:
        return together
    outcomes: list[GroupOutcome] = []
    named = Counter(blob for group in groups.groups for blob in _named(group))  # some by two groups
    for group in groups.groups:
        named -= Counter(_named(group))
        try:
            outcomes.append(GroupOutcome(taken=take_group(store, name, group, named)))
        except (Problem, InputError, NotFoundError, NotAllowedError) as error:
            problem = problem_of(error)
            if problem.kind == "unauthorised":  # the token ended meanwhile
                raise
            outcomes.append(GroupOutcome(problem=problem.document))
    return GroupsTaken(groups=outcomes)


def _named(group: Group) -> frozenset[str]:
    return frozenset(blob for one in group.objects for blob in one.blobs)


def _together(store: Store, name: str, groups: Groups) -> GroupsTaken | None:
    """What became of groups that all came in, in one transaction; None, and nothing written, where anything
    of them cannot come in, or is too much at a time.
    """
    try:
        return _all_together(store, name, [read_group(group) for group in groups.groups])
    except (InputError, NotAllowedError):
        return None  # one after the other tells which of them


def _all_together(store: Store, name: str, read: Sequence[list[tuple[Document, Sent]]]) -> GroupsTaken | None:
    every = [one for objects in read for one in objects]
    _refuse_others(store, every)
    wanted = Received(name, every, no_blob, MOST_UNPACKED)
    new = frozenset(store.lacking(wanted.objects()))
    with_blobs = [one for one in wanted.objects() if one in new and wanted.blobs(one)]
    names = list(dict.fromkeys(name for one in with_blobs for name in wanted.blobs(one)))
    if len(names) > MOST_NAMED or sum(map(wanted.unpacked_bytes, with_blobs)) > MOST_UNPACKED:
        return None
    blobs = store.staged_blobs(names, MOST_PACKED) if names else {}
    if blobs is None or len(blobs) < len(names):
        return None
    received = Received(name, every, lambda _one, blob: blobs[blob], MOST_UNPACKED)
    parcels = tuple(received.parcel(one, with_blobs=one in new) for one in received.objects())
    report = store.accept(Unpacked(name, tuple(received.objects()), parcels), whole=True, staged=names)
    if report.held:
        return None
    rows = store.audit_of([one.key for one in received.objects()])
    received_at, remarks = store.time_now(), list(report.remarks)
    outcomes = []
    for objects in read:
        taken = _taken(objects, new, rows, received_at)
        outcomes.append(GroupOutcome(taken=taken.model_copy(update={"remarks": remarks})))
        remarks = []  # they are said once
    return GroupsTaken(groups=outcomes)


def no_blob(one: Offered, _name: str) -> bytes:
    """What gives blobs where none is asked for."""
    raise AssertionError(f"nobody asks for the blobs of {one.kind} yet")


def _taken(
    objects: Sequence[tuple[Document, Sent]],
    new: frozenset[Offered],
    rows: Mapping[str, AuditEntry],
    received_at: str,
) -> Taken:
    """What is said of a group all of which is in the store."""
    there = {Parcel(document).offered: document.sha256 for document, _ in objects}
    every, fresh = Counter(one.kind for one in there), Counter(one.kind for one in there if one in new)
    return Taken(
        received=received_at,
        taken=[Counted(kind=kind, new=fresh[kind], known=every[kind] - fresh[kind]) for kind in every],
        held=[],
        remarks=[],
        acknowledged=[_acknowledged(one, digest, rows.get(one.key)) for one, digest in there.items()],
    )


def _acknowledged(one: Offered, digest: str, row: AuditEntry | None) -> Acknowledged:
    return Acknowledged(
        kind=one.kind,
        key=one.key,
        digest=digest,
        audit_number=None if row is None else row.number,
        audit_sha256=None if row is None else row.sha256,
    )


def read_group(group: Group) -> list[tuple[Document, Sent]]:
    """The documents of a group; InputError where one is none."""
    objects = []
    for number, one in enumerate(group.objects, 1):
        sent = Sent(one.document, tuple(one.blobs), one.hashed_by_upgrade)
        objects.append((read_sent(f"object {number}", sent), sent))
    return objects


def _refuse_others(store: Store, objects: Sequence[tuple[Document, Sent]]) -> None:
    """InputError where an object is here already and its document here is another: what is acknowledged is
    the document that was sent. What is registered may differ in its note, of which there is a remark.
    """
    sent = {Parcel(document).offered: document for document, _ in objects if document.kind not in REGISTRY}
    known = sent.keys() - frozenset(store.lacking(tuple(sent)))
    for parcel in store.parcels(known) if known else ():
        if parcel.document.sha256 != sent[parcel.offered].sha256:
            raise InputError(
                f"{parcel.document.kind} {parcel.document.name[:ID_DIGITS]}",
                "its document is another than the one of this name in the team's store",
                "the same content under the same name",
            )


def take_group(store: Store, name: str, group: Group, kept: Collection[str] = ()) -> Taken:
    """Take a group, in one transaction with the end of the blobs that waited for it: where either end is
    killed, they wait or are in the store, never both.

    Args:
        store: the store, as the one works on it who sent the group.
        name: what sentences call what was sent.
        group: what was sent.
        kept: blobs that go on waiting, since another group names them too.

    Raises:
        InputError: an object that is none. Problem: 'missing-blobs'; 'held-back' for a group that is taken
            whole or not at all. NotAllowedError: the actor may not.
    """
    objects = read_group(group)
    _refuse_others(store, objects)
    blobs = _Blobs(store)
    received = Received(name, objects, blobs.read, MOST_UNPACKED)
    new = frozenset(store.lacking([one for one in received.objects() if one.kind in WITH_BLOBS]))
    if len(new) > 1:
        raise Problem("too-large", "at most one object with blobs that are new here", objects=len(new))
    blobs.need([name for one in received.objects() if one in new for name in received.blobs(one)])
    # unpacked before the transaction begins, in which every other writer waits
    unpacked = tuple(received.parcel(one, with_blobs=one in new) for one in received.objects())
    source = Unpacked(name, tuple(received.objects()), unpacked)
    whole = is_whole(one.kind for one in received.objects())
    used = [blob for blob in blobs.names if blob not in kept]
    report = store.accept(source, whole=whole, staged=used)
    held = [held_back(one) for one in report.held]
    if whole and held:
        raise Problem("held-back", str(report.held[0].error), held=[one.model_dump() for one in held])
    return _answer(store, objects, report, held)


class _Blobs:
    """The blobs of a group, which wait in the store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.names: list[str] = []

    def need(self, names: Sequence[str]) -> None:
        """Problem 'missing-blobs' unless all of them wait."""
        self.names = list(dict.fromkeys(names))
        if not self.names:
            return
        there = self._store.staged_names(self.names)
        missing = [name for name in self.names if name not in there]
        if missing:
            raise Problem("missing-blobs", f"{len(missing)} of them are not here", blobs=missing)

    def read(self, _one: Offered, name: str) -> bytes:
        """One of them."""
        content = self._store.staged_blob(name)
        if content is None:
            raise Problem("missing-blobs", "one of them is no longer here", blobs=[name])
        return content


def held_back(one: Held) -> HeldBack:
    """An object that is not taken, as it travels."""
    return HeldBack(kind=one.kind, key=one.key, **parts_of(one.error))


def _answer(
    store: Store, objects: Sequence[tuple[Document, Sent]], report: Exchanged, held: Sequence[HeldBack]
) -> Taken:
    away = {(one.kind, one.key) for one in held}
    there = {
        parcel.offered: parcel.document.sha256
        for parcel in (Parcel(document) for document, _ in objects)
        if tuple(parcel.offered) not in away
    }
    rows = store.audit_of([one.key for one in there])
    return Taken(
        received=store.time_now(),
        taken=[Counted(kind=one.kind, new=one.new, known=one.known) for one in report.taken],
        held=list(held),
        remarks=list(report.remarks),
        acknowledged=[_acknowledged(one, digest, rows.get(one.key)) for one, digest in there.items()],
    )
