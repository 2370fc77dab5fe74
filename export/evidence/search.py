"""A search for inputs that visit a side which streams made at large leave out.

Each comparison and each clip has a margin: how far its value is from the side wanted. Inputs with the best
margins are altered at random, the better ones kept, for a fixed number of rounds: the same seed gives the
same streams.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from export.evidence.decisions import Decisions, Side
from export.evidence.streams import Streams, joined, run_through
from training.program import WITHHELD, Array, Node, Program, into_gate, scalar

_PARENTS, _CHILDREN, _ROUNDS = 24, 10, 40
_KEPT = 16  # streams added for a side, at least
_MOST_SIDES = 40
_FAR = 1 << 33  # beyond any margin of int32


def reach(
    decisions: Decisions,
    pool: Streams,
    least: int,
    rng: np.random.RandomState,
    *,
    inner: bool = False,
    one_unit: bool = False,
) -> list[Streams]:
    """Streams that visit sides which ``pool`` visits in fewer than ``least`` frames, as far as any are found.

    ``inner``: sides of inner clips too; otherwise decisions only. ``one_unit``: trims stay as they are.
    """
    visits = decisions.visits(pool).sum(axis=0)
    nodes = {node.name: node for node in decisions.program.step}
    streams = []
    lacking = [
        side
        for side, n in zip(decisions.sides, visits, strict=True)
        if (side.fork.decision or inner) and n < least and side.fork.node in nodes
    ]
    for side in lacking[:_MOST_SIDES]:
        node = nodes[side.fork.node]
        if node.op in ("greater", "clip"):
            streams.append(_towards(decisions, side, node, pool, least, rng, one_unit))
    return streams


def _towards(
    decisions: Decisions,
    side: Side,
    node: Node,
    pool: Streams,
    least: int,
    rng: np.random.RandomState,
    one_unit: bool,
) -> Streams:
    """Streams near the side of one fork, the best after all rounds: so many that it is visited ``least``
    times, where it is reached.
    """
    needed = _needed(decisions.program, side, node)
    margin = _margins(needed, side, node, pool)
    order = np.argsort(-margin, kind="stable")[:_PARENTS]
    best, margin = pool.take(order), margin[order]
    for k in range(_ROUNDS):
        children = altered(decisions.program, best, rng, 0.5 ** (k / 4), _CHILDREN, one_unit)
        everyone = joined([best, children])
        margin = np.concatenate([margin[:_PARENTS], _margins(needed, side, node, children)])
        order = np.argsort(-margin, kind="stable")
        everyone, margin = everyone.take(order), margin[order]
        best = everyone.take(slice(0, _PARENTS))
    return everyone.take(slice(0, max(_KEPT, min(least, int((margin > 0).sum())))))


def _needed(program: Program, side: Side, node: Node) -> Program:
    """The program with the nodes alone that tell the margin: those that the fork, its validity where that
    counts, and the state follow from.
    """
    wanted = {*node.inputs, *(state.next for state in program.states)}
    if _cuts_levels(side, node):
        wanted.add(program.outputs["validity"])
    kept = []
    for one in reversed(program.step):
        if one.name in wanted:
            kept.append(one)
            wanted |= set(one.inputs)
    return replace(program, step=tuple(reversed(kept)))


def _cuts_levels(side: Side, node: Node) -> bool:
    return side.fork.decision and node.op == "clip"


def _margins(program: Program, side: Side, node: Node, streams: Streams) -> Array:
    """How far each stream goes to the side at its best frame, (n,); above 0 it is there. An end that cuts the
    level counts where a level is given: frames without one are further away than any with one.
    """
    best = np.full(len(streams), np.iinfo(np.int64).min)
    validity, cuts = program.outputs["validity"], _cuts_levels(side, node)
    for values in run_through(program, streams, (*node.inputs, *([validity] if cuts else []))):
        margin = _margin(side, node, values)
        if cuts:
            margin = np.where(values[validity][:, 0] == WITHHELD, margin - _FAR, margin)
        best = np.maximum(best, margin)
    return best


def _margin(side: Side, node: Node, values: Mapping[str, Array]) -> Array:
    code = side.fork.codes[side.index]
    columns = [values[name] for name in node.inputs]
    first, *others = (column[:, min(side.fork.element, column.shape[1] - 1)] for column in columns)
    if node.op == "greater":
        return np.asarray(first - others[0] if code else others[0] - first + 1)
    low, high = scalar(node.attributes, "low"), scalar(node.attributes, "high")
    if code == 0:
        return np.asarray(np.minimum(first - low, high - first) + 1)
    return np.asarray(low - first if code < 0 else first - high)


def altered(
    program: Program,
    parents: Streams,
    rng: np.random.RandomState,
    scale: float,
    many: int,
    one_unit: bool = False,
) -> Streams:
    """``many`` children of each stream: some channels moved by some of their swing, through all frames; some
    trims too, unless ``one_unit``.
    """
    rows = np.repeat(np.arange(len(parents)), many)
    children = parents.take(rows)
    n, _, channels = children.counts.shape
    moved = rng.random_sample((n, channels)) < 0.4
    wide = np.ptp(children.counts.reshape(n, -1), axis=1)[:, None] + 1 + program.count_max * 0.002
    by = np.rint(rng.normal(size=(n, channels)) * moved * wide * scale).astype(np.int64)
    counts = np.clip(children.counts + by[:, None], 0, program.count_max)
    trim = children.trim
    if program.trim is not None and not one_unit:
        low, high = np.asarray(program.trim.low), np.asarray(program.trim.high)
        shift = rng.normal(size=trim.shape) * (high - low) * 0.2 * scale
        shift = shift * (rng.random_sample((n, 1)) < 0.3)
        trim = into_gate(program, np.clip(trim + np.rint(shift).astype(np.int64), low, high))
    return replace(children, trim=trim, counts=counts)
