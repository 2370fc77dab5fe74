"""Bring another store in: without loss, without duplicates, all of it or nothing.

What is the same is found by content. Records with a name of their own are the same when name and facts are
equal, and refused when only the name is; tanks, sensors and limits have revisions, so that other content
under a name becomes a further one. Sessions, revisions of marks and trims are known by their hashes, and
every session that comes in is hashed again, from its frames and from the records that it stands on here.
Doing it again finds nothing new.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, cast

from sqlalchemy import Connection, Table, insert, select, update
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical import ID_DIGITS
from dataset.errors import InputError, StoreError
from dataset.records import GroupBy
from dataset.store import sessions, tables
from dataset.store.frozen_sets import to_frozen_set

_CHILDREN: dict[type[tables.Base], type[tables.Base]] = {
    tables.SensorRow: tables.PadRow,
    tables.LimitsRow: tables.LimitRow,
}
Progress = Callable[[str, int, int], None]
Values = dict[str, Any]


@dataclass(frozen=True)
class Merged:
    """How many of a kind came in, and how many were here already."""

    what: str
    new: int
    known: int


@dataclass(frozen=True)
class Renumbered:
    """A revision of the other store, and the one that has its content here."""

    what: str
    theirs: str
    ours: str


@dataclass(frozen=True)
class MergeReport:
    """What a merge did; ``remarks`` are sentences on what a reader must know, such as concurrent amendments
    and notes that differ.
    """

    counts: tuple[Merged, ...]
    renumbered: tuple[Renumbered, ...]
    remarks: tuple[str, ...]

    @property
    def new(self) -> int:
        """How many things came in."""
        return sum(merged.new for merged in self.counts)


def merge(
    orm: OrmSession, here: str, theirs: Connection, there: str, progress: Progress | None = None
) -> MergeReport:
    """Write what the other store has and this one has not, in the transaction of ``orm``, which must end on
    any error.

    Args:
        orm: this store, writing.
        here: what sentences call this store.
        theirs: the other store, at the newest revision of the schema.
        there: what sentences call the other store.
        progress: called with (what, done, total).

    Raises:
        InputError: the stores contradict each other; the sentence names what, here and there.
        StoreError: a session that comes in does not hash to what was sealed.
    """
    merging = _Merging(orm, here, theirs, there, progress or (lambda _what, _done, _total: None))
    for step in merging.steps():
        step()
    merging.refuse_conflicts()
    counts = tuple(Merged(what, new, known) for what, (new, known) in merging.counts.items())
    return MergeReport(counts, tuple(merging.renumbered), tuple(merging.remarks))


class _Merging:
    """One merge on its way. ``ids`` maps, for each table, their row ids to ours; a conflict leaves its row
    out of it.
    """

    def __init__(
        self, orm: OrmSession, here: str, theirs: Connection, there: str, progress: Progress
    ) -> None:
        self.orm, self.ours, self.theirs, self.here, self.there, self.progress = (
            orm,
            orm.connection(),
            theirs,
            here,
            there,
            progress,
        )
        self.ids: defaultdict[str, dict[int, int]] = defaultdict(dict)
        self.counts: dict[str, tuple[int, int]] = {}
        self.renumbered: list[Renumbered] = []
        self.remarks: list[str] = []
        self.conflicts: list[tuple[str, str, str]] = []  # where, found, what to do

    def steps(self) -> Iterator[Callable[[], None]]:
        """In order: what a step refers to was brought in by an earlier one."""
        yield lambda: self.revised("tank", tables.TankRow)
        yield lambda: self.revised("sensor", tables.SensorRow)
        yield lambda: self.revised("limits", tables.LimitsRow)
        yield lambda: self.named("liquid", tables.LiquidRow)
        yield lambda: self.named("unit", tables.UnitRow)
        yield lambda: self.named("budget", tables.BudgetRow)
        yield lambda: self.named("mapping", tables.MappingRow)
        yield lambda: self.named("mounting", tables.MountingRow)
        yield self.sessions
        yield self.voids
        yield self.amendments
        yield self.trims
        yield self.frozen_sets
        yield self.openings
        yield lambda: self.named("model", tables.ModelRow)
        yield self.exports
        yield self.open_captures

    # -- registry and models ---------------------------------------------------------------------------------

    def revised(self, what: str, kind: type[tables.Base]) -> None:
        """Names with revisions: content that this store's name lacks becomes its next revision."""
        child = _CHILDREN.get(kind)
        here: defaultdict[str, dict[Any, tuple[int, int]]] = defaultdict(dict)
        for row in _rows(self.ours, kind):
            here[row["name"]][self._content(self.ours, row, child)] = (row["id"], row["revision"])
        for row in _rows(self.theirs, kind):
            known, content = here[row["name"]], self._content(self.theirs, row, child)
            new = content not in known
            if new:
                revision = max((number for _, number in known.values()), default=0) + 1
                known[content] = (self._insert(kind, _but(row, "id") | {"revision": revision}), revision)
                if child is not None:
                    self._copy_children(child, row["id"], known[content][0])
            self._count(what, new)
            self.ids[_table(kind).name][row["id"]], number = known[content]
            if number != row["revision"]:
                self.renumbered.append(
                    Renumbered(what, f"{row['name']}@{row['revision']}", f"{row['name']}@{number}")
                )

    def named(self, what: str, kind: type[tables.Base]) -> None:
        """Unique names: equal facts are the same record, other facts a conflict; a note that differs is kept
        as it is here.
        """
        here = {row["name"]: row for row in _rows(self.ours, kind)}
        for row in _rows(self.theirs, kind):
            values = self._here(kind, row)
            if values is None:
                continue  # what it stands on is in conflict, which is reported already
            same = here.get(row["name"])
            if same is None:
                self.ids[_table(kind).name][row["id"]] = self._insert(kind, _but(values, "id"))
            elif differing := self._differing(
                self._facts(self.ours, kind, same), self._facts(self.theirs, kind, row)
            ):
                self._conflict(f"{what} {row['name']}", differing, "one of the two needs another name")
                continue
            else:
                self.ids[_table(kind).name][row["id"]] = same["id"]
                if row.get("note") != same.get("note"):
                    self.remarks.append(
                        f"{what} {row['name']}: its note differs and stays '{same['note']}'; in "
                        f"{self.there} it is '{row['note']}'"
                    )
            self._count(what, same is None)

    def _facts(self, connection: Connection, kind: type[tables.Base], row: Mapping[str, Any]) -> Values:
        """What makes a record what it is: not ids and notes, and not the number of a revision that it refers
        to.
        """
        facts = _but(row, "id", "note")
        for key, target in _references(kind).items():
            if facts[key] is not None:
                name = key.removesuffix("_id")
                (found,) = _rows(connection, target, id=facts.pop(key))
                facts |= {
                    f"{name} {what}": value for what, value in _but(found, "id", "revision", "note").items()
                }
                if target in _CHILDREN:
                    facts[f"{name} rows"] = self._children(connection, _CHILDREN[target], found["id"])
        return facts

    # -- sessions --------------------------------------------------------------------------------------------

    def sessions(self) -> None:
        """Sessions by hash, each hashed again; readings that stand here under another label are
        a conflict.
        """
        known = {
            sha256: row_id
            for row_id, sha256 in self.ours.execute(select(tables.SessionRow.id, tables.SessionRow.sha256))
        }
        void = self._void(self.ours) | self._void(self.theirs)
        rows = _rows(self.theirs, tables.SessionRow)
        for done, row in enumerate(rows):
            self.progress("sessions", done, len(rows))
            new, values = row["sha256"] not in known, self._here(tables.SessionRow, row)
            if values is None:
                continue
            self._count("session", new)
            if new:
                if row["sha256"] not in void:
                    self._refuse_twin(row, void)
                known[row["sha256"]] = self._insert_session(row["id"], values)
            self.ids["capture_session"][row["id"]] = known[row["sha256"]]

    def _void(self, connection: Connection) -> set[str]:
        return set(connection.scalars(select(tables.SessionRow.sha256).join(tables.VoidRow)))

    def _refuse_twin(self, row: Mapping[str, Any], void: set[str]) -> None:
        """One recording under two labels could stand on both sides of a split."""
        same = select(tables.SessionRow.sha256).where(
            tables.SessionRow.readings_sha256 == row["readings_sha256"]
        )
        for other in self.ours.scalars(same):
            if other not in void:
                id_, other_id = row["sha256"][:ID_DIGITS], other[:ID_DIGITS]
                found = (
                    f"in {self.there} it has, frame by frame, the readings of session {other_id} in "
                    f"{self.here}, under other labels"
                )
                self.conflicts.append((f"session {id_}", found, "void the wrong one, in its store"))

    def _insert_session(self, their_id: int, values: Values) -> int:
        row_id = self._insert(tables.SessionRow, _but(values, "id") | {"sealed": False})
        for child in (tables.MarkRow, tables.BlockRow, tables.StretchRow, tables.WarningRow):
            self._copy_children(child, their_id, row_id)
        self.ours.execute(update(tables.SessionRow).where(tables.SessionRow.id == row_id).values(sealed=True))
        try:
            session = sessions.to_session(self.orm.get_one(tables.SessionRow, row_id), None)
            sessions.check(session, sessions.frames(self.orm, session))
        except StoreError as error:
            raise StoreError(
                f"{self.there}, {error.where}", error.found, error.expected, error.hint
            ) from error
        self.orm.expunge_all()
        return row_id

    def voids(self) -> None:
        """A session that either bench voided is void; the reason that stands here stays."""
        here = {row["session_id"]: row["reason"] for row in _rows(self.ours, tables.VoidRow)}
        for row in _rows(self.theirs, tables.VoidRow):
            values = self._here(tables.VoidRow, row)
            if values is None:
                continue
            reason = here.get(values["session_id"])
            self._count("void", reason is None)
            if reason is None:
                self._insert(tables.VoidRow, _but(values, "sequence"))
            elif reason != row["reason"]:
                self.remarks.append(
                    f"session {self._id(values['session_id'])}: void here for '{reason}', in "
                    f"{self.there} for '{row['reason']}'; both hold"
                )

    def amendments(self) -> None:
        """Revisions of marks by hash; two that amend the same one are both kept, and named."""
        new = self._by_hash("mark revision", tables.MarkRevisionRow)
        children: defaultdict[tuple[int, str | None], list[Values]] = defaultdict(list)
        for row in _rows(self.ours, tables.MarkRevisionRow):
            children[row["session_id"], row["parent_sha256"]].append(row)
        for (session_id, _), rows in children.items():
            if len(rows) > 1 and any(row["sha256"] in new for row in rows):
                who = ", ".join(
                    f"{row['sha256'][:ID_DIGITS]} by {row['author']} ('{row['reason']}')"
                    for row in sorted(rows, key=lambda r: r["sha256"])
                )
                current = sessions.to_session(self.orm.get_one(tables.SessionRow, session_id)).mark_revision
                said = (
                    f"its marks were amended on both benches, from the same marks: {who}; both are "
                    f"kept, {str(current)[:ID_DIGITS]} counts"
                )
                self.remarks.append(f"session {self._id(session_id)}: {said}")
        self.orm.expunge_all()

    def trims(self) -> None:
        """Trims by hash."""
        self._by_hash("trim", tables.TrimRow)

    def _by_hash(self, what: str, kind: type[tables.Base]) -> set[str]:
        """Bring in rows of events that carry a hash; the hashes that are new."""
        table = _table(kind)
        known, new = set(self.ours.scalars(select(table.c.sha256))), set()
        for row in _rows(self.theirs, kind):
            values = self._here(kind, row)
            if values is None:
                continue
            self._count(what, row["sha256"] not in known)
            if row["sha256"] not in known:
                self._insert(kind, _but(values, "sequence"))
                new.add(row["sha256"])
        return new

    # -- what was made of them -------------------------------------------------------------------------------

    def frozen_sets(self) -> None:
        """Frozen sets by name and hash; one that comes in is hashed again."""
        here = {row["name"]: row for row in _rows(self.ours, tables.FrozenSetRow)}
        for row in _rows(self.theirs, tables.FrozenSetRow):
            name, same = row["name"], here.get(row["name"])
            if same is not None and same["sha256"] != row["sha256"]:
                self._conflict(
                    f"frozen set {name}",
                    [("hash", same["sha256"][:ID_DIGITS], row["sha256"][:ID_DIGITS])],
                    "one of the two needs another name",
                )
                continue
            if same is None and self._regrouped(row):
                continue
            self._count("frozen set", same is None)
            if same is None:
                self._insert_frozen(row)
            else:
                self.ids["frozen_set"][row["id"]] = same["id"]

    def _insert_frozen(self, row: Mapping[str, Any]) -> None:
        made = self._insert(tables.FrozenSetRow, _but(row, "id") | {"sealed": False})
        self.ids["frozen_set"][row["id"]] = made
        members = [
            self._here(tables.FrozenSessionRow, m)
            for m in _rows(self.theirs, tables.FrozenSessionRow, frozen_set_id=row["id"])
        ]
        if any(m is None for m in members):
            return
        self._copy_children(tables.FrozenRoleRow, row["id"], made)
        self._copy_children(tables.FrozenTrimRow, row["id"], made)
        self.ours.execute(insert(tables.FrozenSessionRow), [m for m in members if m is not None])
        self.ours.execute(
            update(tables.FrozenSetRow).where(tables.FrozenSetRow.id == made).values(sealed=True)
        )
        to_frozen_set(self.orm.get_one(tables.FrozenSetRow, made))
        self.orm.expunge_all()

    def _regrouped(self, row: Mapping[str, Any]) -> bool:
        """Groups by tank are named after its revision: a set whose tank has another number here could not be
        read back.
        """
        if row["group_by"] is not GroupBy.TANK:
            return False
        named = {
            role["group_name"] for role in _rows(self.theirs, tables.FrozenRoleRow, frozen_set_id=row["id"])
        }
        moved = [r for r in self.renumbered if r.what == "tank" and r.theirs in named]
        for one in moved:
            found = (
                f"its groups are named after tanks, and {one.theirs} in {self.there} is {one.ours} "
                f"in {self.here}"
            )
            self.conflicts.append(
                (
                    f"frozen set {row['name']}",
                    found,
                    f"merge the other way round, {self.here} into {self.there}, where the numbers stay",
                )
            )
        return bool(moved)

    def openings(self) -> None:
        """Openings of 'prove', counted for each set and purpose: as many as the store that has
        more of them.
        """
        counts = Counter(
            (row["frozen_set_id"], row["purpose"]) for row in _rows(self.ours, tables.ProveOpeningRow)
        )
        met: Counter[tuple[int, str]] = Counter()
        for row in _rows(self.theirs, tables.ProveOpeningRow):
            values = self._here(tables.ProveOpeningRow, row)
            if values is None:
                continue
            key = (values["frozen_set_id"], row["purpose"])
            met[key] += 1
            self._count("prove opening", met[key] > counts[key])
            if met[key] > counts[key]:
                self._insert(tables.ProveOpeningRow, _but(values, "sequence"))

    def exports(self) -> None:
        """Exports by model and bundle."""
        here = {
            (row["model_id"], row["bundle_sha256"]): row["id"] for row in _rows(self.ours, tables.ExportRow)
        }
        for row in _rows(self.theirs, tables.ExportRow):
            values = self._here(tables.ExportRow, row)
            if values is None:
                continue
            same = here.get((values["model_id"], row["bundle_sha256"]))
            self._count("export", same is None)
            if same is None:
                self._copy_children(
                    tables.ExportedFileRow, row["id"], self._insert(tables.ExportRow, _but(values, "id"))
                )
            elif self._children(self.ours, tables.ExportedFileRow, same) != self._children(
                self.theirs, tables.ExportedFileRow, row["id"]
            ):
                found = f"is recorded with other files in {self.there} than in {self.here}"
                self.conflicts.append(
                    (
                        f"export {row['bundle_sha256'][:ID_DIGITS]}",
                        found,
                        "one of the two stores was changed by something else than innage",
                    )
                )

    def open_captures(self) -> None:
        """Captures that are still open stay where they are."""
        for row in _rows(self.theirs, tables.OpenCaptureRow):
            self.remarks.append(
                f"capture {row['name']} is still open in {self.there} and was left out: end it "
                "there, then merge again"
            )

    # -- rows ------------------------------------------------------------------------------------------------

    def _here(self, kind: type[tables.Base], row: Mapping[str, Any]) -> Values | None:
        """The row with its references turned into ours; None when one of them is in conflict."""
        values = dict(row)
        for key, target in _references(kind).items():
            if values[key] is not None:
                mine = self.ids[_table(target).name].get(values[key])
                if mine is None:
                    return None
                values[key] = mine
        return values

    def _insert(self, kind: type[tables.Base], values: Mapping[str, Any]) -> int:
        made = self.ours.execute(insert(kind).values(**values)).inserted_primary_key
        return int(cast(Any, made)[0])

    def _copy_children(self, kind: type[tables.Base], their_id: int, our_id: int) -> None:
        parent = _parent(kind)
        rows = [row | {parent: our_id} for row in _rows(self.theirs, kind, **{parent: their_id})]
        if rows:
            self.ours.execute(insert(kind), rows)

    def _children(self, connection: Connection, kind: type[tables.Base], parent_id: int) -> tuple[Any, ...]:
        parent = _parent(kind)
        return tuple(
            tuple(_but(row, parent).items()) for row in _rows(connection, kind, **{parent: parent_id})
        )

    def _content(
        self, connection: Connection, row: Mapping[str, Any], child: type[tables.Base] | None
    ) -> tuple[Any, ...]:
        children = () if child is None else self._children(connection, child, row["id"])
        return (*_but(row, "id", "revision").items(), children)

    def _id(self, session_id: int) -> str:
        sha256 = self.ours.scalar(select(tables.SessionRow.sha256).where(tables.SessionRow.id == session_id))
        return str(sha256)[:ID_DIGITS]

    def _count(self, what: str, new: bool) -> None:
        was_new, known = self.counts.get(what, (0, 0))
        self.counts[what] = (was_new + new, known + (not new))

    # -- conflicts -------------------------------------------------------------------------------------------

    def _differing(self, here: Values, there: Values) -> list[tuple[str, object, object]]:
        return [
            (key.replace("_", " "), here.get(key), there.get(key))
            for key in here | there
            if here.get(key) != there.get(key)
        ]

    def _conflict(self, where: str, differing: list[tuple[str, object, object]], hint: str) -> None:
        said = [
            f"{key} is {_said(one)} in {self.here} and {_said(two)} in {self.there}"
            for key, one, two in differing
            if _short(one) and _short(two)
        ]
        said += [
            f"{key} in {self.here} is another than in {self.there}"
            for key, one, two in differing
            if not (_short(one) and _short(two))
        ]
        self.conflicts.append(
            (where, ", ".join(said[:4]) + (f" and {len(said) - 4} facts more" if len(said) > 4 else ""), hint)
        )

    def refuse_conflicts(self) -> None:
        """One sentence for the first contradiction, and the names of the others."""
        if not self.conflicts:
            return
        where, found, hint = self.conflicts[0]
        others = list(dict.fromkeys(other for other, _, _ in self.conflicts[1:] if other != where))
        also = (
            f"; {len(others)} more contradict each other: "
            f"{', '.join(others[:8])}{', ...' if len(others) > 8 else ''}"
            if others
            else ""
        )
        raise InputError(
            where, found + also, "the same content under the same name", f"nothing was merged; {hint}"
        )


def _short(value: object) -> bool:
    """Whether a fact can stand in a sentence."""
    return value is None or (isinstance(value, str | int | float) and len(str(value)) <= 40)


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else "not given" if value is None else str(value)


def _table(kind: type[tables.Base]) -> Table:
    return cast(Table, kind.__table__)


def _rows(connection: Connection, kind: type[tables.Base], **where: object) -> list[Values]:
    """Rows in the order of their primary key."""
    table = _table(kind)
    query = (
        select(table)
        .where(*(table.c[key] == value for key, value in where.items()))
        .order_by(*table.primary_key)
    )
    return [dict(row) for row in connection.execute(query).mappings()]


def _but(row: Mapping[str, Any], *keys: str) -> Values:
    return {key: value for key, value in row.items() if key not in keys}


def _references(kind: type[tables.Base]) -> dict[str, type[tables.Base]]:
    """Columns that refer to rows by id, and the kind of row."""
    kinds = {
        cast(Table, mapper.class_.__table__).name: mapper.class_ for mapper in tables.Base.registry.mappers
    }
    return {
        column.name: kinds[key.column.table.name]
        for column in _table(kind).columns
        for key in column.foreign_keys
    }


def _parent(kind: type[tables.Base]) -> str:
    """The column by which a child row belongs to its parent: the first of its primary key."""
    return next(iter(_table(kind).primary_key)).name
