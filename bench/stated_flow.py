"""What a model would gain if the appliance told it whether the tank fills, drains or stands still.

    python bench/stated_flow.py [--bench a|b] [--seed N] [--nets N] [--quick]

This is the experiment that says what such inputs buy (models take ``pour`` alone, for foam and film), on the
closed-form benches with more foam in tanks that stand still or drain. Float nets of one size are fitted to
the features of a pad array, and to these with what was stated of each frame: ``flow`` (filling, draining,
static, or none of them: not told), and ``pour``, the seconds since the tank last filled, in a logarithm that
ends at a minute. Half of the rows to fit on are not told, so that the net holds where the appliance is
silent; it is judged told and not told. ``mean`` is no input of a net: while the tank is told to stand still,
levels are averaged from its first still frame on. Where a session steps from one level to the next, liquid is
taken as poured or drained between two frames.

Printed, on units that play no part in the fit: P95 of the error in % of the span for clean liquid, foam and
film, nothing withheld, and foam frames flagged by the score that 2 % of a unit's clean ones exceed, the mean
over units, with the share of all clean ones that exceed it; each the mean over several nets
from other starts with the least and the greatest. Nothing is measured.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from accuracy import QUICK_ROLES, ROLES, captured
from threadpoolctl import threadpool_limits

from captures.benches import bench_a, bench_b, with_foam_at_rest
from dataset.records import Flow, FrozenData
from dataset.store import Store
from training.models.nets import Net, NetPlan, fit_net
from training.models.trimming import SHARE_ONE
from training.models.watch import FALSE_FOAM, States, states_of
from training.rows import Floats, Ints, Mask, group_weights, in_order
from training.search.array_recipes import ALL, MOVING
from training.search.context import SearchContext, SearchRequest, by_roles, hardware_of
from training.search.nets.fitting import HUBER_SHARE, FeatureTable, prepare_features, thinned

FLOWS = (Flow.FILLING, Flow.DRAINING, Flow.STATIC)
LONGEST_S = 60.0
NOT_TOLD = 0.5  # share of the rows to fit on
LEVEL, CONDITION = (16, 8), (12, 6)
STEPS, STARTS, MOST_ROWS = 60, 4, 8000
QUICK_STEPS = 10


@dataclass(frozen=True)
class Told:
    """What was told of each row: ``flow`` (n, 3) one of each row's flows or none, ``pour`` (n, 1), both in
    units of a feature; ``still`` (n,) whether the tank was told to stand still.
    """

    flow: Floats
    pour: Floats
    still: Mask

    def columns(self, names: tuple[str, ...]) -> Floats:
        """The inputs of these names, (n, width)."""
        none = np.zeros((len(self.still), 0))
        return np.hstack([none, *(getattr(self, name) for name in names)])


def told_of(data: FrozenData, period_ms: int) -> Told:
    """From what the sessions' stretches state. Before a session's first filling the last pour is long ago."""
    stated = np.asarray([[c.flow is flow for flow in FLOWS] for c in data.conditions])[data.condition]
    since = np.full(len(stated), LONGEST_S)
    for session in np.unique(data.session):
        rows = np.flatnonzero(data.session == session)
        rises = np.diff(data.level_mm[rows], prepend=data.level_mm[rows[0]]) > 0
        filling = np.where(stated[rows, 0] | rises, data.frame[rows], -np.inf)
        frames = data.frame[rows] - np.maximum.accumulate(filling)
        since[rows] = np.minimum(frames * period_ms / 1000, LONGEST_S)
    pour = SHARE_ONE * np.log1p(since) / np.log1p(LONGEST_S)
    return Told(SHARE_ONE * stated.astype(np.float64), pour[:, None], stated[:, 2])


def silent(columns: Floats, names: tuple[str, ...]) -> Floats:
    """The same inputs of an appliance that tells nothing."""
    none = np.zeros_like(columns)
    if "pour" in names:
        none[:, -1] = SHARE_ONE
    return none


@dataclass(frozen=True)
class Trial:
    """Captures with their features, and how nets are fitted."""

    context: SearchContext
    table: FeatureTable
    told: Told
    seeds: tuple[int, ...]
    steps: int

    def fitted(self, names: tuple[str, ...], seed: int) -> tuple[Net, Net]:
        """A level net and a condition net with the inputs of these names."""
        data, rng = self.context.data, np.random.default_rng(seed)
        at = thinned(data, self.context.fit, MOST_ROWS)
        columns, states = self.told.columns(names)[at], states_of(data).where(at)
        quiet = rng.random(len(at)) < NOT_TOLD
        columns[quiet] = silent(columns, names)[quiet]
        weights, huber = group_weights(data.group[at]), HUBER_SHARE * self.context.span_mm
        on_it = np.column_stack([states.foam, states.film]).astype(np.float64)
        level, condition = (
            NetPlan(hidden, seed, self.steps, starts=STARTS, huber=loss, ridge=ridge)
            for hidden, loss, ridge in ((LEVEL, huber, 1e-6), (CONDITION, None, 1e-4))
        )
        return (
            fit_net(np.hstack([self.table.of(MOVING, at), columns]), data.level_mm[at], weights, level),
            fit_net(np.hstack([self.table.of(ALL, at), columns]), on_it, weights, condition),
        )

    def figures(self, nets: tuple[Net, Net], columns: Floats, rows: Mask, mean: bool) -> Mapping[str, float]:
        """P95 by class in % of the span, and the share of foam frames flagged, %, on rows."""
        data, span_mm = self.context.data, self.context.span_mm
        level, condition = (
            net.predict(np.hstack([self.table.of(groups, rows), columns[rows]]))
            for net, groups in zip(nets, (MOVING, ALL), strict=True)
        )
        shown = np.clip(level[:, 0], 0, span_mm)
        if mean:
            shown = averaged(shown, self.told.still[rows], data.session[rows], data.level_mm[rows])
        states, error = states_of(data).where(rows), 100 * np.abs(shown - data.level_mm[rows]) / span_mm
        foam = condition[:, 0] > self._rarely(condition[:, 0], states.clean, data.group[rows])
        return {name: float(np.quantile(error[of], 0.95)) for name, of in classes(states).items()} | {
            "flagged": 100 * float(foam[states.foam].mean()),
            "at": 100 * float(foam[states.clean].mean()),
        }

    @staticmethod
    def _rarely(score: Floats, clean: Mask, group: Ints) -> float:
        """As the product sets its threshold: groups differ too much to go by one quantile of all."""
        each = [np.quantile(score[clean & (group == g)], 1 - FALSE_FOAM) for g in np.unique(group[clean])]
        return float(np.mean(each))


def classes(states: States) -> dict[str, Mask]:
    """The rows of each class, foam in a tank at rest among them."""
    return {
        "clean": states.clean,
        "foam": states.foam & ~states.empty,
        "film": states.film & ~states.empty,
    }


def averaged(level_mm: Floats, still: Mask, session: Ints, label_mm: Floats) -> Floats:
    """Levels averaged from the first row of each stretch of a session in which the tank stands still, at one
    level.
    """
    shown, total, count = level_mm.copy(), 0.0, 0
    for k in range(len(level_mm)):
        if not still[k] or (k and (session[k], label_mm[k]) != (session[k - 1], label_mm[k - 1])):
            total, count = 0.0, 0
        if still[k]:
            total, count = total + level_mm[k], count + 1
            shown[k] = total / count
    return shown


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bench", choices=("a", "b"), default="a")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--nets", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="few units and steps: to see that it works")
    given = parser.parse_args()
    bench = with_foam_at_rest({"a": bench_a, "b": bench_b}[given.bench](given.seed))
    with Store.in_memory() as store:
        data = captured(store, bench, "set", QUICK_ROLES if given.quick else ROLES)
    data = in_order(data)
    context = by_roles(data, hardware_of(data), SearchRequest("stated-flow", seed=given.seed))
    table = prepare_features(context, context.used, "full")
    told = told_of(data, bench.board.period_ms)
    seeds = tuple(range(given.seed, given.seed + (1 if given.quick else given.nets)))
    trial = Trial(context, table, told, seeds, QUICK_STEPS if given.quick else STEPS)
    print(f"closed-form bench {given.bench}, seed {given.seed}; nothing here is measured")
    with threadpool_limits(limits=1):
        compare(trial, context.used & ~context.fit)


def compare(trial: Trial, unseen: Mask) -> None:
    """Print a row for each set of inputs and each way in which the appliance tells."""
    for names in ((), ("flow",), ("flow", "pour")):
        fits, columns = [trial.fitted(names, seed) for seed in trial.seeds], trial.told.columns(names)
        ways = {"told": columns, "not told": silent(columns, names)} if names else {"": columns}
        for way, given in ways.items():
            for mean in (False, True) if way != "not told" else (False,):
                each = [trial.figures(nets, given, unseen, mean) for nets in fits]
                what = " ".join([*names, *([way] if way else []), *(["mean"] if mean else [])]) or "nothing"
                print(f"{what}: {', '.join(spread(name, each) for name in each[0])}", flush=True)


def spread(name: str, each: Sequence[Mapping[str, float]]) -> str:
    """The mean of a figure, its least and its greatest."""
    values = [one[name] for one in each]
    return f"{name} {np.mean(values):.2f} ({min(values):.2f} to {max(values):.2f})"


if __name__ == "__main__":
    main()
