"""Every bench in one run: a table of ratios on standard output, ``bench.json`` and pictures in ``bench/out``.

    make bench
    python bench/run.py [--only NAME ...] [--quick] [--search] [--out FOLDER]

Each ratio is the median over rounds in which both sides run one after the other. Whatever else the machine
does changes the figures.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from commands import batch_rows, check_rows, help_rows, many_rows, reading_rows, sessions_rows
from drawing import draw_growth, draw_ratios
from exchange import exchange_rows
from growth import QUICK, TIMES, Curve, curves, growth_rows
from invented import demo_store
from kernels import kernel_rows
from long_files import memory_rows
from measuring import Row, load, machine, print_rows, tell
from page_speed import page_rows
from readings import csv_rows, frozen_rows
from replaying import replay_rows
from scoring import print_score, scored
from search import search_rows
from server_store import server_rows

from export.bundle.scoring import Score

OUT = Path(__file__).parent / "out"
WRITTEN = ("bench.json", "ratios.svg", "growth.svg")
SEARCH, MEMORY = "search", "memory"
NOT_RUN = {
    SEARCH: "takes minutes: not run without --search, or --only search",
    MEMORY: "takes minutes and 2 GB of disk: not run without --only memory",
}
Demo = Callable[[], Path]
PARTS: dict[str, Callable[[Path, bool, Demo], list[Row]]] = {
    "csv": lambda folder, quick, demo: csv_rows(folder, quick),
    "frozen": frozen_rows,
    "replay": lambda folder, quick, demo: replay_rows(quick),
    "kernels": lambda folder, quick, demo: kernel_rows(quick),
    "help": lambda folder, quick, demo: help_rows(folder, quick),
    "sessions": lambda folder, quick, demo: sessions_rows(quick, demo),
    "many": lambda folder, quick, demo: many_rows(folder, quick),
    "batch": lambda folder, quick, demo: batch_rows(folder, quick),
    "check": lambda folder, quick, demo: check_rows(folder, quick),
    "reading": lambda folder, quick, demo: reading_rows(quick, demo),
    "server": lambda folder, quick, demo: server_rows(folder, quick),
    "exchange": exchange_rows,
    "pages": lambda folder, quick, demo: page_rows(folder, quick),
    SEARCH: lambda folder, quick, demo: search_rows(quick, demo),
    MEMORY: lambda folder, quick, demo: memory_rows(folder, quick),
}
GROWTH = "growth"  # gives curves besides its rows
SCORE = "score"  # gives no ratios
NAMES = (*PARTS, GROWTH, SCORE)


def chosen(only: Collection[str] = (), search: bool = False) -> list[str]:
    """The parts of a run: those named, or all but what takes long; the search too where it is asked for."""
    return [
        name
        for name in NAMES
        if (name in only if only else name not in NOT_RUN) or (name == SEARCH and search)
    ]


@dataclass
class Outcome:
    """The rows of the parts that were run, and growth curves and score where they were asked for."""

    rows: list[Row] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    score: Score | None = None


def run(names: list[str], quick: bool) -> Outcome:
    """What the named parts found."""
    outcome = Outcome()
    with tempfile.TemporaryDirectory(prefix="innage-bench-") as name:
        folder = Path(name)

        @cache
        def demo() -> Path:
            return demo_store(folder / "demo.db", quick)

        for part in names:
            print(f"{part} ...", file=sys.stderr, flush=True)
            if part == GROWTH:
                outcome.curves = curves(folder, **(QUICK if quick else {}))
                outcome.rows += growth_rows(outcome.curves)
            elif part == SCORE:
                outcome.score = scored(folder, quick, demo)
            else:
                outcome.rows += PARTS[part](folder, quick, demo)
    return outcome


def show(outcome: Outcome, facts: dict[str, Any], left: dict[str, str]) -> None:
    """The tables, at most 80 columns, and what they depend on."""
    if outcome.rows:
        print_rows(outcome.rows)
    if outcome.score is not None:
        print_score(outcome.score)
    for name, why in left.items():
        tell(f"{name}: {why}")
    tell(f"{facts['cores']} cores ({facts['machine']}, {facts['system']}), Python {facts['python']}")
    tell(load_sentence(facts))


def load_sentence(facts: dict[str, Any]) -> str:
    """What else the machine did."""
    before, after = facts["load_before"], facts["load_after"]
    seen = (
        ""
        if before is None or after is None
        else f"; load average {before:.1f} before this run, {after:.1f} at its end, on {facts['cores']} cores"
    )
    return (
        f"Load on the machine changes these figures{seen}. Ratios hold up better than times; run it "
        "alone to compare two versions."
    )


def written(out: Path, outcome: Outcome, facts: dict[str, Any], left: dict[str, str], quick: bool) -> None:
    """The files of this run; those of an earlier one are gone."""
    out.mkdir(parents=True, exist_ok=True)
    for name in WRITTEN:
        (out / name).unlink(missing_ok=True)
    growth = {
        curve.what: {
            "unit": curve.unit,
            "times": TIMES,
            "work": curve.work,
            "ratio": [r.middle for r in curve.ratios],
            "seconds": curve.seconds,
        }
        for curve in outcome.curves
    }
    document = {
        "machine": facts,
        "load": load_sentence(facts),
        "quick": quick,
        "rows": [row.facts() for row in outcome.rows],
        "growth": growth,
        "score": None if outcome.score is None else outcome.score.facts(),
        "not_run": left,
    }
    (out / "bench.json").write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8", newline="\n")
    compared = [row for row in outcome.rows if not row.name.startswith(GROWTH)]
    if compared:
        draw_ratios(out / "ratios.svg", compared)
    if outcome.curves:
        draw_growth(out / "growth.svg", outcome.curves)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", action="append", choices=NAMES, help="this part; may be repeated")
    parser.add_argument(
        "--quick", action="store_true", help="tiny sizes and one round: to see that it works, not how fast"
    )
    parser.add_argument("--search", action="store_true", help="the search too, which takes minutes")
    parser.add_argument(
        "--out", type=Path, default=OUT, help="folder for bench.json and the pictures (default bench/out)"
    )
    given = parser.parse_args()
    names = chosen(given.only or (), given.search)
    facts = machine() | {"load_before": load()}
    outcome = run(names, given.quick)
    facts["load_after"] = load()
    left = {} if given.only else {name: why for name, why in NOT_RUN.items() if name not in names}
    written(given.out, outcome, facts, left, given.quick)
    show(outcome, facts, left)
    tell(f"written into {given.out}: {', '.join(name for name in WRITTEN if (given.out / name).exists())}")
    return 1 if any(row.equal is False for row in outcome.rows) else 0


if __name__ == "__main__":
    sys.exit(main())
