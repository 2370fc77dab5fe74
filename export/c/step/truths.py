"""Single values that are only ever 0 or 1 and come of comparisons: in C they are ``bool``, and what joins
them is ``&&``, ``||`` and ``!``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from export.c.layout import Value, negated
from training.program import Node


def truths(nodes: Sequence[Node]) -> frozenset[str]:
    """The names of the nodes that are written as truths."""
    bits = {n.name: n.interval.low[0] for n in nodes if n.op == "const" and n.size == 1}
    bits = {name: value for name, value in bits.items() if value in (0, 1)}
    known = set[str]()
    for node in nodes:
        if node.size == 1 and _is_truth(node, known, bits):
            known.add(node.name)
    return frozenset(known)


def _is_truth(node: Node, known: set[str], bits: Mapping[str, int]) -> bool:
    names = node.inputs
    if node.op in ("greater", "max", "mul"):
        return names[0] != names[1] and (node.op == "greater" or known.issuperset(names))
    if node.op == "sub":
        return bits.get(names[0]) == 1 and names[1] in known
    if node.op == "where":
        given = [bits.get(name) for name in names[1:]]
        return all(n in known or n in bits for n in names[1:]) and (given[0] is None or given[0] != given[1])
    return node.op == "OUTSIDE"


def truth_text(node: Node, values: Mapping[str, Value], bits: Mapping[str, int]) -> str:
    """The condition that ``node`` is; ``bits`` are the constants 0 and 1 by name."""
    args = [values[name] for name in node.inputs]
    if node.op == "greater":
        if args[0].truth and bits.get(node.inputs[1]) == 0:
            return args[0].holds()
        if args[1].truth and bits.get(node.inputs[0]) == 1:
            return negated(args[1].holds())
        left, right = args[0].at(0), args[1].at(0)
        return f"({right} < {left})" if args[0].literal else f"({left} > {right})"
    if node.op == "sub":
        return negated(args[1].holds())
    if node.op == "where":
        return _chosen(args, [bits.get(name) for name in node.inputs[1:]])
    return f" {'||' if node.op == 'max' else '&&'} ".join(arg.holds() for arg in args)


def _chosen(args: Sequence[Value], given: Sequence[int | None]) -> str:
    """A choice between truths, of which ``given`` are constants."""
    condition, opposite = args[0].holds(), negated(args[0].holds())
    if None not in given:
        return condition if given[0] else opposite
    if given[0] is not None:
        return f"{condition} || {args[2].holds()}" if given[0] else f"{opposite} && {args[2].holds()}"
    if given[1] is not None:
        return f"{opposite} || {args[1].holds()}" if given[1] else f"{condition} && {args[1].holds()}"
    return f"{condition} ? {args[1].holds()} : {args[2].holds()}"
