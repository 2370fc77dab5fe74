"""What the benches share: ways timed in turns, ratios with their spread, goals, and what the machine is."""

from __future__ import annotations

import gc
import os
import platform
import statistics
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from textwrap import fill
from typing import Any

from innage.terminal.output import table, width

LIBRARIES = ("numpy", "onnxruntime", "pandas", "pyarrow", "scikit-learn", "sqlalchemy", "typer")


@dataclass(frozen=True)
class Way:
    """One way to do some work. ``prepare`` makes what a run takes, outside the clock."""

    work: Callable[[Any], Any]
    prepare: Callable[[], Any] = lambda: None


@dataclass
class Runs:
    """Seconds of each run of a way, in order, and what its last run gave."""

    seconds: list[float] = field(default_factory=list)
    result: Any = None


@dataclass(frozen=True)
class Ratio:
    """The median of the rounds' ratios, the least and the greatest of them."""

    middle: float
    least: float
    most: float


@dataclass(frozen=True)
class Goal:
    """What is wanted: at least, or at most, ``bound``; of the ratio, or of our seconds."""

    bound: float
    at_least: bool
    seconds: bool = False

    def __str__(self) -> str:
        return f"{'>=' if self.at_least else '<='} {self.bound:g}{' s' * self.seconds}"

    def reached(self, ratio: float, seconds: float | None) -> bool:
        value = seconds if self.seconds else ratio
        if value is None:
            raise ValueError("a goal in seconds for a row without")
        return value >= self.bound if self.at_least else value <= self.bound


@dataclass(frozen=True)
class Row:
    """One ratio. ``of`` says what is divided, ours by the baseline's; ``equal`` whether both gave the same,
    None where there is nothing to compare.

    ``ours_s`` and ``baseline_s`` are the medians in seconds, None for a ratio of bytes.
    """

    name: str
    ours: str
    baseline: str
    of: str
    ratio: Ratio
    goal: Goal | None = None
    equal: bool | None = None
    compared: str = ""
    ours_s: float | None = None
    baseline_s: float | None = None
    note: str = ""

    @property
    def reached(self) -> bool | None:
        return None if self.goal is None else self.goal.reached(self.ratio.middle, self.ours_s)

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "name": self.name,
            "ours": self.ours,
            "baseline": self.baseline,
            "of": self.of,
            "ratio": self.ratio.middle,
            "ratio_least": self.ratio.least,
            "ratio_most": self.ratio.most,
            "goal": None if self.goal is None else str(self.goal),
            "reached": self.reached,
            "equal": self.equal,
            "compared": self.compared,
            "ours_s": self.ours_s,
            "baseline_s": self.baseline_s,
            "note": self.note,
        }


def seconds(work: Callable[[], object]) -> float:
    """How long ``work`` takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def processor_time() -> float:
    """Seconds that this process, and those that it started and waited for, had a processor; what else the
    machine does changes them little.
    """
    return sum(os.times()[:4])


def in_turns(
    ways: Mapping[str, Way],
    rounds: int,
    warm: bool = True,
    slow: bool = False,
    clock: Callable[[], float] = time.perf_counter,
) -> dict[str, Runs]:
    """Run every way once a round, every second round in the opposite order, so that a slow minute slows all
    of them.

    With ``warm`` and more than one round each runs once beforehand, outside the count: first runs import
    modules and fill caches. With ``slow`` stderr says what is running.
    """
    warm = warm and rounds > 1
    runs = {name: Runs() for name in ways}
    for number in range(rounds + warm):
        order = list(ways)[:: 1 if number % 2 == 0 else -1]
        for name in order:
            way, timed = ways[name], runs[name]
            if slow:
                print(f"  round {number + 1} of {rounds + warm}: {name}", file=sys.stderr, flush=True)
            given = way.prepare()
            gc.collect()  # what another way left behind is not to be cleared on this one's time
            start = clock()
            timed.result = way.work(given)
            took = clock() - start
            if number >= warm:
                timed.seconds.append(took)
    return runs


def ratio(above: list[float], below: list[float]) -> Ratio:
    """Round by round, one over the other."""
    each = [a / b for a, b in zip(above, below, strict=True)]
    return Ratio(statistics.median(each), min(each), max(each))


def exact(value: float) -> Ratio:
    """A ratio that is the same in every round."""
    return Ratio(value, value, value)


def timed_row(name: str, ours: str, baseline: str, of: str, runs: tuple[Runs, Runs], **more: Any) -> Row:
    """A row of two ways' runs, ours first: the ratio of speeds where ``of`` is something a second, else of
    times.
    """
    mine, theirs = (of_way.seconds for of_way in runs)
    quotient = ratio(theirs, mine) if of.endswith("/s") else ratio(mine, theirs)
    return Row(
        name,
        ours,
        baseline,
        of,
        quotient,
        ours_s=statistics.median(mine),
        baseline_s=statistics.median(theirs),
        **more,
    )


def machine() -> dict[str, Any]:
    """What the figures depend on."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return {
        "cores": usable,
        "machine": platform.machine(),
        "system": platform.system(),
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in LIBRARIES},
    }


def load() -> float | None:
    """How many processes wanted a core in the last minute; None where the system doesn't say."""
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else None


def print_rows(rows: Sequence[Row]) -> None:
    """The table, and below it what a row has to say besides."""
    cells = [
        (
            f"{row.ours}: {row.of}",
            row.baseline,
            short(row.ratio.middle),
            f"{short(row.ratio.least)}\u00a0to\u00a0{short(row.ratio.most)}",
            *_goal(row),
        )
        for row in rows
    ]
    table(
        "ours over the baseline's, the median of rounds in which they take turns",
        ("ours", "baseline", "ratio", "rounds", "goal", "met"),
        cells,
    )
    for row in rows:
        if row.goal is not None and row.goal.seconds:
            tell(f"{row.ours}: {row.ours_s:.2f} s")
        if row.note:
            tell(f"beside {row.baseline}, {row.of}: {row.note}")
        if row.equal is False:
            tell(f"WRONG, the sides differ: {row.ours}, {row.baseline}: {row.compared}")


def tell(text: str) -> None:
    """Print a sentence in lines of the table's width."""
    print(fill(text, width(), break_long_words=False, break_on_hyphens=False))


def short(value: float) -> str:
    """Three digits that count."""
    return f"{value:.3g}" if value < 1000 else f"{value:.0f}"


def _goal(row: Row) -> tuple[str, str]:
    return (
        ("-", "-")
        if row.goal is None
        else (str(row.goal).replace(" ", "\u00a0"), "yes" if row.reached else "no")
    )
