"""Taking what a source offers: in one transaction, object by object, each in a savepoint of its own.

An object comes in only when what it refers to is here, its bytes hash to its name, and its frames to its
session. One that cannot come in is held back, and so is what leans on it; everything else comes in. Doing it
again finds nothing new.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from graphlib import CycleError, TopologicalSorter
from typing import Any

from sqlalchemy import event
from sqlalchemy.orm import Session as OrmSession

from dataset.documents import Document
from dataset.errors import InnageError, InputError
from dataset.exchange.objects import KINDS, REGISTRY, Offered, Parcel, Source
from dataset.exchange.reading import check_value, texts_of
from dataset.exchange.report import Exchanged, Held, Taken
from dataset.store import registry, tables
from dataset.store.exchange import captured, offering, registered, results
from dataset.store.exchange.registered import Take, revised, unique
from dataset.store.exchange.taking import Taking
from dataset.store.tables import Covered

Progress = Callable[[str, int, int], None]

TAKES: Mapping[str, Take] = {
    "bench": registered.bench,
    "operator": unique(tables.OperatorRow, registry.to_operator, registry.add_operator),
    "unit": registered.unit,
    "tank": revised(tables.TankRow, registry.add_tank),
    "liquid": unique(tables.LiquidRow, registry.to_liquid, registry.add_liquid),
    "sensor": revised(tables.SensorRow, registry.add_sensor),
    "mounting": registered.mounting,
    "instrument": registered.instrument,
    "check standard": registered.check_standard,
    "check measurement": registered.check_measurement,
    "budget": unique(tables.BudgetRow, registry.to_budget, registry.add_budget),
    "mapping": unique(tables.MappingRow, registry.to_mapping, registry.add_mapping),
    "limits": registered.limits,
    "sign-off": registered.sign_off,
    "retirement": registered.retirement,
    "session": captured.session,
    "void": captured.void,
    "tag": captured.tag,
    "amendment": captured.amendment,
    "mark revision": captured.mark_revision,
    "trim": captured.trim,
    "unit assignment": captured.unit_assignment,
    "unit union": captured.unit_union,
    "frozen set": results.frozen_set,
    "opening": results.opening,
    "model": results.model,
    "status": results.status,
    "bundle": results.bundle,
    "board measurement": results.board_measurement,
}


# kinds of which one object may name another
_FOLLOWING = frozenset(
    {"retirement", "void", "tag", "amendment", "mark revision", "unit union", "opening", "status"}
)


def accept(
    orm: OrmSession,
    source: Source,
    progress: Progress | None = None,
    allow: Callable[[str], None] | None = None,
    *,
    here: str = "here",
    documents_alone: bool = False,
) -> Exchanged:
    """Write what the source has and this store lacks, in the transaction of ``orm``.

    Args:
        orm: the store, writing.
        source: what objects are had from.
        progress: called with (what, done, total).
        allow: called with the kind of each object that was written; one for which it raises is held back.
        here: as of :class:`dataset.store.exchange.taking.Taking`.
        documents_alone: as of that, too.

    Raises:
        InputError: the source cannot give what it offers; what it gives and this store cannot take is held
            back instead.
    """
    taking = Taking(orm, source.name, here, documents_alone=documents_alone)
    taken, held = take(taking, source, progress, allow)
    taking.finish()
    return Exchanged(taken, held, tuple(taking.remarks))


def take(
    taking: Taking,
    source: Source,
    progress: Progress | None = None,
    allow: Callable[[str], None] | None = None,
) -> tuple[tuple[Taken, ...], tuple[Held, ...]]:
    """As :func:`accept`, before anything is said of the whole: what of each kind came in, and what was held
    back.
    """
    orm, offered = taking.orm, source.objects()
    # what is registered is looked at each time: its notes may differ
    taking.lacking = frozenset(offering.lacking(orm, offered))
    wanted = {one for one in offered if one.kind in REGISTRY} | taking.lacking
    voids = [parcel.document for parcel in source.parcels({one for one in wanted if one.kind == "void"})]
    taking.sessions = frozenset(one.key for one in offered if one.kind == "session")
    taking.void = _void(voids)
    writing = _Writing(taking, allow)
    waiting: list[Parcel] = []
    for done, parcel in enumerate(source.parcels(wanted)):
        if progress is not None:
            progress("objects", done, len(wanted))
        if waiting and waiting[0].document.kind != parcel.document.kind:
            writing.write_again(waiting)
            waiting = []
        if not writing.write(parcel) and parcel.document.kind in _FOLLOWING:
            waiting.append(parcel)
    writing.write_again(waiting)
    held = tuple(Held(*offered, error) for offered, error in writing.held.items())
    return _counts(offered, writing.new, held), held


class _Writing:
    """Objects on their way into the store, and those that it did not take, each with the error that says
    why.
    """

    def __init__(self, taking: Taking, allow: Callable[[str], None] | None) -> None:
        self._taking, self._allow = taking, allow
        self.held: dict[Offered, InnageError] = {}
        self.new: defaultdict[str, int] = defaultdict(int)
        self._held_names: dict[str, str] = {}

    def write(self, parcel: Parcel) -> bool:
        """Take an object, or hold it back; whether it was taken."""
        taking, document = self._taking, parcel.document
        try:
            _refuse_leaning(taking, document, self._held_names)
            with taking.orm.begin_nested():
                is_new = _take(taking, parcel)
                if is_new and self._allow is not None:
                    self._allow(document.kind)
        except InnageError as error:
            self.held[parcel.offered] = error
            self._held_names[document.name] = taking.where(document)
            taking.unsettle()
            return False
        if is_new:
            taking.note_new(parcel)
        self.new[document.kind] += is_new
        return True

    def write_again(self, parcels: Sequence[Parcel]) -> None:
        """Take what was held back of a kind, each after what it follows: it may have come before that, as it
        stands in a store that was read from text.
        """
        for parcel in _in_order(parcels):
            self.held.pop(parcel.offered, None)
            self._held_names.pop(parcel.document.name, None)
            self.write(parcel)


def _in_order(parcels: Sequence[Parcel]) -> Iterator[Parcel]:
    """Each after those of them that it names."""
    by_name = {parcel.document.name: parcel for parcel in parcels}
    named = {
        name: sorted({text for text in texts_of(parcel.document.facts) if text in by_name})
        for name, parcel in by_name.items()
    }
    try:
        order = tuple(TopologicalSorter(named).static_order())
    except CycleError:  # no hashes of what they are called by can do that
        order = tuple(by_name)
    return map(by_name.__getitem__, order)


def _take(taking: Taking, parcel: Parcel) -> bool:
    document = parcel.document
    where = taking.where(document)
    check_value(where, document.facts)
    if document.kind not in TAKES:
        raise InputError(where, f"is a {document.kind}", "one of " + ", ".join(KINDS))
    with _marked(taking.orm, parcel.hashed_by_upgrade):
        return TAKES[document.kind](taking, parcel)


@contextmanager
def _marked(orm: OrmSession, by_upgrade: bool) -> Iterator[None]:
    """What is written within has the mark that an upgrade hashed it, which its hash covers."""

    def mark(_orm: OrmSession, row: object) -> None:
        if isinstance(row, Covered):
            row.hashed_by_upgrade = True

    if by_upgrade:
        event.listen(orm, "transient_to_pending", mark)
    try:
        yield
    finally:
        if by_upgrade:
            event.remove(orm, "transient_to_pending", mark)


def _counts(offered: Any, new: Mapping[str, int], held: Sequence[Held]) -> tuple[Taken, ...]:
    """Of each kind that was offered: what came in, and what was here."""
    counted: defaultdict[str, int] = defaultdict(int)
    for one in offered:
        counted[one.kind] += 1
    for one in held:
        counted[one.kind] -= 1
    return tuple(
        Taken(kind, new.get(kind, 0), counted[kind] - new.get(kind, 0)) for kind in KINDS if kind in counted
    )


def _void(events: list[Document]) -> frozenset[str]:
    """The sessions that are void by these events: any void of them was not taken back."""
    taken_back = {str(e.facts.get("parent")) for e in events if e.facts.get("takes_back")}
    return frozenset(
        str(e.facts.get("session"))
        for e in events
        if not e.facts.get("takes_back") and e.name not in taken_back
    )


def _refuse_leaning(taking: Taking, document: Document, held: Mapping[str, str]) -> None:
    """InputError for what refers to something that was held back."""
    if held:
        leaned = next((held[text] for text in texts_of(document.facts) if text in held), None)
        if leaned is not None:
            raise InputError(
                taking.where(document),
                f"leans on {leaned}, which was held back",
                "",
                f"first see to {leaned}",
            )
