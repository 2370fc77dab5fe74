"""The next sessions worth running: what limits ask for, what there is, and what closes the largest shortfall
first.

Groups are the independent things that a claim speaks of, units, sessions or benches. Roles don't share
groups, so that a tank needs groups to fit, to choose, to calibrate a band, and to prove, and those that prove
a condition must have been captured under it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter

from dataset.coverage.gaps import ALL, Cell, Gaps, empty_bands, levels_text, sessions_of, under
from dataset.records import GroupBy, Limit, Limits, Liquid, Role, Tank, Unit
from dataset.values import natural
from dataset.words import EPISODE_RATES, counted

RATE_CONFIDENCE = 0.95
FIT, CHOOSE = 2, 1  # the fewest groups that a model of a pad array can be trained with
NEW, NEW_BENCH = "a new unit", "a new bench"
MOST = 100  # proposals a tank; a plan for more is no plan


@dataclass(frozen=True)
class Need:
    """What one condition asks for on a tank: ``groups`` there must be, ``have`` there are, and the row that
    asks for most.
    """

    tank: str
    condition: str
    groups: int
    have: int
    why: str

    @property
    def short(self) -> int:
        """How many groups are missing."""
        return max(0, self.groups - self.have)


@dataclass(frozen=True)
class Proposal:
    """One session to run; ``conditions`` are stretches of it beside the plain ones, ``levels`` those that
    matter most. ``bench`` is said where benches are the groups.
    """

    tank: str
    liquid: str
    unit: str
    conditions: tuple[str, ...]
    levels: str
    why: str
    bench: str | None = None


@dataclass(frozen=True)
class AtHand:
    """What sessions can be run with: ``liquids``, those with the fewest sessions first, and ``units``.

    ``belongs`` has by unit the tanks that it was on; a unit is one board on one tank, so that it can be on no
    other, and units that were on none can be on any. ``benches`` are the names of those that there are,
    ``bench_of`` by session its bench's, of those that say it.
    """

    liquids: Sequence[Liquid]
    units: Sequence[Unit]
    belongs: Mapping[str, Collection[str]] = field(default_factory=dict)
    benches: Sequence[str] = ()
    bench_of: Mapping[str, str] = field(default_factory=dict)

    def units_on(self, tank: str) -> list[Unit]:
        """The units that can be on a tank."""
        return [unit for unit in self.units if tank in (self.belongs.get(unit.name) or (tank,))]


@dataclass(frozen=True)
class Plan:
    """What is needed, what is proposed in order, and remarks on what no session can show; ``roles`` are the
    fewest groups of each role that serve all of it.
    """

    needs: tuple[Need, ...]
    proposals: tuple[Proposal, ...]
    remarks: tuple[str, ...]
    roles: tuple[tuple[Role, int], ...] = ()


def rate_shown(trials: int, confidence: float = RATE_CONFIDENCE) -> float:
    """The rate below which nothing wrong in ``trials`` independent trials lies: 1 - (1 - confidence)^(1/n),
    the one-sided bound of Clopper and Pearson (Biometrika 26 (1934) 404).
    """
    return -math.expm1(math.log1p(-confidence) / trials)


def trials_for_rate(rate: float, confidence: float) -> int | None:
    """The fewest trials without anything wrong that show a rate of at most ``rate``; None for 0, which no
    number shows.
    """
    if rate <= 0:
        return None
    if rate >= 1:
        return 1
    trials = max(1, math.floor(math.log1p(-confidence) / math.log1p(-rate)) - 1)
    while rate_shown(trials, confidence) > rate:
        trials += 1
    return trials


def groups_for_band(confidence: float) -> int:
    """The fewest groups with which the largest of their scores bounds a further group's: 9 for 90 %, 19 for
    95 % (split conformal).
    """
    groups = max(1, math.floor(confidence / (1 - confidence)) - 1)
    while (groups + 1) * confidence > groups:
        groups += 1
    return groups


def groups_to_prove(limit: Limit) -> tuple[int, str]:
    """How many 'prove' groups a row of limits needs, and why."""
    row = f"{limit.metric} <= {limit.bound:g}"
    fewest = limit.min_groups, f"{row}: its fewest groups"
    if limit.confidence is None:
        return fewest
    percent = f"{100 * limit.confidence:g} %"
    if limit.metric not in EPISODE_RATES:
        band = groups_for_band(limit.confidence)
        return max(
            (band, f"{row} at {percent}: the worst of {band} bounds the next"),
            fewest,
            key=itemgetter(0),
        )
    trials = trials_for_rate(limit.bound, limit.confidence)
    if trials is None:
        return fewest
    return max((trials, f"{row} at {percent}: {trials} without a fault prove it"), fewest, key=itemgetter(0))


def make_plan(
    gaps: Gaps,
    limits: Limits,
    tanks: Sequence[Tank],
    at_hand: AtHand,
    *,
    group_by: GroupBy = GroupBy.UNIT,
    band: float | None = 0.9,
) -> Plan:
    """Plan for ``tanks``, largest shortfall first.

    Args:
        gaps: what has been captured.
        limits: what is to be proved.
        tanks: the tanks to plan for.
        at_hand: what sessions can be run with.
        group_by: unit, session or bench.
        band: the confidence of the band that is to be calibrated; None for no band.
    """
    needs: list[Need] = []
    proposals: list[Proposal] = []
    for tank in tanks:
        on_tank = [cell for cell in gaps.cells if cell.tank == tank.ref]
        planned = _OnTank(tank, gaps.bands, on_tank, at_hand, group_by)
        asked = _needs(on_tank, tank.ref, limits, planned.groups, band)
        needs += asked
        proposals += planned.close(asked)
    largest = {tank.ref: max(need.short for need in needs if need.tank == tank.ref) for tank in tanks}
    proposals.sort(key=lambda p: (-largest[p.tank], natural(p.tank)))  # stable: within a tank the order stays
    return Plan(tuple(needs), tuple(proposals), tuple(_remarks(limits)), _roles(limits, band))


def called(group_by: GroupBy, number: int = 0) -> str:
    """What so many groups are called: units, sessions or benches."""
    if number == 1:
        return group_by.value
    return f"{group_by.value}{'es' if group_by is GroupBy.BENCH else 's'}"


def _roles(limits: Limits, band: float | None) -> tuple[tuple[Role, int], ...]:
    """The fewest groups of each role. One set proves every row, so 'prove' has what the largest asks for."""
    prove = max((groups_to_prove(row)[0] for row in limits.rows), default=1)
    calibrate = 0 if band is None else groups_for_band(band)
    numbers = (
        (Role.FIT, FIT),
        (Role.CHOOSE, CHOOSE),
        (Role.CALIBRATE, calibrate),
        (Role.PROVE, max(1, prove)),
    )
    return tuple((role, number) for role, number in numbers if number)


def _needs(
    cells: Sequence[Cell],
    tank: str,
    limits: Limits,
    groups: Callable[[Iterable[Cell]], set[str]],
    band: float | None,
) -> list[Need]:
    needs = []
    for condition in dict.fromkeys([ALL, *(row.condition for row in limits.rows)]):
        rows = [groups_to_prove(row) for row in limits.rows if condition in (ALL, row.condition)]
        prove, why = max(rows, key=itemgetter(0), default=(0, "no row of the limits"))
        parts = [f"fit {FIT}, choose {CHOOSE}, prove {prove} ({why})"]
        calibrate = groups_for_band(band) if band is not None and condition == ALL else 0
        if calibrate and band is not None:
            parts.append(f"calibrate {calibrate} (a {100 * band:g} % band)")
        have = len(groups(under(cells, condition)))
        needs.append(Need(tank, condition, FIT + CHOOSE + prove + calibrate, have, ", ".join(parts)))
    return needs


def _remarks(limits: Limits) -> Iterable[str]:
    for row in limits.rows:
        shown = rate_shown(row.min_groups)
        fault_free = counted(row.min_groups, "fault-free group")
        text = (
            f"{row.metric} <= {row.bound:g} ({row.condition}): {fault_free} only "
            f"{'proves' if row.min_groups == 1 else 'prove'} a rate under {100 * shown:.2g} % at 95 %"
        )
        if not row.metric.endswith("_share") or (
            row.bound > 0 and (row.confidence is not None or shown <= row.bound)
        ):
            continue
        needed = trials_for_rate(row.bound, RATE_CONFIDENCE)
        yield (
            f"{text}; no number proves a rate of 0"
            if needed is None
            else f"{text}; {needed} are needed to prove {100 * row.bound:g} %"
        )


@dataclass
class _OnTank:
    """One tank while it is planned for: what there is, updated by each session that is proposed."""

    tank: Tank
    bands: int
    cells: Sequence[Cell]
    at_hand: AtHand
    group_by: GroupBy
    new: int = 0
    # by unit, and by bench, the conditions it was captured under
    captured: dict[str, set[str]] = field(default_factory=dict)
    on_bench: dict[str, set[str]] = field(default_factory=dict)
    poured: dict[str, int] = field(default_factory=dict)  # liquid -> sessions

    def __post_init__(self) -> None:
        for cell in self.cells:
            self.captured.setdefault(cell.unit, set()).update((ALL, *cell.condition))
            for bench in self._benches([cell]):
                self.on_bench.setdefault(bench, set()).update((ALL, *cell.condition))
        self.units = self.at_hand.units_on(self.tank.ref)
        on_tank, liquids = {cell.liquid for cell in self.cells}, [x.name for x in self.at_hand.liquids]
        names = [name for name in liquids if name in on_tank] or liquids
        self.poured = {
            name: len(sessions_of(c for c in self.cells if c.liquid == name))
            for name in sorted(names, key=natural)
        }

    def groups(self, cells: Iterable[Cell]) -> set[str]:
        """The groups that cells are of."""
        if self.group_by is GroupBy.BENCH:
            return self._benches(cells)
        return {cell.unit for cell in cells} if self.group_by is GroupBy.UNIT else sessions_of(cells)

    def _benches(self, cells: Iterable[Cell]) -> set[str]:
        bench_of = self.at_hand.bench_of
        return {bench_of[session] for session in sessions_of(cells) if session in bench_of}

    def close(self, needs: Sequence[Need]) -> list[Proposal]:
        """Sessions until nothing is short, each taking along every condition that is; then those that fill
        levels nobody captured.
        """
        short = {need.condition: need.short for need in needs}
        proposals: list[Proposal] = []
        while any(short.values()) and len(proposals) < MOST:
            largest = max(short, key=lambda condition: short[condition])
            wanted = [condition for condition, missing in short.items() if missing]
            bench = self._bench(wanted)
            unit = self._unit(wanted)
            shown = self.captured.get(unit) if bench is None else self.on_bench.get(bench)
            lacking = [c for c in wanted if self.group_by is GroupBy.SESSION or c not in (shown or ())]
            reason = f"'{largest}' is short of {short[largest]} {called(self.group_by, short[largest])}"
            proposals.append(self._propose(unit, bench, [c for c in lacking if c != ALL], reason))
            for condition in lacking:
                short[condition] -= 1
        return (
            proposals
            if any(short.values())
            else proposals + self._levels({proposal.liquid for proposal in proposals})
        )

    def _unit(self, wanted: Sequence[str]) -> str:
        """The unit that serves most of the wanted conditions: one there is before a new one."""
        if self.group_by is not GroupBy.UNIT:
            names = sorted((u.name for u in self.units), key=natural)
            return min(names, key=lambda name: len(self.captured.get(name, ())), default=NEW)
        return self._best([unit.name for unit in self.units], self.captured, wanted) or self._new(NEW)

    def _bench(self, wanted: Sequence[str]) -> str | None:
        """The bench that serves most of the wanted conditions, where benches are the groups."""
        if self.group_by is not GroupBy.BENCH:
            return None
        names = list({*self.at_hand.benches, *self.on_bench})
        return self._best(names, self.on_bench, wanted) or self._new(NEW_BENCH)

    @staticmethod
    def _best(names: Iterable[str], shown: Mapping[str, set[str]], wanted: Sequence[str]) -> str | None:
        """Of what there is what serves most of the wanted conditions; None where a new one serves more."""
        serves: Mapping[str, int] = {name: len(set(wanted) - shown.get(name, set())) for name in names}
        best = max(sorted(serves, key=natural), key=lambda name: serves[name], default=None)
        if best is not None and (serves[best] == len(wanted) or (ALL not in wanted and serves[best])):
            return best
        return None

    def _new(self, what: str) -> str:
        self.new += 1
        return f"{what} {self.new}"

    def _propose(self, unit: str, bench: str | None, conditions: Sequence[str], why: str) -> Proposal:
        liquid = min(self.poured, key=lambda name: self.poured[name], default="any liquid")
        if liquid in self.poured:
            self.poured[liquid] += 1
        self.captured.setdefault(unit, set()).update((ALL, *conditions))
        if bench is not None:
            self.on_bench.setdefault(bench, set()).update((ALL, *conditions))
        return Proposal(self.tank.ref, liquid, unit, tuple(conditions), self._empty(liquid), why, bench)

    def _empty(self, liquid: str) -> str:
        runs = empty_bands((cell for cell in self.cells if cell.liquid == liquid), self.bands)
        return ", ".join(levels_text(run, self.tank.span_mm, self.bands) for run in runs)

    def _levels(self, covered: set[str]) -> list[Proposal]:
        proposals = []
        for liquid in self.poured:
            if liquid not in covered and self._empty(liquid):
                unit = min(sorted(self.captured, key=natural), default=NEW)
                proposals.append(
                    Proposal(
                        self.tank.ref,
                        liquid,
                        unit,
                        (),
                        self._empty(liquid),
                        "no session has a level there",
                    )
                )
        return proposals
