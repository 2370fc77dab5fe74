"""Ends that no input reaches though the intervals allow it: operands that hang together."""

from __future__ import annotations

from collections.abc import Mapping

from training.program import Interval, Node, scalar, vector
from training.program.rounding import shift_round_int


def most_of_share(source: str, nodes: Mapping[str, Node]) -> int | None:
    """The most that shares of the largest can be, where ``source`` is a row of such; else None.

    The row is w * floor(c / d), shifted, with d at least 1 and no less than any element of x, and w the
    elements of x that are not below 0, else 0: w is no more than d, so the product no more than c.
    """
    shifted = _made_by("shift", source, nodes)
    product = shifted and _made_by("mul", shifted.inputs[0], nodes)
    if not shifted or not product:
        return None
    for share, reciprocal in (product.inputs, product.inputs[::-1]):
        wet, divided = _made_by("clip", share, nodes), _made_by("divide", reciprocal, nodes)
        if wet and divided and scalar(wet.attributes, "low") == 0 and divided.size == 1:
            top = _made_by("const", divided.inputs[0], nodes)
            if top and wet.inputs[0] in _below(divided.inputs[1], nodes):
                return shift_round_int(
                    vector(top.attributes, "values")[0], scalar(shifted.attributes, "shift")
                )
    return None


def between(source: str, nodes: Mapping[str, Node], intervals: Mapping[str, Interval]) -> Interval | None:
    """Where a weighted mean of two values lies, where ``source`` is a row of such; else None.

    The row is a + (b - a) w, the product shifted right by s, with w from 0 to 2^s: so the shifted product,
    rounded too, lies between 0 and b - a, and the row between a and b.
    """
    added = _made_by("add", source, nodes)
    for one, shifted in (added.inputs, added.inputs[::-1]) if added else ():
        moved = _made_by("shift", shifted, nodes)
        product = moved and _made_by("mul", moved.inputs[0], nodes)
        for apart, weight in (product.inputs, product.inputs[::-1]) if product else ():
            subtracted = _made_by("sub", apart, nodes)
            if moved and subtracted and subtracted.inputs[1] == one:
                share, ends = intervals[weight], (intervals[subtracted.inputs[0]], intervals[one])
                if min(share.low) >= 0 and max(share.high) <= 1 << scalar(moved.attributes, "shift"):
                    return _hull(*ends)
    return None


def _hull(one: Interval, other: Interval) -> Interval | None:
    if one.size != other.size:
        return None
    low, high = zip(one.low, other.low, strict=True), zip(one.high, other.high, strict=True)
    return Interval(tuple(map(min, low)), tuple(map(max, high)))


def _below(name: str, nodes: Mapping[str, Node]) -> set[str]:
    """Rows of which no element is above the value."""
    largest = _made_by("max", name, nodes)
    names = (name,) if largest is None else largest.inputs
    reduced = [_made_by("reduce_max", each, nodes) for each in names]
    return {node.inputs[0] for node in reduced if node} | set(names)


def _made_by(op: str, name: str, nodes: Mapping[str, Node]) -> Node | None:
    node = nodes.get(name)
    return node if node is not None and node.op == op else None
