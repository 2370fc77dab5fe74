"""What every part of a search is given: what is asked for, and the captures and hardware it is asked of."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from dataset.canonical import sensor_key, sensor_key_1
from dataset.errors import InputError
from dataset.pools import ALL_CORES, HERE, Pool
from dataset.records import Budget, FrozenData, Limits, Role
from training.costs import CostModel
from training.models.recipes import Hardware
from training.program import Program
from training.rows import Mask
from training.search.metrics import KeptBudget

WORTH_WORKERS = 10_000  # frames to fit: with fewer, to start processes takes longer than what they would do
Progress = Callable[[str, int, int], None]  # what is done, how many are done, how many there are


def silent(what: str, done: int, total: int) -> None:
    """Progress that nobody follows."""


@dataclass(frozen=True)
class SearchRequest:
    """What is asked of a search.

    ``name`` is the model's. ``cost`` measures a program for ``budget``; without both, sizes are estimated
    only. ``leanest`` measures for a firmware that uses nothing but init, prepare and step, where no
    candidate is within the budget as ``cost`` has it. ``pool``: where fits are done and candidates judged
    and measured, which changes no result.
    """

    name: str
    limits: Limits | None = None
    budget: Budget | None = None
    cost: CostModel | None = None
    seed: int = 0
    progress: Progress = silent
    pool: Pool = ALL_CORES
    leanest: CostModel | None = None

    def budget_kept(self, within: bool | None, leanest: bool = False) -> KeptBudget | None:
        """Whether the budget is kept, and by the leanest firmware alone; None without one."""
        if self.budget is None or self.cost is None:
            return None
        return KeptBudget(self.budget.name, within, leanest or None)


@dataclass(frozen=True)
class SearchContext:
    """The captures, the hardware that they are of, what is asked for, and the rows to fit and to choose on,
    masks (n,).
    """

    data: FrozenData
    hardware: Hardware
    request: SearchRequest
    fit: Mask
    choose: Mask

    @property
    def span_mm(self) -> float:
        """The tank's span."""
        return self.hardware.span_mm

    @property
    def used(self) -> Mask:
        """Rows that the search looks at in any role."""
        others: Mask = self.data.rows(Role.CALIBRATE) | self.data.rows(Role.PROVE)
        return self.fit | self.choose | others

    def fitted_on(self, rows: Mask) -> SearchContext:
        """The same with other rows to fit on."""
        return replace(self, fit=rows)

    def for_workers(self) -> SearchContext:
        """The same for another process: without what only the calling one can have."""
        return replace(
            self, request=replace(self.request, cost=None, leanest=None, progress=silent, pool=HERE)
        )


def by_roles(data: FrozenData, hardware: Hardware, request: SearchRequest) -> SearchContext:
    """The context in which 'fit' groups are fitted and 'choose' groups chosen on."""
    return SearchContext(data, hardware, request, data.rows(Role.FIT), data.rows(Role.CHOOSE))


def hardware_of(data: FrozenData) -> Hardware:
    """Sensor and tank of the frozen set; sessions of different sensors cannot be trained together."""
    sensors = {s.mounting.sensor for s in data.frozen.sessions}
    if len(sensors) != 1:
        names = ", ".join(sorted(s.ref for s in sensors))
        raise InputError(
            f"frozen set '{data.frozen.name}'",
            f"sensors {names or 'none'}",
            "sessions of one sensor revision",
        )
    (sensor,) = sensors
    span = max(s.mounting.tank.span_mm for s in data.frozen.sessions)
    return Hardware(
        sensor.count_bits,
        sensor.channels,
        sensor.count_law,
        sensor.period_ms,
        sensor.period_tolerance_pct,
        span,
    )


def for_sensor(program: Program, data: FrozenData) -> Program:
    """The program with the scale of the counts of the frozen set's one sensor, and the keys by which it knows
    stored trims of it.
    """
    sensor = data.frozen.sessions[0].mounting.sensor
    return replace(
        program,
        count_scale=sensor.count_scale,
        sensor_key=sensor_key(sensor),
        sensor_key_1=sensor_key_1(sensor),
    )


def notes_of(data: FrozenData) -> dict[str, str]:
    """What the program was made from, in words that travel with every export."""
    mountings = [s.mounting for s in data.frozen.sessions]

    def names(values: Iterable[str]) -> str:
        return ", ".join(sorted(set(values)))

    return {
        "frozen set": f"{data.frozen.name} {data.frozen.sha256[:12]}",
        **({} if data.frozen.origin == "measured" else {"readings": data.frozen.origin}),
        "liquid": names(s.liquid.name for s in data.frozen.sessions),
        "mounting": names(f"{m.name}, offset {m.offset_mm:g} mm" for m in mountings),
        "sensor": names(m.sensor.ref for m in mountings),
        "tank": names(f"{m.tank.ref}, span {m.tank.span_mm:g} mm" for m in mountings),
    }
