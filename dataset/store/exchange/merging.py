"""A whole store brought in: the exchange with a file or a database as what gives, all of it or nothing, and
told as a merge.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.orm import Session as OrmSession

from dataset.documents import name_of
from dataset.errors import InnageError, InputError, StoreError, there_are
from dataset.exchange.objects import Offered, Parcel
from dataset.exchange.report import Exchanged, Renumbered, Taken
from dataset.records import ID_DIGITS
from dataset.store import registry, tables, units
from dataset.store.database import TIMEOUT_S, translated
from dataset.store.exchange import offering
from dataset.store.exchange.accepting import Progress, take
from dataset.store.exchange.taking import ContradictionError, Taking, contested_session
from dataset.store.reading.voiding import void_reason

SameUnit = tuple[str, str, str]  # a unit here, the one there that it is, and how somebody knows
NAMED_OTHERS = 8  # further contradictions that a sentence names
# what is counted, in which order, under which word; an assignment comes with what it assigns
_COUNTED: Mapping[str, tuple[str, ...]] = {
    "tank": ("tank",),
    "sensor": ("sensor",),
    "limits": ("limits", "sign-off"),
    "liquid": ("liquid",),
    "operator": ("operator",),
    "budget": ("budget",),
    "mapping": ("mapping",),
    "bench": ("bench",),
    "unit": ("unit",),
    "instrument": ("instrument",),
    "check standard": ("check standard",),
    "check measurement": ("check measurement",),
    "mounting": ("mounting",),
    "retirement": ("retirement",),
    "session": ("session",),
    "void": ("void",),
    "tag": ("tag",),
    "mark revision": ("mark revision",),
    "amendment": ("amendment",),
    "trim": ("trim",),
    "unit union": ("unit union",),
    "frozen set": ("frozen set",),
    "prove opening": ("opening",),
    "model": ("model",),
    "model status": ("status",),
    "export": ("bundle",),
    "board measurement": ("board measurement",),
}
_ONLY_NEW = ("bench", "unit union")  # every store has some
_UNDONE: Mapping[str, tuple[str, Any, Any]] = {  # events that end others are counted apart
    "retirement": ("retirement taken back", tables.RetirementRow, tables.RetirementRow.takes_back),
    "void": ("void taken back", tables.VoidRow, tables.VoidRow.takes_back),
    "tag": ("tag removed", tables.TagRow, tables.TagRow.removes),
}


def merge(
    orm: OrmSession,
    here: str,
    theirs: Connection,
    there: str,
    progress: Progress | None = None,
    same_units: Sequence[SameUnit] = (),
) -> Exchanged:
    """Write what the other store has and this one has not, in the transaction of ``orm``, which must end on
    any error.

    Args:
        orm: this store, writing.
        here: what sentences call this store.
        theirs: the other store, at the newest revision of the schema.
        there: what sentences call the other store.
        progress: called with (what, done, total).
        same_units: units that are one although each store registered one of its own.

    Raises:
        InputError: the stores contradict each other; the sentence names what, here and there.
        StoreError: something that comes in does not hash to what was kept with it.
    """
    with OrmSession(theirs) as reading:
        other = _Other(reading, there)
        ended_before = {kind: _ended(orm, kind) for kind in _UNDONE}
        taking = Taking(orm, there, here=f"in {here}", merging=True)
        taken, held = take(taking, other, progress)
        _refuse([one.error for one in held], there)
        united = _unite(taking, reading, here, same_units)
        _refuse(list(_contested(taking)), there)
        taking.finish()
        ended = {kind: (_ended(reading, kind), before) for kind, before in ended_before.items()}
        left_open = [
            f"capture {name} is still open in {there} and was left out: end it there, then merge again"
            for name in other.open_captures()
        ]
        return Exchanged(
            tuple(_counts(taken, ended, united)),
            remarks=(*taking.remarks, *left_open),
            renumbered=tuple(_renumbered(orm, reading)),
        )


class _Other:
    """The other store as a :class:`dataset.exchange.objects.Source`; what is wrong with what it holds is said
    of it.
    """

    def __init__(self, orm: OrmSession, name: str) -> None:
        self._orm, self.name = orm, name

    def objects(self) -> Sequence[Offered]:
        """Everything that it has."""
        with self._named():
            return offering.objects(self._orm)

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        """The wanted objects, every hash checked."""
        with self._named():
            yield from offering.parcels(self._orm, wanted)

    def open_captures(self) -> Sequence[str]:
        """The names of captures that have not ended."""
        names = select(tables.OpenCaptureRow.name).order_by(tables.OpenCaptureRow.id)
        with self._named():
            return self._orm.scalars(names).all()

    @contextmanager
    def _named(self) -> Iterator[None]:
        """What its database cannot read is not said of the store that is written meanwhile, either."""
        is_file = self._orm.connection().dialect.name == "sqlite"
        with translated(Path(self.name), TIMEOUT_S) if is_file else nullcontext():
            try:
                yield
            except StoreError as error:
                where = f"{self.name}, {error.where}"
                raise StoreError(where, error.found, error.expected, error.hint) from error


def _refuse(errors: Sequence[InnageError], there: str) -> None:
    """One sentence for the first contradiction, and the names of the others; what could not come in for
    another reason is told as it is, where nothing contradicts.
    """
    if not errors:
        return
    damage = next((error for error in errors if isinstance(error, StoreError)), None)
    if damage is not None:
        where = f"{there}, {damage.where}"
        raise StoreError(where, damage.found, damage.expected, damage.hint) from damage
    contradictions = [error for error in errors if isinstance(error, ContradictionError)]
    if not contradictions:
        other = errors[0]
        hint = f"nothing was merged; {other.hint}" if other.hint else "nothing was merged"
        raise InputError(other.where, other.found, other.expected, hint, fields=other.fields) from other
    first = contradictions[0]
    sentence = first.found
    others = list(dict.fromkeys(other.where for other in contradictions[1:] if other.where != first.where))
    if others:
        listed = ", ".join(others[:NAMED_OTHERS]) + (", ..." if len(others) > NAMED_OTHERS else "")
        sentence += f"; {len(others)} more contradict each other: {listed}"
    raise InputError(
        first.where,
        sentence,
        "the same content under the same name",
        f"nothing was merged; {first.hint}",
        fields=first.fields,
    ) from first


def _ended(orm: OrmSession, kind: str) -> frozenset[str]:
    """The hashes of the events of a kind that end others."""
    _, rows, ends = _UNDONE[kind]
    return frozenset(orm.scalars(select(rows.record_sha256).where(ends)))


def _counts(
    taken: Iterable[Taken],
    ended: Mapping[str, tuple[frozenset[str], frozenset[str]]],
    united: int,
) -> Iterator[Taken]:
    """What came in and what was here, of each kind that the other store has; ``ended`` are the events that
    end others, there and here before.
    """
    by_kind = {one.kind: one for one in taken}
    for what, kinds in _COUNTED.items():
        of_kinds = [by_kind[kind] for kind in kinds if kind in by_kind]
        new, known = sum(one.new for one in of_kinds), sum(one.known for one in of_kinds)
        there, before = ended.get(what, (frozenset(), frozenset()))
        new, known = new - len(there - before), known - len(there & before)
        if what in _ONLY_NEW:
            new, known = new + (united if what == "unit union" else 0), 0
        if new or known:
            yield Taken(what, new, known)
        if there:
            yield Taken(_UNDONE[what][0], len(there - before), len(there & before))


def _renumbered(orm: OrmSession, theirs: OrmSession) -> Iterator[Renumbered]:
    """Revisions of the other store whose content has another number here."""
    revised: tuple[tuple[str, Any, Callable[[Any], Any]], ...] = (
        ("tank", tables.TankRow, registry.to_tank),
        ("sensor", tables.SensorRow, registry.to_sensor),
        ("limits", tables.LimitsRow, registry.to_limits),
    )
    for what, kind, to_record in revised:
        ours = {_content(to_record(row)): row.revision for row in orm.scalars(select(kind))}
        for row in theirs.scalars(select(kind).order_by(kind.id)):
            number = ours[_content(to_record(row))]
            if number != row.revision:
                there, here = (f"{row.name}@{revision}" for revision in (row.revision, number))
                yield Renumbered(what, there, here)


def _content(record: Any) -> tuple[str, object]:
    """What makes a revision what it is: its facts, and who signed them."""
    return name_of(record), getattr(record, "signer", None)


def _unite(taking: Taking, theirs: OrmSession, here: str, same_units: Sequence[SameUnit]) -> int:
    """Record that units are one, where they are not yet; how many were united."""
    united = 0
    taking.settle()
    for unit_here, unit_there, reason in same_units:
        ours = {row.name: row for row in taking.orm.scalars(select(tables.UnitRow))}
        by_identity = {row.identity: row for row in ours.values()}
        brought = {row.name: by_identity[row.identity] for row in theirs.scalars(select(tables.UnitRow))}
        one, other = _known(here, unit_here, ours), _known(taking.there, unit_there, brought)
        if one is not other:
            taking.unsettle()
            units.unite(taking.orm, one, other, reason)
            united += 1
    return united


def _known(where: str, name: str, known: Mapping[str, tables.UnitRow]) -> tables.UnitRow:
    """The unit of this name, or the one that is shown in its place."""
    if name not in known:
        hint = there_are(sorted(known), name, "there are none")
        raise InputError(f"same_units, {name}", f"is no unit of {where}", "", hint, fields=("same_units",))
    return known[name].same_as or known[name]


def _contested(taking: Taking) -> Iterator[ContradictionError]:
    """Sessions of two units, which must not be learnt from; a trim stays with the unit that it is of here,
    and is told.
    """
    for object_sha256, of_units in units.contested(taking.orm):
        captured = taking.orm.scalar(
            select(tables.SessionRow).where(tables.SessionRow.sha256 == object_sha256)
        )
        if captured is None:
            named = " and ".join(row.name for row in of_units)
            taking.remarks.append(
                f"trim {object_sha256[:ID_DIGITS]} was taken of units {named}, with the same counts on the "
                "same day: if they are one sample, say so"
            )
        elif void_reason(captured) is None:
            yield contested_session(
                taking,
                object_sha256,
                of_units,
                "say with same_units that they are one sample, or void it in both: its board stood still",
            )
