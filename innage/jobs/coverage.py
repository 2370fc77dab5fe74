"""What has been captured, what is missing, and what to capture next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any, TypeVar

from dataset.coverage.benches import benches_of, on_one_bench
from dataset.coverage.gaps import BANDS, Gaps, Registered, find_gaps, pieces_of
from dataset.coverage.planning import AtHand, Plan, Proposal, make_plan
from dataset.coverage.temperature_bands import KELVIN
from dataset.records import GroupBy
from dataset.values import natural
from innage.jobs.sessions.finding import EVERY_SESSION, SessionFilter, settle

if TYPE_CHECKING:
    from dataset.coverage.gaps import Piece
    from dataset.coverage.telling_apart import Judgement
    from dataset.records import Limits, Liquid, Mounting, Session, Tank, Unit
    from dataset.store import Store
    from dataset.store.standing import Standing

N = TypeVar("N", "Liquid", "Mounting", "Unit")
BUILT_IN_LIMITS = "the built-in limits"


@dataclass(frozen=True)
class Coverage:
    """What has been captured in the sessions that were asked for: ``sessions`` of them, ``void`` of these not
    counted; how well film and foam can be told from each liquid.
    """

    gaps: Gaps
    judgements: tuple[Judgement, ...]
    sessions: int
    void: int

    def facts(self) -> dict[str, Any]:
        """The matrix, ready for JSON."""
        cells = []
        for cell in self.gaps.cells:
            step = self.gaps.spans[cell.tank] / self.gaps.bands
            levels = None if cell.band is None else [cell.band * step, (cell.band + 1) * step]
            cells.append(
                asdict(cell)
                | {"levels_mm": levels, "sessions": list(cell.sessions), "condition": list(cell.condition)}
            )
        return {
            "bands": self.gaps.bands,
            "cells": cells,
            "lines": [asdict(line) for line in self.gaps.lines],
            "missing": list(self.gaps.missing),
            "telling_apart": [asdict(judgement) for judgement in self.judgements],
            "void": self.void,
        }


@dataclass(frozen=True)
class Captured:
    """Every session as it stands, and of those that can be used the temperatures under their marks and their
    pieces in the bands that nobody chose otherwise, by hash.
    """

    sessions: Standing[Session]
    temperatures: Mapping[str, tuple[float, ...]]
    pieces: Mapping[str, frozenset[Piece]]

    def __len__(self) -> int:
        return len(self.sessions)


@dataclass(frozen=True)
class Taken:
    """What there is to be counted: every session, those of them that the filter leaves, and of those that can
    be used the temperatures under their marks, by hash; ``pieces`` as of :class:`Captured`, where they are
    known.
    """

    only: SessionFilter
    every: tuple[Session, ...]
    chosen: Sequence[Session]
    temperatures: Mapping[str, tuple[float, ...]]
    pieces: Mapping[str, frozenset[Piece]] | None = None

    @property
    def usable(self) -> list[Session]:
        """Those that are not void."""
        return [session for session in self.chosen if session.void_reason is None]


def read_captured(store: Store, before: Captured | None = None) -> Captured:
    """Read every session, or what came in or was said since ``before``, which this gave earlier."""
    sessions = store.standing_sessions(None if before is None else before.sessions)
    rows = {} if before is None else before.sessions.of_rows
    known = {} if before is None else before.temperatures
    usable = [(row, session) for row, session in sessions.of_rows.items() if session.void_reason is None]
    kept = {session.sha256: known[session.sha256] for row, session in usable if rows.get(row) is session}
    others = [session for _, session in usable if session.sha256 not in kept]
    temperatures = kept | store.mark_temperatures(others) if others else kept
    pieces = {} if before is None else {sha256: before.pieces[sha256] for sha256 in kept}
    shared = {found: found for found in pieces.values()}  # most of thousands are like another's
    for session in others:
        found = pieces_of(session, temperatures[session.sha256])
        pieces[session.sha256] = shared.setdefault(found, found)
    return Captured(sessions, temperatures, pieces)


def take(store: Store, only: SessionFilter, captured: Captured | None = None) -> Taken:
    """Choose from what there is; what was not ``captured`` already is read. NotFoundError for a name that the
    store does not have.
    """
    settled = settle(store, only)
    every = store.sessions() if captured is None else captured.sessions.items
    chosen = settled.of_sessions(every)
    if captured is not None:
        return Taken(settled, every, chosen, captured.temperatures, captured.pieces)
    usable = [session for session in chosen if session.void_reason is None]
    return Taken(settled, every, chosen, store.mark_temperatures(usable))


def cover_and_plan(
    store: Store, only: SessionFilter = EVERY_SESSION, captured: Captured | None = None
) -> tuple[Coverage, Planned]:
    """:func:`cover` and :func:`plan` of what is read, and counted, once."""
    taken = take(store, only, captured)
    coverage = cover(store, only, taken=taken)
    return coverage, plan(store, None, only, taken=taken, gaps=coverage.gaps)


def cover(
    store: Store,
    only: SessionFilter = EVERY_SESSION,
    *,
    bands: int = BANDS,
    kelvin: float = KELVIN,
    taken: Taken | None = None,
) -> Coverage:
    """Count the independent sessions and units under each condition.

    Args:
        store: the open store.
        only: the sessions that count; what is missing is told of all tanks, liquids and units without it.
        bands: level bands that a tank's span is cut into.
        kelvin: width of a temperature band.
        taken: what :func:`take` read of these sessions; None reads it.

    Raises:
        NotFoundError: a name that the store does not have.
    """
    from dataset.coverage.telling_apart import judge

    taken = taken or take(store, only)
    sessions, usable = taken.chosen, taken.usable
    registered = _registered(store, whole=not only.given)
    as_kept = (bands, kelvin) == (BANDS, KELVIN)
    gaps = find_gaps(
        usable,
        taken.temperatures,
        bands=bands,
        kelvin=kelvin,
        registered=registered,
        pieces=taken.pieces if as_kept else None,
    )
    lacking = tuple(on_one_bench(usable, bench_names(store)))
    gaps = replace(gaps, missing=gaps.missing + lacking)
    pairs = {
        (s.liquid.name, s.mounting.sensor.name, s.mounting.sensor.revision): (s.liquid, s.mounting.sensor)
        for s in usable
    }
    judgements = tuple(judge(*pairs[key]) for key in sorted(pairs))
    return Coverage(gaps, judgements, len(sessions), len(sessions) - len(usable))


def bench_names(store: Store) -> dict[str, str]:
    """What the store calls each bench, by identity."""
    return {bench.identity: bench.name for bench in store.benches()}


def _registered(store: Store, *, whole: bool) -> Registered:
    """What there is and what is planned: of a part of the sessions only what limits ask for, by the newest
    revision of each.
    """
    newest = {limits.name: limits for limits in store.all_limits()}
    asked = tuple(dict.fromkeys(row.condition for limits in newest.values() for row in limits.rows))
    if not whole:
        return Registered(asked=asked)
    return Registered(
        tuple(liquid.name for liquid in _in_use(store, "liquid", store.liquids())),
        tuple(unit.name for unit in _in_use(store, "unit", store.units())),
        tuple(tank.ref for tank in _tanks(store, ())),
        asked,
    )


@dataclass(frozen=True)
class Planned:
    """The next sessions worth running, for the limits that are to be proved, and what no session will show;
    ``plan`` is None while nothing is mounted.
    """

    limits: str
    group_by: GroupBy
    plan: Plan | None
    remarks: tuple[str, ...] = ()

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        if self.plan is None:
            return {}
        return asdict(self.plan) | {
            "limits": self.limits,
            "group_by": str(self.group_by),
            "needs": [asdict(need) | {"short": need.short} for need in self.plan.needs],
            "remarks": list(self.remarks),
            "roles": {str(role): number for role, number in self.plan.roles},
        }


def plan(
    store: Store,
    limits: str | None = None,
    only: SessionFilter = EVERY_SESSION,
    *,
    group_by: GroupBy = GroupBy.UNIT,
    band: float | None = 0.9,
    taken: Taken | None = None,
    gaps: Gaps | None = None,
) -> Planned:
    """List the next sessions worth running; those that close the largest shortfall come first.

    Args:
        store: the open store.
        limits: those to be proved, NAME or NAME@REVISION; None means the built-in ones.
        only: the sessions that count. Its tanks are planned for, else the latest mounted revision of each;
            its units and liquids are proposed, else those that there are.
        group_by: what a claim speaks of: units, sessions or benches.
        band: confidence of the band to calibrate; None for no band.
        taken: what :func:`take` read of these sessions; None reads it.
        gaps: how these were counted, by bands as usual; None counts them.

    Raises:
        NotFoundError: a name that the store does not have.
    """
    from dataset.text.limits_text import BUILT_IN, DEFAULT_TOML, read_limits

    title = BUILT_IN_LIMITS if limits is None else store.limits(limits).ref
    to_prove = (
        read_limits(BUILT_IN, DEFAULT_TOML, BUILT_IN_LIMITS) if limits is None else store.limits(limits)
    )
    only = settle(store, only)
    tanks = _tanks(store, only.tank)
    if not tanks:
        return Planned(title, group_by, None)
    taken = taken or take(store, only)
    usable = taken.usable
    gaps = gaps or find_gaps(usable, taken.temperatures, pieces=taken.pieces)
    names = bench_names(store)
    at_hand = AtHand(
        [x for x in _in_use(store, "liquid", store.liquids()) if not only.liquid or x.name in only.liquid],
        [x for x in _in_use(store, "unit", store.units()) if not only.unit or x.name in only.unit],
        _belongs(store, taken.every),
        [name for identity, name in names.items() if not only.bench or identity in only.bench],
        benches_of(usable, names),
    )
    plan = make_plan(
        gaps,
        to_prove,
        tanks,
        at_hand,
        group_by=group_by,
        band=band,
    )
    liquids = {proposal.liquid for proposal in plan.proposals}
    remarks = [*plan.remarks, *_cannot_tell(store, to_prove, tanks, liquids)]
    silent = len(usable) - len(at_hand.bench_of)
    if group_by is GroupBy.BENCH and silent:
        remarks.append(f"sessions that do not say their bench, and do not count: {silent}")
    return Planned(title, group_by, plan, tuple(remarks))


def runs_text(proposals: Sequence[Proposal]) -> list[str]:
    """What to run next, a sentence for each run of proposals that are alike."""
    from dataset.coverage.planning import NEW, NEW_BENCH

    texts = []
    for _, run_of in groupby(
        proposals, key=lambda p: (p.tank, p.conditions, p.levels and not p.why.startswith("'"))
    ):
        run = list(run_of)
        first = run[0]
        named = _named([p.unit for p in run], NEW, ("new unit", "new units"))
        benches = _named([p.bench for p in run if p.bench], NEW_BENCH, ("new bench", "new benches"))
        named += f"; on {benches}" if benches else ""
        liquids = " and ".join(dict.fromkeys(p.liquid for p in run))
        text = (
            f"{len(run)} session{'s' if len(run) > 1 else ''} on {first.tank}: {named}; "
            f"{liquids}{' in turn' if len({p.liquid for p in run}) > 1 else ''}"
        )
        text += f"; with stretches under {', '.join(first.conditions)}" if first.conditions else ""
        levels = list(dict.fromkeys(f"{p.levels} ({p.liquid})" for p in run if p.levels))
        text += f"; through all levels, above all {'; '.join(levels)}" if levels else "; through all levels"
        texts.append(f"{text}. Why: {first.why}")
    return texts


def _named(names: Sequence[str], new: str, called: tuple[str, str]) -> str:
    """Those that there are by name, and how many new ones."""
    each = list(dict.fromkeys(names))
    known = [name for name in each if not name.startswith(new)]
    number = len(each) - len(known)
    parts = [*([", ".join(known)] if known else []), *([f"{number} {called[number > 1]}"] if number else [])]
    return " and ".join(parts)


def _belongs(store: Store, sessions: Sequence[Session]) -> dict[str, set[str]]:
    """By unit the tanks that it was on, by its sessions and trims."""
    tanks: dict[str, set[str]] = {}
    for session in sessions:
        if session.void_reason is None:
            tanks.setdefault(session.unit.name, set()).add(session.mounting.tank.ref)
    for trim in store.trims():
        tanks.setdefault(trim.unit.name, set()).add(trim.mounting.tank.ref)
    return tanks


def _tanks(store: Store, refs: Sequence[str]) -> list[Tank]:
    """The tanks that are named, or of each that something is mounted on the latest such revision."""
    if refs:
        return [store.tank(ref) for ref in refs]
    mountings = sorted(_in_use(store, "mounting", store.mountings()), key=lambda m: m.tank.revision)
    retired = store.retired("tank")
    mounted = {m.tank.name: m.tank for m in mountings if m.tank.ref not in retired}
    return [mounted[name] for name in sorted(mounted, key=natural)]


def _in_use(store: Store, kind: str, records: Iterable[N]) -> list[N]:
    """Those that were not retired."""
    retired = store.retired(kind)
    return [record for record in records if record.name not in retired]


def _cannot_tell(store: Store, limits: Limits, tanks: Sequence[Tank], liquids: set[str]) -> list[str]:
    """What no session will show, where limits speak of film or foam."""
    from dataset.coverage.telling_apart import Telling, judge

    if not {row.condition for row in limits.rows} & {"foam", "film"}:
        return []
    sensors = {(m.sensor.name, m.sensor.revision): m.sensor for m in store.mountings() if m.tank in tanks}
    judged = [
        judge(liquid, sensors[key])
        for key in sorted(sensors)
        for liquid in store.liquids()
        if liquid.name in liquids
    ]
    return [j.sentence for j in judged if j.best in (Telling.ALIKE, Telling.HARDLY)]
