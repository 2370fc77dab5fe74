"""Streams at the edges of what a program compares and rounds: where a step of one unit far inside it shows.

A comparison of a rounded value changes its answer at some sum before the rounding, and a level changes by one
at others. A wrong rounding or a small weight of the wrong sign moves such a sum by little, so that only
frames close to an edge tell it. They are searched for by the distance alone, with a fixed number of rounds:
the same seed gives the same streams.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from export.evidence.search import altered
from export.evidence.streams import Streams, joined, run_through
from training.program import Array, Node, Program, scalar, vector

_PARENTS, _CHILDREN, _ROUNDS = 6, 5, 20
_AS_DRAWN = 16  # of the pool, at each edge
_FRAMES = 8  # of a stream; longer ones are fewer
_MOST_EDGES = 40
_FAR = np.iinfo(np.int64).max
_PASSED_ON = ("clip", "take", "where", "add", "sub", "max")


@dataclass(frozen=True)
class Edge:
    """One side of where an answer changes: an element of a sum, shifted to what is compared with ``other``;
    without an ``other`` each step of the shifted value is an edge. ``turned``: the other is the greater one.
    """

    total: str
    element: int
    shift: int
    other: str = ""
    turned: bool = False
    above: bool = True

    @property
    def needs(self) -> tuple[str, ...]:
        return (self.total, self.other) if self.other else (self.total,)

    def distance(self, values: Mapping[str, Array]) -> Array:
        """How far each row is from the edge, on its side of it, in steps of the sum, (n,)."""
        total = values[self.total][:, min(self.element, values[self.total].shape[1] - 1)]
        beyond = total + ((1 << self.shift) >> 1)  # a shift rounds half up
        if not self.other:
            rest = beyond & ((1 << self.shift) - 1)
            return rest if self.above else (1 << self.shift) - 1 - rest
        limit = values[self.other][:, 0]
        beyond = beyond - ((limit if self.turned else limit + 1) << self.shift)
        return np.where(beyond >= 0, beyond, _FAR) if self.above else np.where(beyond < 0, -1 - beyond, _FAR)


def edges(program: Program) -> tuple[Edge, ...]:
    """Both sides of each comparison of a rounded value and of each rounding that a level shows, the first
    of them where there are many.
    """
    nodes = {node.name: node for node in program.step}
    distinct = dict.fromkeys((*_of_level(program, nodes), *_of_comparisons(program, nodes)))
    return tuple(distinct)[:_MOST_EDGES]


def _of_comparisons(program: Program, nodes: Mapping[str, Node]) -> Iterator[Edge]:
    for node in program.step:
        if node.op != "greater" or node.size > 1:
            continue
        for turned, (mine, other) in enumerate((node.inputs, node.inputs[::-1])):
            source = _sum_behind(nodes, mine)
            if source is not None:
                yield from (Edge(*source, other, bool(turned), above) for above in (True, False))
                break


def _sum_behind(nodes: Mapping[str, Node], name: str) -> tuple[str, int, int] | None:
    """The sum whose shift gives the first element of a value, with the element there, and the shift; None
    where the value is made otherwise.
    """
    element = 0
    while name in nodes and nodes[name].op in ("clip", "take"):
        if nodes[name].op == "take":
            element = vector(nodes[name].attributes, "indices")[element]
        name = nodes[name].inputs[0]
    if name not in nodes or nodes[name].op != "shift":
        return None
    return nodes[name].inputs[0], element, scalar(nodes[name].attributes, "shift")


def _of_level(program: Program, nodes: Mapping[str, Node]) -> Iterator[Edge]:
    pending, seen = [program.outputs["level"]], set[str]()
    while pending:
        node = nodes.get(pending.pop())
        if node is None or node.name in seen:
            continue
        seen.add(node.name)
        if node.op == "shift" and node.size == 1 and scalar(node.attributes, "shift"):
            shift = scalar(node.attributes, "shift")
            yield from (Edge(node.inputs[0], 0, shift, above=above) for above in (True, False))
        elif node.op in _PASSED_ON:
            pending += node.inputs[1:] if node.op == "where" else node.inputs


def at_edges(program: Program, pool: Streams, rng: np.random.RandomState, most: int) -> Streams | None:
    """Up to ``most`` streams at the edges of ``program``, those nearest to each edge first; from ``pool``,
    altered round by round. None without an edge.
    """
    sought = edges(program)
    if not sought or most < 1:
        return None
    parents = max(min(_PARENTS, _PARENTS * _FRAMES // pool.frames), 1)
    distance = np.stack(_distances(program, pool, sought, [slice(None)] * len(sought)))
    order = [np.argsort(row, kind="stable") for row in distance]
    best = [pool.take(rows[:parents]) for rows in order]
    for k in range(_ROUNDS):
        everyone = [joined([b, altered(program, b, rng, 0.5 ** (0.75 * k), _CHILDREN)]) for b in best]
        ends = np.cumsum([0, *map(len, everyone)])
        places = [slice(a, b) for a, b in itertools.pairwise(ends)]
        near = _distances(program, joined(everyone), sought, places)
        best = [
            e.take(np.argsort(row, kind="stable")[:parents]) for e, row in zip(everyone, near, strict=True)
        ]
    altered_ones = [streams.take(slice(k, k + 1)) for k in range(parents) for streams in best]
    as_drawn = dict.fromkeys(int(rows[k]) for k in range(min(_AS_DRAWN, len(pool))) for rows in order)
    ranked = [*altered_ones, *(pool.take(slice(k, k + 1)) for k in as_drawn)]
    return joined(ranked[:most])


def _distances(
    program: Program, streams: Streams, sought: tuple[Edge, ...], places: list[slice]
) -> list[Array]:
    """For each edge the distance of its own streams, at their best frames."""
    names = tuple(dict.fromkeys(name for edge in sought for name in edge.needs))
    least = [np.full(len(streams), _FAR)[place] for place in places]
    for values in run_through(program, streams, names):
        whole = {name: np.broadcast_to(v, (len(streams), v.shape[1])) for name, v in values.items()}
        for k, (edge, place) in enumerate(zip(sought, places, strict=True)):
            mine = {name: whole[name][place] for name in edge.needs}
            least[k] = np.minimum(least[k], edge.distance(mine))
    return least
