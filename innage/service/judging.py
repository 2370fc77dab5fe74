"""What would become of documents that clients mean to send: found out in a transaction that is undone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from dataset.documents import Document
from dataset.errors import InputError, NotAllowedError
from dataset.exchange.groups import is_whole
from dataset.exchange.report import Exchanged
from innage.jobs.exchange.peer import Sent
from innage.jobs.exchange.received import Received
from innage.service.messages.wire import Counted, GroupOutcome, Groups, GroupsTaken, Taken
from innage.service.problems import Problem, problem_of
from innage.service.receiving import MOST_UNPACKED, Unpacked, held_back, no_blob, read_group

if TYPE_CHECKING:
    from dataset.store import Store

Read = list[tuple[Document, Sent]]


def judge_groups(store: Store, name: str, groups: Groups) -> GroupsTaken:
    """What :func:`innage.service.receiving.take_groups` would say of these groups, each as if what would come
    in of those before it were there. Blobs are not asked for, and nothing is acknowledged.
    """
    read: list[Read | Problem] = []
    for group in groups.groups:
        try:
            objects = read_group(group)
            _check_sizes(name, objects)
        except InputError as error:
            read.append(problem_of(error))
        else:
            read.append(objects)
    good = [one for one in read if not isinstance(one, Problem)]
    reports = iter(_reports(store, name, good))
    now = store.time_now()
    outcomes = [
        GroupOutcome(problem=one.document) if isinstance(one, Problem) else _outcome(one, next(reports), now)
        for one in read
    ]
    return GroupsTaken(groups=outcomes)


def _check_sizes(name: str, objects: Read) -> None:
    """InputError for a session with more frames than are taken."""
    received = Received(name, objects, no_blob, MOST_UNPACKED)
    for one in received.objects():
        received.check_size(one)


def _reports(store: Store, name: str, read: Sequence[Read]) -> Sequence[Exchanged]:
    """All at once where nothing of them would be held back, which is quicker; else one after the other."""
    if not read:
        return ()
    every = _source(name, [one for objects in read for one in objects])
    (together,) = store.judge([(every, True)])
    if not together.held:
        # a client that sends again what others lean on does so ahead of them
        return [*(Exchanged(()) for _ in read[1:]), Exchanged((), remarks=together.remarks)]
    sources = [_source(name, objects) for objects in read]
    return store.judge([(source, is_whole(one.kind for one in source.objects())) for source in sources])


def _source(name: str, objects: Read) -> Unpacked:
    received = Received(name, objects, no_blob, MOST_UNPACKED)
    parcels = tuple(received.parcel(one, with_blobs=False) for one in received.objects())
    return Unpacked(name, tuple(received.objects()), parcels)


def _outcome(objects: Read, report: Exchanged, now: str) -> GroupOutcome:
    whole = is_whole(document.kind for document, _ in objects)
    refused = [one.error for one in report.held if isinstance(one.error, NotAllowedError)]
    held = [held_back(one) for one in report.held]
    if whole and refused:
        return GroupOutcome(problem=problem_of(refused[0]).document)
    if whole and held:
        said = [one.model_dump() for one in held]
        return GroupOutcome(problem=Problem("held-back", str(report.held[0].error), held=said).document)
    counts = [Counted(kind=one.kind, new=one.new, known=one.known) for one in report.taken]
    return GroupOutcome(
        taken=Taken(received=now, taken=counts, held=held, remarks=list(report.remarks), acknowledged=[])
    )
