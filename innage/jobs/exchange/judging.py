"""What a server would not take of a push, found out before anything goes: it judges the documents, and undoes
what it did. Whatever they lean on and the server lacks goes to it with them, in the same request.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from dataset.documents import Document
from dataset.exchange.groups import ONE_BY_ONE, batches
from dataset.exchange.objects import KINDS, Offered
from dataset.exchange.reading import texts_of
from dataset.exchange.report import Held
from dataset.words import counted
from innage.jobs import Progress
from innage.jobs.exchange.leaning import HeldBack
from innage.jobs.exchange.peer import Peer, Sent

if TYPE_CHECKING:
    from dataset.store import Store

Group = Sequence[Offered]
AT_ONCE = 80  # groups that are judged by one request
MOST_TEXT = 4 << 20  # characters of documents in one request
MOST_OBJECTS = 1000  # in a group
MOST_BESIDE = 500  # objects that go along only for what leans on them; other writers wait meanwhile
_PLACE = {kind: place for place, kind in enumerate(KINDS)}


@dataclass
class Judged:
    """What would not be taken.

    Attributes:
        held: objects, with the reason.
        remarks: sentences on what a reader must know.
        not_judged: sentences on what could not be found out.
    """

    held: list[Held] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    not_judged: list[str] = field(default_factory=list)


@dataclass
class _Load:
    """A group with its documents, as long as it takes."""

    documents: dict[Offered, Document] = field(default_factory=dict)
    by_upgrade: dict[Offered, bool] = field(default_factory=dict)

    @property
    def size(self) -> int:
        return sum(len(document.text) for document in self.documents.values())

    def sent(self) -> Iterator[tuple[int, Sent]]:
        """Its objects as they are sent, each with the place of its kind."""
        for one, document in self.documents.items():
            yield _PLACE[one.kind], Sent(document.text, (), self.by_upgrade[one])


def judge(
    store: Store, peer: Peer, groups: Sequence[Group], lacking: frozenset[Offered], progress: Progress
) -> Judged:
    """Ask ``peer`` what it would not take.

    Args:
        store: where the objects are.
        peer: the server.
        groups: what would be sent, each after what it refers to.
        lacking: what of it the server does not have.
        progress: told how far it is.

    Raises:
        InputError: the server refuses to talk. StoreError: it cannot be reached.
    """
    if not peer.judges():
        return Judged(not_judged=[f"{peer.name} is older, and does not say beforehand what it would refuse"])
    # what a server has it does not refuse; of what is registered it says where notes differ
    asked = [group for group in groups if group[0].kind in ONE_BY_ONE or not lacking.isdisjoint(group)]
    judging = _Judging(store, peer, lacking)
    done = 0
    for batch in batches(asked, AT_ONCE):
        progress("judging", done, len(asked))
        judging.ask(batch)
        done += len(batch)
    progress("judging", len(asked), len(asked))
    remarks = list(dict.fromkeys(judging.remarks))  # those of what is sent again come again
    return Judged(judging.held.objects, remarks, [*judging.left_out(), *_unseen(lacking)])


def _unseen(lacking: frozenset[Offered]) -> Iterator[str]:
    """What travels beside documents, and not here."""
    sessions, models = (sum(one.kind == kind for one in lacking) for kind in ("session", "model"))
    beside = [f"the frames of {counted(sessions, 'session')}"] if sessions else []
    beside += [f"the ONNX of {counted(models, 'model')}"] if models else []
    if beside:
        yield f"not judged, since a dry run does not send it: {' and '.join(beside)}"


class _Judging:
    """What was found out so far."""

    def __init__(self, store: Store, peer: Peer, lacking: frozenset[Offered]) -> None:
        self._store, self._peer, self._lacking = store, peer, lacking
        self.held = HeldBack()
        self.remarks: list[str] = []
        self._passed: list[_Load] = []  # that the server lacks, and would take
        self._place: dict[str, int] = {}  # in these, by the names that others refer to
        self._left_out: list[_Load] = []
        self._names_left_out: set[str] = set()

    def ask(self, groups: Sequence[Group]) -> None:
        """Have groups judged that do not lean on one another."""
        for loads, beside in self._requests(self._loads(groups)):
            ahead = list(_cut([one for place in sorted(beside) for one in self._passed[place].sent()]))
            sent = [[one for _, one in sorted(load.sent(), key=_kind)] for load in loads]
            answers = self._peer.judge([*ahead, *sent])[len(ahead) :]
            for load, answered in zip(loads, answers, strict=True):
                self.remarks += answered.report.remarks
                self.held.hold(answered.report.held, load.documents)
                self._keep(load, {(one.kind, one.key) for one in answered.report.held})

    def left_out(self) -> Iterator[str]:
        """That something leans on more than goes into a request."""
        kinds = Counter(min(load.documents, key=_place_of).kind for load in self._left_out)
        if kinds:
            left = ", ".join(counted(kinds[kind], kind) for kind in KINDS if kinds[kind])
            yield f"not judged, since too much that is new there stands behind: {left}"

    def _loads(self, groups: Sequence[Group]) -> list[_Load]:
        """Groups with their documents; of those that lean on what is held back only that they do."""
        place = {one: number for number, group in enumerate(groups) for one in group}
        loads = [_Load() for _ in groups]
        for parcel in self._store.parcels(tuple(place)):
            load = loads[place[parcel.offered]]
            load.documents[parcel.offered] = parcel.document
            load.by_upgrade[parcel.offered] = parcel.hashed_by_upgrade
        going = []
        for load in loads:
            reason = self.held.leaning(load.documents.values())
            if reason is None:
                going.append(load)
            else:
                self.held.hold([Held(*one, reason) for one in load.documents], load.documents)
        return going

    def _requests(self, loads: Sequence[_Load]) -> Iterator[tuple[list[_Load], set[int]]]:
        """As many of them at a time as go into a request, with what they lean on."""
        some: list[_Load] = []
        beside: set[int] = set()
        for load in loads:
            own = self._behind(load)
            if self._is_too_much(load, own):
                self._left_out.append(load)
                self._names_left_out |= {name for one in load.documents.values() for name in _names(one)}
                continue
            if some and self._size([*some, load], beside | own) > MOST_TEXT:
                yield some, beside
                some, beside = [], set()
            some.append(load)
            beside |= own
        if some:
            yield some, beside

    def _is_too_much(self, load: _Load, beside: set[int]) -> bool:
        """Whether a group leans on more than goes along, or on what is not judged for that reason."""
        objects = sum(len(self._passed[place].documents) for place in beside)
        texts = {text for one in load.documents.values() for text in texts_of(one.facts)}
        return (
            objects > MOST_BESIDE
            or (bool(beside) and self._size([load], beside) > MOST_TEXT)
            or not texts.isdisjoint(self._names_left_out)
        )

    def _size(self, loads: Sequence[_Load], beside: set[int]) -> int:
        return sum(load.size for load in (*loads, *(self._passed[place] for place in beside)))

    def _behind(self, load: _Load) -> set[int]:
        """Where what a group leans on stands, at whatever distance; what is registered always goes along."""
        behind = {place for place, other in enumerate(self._passed) if _is_registered(other)}
        left = [load]
        while left:
            texts = {text for one in left.pop().documents.values() for text in texts_of(one.facts)}
            further = {self._place[text] for text in texts & self._place.keys()} - behind
            left += [self._passed[place] for place in further]
            behind |= further
        return behind

    def _keep(self, load: _Load, held: set[tuple[str, str]]) -> None:
        """Keep what of a group others may lean on."""
        taken = {one: load.documents[one] for one in load.documents if tuple(one) not in held}
        if self._lacking.isdisjoint(taken):
            return
        for document in taken.values():
            self._place |= dict.fromkeys(_names(document), len(self._passed))
        self._passed.append(_Load(taken, load.by_upgrade))


def _names(document: Document) -> list[str]:
    """What others may refer to an object by."""
    called = (document.facts.get(key) for key in ("called", "name"))
    return [document.name, *(name for name in called if isinstance(name, str))]


def _is_registered(load: _Load) -> bool:
    return next(iter(load.documents)).kind in ONE_BY_ONE


def _place_of(one: Offered) -> int:
    return _PLACE[one.kind]


def _kind(one: tuple[int, Sent]) -> int:
    return one[0]


def _cut(sent: Sequence[tuple[int, Sent]]) -> Iterator[list[Sent]]:
    """Objects in order of reference, in as few groups as take them."""
    ordered = [one for _, one in sorted(sent, key=_kind)]
    for at in range(0, len(ordered), MOST_OBJECTS):
        yield ordered[at : at + MOST_OBJECTS]
