"""How each operation of a program is written in ONNX operators, int64 throughout.

Only operators are used that onnxruntime and the reference evaluator of the ``onnx`` package both compute
exactly on int64: signed BitShift, integer Gemm and small-integer Clip or Where are not among them. Values
have shape (streams, n), or (1, n) as long as they depend on no input; ONNX broadcasts between the two.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import onnx
from onnx import helper, numpy_helper

from training.program import Array, Node, matrix, scalar, vector


@dataclass
class Graph:
    """Collects the nodes and tables of one ONNX graph. Values are referred to by name.

    ``batched`` holds the values that have one row a stream, ``source`` is one of them that every graph has.
    Names follow from the program's own, so that the same program always gives the same bytes.
    """

    source: str
    nodes: list[onnx.NodeProto] = field(default_factory=list)
    tables: dict[str, onnx.TensorProto] = field(default_factory=dict)
    batched: set[str] = field(default_factory=set)

    def table(self, name: str, values: Array) -> str:
        """Add a table of numbers under ``name``."""
        self.tables[name] = numpy_helper.from_array(np.ascontiguousarray(values, dtype=np.dtype("<i8")), name)
        return name

    def number(self, value: int) -> str:
        """A single number, shared by all who need it."""
        name = f"number.{value}" if value >= 0 else f"number.minus_{-value}"
        return name if name in self.tables else self.table(name, np.asarray(value))

    def add(self, operator: str, inputs: Sequence[str], name: str, doc: str = "", **attributes: int) -> str:
        """Add one ONNX node whose only output is ``name``."""
        node = helper.make_node(operator, list(inputs), [name], name=name, doc_string=doc or None)
        node.attribute.extend(helper.make_attribute(key, value) for key, value in attributes.items())
        self.nodes.append(node)
        if self.batched.intersection(inputs):
            self.batched.add(name)
        return name


@dataclass(frozen=True)
class Place:
    """Where one program node is written: its graph, the ONNX names of its inputs, and its own name and
    documentation.
    """

    graph: Graph
    node: Node
    inputs: tuple[str, ...]
    name: str
    doc: str = ""

    def part(self, operator: str, inputs: Sequence[str], step: str, **attributes: int) -> str:
        """An intermediate value of this node."""
        return self.graph.add(operator, inputs, f"{self.name}.{step}", "", **attributes)

    def result(self, operator: str, inputs: Sequence[str], **attributes: int) -> str:
        """The value of this node."""
        return self.graph.add(operator, inputs, self.name, self.doc, **attributes)

    def number(self, value: int) -> str:
        return self.graph.number(value)

    def table(self, step: str, values: Array) -> str:
        return self.graph.table(f"{self.name}.{step}", values)

    def row(self, attribute: str) -> Array:
        """An attribute of the node as an array."""
        return np.asarray(vector(self.node.attributes, attribute), dtype=np.int64)

    def scalar(self, attribute: str) -> int:
        return scalar(self.node.attributes, attribute)


def _same(operator: str) -> Callable[[Place], None]:
    """Operations that ONNX has under its own name, with the same meaning on int64."""

    def emit(at: Place) -> None:
        at.result(operator, at.inputs)

    return emit


def _const(at: Place) -> None:
    at.result("Identity", [at.table("values", at.row("values")[None, :])])


def _greater(at: Place) -> None:
    above = at.part("Greater", at.inputs, "above")
    at.result("Where", [above, at.number(1), at.number(0)])


def _where(at: Place) -> None:
    condition, yes, no = at.inputs
    size = at.part("Abs", [condition], "size")
    holds = at.part("Greater", [size, at.number(0)], "holds")
    at.result("Where", [holds, yes, no])


def _clip(at: Place) -> None:
    at.result("Clip", [at.inputs[0], at.number(at.scalar("low")), at.number(at.scalar("high"))])


def _shift(at: Place) -> None:
    _rounded(at, at.inputs[0], at.scalar("shift"), at.result)


def _rounded(at: Place, value: str, shift: int, write: Callable[[str, Sequence[str]], str]) -> str:
    """``value`` shifted right by ``shift`` bits, rounded half up.

    ONNX divides integers towards zero, so the remainder goes first: Mod takes the sign of its divisor, here
    positive, and what is left is a multiple of 2**shift, on which truncation and floor agree.
    """
    if shift == 0:
        return write("Identity", [value])
    power = at.number(1 << shift)
    raised = at.part("Add", [value, at.number(1 << (shift - 1))], "raised")
    rest = at.part("Mod", [raised, power], "rest", fmod=0)
    whole = at.part("Sub", [raised, rest], "whole")
    return write("Div", [whole, power])


def _ratio(at: Place) -> None:
    """The numerator is limited to 0..denominator first, so that Div sees no negative number."""
    numerator, denominator = at.inputs
    least = at.part("Max", [denominator, at.number(at.scalar("floor"))], "denominator")
    positive = at.part("Max", [numerator, at.number(0)], "positive")
    above = at.part("Greater", [positive, least], "above")
    share = at.part("Where", [above, least, positive], "share")
    scaled = at.part("Mul", [share, at.number(1 << at.scalar("bits"))], "scaled")
    at.result("Div", [scaled, least])


def _take(at: Place) -> None:
    at.result("Gather", [at.inputs[0], at.table("indices", at.row("indices"))], axis=1)


def _concat(at: Place) -> None:
    """Concat does not broadcast, so rows of constants are first given one row a stream."""
    batched = [i for i in at.inputs if i in at.graph.batched]
    if not batched or len(batched) == len(at.inputs):
        at.result("Concat", at.inputs, axis=1)
        return
    first = at.part("Gather", [batched[0], at.table("first", np.zeros(1, dtype=np.int64))], "row", axis=1)
    zero = at.part("Sub", [first, first], "zero")
    rows = [
        i if i in at.graph.batched else at.part("Add", [i, zero], f"spread{k}")
        for k, i in enumerate(at.inputs)
    ]
    at.result("Concat", rows, axis=1)


def _reduce_max(at: Place) -> None:
    at.result("ReduceMax", [at.inputs[0], at.table("axes", np.ones(1, dtype=np.int64))], keepdims=1)


def _argmax(at: Place) -> None:
    at.result("ArgMax", at.inputs, axis=1, keepdims=1, select_last_index=0)


def _lookup(at: Place) -> None:
    table = at.row("table")
    index = at.part("Clip", [at.inputs[0], at.number(0), at.number(len(table) - 1)], "index")
    at.result("Gather", [at.table("table", table), index], axis=0)


def _dense(at: Place) -> None:
    weights = np.asarray(matrix(at.node.attributes, "weights"), dtype=np.int64)
    total = at.part("MatMul", [at.inputs[0], at.table("weights", weights.T)], "sum")
    at.result("Add", [total, at.table("bias", at.row("bias")[None, :])])


def _hinge(at: Place) -> None:
    """The segment is the number of knots at or below x, less one; x is clipped, so the first knot always
    counts.
    """
    knots = at.row("knots")
    x = at.part("Clip", [at.inputs[0], at.number(int(knots[0])), at.number(int(knots[-1]))], "x")
    last_axis = at.table("last_axis", np.asarray([2]))
    wide = at.part("Unsqueeze", [x, last_axis], "wide")
    passed = at.part("Greater", [wide, at.table("passed_above", knots[:-1] - 1)], "passed")
    ones = at.part("Where", [passed, at.number(1), at.number(0)], "ones")
    tall = at.part("MatMul", [ones, at.table("column", np.ones((len(knots) - 1, 1), dtype=np.int64))], "tall")
    counted = at.part("Squeeze", [tall, last_axis], "counted")
    segment = at.part("Sub", [counted, at.number(1)], "segment")
    start, value, slope = (
        at.part("Gather", [at.table(n, t), segment], n[:-1], axis=0)
        for n, t in (("knots", knots[:-1]), ("values", at.row("values")), ("slopes", at.row("slopes")))
    )
    distance = at.part("Sub", [x, start], "distance")
    product = at.part("Mul", [slope, distance], "product")
    rise = _rounded(
        at, product, at.scalar("shift"), lambda operator, inputs: at.part(operator, inputs, "rise")
    )
    at.result("Add", [value, rise])


def _trees(at: Place) -> None:
    """All nodes of all trees at once, from the leaves up.

    Round d gives each tree node the value reached from it in d steps: that of its left or right child after d
    - 1. A leaf is its own child and never goes right, so it keeps its value; after ``depth`` rounds the roots
    hold the answers. Only
    constant indices are needed: gathering by indices that differ from row to row is where the two runtimes
    part.
    """
    child, value = at.row("child"), at.row("value")
    last = len(child) - 1
    x = at.part("Gather", [at.inputs[0], at.table("feature", at.row("feature"))], "x", axis=1)
    right = at.part("Greater", [x, at.table("threshold", at.row("threshold")[None, :])], "right")
    left_of = at.table("left_child", child)
    right_of = at.table("right_child", np.minimum(child + 1, last))
    reached = at.table("value", value[None, :])
    for d in range(at.scalar("depth")):
        left_value = at.part("Gather", [reached, left_of], f"left{d}", axis=1)
        right_value = at.part("Gather", [reached, right_of], f"right{d}", axis=1)
        reached = at.part("Where", [right, right_value, left_value], f"reached{d}")
    roots = at.row("roots")
    leaves = at.part("Gather", [reached, at.table("roots", roots)], "leaves", axis=1)
    at.result("MatMul", [leaves, at.table("column", np.ones((len(roots), 1), dtype=np.int64))])


def _running(at: Place) -> None:
    x, total = at.inputs
    mean = _rounded(at, total, at.scalar("shift"), lambda operator, inputs: at.part(operator, inputs, "mean"))
    kept = at.part("Sub", [total, mean], "kept")
    at.result("Add", [kept, x])


EMITTERS: Mapping[str, Callable[[Place], None]] = {
    "const": _const,
    "add": _same("Add"),
    "sub": _same("Sub"),
    "mul": _same("Mul"),
    "abs": _same("Abs"),
    "max": _same("Max"),
    "greater": _greater,
    "where": _where,
    "clip": _clip,
    "shift": _shift,
    "divide": _same("Div"),
    "ratio": _ratio,
    "take": _take,
    "concat": _concat,
    "reduce_max": _reduce_max,
    "argmax": _argmax,
    "lookup": _lookup,
    "dense": _dense,
    "hinge": _hinge,
    "trees": _trees,
    "running": _running,
}
