"""What the search's models are worth on captures that are not of the project: the closed-form benches.

    python bench/accuracy.py [--bench a|b] [--size large|small] [--seeds N] [--first N] [--changed] [--trims]
                             [--since-pour] [--quick] [--two-frequencies [--half-places]]

Each seed draws units of its own and is the search's own seed; a model is trained within the budget of its
size and judged on its prove units. Printed: P95 of the error in % of the span and the accepted share for
clean liquid, foam and film, foam frames flagged and false alarms (share of frames without foam), false wet
and false dry episodes, dry frames called empty; of several seeds each, then the median and the worst. With
``--changed`` the ways to serve a changed tank: two, five and eight new units to fit, two more to choose, ten
others to prove. With ``--two-frequencies`` every pad is read at a second, lower frequency, in channels of
their own; with ``--half-places`` too there are as many channels as at one frequency, at half as many places.
With ``--trims`` what each kind of trim is worth: one recipe is trained for each, in place of a search.
With ``--since-pour`` what it is worth to be told how long ago liquid last came in: one recipe without and
with it, and the latter where nothing is told.
``--picked`` takes the recipes that searches have picked for that size before (PICKED) in place of a search,
at an eighth of its time.

The seed of bench B comes from the commit in which the search was last touched, so that nobody has tuned to
it. These are figures of a closed-form bench: nothing is measured, and a real tank differs.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import shutil
import subprocess
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np

from captures.benches import Bench, bench_a, bench_b, with_half_the_places, with_two_frequencies
from captures.filling import add_other_trims, fill, freeze, unit_names
from dataset.pools import Processes
from dataset.records import (
    Budget,
    Conditions,
    Flow,
    FrozenData,
    Limit,
    Limits,
    Model,
    Role,
    Session,
    Stretch,
    TrimKind,
)
from dataset.store import Store
from export.core.measure import measure, measure_leanest
from training.judging.class_figures import figures_of
from training.judging.figures import ClassFigures, Episodes, Figures
from training.judging.judged import judge
from training.judging.streams import since_pour_at
from training.models.trimming import trim_counts, usable_trims
from training.program import digest, to_json
from training.search.array_recipes import POUR, ArrayRecipe, default_recipes
from training.search.arrays import train_array
from training.search.context import SearchRequest, by_roles, hardware_of
from training.search.metrics import Metrics
from training.search.train import Trained, train, with_versions
from training.studies.retrain import retrain

SEARCH = ("training/search", "training/models", "training/fits")  # whose last commit seeds bench B
CLASSES = ("clean", "foam", "film")
_HEAD = "| what | clean | foam | film | foam flagged | false wet | false dry | dry | B | cycles | s |"
BUDGETS = {
    "large": Budget(
        "large", "cortex-m0plus", 1, flash_bytes=8192, ram_bytes=512, stack_bytes=512, cycles=20_000
    ),
    "small": Budget(
        "small", "cortex-m0plus", 1, flash_bytes=2048, ram_bytes=128, stack_bytes=256, cycles=8_000
    ),
}
GOALS = {  # P95 in % of the span, and the share that may be withheld
    "large": {"clean": (1.35, 0.015), "foam": (2.3, 0.15), "film": (1.4, 0.15)},
    "small": {"clean": (1.6, 0.02), "foam": (3.0, 0.2), "film": (2.4, 0.2)},
}
# what a search picked on the demo's set, and the four smallest, among which are those that fit the small
# budget: each as level net, bits, watcher, net for foam
PICKED: dict[str, tuple[tuple[tuple[int, ...], int, tuple[int, ...], tuple[int, ...]], ...]] = {
    "large": (((16, 8), 16, (12, 6), (16, 8)),),
    "small": (
        ((8,), 8, (4,), ()),
        ((10, 6), 16, (6,), ()),
        ((12, 6), 16, (5,), ()),
        ((8,), 16, (6, 4), ()),
    ),
}
ROLES = {Role.FIT: 16, Role.CHOOSE: 4, Role.CALIBRATE: 4, Role.PROVE: 16}
QUICK_ROLES = {Role.FIT: 5, Role.CHOOSE: 2, Role.PROVE: 4}
QUICK_STEPS = 20
NEW_UNITS = (2, 5, 8)  # of the changed tank to fit; the most with those to choose on are ten
NEW_CHOOSE, NEW_PROVE = 2, 10


@dataclass(frozen=True)
class Row:
    """The figures of one model, in %, episodes as they were counted."""

    name: str
    size: str
    p95: dict[str, float | None]
    accepted: dict[str, float | None]
    flagged: float | None
    false_alarms: float | None
    false_wet: Episodes
    false_dry: Episodes
    dry: float | None
    cost: tuple[int, int] | None = None
    seconds: float | None = None


def limits_of(size: str) -> Limits:
    """The goals of a size as limits: what the search aims at."""
    rows = []
    for name, (p95, withheld) in GOALS[size].items():
        rows.append(Limit("p95_pct_span", p95, name, or_mm=1.0))
        rows.append(Limit("withheld_share", withheld, name))
    return Limits(f"closed-form-{size}", 1, tuple(rows))


def roles_of(bench: Bench, counts: dict[Role, int], first: int = 0) -> dict[Role, list[str]]:
    """Unit names of each role, one after the other."""
    roles = {}
    for role, count in counts.items():
        roles[role] = unit_names(bench, count, first)
        first += count
    return roles


def captured(
    store: Store, bench: Bench, name: str, counts: dict[Role, int], first: int = 0, *, trims: bool = False
) -> FrozenData:
    """Units of the bench in a store, frozen with so many in each role; ``trims``: with every kind of trim."""
    roles = roles_of(bench, counts, first)
    units = [unit for of_role in roles.values() for unit in of_role]
    taken = fill(store, bench, units)
    if trims:
        add_other_trims(store, bench, taken)
    return store.frozen_data(freeze(store, name, taken, roles))


def searched(data: FrozenData, request: SearchRequest, recipes: tuple[ArrayRecipe, ...] | None) -> Trained:
    """The product's search, or the same over some recipes."""
    if recipes is None:
        return train(data, request)
    context, told = by_roles(data, hardware_of(data), request), any(recipe.told for recipe in recipes)
    return with_versions(train_array(context, recipes[0].trim, recipes, told=told))


def row_of(name: str, metrics: Metrics, seconds: float) -> Row:
    """The figures of a model on its prove units."""
    assert metrics.claims is not None
    assert metrics.chosen is not None
    chosen, cost = metrics.chosen, metrics.chosen.cost
    row = figures_row(name, metrics.claims)
    return replace(
        row,
        size=f"{chosen.family} {chosen.size}, {chosen.bits} bits",
        cost=None if cost is None else (cost.flash, max(cost.cycles, cost.cycles_bound or 0)),
        seconds=seconds,
    )


def figures_row(name: str, figures: Figures) -> Row:
    """The same from figures alone."""
    classes = {key: figures.classes.get(key, ClassFigures(0, 0, None)) for key in CLASSES}
    foam, dry = figures.flags.get("foam"), figures.dry_recognised_share
    return Row(
        name=name,
        size="",
        p95={key: one.p95_pct for key, one in classes.items()},
        accepted={key: _percent(one.accepted_share) for key, one in classes.items()},
        flagged=None if foam is None else _percent(foam.flagged_share),
        false_alarms=None if foam is None else _percent(foam.false_flag_share),
        false_wet=figures.false_wet,
        false_dry=figures.false_dry,
        dry=_percent(dry),
    )


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def shown(rows: Iterable[Row], head: bool = True) -> str:
    """The rows as a table in Markdown."""
    lines = [_HEAD, "|".join(["", *["---"] * (_HEAD.count("|") - 1), ""])] if head else []
    for row in rows:
        wet, dry = row.false_wet, row.false_dry
        bound = _number(_percent(wet.upper_bound_95), 1)
        cells = (
            f"{row.name} {row.size}".strip(),
            *(f"{_number(row.p95[c], 2)} / {_number(row.accepted[c], 1)}" for c in CLASSES),
            f"{_number(row.flagged, 0)} at {_number(row.false_alarms, 1)}",
            f"{wet.wrong} of {wet.episodes} (<= {bound} %)",
            f"{dry.wrong} of {dry.episodes}",
            _number(row.dry, 1),
            "- | -" if row.cost is None else f"{row.cost[0]} | {row.cost[1]}",
            _number(row.seconds, 0),
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def spread_of(rows: list[Row]) -> str:
    """Median and worst over the seeds, a line each."""
    lines = []
    for what, pick_high, pick_low in (("median", median, median), ("worst", max, min)):
        p95 = {c: _over(pick_high, [row.p95[c] for row in rows]) for c in CLASSES}
        accepted = {c: _over(pick_low, [row.accepted[c] for row in rows]) for c in CLASSES}
        flagged, alarms = (
            _over(pick_low, [row.flagged for row in rows]),
            _over(pick_high, [row.false_alarms for row in rows]),
        )
        parts = [f"{c} {p95[c]:.2f} / {accepted[c]:.1f}" for c in CLASSES]
        wrong = f"false wet {pick_high([row.false_wet.wrong for row in rows]):g}, false dry "
        wrong += f"{pick_high([row.false_dry.wrong for row in rows]):g}"
        lines.append(f"{what}: {', '.join(parts)}; foam flagged {flagged:.0f} at {alarms:.1f} %; {wrong}")
    return "\n".join(lines)


def _over(pick: Callable[[list[float]], float], values: list[float | None]) -> float:
    known = [value for value in values if value is not None]
    return float(pick(known)) if len(known) == len(values) else float("nan")


def changed_tank(
    store: Store,
    bench: Bench,
    first: Trained,
    data: FrozenData,
    request: SearchRequest,
    counts: Sequence[int] = NEW_UNITS,
) -> list[Row]:
    """The ways to serve the changed tank with so many new units to fit, the favoured one marked."""
    new, rows, taken = bench.on_changed_tank(), list[Row](), dict[str, tuple[Session, ...]]()
    for count in counts:
        roles = {
            Role.FIT: unit_names(new, count, 600),
            Role.CHOOSE: unit_names(new, NEW_CHOOSE, 700),
            Role.PROVE: unit_names(new, NEW_PROVE, 800),
        }
        taken |= fill(store, new, [unit for units in roles.values() for unit in units if unit not in taken])
        few = store.frozen_data(freeze(store, f"changed-{count}", taken, roles))
        figures = retrain(_stored(first, data), data, few, request).figures
        for way in figures.ways:
            mark = " (picked)" if way.way == figures.favoured else ""
            claims = Figures(classes=way.classes, false_wet=way.false_wet)
            rows.append(figures_row(f"{count} new: {way.way}{mark}", claims))
        print(shown(rows[-len(figures.ways) :], head=False), flush=True)
        if figures.picking is not None:
            print(json.dumps(figures.picking.to_json()), flush=True)
    return rows


def by_trims(data: FrozenData, request: SearchRequest, recipe: ArrayRecipe) -> list[Row]:
    """The recipe trained for each kind of trim that all units have."""
    rows = []
    for kind in usable_trims(data, data.rows(Role.FIT)):
        began = time.monotonic()
        trained = searched(data, request, (replace(recipe, trim=kind),))
        rows.append(row_of(f"trim {kind},", trained.metrics, time.monotonic() - began))
    return rows


def by_pour(data: FrozenData, request: SearchRequest, recipe: ArrayRecipe) -> list[Row]:
    """The recipe trained without and with what is told of pours, and the latter where nothing is told."""
    began = time.monotonic()
    without = searched(data, request, (recipe,))
    rows = [row_of("not read,", without.metrics, time.monotonic() - began)]
    print(shown(rows), flush=True)
    began = time.monotonic()
    told = searched(data, request, (replace(recipe, watch_groups=(*recipe.watch_groups, POUR)),))
    rows.append(row_of("told,", told.metrics, time.monotonic() - began))
    program, prove = told.program, data.rows(Role.PROVE)
    trims = trim_counts(data, tuple(TrimKind(kind) for kind in program.trim_kinds))
    silent = _told_nothing(data)
    judged = judge(program, silent, prove, trims, hardware_of(data).span_mm)
    rows.append(replace(figures_row("read, not told", figures_of(judged)), cost=rows[-1].cost))
    for row, of in zip(rows, (without.program, program, program), strict=True):
        cost = measure(of, request.budget) if request.budget is not None else None
        print(f"{row.name} RAM {'-' if cost is None else cost.ram} B, longest pour {of.longest_pour_s} s")
    known = since_pour_at(data, np.flatnonzero(prove)) >= 0
    print(f"the last pour is known in {100 * known.mean():.0f} % of the frames to prove")
    return rows


def _told_nothing(data: FrozenData) -> FrozenData:
    """The same rows of sessions whose flow is stated as static throughout, so that no pour is known."""
    static = Conditions(flow=Flow.STATIC)
    sessions = tuple(replace(s, stretches=(Stretch(0, s.frames, static),)) for s in data.frozen.sessions)
    return replace(data, frozen=replace(data.frozen, sessions=sessions))


def _stored(trained: Trained, data: FrozenData) -> Model:
    program = trained.program
    return Model(
        "first",
        digest(program),
        data.frozen,
        None,
        json.dumps(trained.recipe.to_json()),
        json.dumps(trained.versions),
        "{}",
        to_json(program),
        trained.float_onnx,
    )


def search_seed() -> int:
    """A number from the hash of the commit in which the search was last touched."""
    git = shutil.which("git")
    assert git is not None, "git tells the seed of bench B; or name one with --first"
    root = Path(__file__).resolve().parent.parent
    words = [git, "log", "-1", "--format=%H", "--", *SEARCH]
    commit = subprocess.run(words, capture_output=True, text=True, check=True, cwd=root).stdout.strip()
    return int(hashlib.sha256(commit.encode()).hexdigest()[:6], 16)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bench", choices=("a", "b"), default="a")
    parser.add_argument("--size", choices=sorted(BUDGETS), default="large")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, help="the first seed; without it 1 for A, from the commit for B")
    parser.add_argument("--changed", action="store_true", help="the changed tank too")
    parser.add_argument("--trims", action="store_true", help="each kind of trim, in place of the search")
    parser.add_argument(
        "--since-pour", action="store_true", help="the last pour, told and not, in place of the search"
    )
    parser.add_argument(
        "--quick", action="store_true", help="few units, one net, one seed: to see that it works"
    )
    parser.add_argument("--picked", action="store_true", help="recipes picked before, in place of a search")
    parser.add_argument("--two-frequencies", action="store_true", help="pads read at a second frequency too")
    parser.add_argument("--half-places", action="store_true", help="and half as many places")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    if given.half_places and not given.two_frequencies:
        parser.error("--half-places goes with --two-frequencies")
    make = {"a": bench_a, "b": bench_b}[given.bench]
    first = given.first if given.first is not None else 1 if given.bench == "a" else search_seed()
    print(f"closed-form bench {given.bench}, seed {first}; nothing here is measured")
    rows = []
    for seed in range(first, first + (1 if given.quick else given.seeds)):
        with Store.in_memory() as store:
            bench = make(seed)
            if given.two_frequencies:
                bench = (with_half_the_places if given.half_places else with_two_frequencies)(bench)
            roles = QUICK_ROLES if given.quick else ROLES
            data = captured(store, bench, "set", roles, trims=given.trims)
            size = given.size
            request = SearchRequest(
                "first",
                limits_of(size),
                BUDGETS[size],
                measure,
                seed % 1000,
                pool=Processes(given.jobs),
                leanest=measure_leanest,
            )
            recipes = _quick_recipes(data) if given.quick else _picked(data, size) if given.picked else None
            if given.trims:
                recipe = recipes[0] if given.quick and recipes else _recipe_of_trims(data, size)
                print(shown(by_trims(data, request, recipe)), flush=True)
                continue
            if given.since_pour:
                recipe = recipes[0] if given.quick and recipes else _picked(data, size)[0]
                print(shown(by_pour(data, request, recipe)), flush=True)
                continue
            began = time.monotonic()
            trained = searched(data, request, recipes)
            rows.append(row_of(f"seed {seed}", trained.metrics, time.monotonic() - began))
            print(shown(rows[-1:]), flush=True)
            if given.changed:
                counts = NEW_UNITS[:1] if given.quick else NEW_UNITS
                changed_tank(store, bench, trained, data, request, counts)
    if len(rows) > 1:
        print(shown(rows))
        print(spread_of(rows))


def _recipe_of_trims(data: FrozenData, size: str) -> ArrayRecipe:
    """The recipe that kinds of trims are told apart by: of medium size, or for the small budget."""
    trim = usable_trims(data, data.rows(Role.FIT))[-1]
    small = [recipe for recipe in default_recipes(trim) if not recipe.patience]
    return small[-1] if size == "large" else small[1]


def _picked(data: FrozenData, size: str) -> tuple[ArrayRecipe, ...]:
    trim = usable_trims(data, data.rows(Role.FIT))[-1]
    return tuple(
        recipe
        for recipe in default_recipes(trim)
        if (recipe.hidden, recipe.bits, recipe.watcher, recipe.foam) in PICKED[size]
    )


def _quick_recipes(data: FrozenData) -> tuple[ArrayRecipe, ...]:
    trim = usable_trims(data, data.rows(Role.FIT))[-1]
    return (replace(default_recipes(trim)[-5], steps=QUICK_STEPS),)


if __name__ == "__main__":
    main()
