"""What has been captured, what is missing, and what to capture next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from dataset.coverage.gaps import BANDS, Gaps, find_gaps
from dataset.coverage.planning import Plan, make_plan
from dataset.coverage.temperature_bands import KELVIN
from dataset.records import GroupBy

if TYPE_CHECKING:
    from dataset.coverage.telling_apart import Judgement
    from dataset.records import Limits, Session, Tank
    from dataset.store import Store

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


def cover(
    store: Store,
    tank: str | None = None,
    liquid: str | None = None,
    *,
    bands: int = BANDS,
    kelvin: float = KELVIN,
) -> Coverage:
    """Count the independent sessions and units under each condition.

    Args:
        store: the open store.
        tank: only this one, NAME (all its revisions) or NAME@REVISION.
        liquid: only this one.
        bands: level bands that a tank's span is cut into.
        kelvin: width of a temperature band.

    Raises:
        NotFoundError: no such tank or liquid.
    """
    from dataset.coverage.telling_apart import judge

    sessions = _asked_for(store, tank, liquid)
    usable = [session for session in sessions if session.void_reason is None]
    liquids, units = (store.liquids(), store.units()) if tank is None and liquid is None else ((), ())
    gaps = find_gaps(
        usable, store.mark_temperatures(usable), bands=bands, kelvin=kelvin, liquids=liquids, units=units
    )
    pairs = {
        (s.liquid.name, s.mounting.sensor.name, s.mounting.sensor.revision): (s.liquid, s.mounting.sensor)
        for s in usable
    }
    judgements = tuple(judge(*pairs[key]) for key in sorted(pairs))
    return Coverage(gaps, judgements, len(sessions), len(sessions) - len(usable))


def _asked_for(store: Store, tank: str | None, liquid: str | None) -> list[Session]:
    """The sessions of a tank and a liquid; NotFoundError when there is no such record."""
    if tank is not None:
        store.tank(tank)
    if liquid is not None:
        store.liquid(liquid)
    return [
        s
        for s in store.sessions()
        if tank in (None, s.mounting.tank.name, s.mounting.tank.ref) and liquid in (None, s.liquid.name)
    ]


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
        }


def plan(
    store: Store,
    limits: str | None = None,
    tank: str | None = None,
    *,
    group_by: GroupBy = GroupBy.UNIT,
    band: float | None = 0.9,
) -> Planned:
    """List the next sessions worth running; those that close the largest shortfall come first.

    Args:
        store: the open store.
        limits: those to be proved, NAME or NAME@REVISION; None means the built-in ones.
        tank: only this one; None means the latest mounted revision of each.
        group_by: what a claim speaks of: units or sessions.
        band: confidence of the band to calibrate; None for no band.

    Raises:
        NotFoundError: no such limits or tank.
    """
    from dataset.text.limits_text import BUILT_IN, DEFAULT_TOML, read_limits

    title = BUILT_IN_LIMITS if limits is None else store.limits(limits).ref
    to_prove = (
        read_limits(BUILT_IN, DEFAULT_TOML, BUILT_IN_LIMITS) if limits is None else store.limits(limits)
    )
    tanks = _tanks(store, tank)
    if not tanks:
        return Planned(title, group_by, None)
    usable = [session for session in store.sessions() if session.void_reason is None]
    gaps = find_gaps(usable, store.mark_temperatures(usable))
    plan = make_plan(gaps, to_prove, tanks, store.liquids(), store.units(), group_by=group_by, band=band)
    liquids = {proposal.liquid for proposal in plan.proposals}
    return Planned(title, group_by, plan, (*plan.remarks, *_cannot_tell(store, to_prove, tanks, liquids)))


def _tanks(store: Store, ref: str | None) -> list[Tank]:
    """The tank that is named, or of each that something is mounted on the latest such revision."""
    if ref is not None:
        return [store.tank(ref)]
    mounted = {m.tank.name: m.tank for m in sorted(store.mountings(), key=lambda m: m.tank.revision)}
    return [mounted[name] for name in sorted(mounted)]


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
