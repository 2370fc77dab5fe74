"""What travels together: a session with all that was said of it goes in whole or not at all, and so do a set
and a model with theirs; what is registered goes one by one, so that one budget holds nothing else back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from dataset.documents import Document
from dataset.exchange.objects import KINDS, REGISTRY, Offered, called_key, key_of

ONE_BY_ONE = REGISTRY | {"retirement", "unit union"}
OF_SESSION = ("void", "tag", "amendment", "mark revision")  # events that name their session
MOST = 500  # objects in a group
_PLACE = {kind: place for place, kind in enumerate(KINDS)}


def is_whole(kinds: Iterable[str]) -> bool:
    """Whether objects of these kinds, sent together, go in whole or not at all."""
    return any(kind not in ONE_BY_ONE for kind in kinds)


def subject_of(document: Document) -> str:
    """The key of what a document is said of: objects of one subject travel together."""
    facts = document.facts
    if document.kind in OF_SESSION:
        return str(facts["session"])
    if document.kind == "unit assignment":
        return str(facts["object"])
    if document.kind == "opening":
        return called_key("frozen set", facts["frozen_set"], facts["set_name"])
    if document.kind in ("status", "bundle"):
        return called_key("model", facts["model"], facts["called"])
    return key_of(document)


def groups_of(objects: Iterable[tuple[Offered, str]]) -> Iterator[tuple[Offered, ...]]:
    """The groups that objects, each with its subject, travel in, each after what it refers to."""
    shared: list[Offered] = []
    by_subject: dict[str, list[Offered]] = {}
    for one, subject in objects:
        (shared if one.kind in ONE_BY_ONE else by_subject.setdefault(subject, [])).append(one)
    yield from _parts(shared)
    for group in sorted(by_subject.values(), key=lambda group: min(_PLACE[one.kind] for one in group)):
        yield from _parts(group)


def batches(groups: Iterable[Sequence[Offered]], most: int) -> Iterator[list[Sequence[Offered]]]:
    """Groups that are sent in one request: so many at a time, and none together with what it may lean on."""
    batch: list[Sequence[Offered]] = []
    for group in groups:
        if batch and (len(batch) == most or group[0].kind != batch[0][0].kind):
            yield batch
            batch = []
        batch.append(group)
    if batch:
        yield batch


def _parts(group: list[Offered]) -> Iterator[tuple[Offered, ...]]:
    ordered = sorted(group, key=lambda one: _PLACE[one.kind])
    for at in range(0, len(ordered), MOST):
        yield tuple(ordered[at : at + MOST])
