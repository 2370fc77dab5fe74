"""What C need not compute: nodes are rewritten so that fewer rows are made, with the same values, bit for
bit.

``OUTSIDE`` is an operation that only C has: 1 where an element of a row lies outside [low, high], else 0.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from dataset.errors import ProgramError
from export.c.step.truths import truths
from training.program import Interval, Node, matrix, scalar, vector
from training.program.ops import Attributes
from training.program.ranges import node_interval

_MOST_TERMS = 8  # of a sum that is written out


def simplified(
    nodes: Sequence[Node], intervals: Mapping[str, Interval], keep: Iterable[str]
) -> tuple[Node, ...]:
    """``nodes``, of which those in ``keep`` stay as they are; ``intervals`` of the section's inputs."""
    kept = set(keep)
    return _joined_once(_summed(_reasoned(_compared(nodes, kept)), kept), intervals, kept)


def _readers(nodes: Sequence[Node]) -> dict[str, list[Node]]:
    readers: dict[str, list[Node]] = {}
    for node in nodes:
        for name in dict.fromkeys(node.inputs):
            readers.setdefault(name, []).append(node)
    return readers


def _compared(nodes: Sequence[Node], kept: Collection[str]) -> tuple[Node, ...]:
    """Whether the farthest that a row lies outside of two limits is above 0 takes only comparisons."""
    readers, by_name = _readers(nodes), {node.name: node for node in nodes}

    def only(name: str, op: str) -> Node | None:
        """The node of that name, where it has that operation and one reader."""
        node = by_name.get(name)
        alone = node is not None and node.op == op and len(readers[name]) == 1 and name not in kept
        return node if alone else None

    def outside(node: Node) -> Node:
        if node.op != "greater" or node.size > 1 or _constant(by_name.get(node.inputs[1])) != 0:
            return node
        worst = only(node.inputs[0], "reduce_max")
        excess = only(worst.inputs[0] if worst else node.inputs[0], "abs")
        apart = only(excess.inputs[0], "sub") if excess else None
        if apart is None:
            return node
        limited = by_name.get(apart.inputs[1])
        if limited is None or limited.op != "clip" or limited.inputs[0] != apart.inputs[0]:
            return node
        return replace(node, op="OUTSIDE", inputs=limited.inputs, attributes=limited.attributes)

    return tuple(outside(node) for node in nodes)


def _reasoned(nodes: Sequence[Node]) -> tuple[Node, ...]:
    """Whether any of several conditions holds is told by a number that each of them makes one above 0."""
    by_name, known = {node.name: node for node in nodes}, truths(nodes)
    zero = next((node.name for node in nodes if _constant(node) == 0), None)
    numbers = {
        node.name: terms
        for node in nodes
        if node.op == "where" and node.size == 1 and node.name not in known
        if len(terms := _above_zero(node.name, by_name, known)) >= _FEWEST_TERMS
    }
    told = dict[str, Node]()
    for node in nodes if zero is not None else ():
        terms = _alternatives(node.name, by_name, known)
        number = next((name for name, own in numbers.items() if own == terms), None)
        if number is not None and zero is not None:
            told[node.name] = replace(node, op="greater", inputs=(number, zero), attributes={})
    place = {node.name: k for k, node in enumerate(nodes)}
    return _in_order([told.get(node.name, node) for node in nodes], place, 0) or tuple(nodes)


_FEWEST_TERMS = 3
_UNKNOWN = frozenset({""})


def _alternatives(name: str, by_name: Mapping[str, Node], known: Collection[str]) -> frozenset[str]:
    """The truths of which one at least holds when ``name`` does."""
    node = by_name.get(name)
    if node is None or name not in known:
        return frozenset() if node is not None and _constant(node) == 0 else frozenset({name})
    if node.op == "max":
        return frozenset().union(*(_alternatives(one, by_name, known) for one in node.inputs))
    if node.op == "where" and _constant(by_name.get(node.inputs[1])) == 1:
        condition, _, other = node.inputs
        return _alternatives(condition, by_name, known) | _alternatives(other, by_name, known)
    return frozenset({name})


def _above_zero(name: str, by_name: Mapping[str, Node], known: Collection[str]) -> frozenset[str]:
    """The truths of which one at least holds when a number of 0 or more is above 0; one that is no name where
    that cannot be told.
    """
    node = by_name.get(name)
    if node is not None and _constant(node) == 0:
        return frozenset()
    if name in known:
        return _alternatives(name, by_name, known)
    if node is None or node.op != "where" or node.inputs[0] not in known:
        return _UNKNOWN
    condition, then, other = node.inputs
    if (_constant(by_name.get(then)) or 0) <= 0:
        return _UNKNOWN
    return _alternatives(condition, by_name, known) | _above_zero(other, by_name, known)


def _constant(node: Node | None) -> int | None:
    return node.interval.low[0] if node is not None and node.op == "const" and node.size == 1 else None


def _summed(nodes: Sequence[Node], kept: Collection[str]) -> tuple[Node, ...]:
    """A sum over a few joined single values takes the values themselves, where nobody else reads them joined:
    flags from their bits need no row. Only in C has a dense node more inputs than one.
    """
    readers = _readers(nodes)
    joined = {
        node.name: node.inputs
        for node in nodes
        if node.op == "concat"
        and 1 < node.size == len(node.inputs) <= _MOST_TERMS
        and node.name not in kept
        and all(reader.op == "dense" and reader.size == 1 for reader in readers.get(node.name, ()))
    }
    return tuple(
        replace(node, inputs=joined[node.inputs[0]]) if node.inputs and node.inputs[0] in joined else node
        for node in nodes
        if node.name not in joined
    )


def _joined_once(
    nodes: Sequence[Node], intervals: Mapping[str, Interval], kept: Collection[str]
) -> tuple[Node, ...]:
    """Two rows that are joined of the same parts become one, in which both lie: first what only one has, then
    what both have, then what only the other has. The weights of their readers go along.
    """
    current = tuple(nodes)
    for one, other in _pairs(current):
        if {one, other} <= {node.name for node in current if node.op == "concat"}:
            current = _merged(current, one, other, intervals, kept) or current
    return current


def _pairs(nodes: Sequence[Node]) -> list[tuple[str, str]]:
    rows = {node.name for node in nodes if node.size > 1}
    joins = [node for node in nodes if node.op == "concat" and node.size > 1]
    return [
        (one.name, other.name)
        for k, one in enumerate(joins)
        for other in joins[k + 1 :]
        if rows & set(one.inputs) & set(other.inputs)
    ]


def _merged(
    nodes: Sequence[Node],
    one: str,
    other: str,
    intervals: Mapping[str, Interval],
    kept: Collection[str],
) -> tuple[Node, ...] | None:
    """``nodes`` with one row in place of two; None where that cannot be."""
    by_name, place = {node.name: node for node in nodes}, {node.name: k for k, node in enumerate(nodes)}
    a, b = by_name[one], by_name[other]
    known = dict(intervals) | {node.name: node.interval for node in nodes}
    shared = [name for name in a.inputs if name in b.inputs]
    left, right = ([n for n in row.inputs if n not in shared] for row in (a, b))
    everything = (*left, *shared, *right)
    if len(set(a.inputs)) < len(a.inputs) or len(set(b.inputs)) < len(b.inputs) or {one, other} & set(kept):
        return None
    last = max((place.get(name, -1) for name in everything), default=-1)
    readers = [node for node in nodes if {one, other} & set(node.inputs)]
    if any(reader.op not in ("dense", "trees") for reader in readers):
        return None
    row = _joined(f"{other}_JOINED", everything, known)
    starts = {one: 0, other: sum(known[name].size for name in left)}
    fresh = dict[str, Node]()
    for node, parts in ((a, (*left, *shared)), (b, (*shared, *right))):
        part = _joined(node.name, parts, known)
        indices = tuple(range(starts[node.name], starts[node.name] + part.size))
        fresh[node.name] = (
            replace(row, name=node.name)
            if part.size == row.size
            else replace(part, op="take", inputs=(row.name,), attributes={"indices": indices})
        )
        order = _order(node, parts, known)
        for reader in readers:
            if reader.inputs[0] == node.name:
                moved = replace(reader, attributes=_moved(reader, order))
                try:
                    node_interval(moved.name, moved.op, moved.attributes, [part.interval])
                except ProgramError:  # in another order a sum could leave int32 on its way
                    return None
                fresh[reader.name] = moved
    whole = next((n.name for n in (fresh[one], fresh[other]) if n.op == "concat"), row.name)
    if whole == row.name:
        fresh[row.name] = row
    fresh = {k: replace(n, inputs=(whole,)) if n.op == "take" else n for k, n in fresh.items()}
    return _in_order([*(n for n in nodes if n.name not in fresh), *fresh.values()], place, last)


def _in_order(nodes: Sequence[Node], place: Mapping[str, int], last: int) -> tuple[Node, ...] | None:
    """``nodes`` so that each stands behind those it reads; None where they go round in a circle."""
    names, done, result = {node.name for node in nodes}, set[str](), list[Node]()
    pending = sorted(nodes, key=lambda node: place.get(node.name, last))
    while pending:
        ready = next((n for n in pending if all(i in done or i not in names for i in n.inputs)), None)
        if ready is None:
            return None
        pending.remove(ready)
        done.add(ready.name)
        result.append(ready)
    return tuple(result)


def _joined(name: str, parts: Sequence[str], known: Mapping[str, Interval]) -> Node:
    low, high = (tuple(v for part in parts for v in getattr(known[part], end)) for end in ("low", "high"))
    return Node(name, "concat", tuple(parts), {}, Interval(low, high))


def _order(node: Node, parts: Sequence[str], known: Mapping[str, Interval]) -> tuple[int, ...]:
    """For each element of the new row, where it stood in the old one."""
    starts, at = dict[str, int](), 0
    for name in node.inputs:
        starts[name] = at
        at += known[name].size
    return tuple(starts[name] + k for name in parts for k in range(known[name].size))


def _moved(reader: Node, order: Sequence[int]) -> Attributes:
    """The attributes of a layer or of trees whose input has changed its order."""
    if reader.op == "dense":
        weights = tuple(tuple(row[k] for k in order) for row in matrix(reader.attributes, "weights"))
        return dict(reader.attributes) | {"weights": weights}
    back = {old: new for new, old in enumerate(order)}
    feature = tuple(back[k] for k in vector(reader.attributes, "feature"))
    return dict(reader.attributes) | {"feature": feature}


def limits(node: Node) -> tuple[int, int]:
    """The limits of an ``OUTSIDE`` node."""
    return scalar(node.attributes, "low"), scalar(node.attributes, "high")
