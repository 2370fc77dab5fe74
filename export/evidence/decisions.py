"""Where a program's way forks, and how often streams take each side.

Decisions are what a reading hangs on: comparisons, choices, validity, reasons, flags, and the ends that cut
the level. Inner forks are the rest: ends of clips inside nets, segments, rows and leaves of tables. A side
that the ranges exclude is none, nor is one that no input can reach since operands hang together.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from export.evidence.streams import Streams, run_through
from export.evidence.unreachable import between, most_of_share
from training.program import (
    EMPTY,
    FLAG_BITS,
    OPS,
    REASON_NAMES,
    VALID,
    VALIDITY_NAMES,
    WITHHELD,
    Array,
    Interval,
    Node,
    Program,
    scalar,
    vector,
)

_MOST_VALUES = 256
Reader = Callable[[Mapping[str, Array]], Array]


@dataclass(frozen=True)
class Fork:
    """One fork of one value. ``sides`` are those that the ranges allow, with their codes in ``codes``."""

    node: str
    element: int
    kind: str
    sides: tuple[str, ...]
    codes: tuple[int, ...]
    decision: bool

    def named(self, side: int) -> str:
        """How a side is called in reports."""
        place = f"{self.node}[{self.element}]" if self.element else self.node
        return f"{place} ({self.kind}): {self.sides[side]}"


@dataclass(frozen=True)
class Side:
    """One side of a fork."""

    fork: Fork
    index: int

    @property
    def name(self) -> str:
        return self.fork.named(self.index)


@dataclass(frozen=True)
class _Probe:
    """Reads from a frame's values which side each element of a node takes, as codes (n, elements)."""

    forks: tuple[Fork, ...]
    needs: tuple[str, ...]
    read: Reader
    given_only: bool = False  # counts only where a level is given


class Decisions:
    """The forks of an analysed program, and counts of the sides that streams visit."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self._probes = [probe for probe in _probes(program) if probe.forks]
        self.sides = tuple(
            Side(fork, k) for probe in self._probes for fork in probe.forks for k in range(len(fork.sides))
        )

    @property
    def decisive(self) -> Array:
        """Which sides belong to decisions, bool (sides,)."""
        return np.asarray([side.fork.decision for side in self.sides], np.bool_)

    def visits(self, streams: Streams) -> Array:
        """How many frames of each stream visit each side, int64 (n, sides)."""
        validity = self.program.outputs["validity"]
        names = tuple(dict.fromkeys((validity, *(n for probe in self._probes for n in probe.needs))))
        counted = np.zeros((len(streams), len(self.sides)), np.int64)
        for values in run_through(self.program, streams, names):
            counted += self.taken(values, len(streams))
        return counted

    def taken(self, values: Mapping[str, Array], rows: int) -> NDArray[np.bool_]:
        """Which sides one frame of each of ``rows`` streams takes, by its values; bool (rows, sides)."""
        given = np.broadcast_to(values[self.program.outputs["validity"]][:, 0] != WITHHELD, rows)
        columns = []
        for probe in self._probes:
            codes = probe.read(values)
            for fork in probe.forks:
                mine = np.broadcast_to(codes[:, min(fork.element, codes.shape[1] - 1)], rows)
                columns += [(mine == code) & (given | (not probe.given_only)) for code in fork.codes]
        return np.stack(columns, axis=1) if columns else np.zeros((rows, 0), np.bool_)


def _intervals_of(program: Program) -> dict[str, Interval]:
    """Where each value of a step lies, by its name: inputs, states, and what is worked out of them."""
    intervals: dict[str, Interval] = dict(program.inputs) | program.prepared_intervals
    intervals |= {state.name: state.interval for state in program.states}
    return intervals | {node.name: node.interval for node in program.step}


def _probes(program: Program) -> list[_Probe]:
    intervals = _intervals_of(program)
    compared = {node.name for node in program.step if node.op == "greater"}
    probes = []
    for node in program.step:
        given = [intervals[name] for name in node.inputs]
        make = _OF_OP.get(node.op)
        if make is not None and not (node.op == "where" and node.inputs[0] in compared):
            probes.append(make(node, given, program))
    return [*probes, *_of_outputs(program, intervals)]


def _forks(
    node: Node, kind: str, sides: Mapping[int, str], reachable: Callable[[int], set[int]], decision: bool
) -> tuple[Fork, ...]:
    """A fork for each element for which the ranges leave two sides or more."""
    forks = []
    for element in range(node.size):
        codes = sorted(reachable(element))
        if len(codes) > 1:
            names = tuple(sides[code] for code in codes)
            forks.append(Fork(node.name, element, kind, names, tuple(codes), decision))
    return tuple(forks)


def _greater(node: Node, given: list[Interval], program: Program) -> _Probe:
    sides = {0: "not above", 1: "above"}
    forks = _forks(
        node, "comparison", sides, lambda k: set(range(node.interval.low[k], node.interval.high[k] + 1)), True
    )
    return _Probe(forks, (node.name,), lambda values: values[node.name])


def _where(node: Node, given: list[Interval], program: Program) -> _Probe:
    condition = node.inputs[0]

    def reachable(element: int) -> set[int]:
        low, high = given[0].at(element)
        return ({0} if low <= 0 <= high else set()) | ({1} if (low, high) != (0, 0) else set())

    forks = _forks(node, "choice", {0: "the second", 1: "the first"}, reachable, True)
    return _Probe(forks, (condition,), lambda values: (values[condition] != 0).astype(np.int64))


def _clip(node: Node, given: list[Interval], program: Program) -> _Probe:
    low, high = scalar(node.attributes, "low"), scalar(node.attributes, "high")
    decision = high == program.span  # cuts the level, or an end of its band
    source = node.inputs[0]
    nodes = {node.name: node for node in program.step}
    share, mean = most_of_share(source, nodes), between(source, nodes, _intervals_of(program))

    def reachable(element: int) -> set[int]:
        least, most = (mean or given[0]).at(element)
        most = most if share is None else min(most, share)
        inside = {0} if least <= high and most >= low else set()
        return inside | ({-1} if least < low else set()) | ({1} if most > high else set())

    forks = _forks(node, "clip", {-1: "below", 0: "inside", 1: "above"}, reachable, decision)
    return _Probe(
        forks,
        (source,),
        lambda values: (values[source] > high).astype(np.int64) - (values[source] < low),
        given_only=decision,
    )


def _hinge(node: Node, given: list[Interval], program: Program) -> _Probe:
    knots = np.asarray(vector(node.attributes, "knots"), np.int64)
    source = node.inputs[0]

    def codes(x: Array) -> Array:
        return np.asarray(np.searchsorted(knots, x, side="right") - 1, np.int64)

    def reachable(element: int) -> set[int]:
        low, high = given[0].at(element)
        ends = np.asarray([low, high], np.int64)
        least, most = codes(ends)
        return set(range(int(least), int(most) + 1))

    names = {k: f"segment {k}" for k in range(len(knots))} | {-1: "below", len(knots) - 1: "above"}
    return _Probe(
        _forks(node, "segments", names, reachable, False), (source,), lambda values: codes(values[source])
    )


def _lookup(node: Node, given: list[Interval], program: Program) -> _Probe:
    last = len(vector(node.attributes, "table")) - 1
    source = node.inputs[0]

    def reachable(element: int) -> set[int]:
        low, high = (min(max(v, 0), last) for v in given[0].at(element))
        return set(range(low, high + 1))

    names = {k: f"row {k}" for k in range(last + 1)}
    return _Probe(
        _forks(node, "rows", names, reachable, False),
        (source,),
        lambda values: np.clip(values[source], 0, last),
    )


def _trees(node: Node, given: list[Interval], program: Program) -> _Probe:
    feature, threshold, child = (
        np.asarray(vector(node.attributes, name), np.int64) for name in ("feature", "threshold", "child")
    )
    roots = vector(node.attributes, "roots")
    depth, source = scalar(node.attributes, "depth"), node.inputs[0]

    def leaves(root: int) -> set[int]:
        """The leaves under a root that the ranges of the inputs allow."""
        pending, reached = [root], set()
        while pending:
            k = pending.pop()
            if child[k] == k:
                reached.add(k)
                continue
            low, high = given[0].at(int(feature[k]))
            if low <= threshold[k]:
                pending.append(int(child[k]))
            if high > threshold[k]:
                pending.append(int(child[k]) + 1)
        return reached

    def read(values: Mapping[str, Array]) -> Array:
        x = values[source]
        at = np.broadcast_to(np.asarray(roots, np.int64), (len(x), len(roots)))
        for _ in range(depth):
            at = child[at] + (np.take_along_axis(x, feature[at], axis=1) > threshold[at])
        return np.asarray(at)

    forks = []
    for k, root in enumerate(roots):
        codes = sorted(leaves(root))
        if len(codes) > 1:
            names = tuple(f"leaf {code}" for code in codes)
            forks.append(Fork(node.name, k, "tree", names, tuple(codes), False))
    return _Probe(tuple(forks), (source,), read)


def _ratio(node: Node, given: list[Interval], program: Program) -> _Probe:
    floor = scalar(node.attributes, "floor")
    top, bottom = node.inputs

    def reachable(element: int) -> set[int]:
        (nl, nh), (dl, dh) = (interval.at(element) for interval in given)
        inside = {0} if nh > 0 and dh >= floor else set()
        return (
            inside
            | ({-1} if nl <= 0 else set())
            | ({1} if nh >= max(dl, floor) else set())
            | ({2} if dl < floor else set())
        )

    def read(values: Mapping[str, Array]) -> Array:
        above, below = values[top], values[bottom]
        least = np.maximum(below, floor)
        return np.asarray(
            np.where(above <= 0, -1, np.where(above >= least, 1, np.where(below < floor, 2, 0))), np.int64
        )

    names = {-1: "nothing", 0: "a share", 1: "all", 2: "over the floor"}
    return _Probe(_forks(node, "ratio", names, reachable, False), (top, bottom), read)


def _max(node: Node, given: list[Interval], program: Program) -> _Probe:
    first, second = node.inputs

    def reachable(element: int) -> set[int]:
        (al, ah), (bl, bh) = (interval.at(element) for interval in given)
        return ({1} if ah > bl else set()) | ({0} if al <= bh else set())

    return _Probe(
        _forks(node, "larger", {0: "the second", 1: "the first"}, reachable, False),
        (first, second),
        lambda values: (values[first] > values[second]).astype(np.int64),
    )


def _abs(node: Node, given: list[Interval], program: Program) -> _Probe:
    (source,) = node.inputs

    def reachable(element: int) -> set[int]:
        low, high = given[0].at(element)
        return ({0} if high >= 0 else set()) | ({1} if low < 0 else set())

    return _Probe(
        _forks(node, "sign", {0: "as it is", 1: "turned"}, reachable, False),
        (source,),
        lambda values: (values[source] < 0).astype(np.int64),
    )


def _argmax(node: Node, given: list[Interval], program: Program) -> _Probe:
    codes = set(range(node.interval.low[0], node.interval.high[0] + 1))
    names = {code: f"element {code}" for code in codes}
    return _Probe(
        _forks(node, "largest", names, lambda _: codes, False), (node.name,), lambda values: values[node.name]
    )


_OF_OP: Mapping[str, Callable[[Node, list[Interval], Program], _Probe]] = {
    "greater": _greater,
    "where": _where,
    "clip": _clip,
    "hinge": _hinge,
    "lookup": _lookup,
    "trees": _trees,
    "ratio": _ratio,
    "max": _max,
    "abs": _abs,
    "argmax": _argmax,
}


def _of_outputs(program: Program, intervals: Mapping[str, Interval]) -> list[_Probe]:
    """Each validity, and each flag set and not set, that the ranges allow."""
    validity, flags = program.outputs["validity"], program.outputs["flags"]
    low, high = intervals[validity].at(0)
    codes = [code for code in (WITHHELD, VALID, EMPTY) if low <= code <= high]
    fork = Fork("validity", 0, "output", tuple(VALIDITY_NAMES[c] for c in codes), tuple(codes), True)
    probes = [_Probe((fork,), (validity,), lambda values: values[validity])]
    probes.append(_of_reasons(program, intervals))
    possible = _possible(program, flags)
    for name, bit in FLAG_BITS.items():
        most = intervals[flags].at(0)[1]
        if any(value & bit for value in range(most + 1) if possible is None or value in possible):
            flag = Fork("flags", 0, name, ("not set", "set"), (0, 1), True)
            probes.append(_Probe((flag,), (flags,), partial(_bit, flags, bit)))
    return probes


def _of_reasons(program: Program, intervals: Mapping[str, Interval]) -> _Probe:
    """Each reason of withholding that the ranges allow."""
    reason = program.outputs["reason"]
    low, high = intervals[reason].at(0)
    possible = _possible(program, reason)
    codes = [code for code in range(low, high + 1) if possible is None or code in possible]
    names = tuple(REASON_NAMES.get(code, str(code)) for code in codes)
    forks = (Fork("reason", 0, "output", names, tuple(codes), True),) if len(codes) > 1 else ()
    return _Probe(forks, (reason,), lambda values: values[reason])


def _possible(program: Program, name: str) -> frozenset[int] | None:
    """Every value that a single value made of comparisons and constants may have; None where there are many
    or it is made of something else.
    """
    nodes = {node.name: node for node in program.step}
    node = nodes.get(name)
    if node is None or node.size > 1:
        return None
    low, high = node.interval.at(0)
    if node.op not in ("add", "sub", "mul", "max", "where", "dense", "lookup"):
        return frozenset(range(low, high + 1)) if high - low < 2 else None
    parts = [_possible(program, source) for source in _single_inputs(node, nodes)]
    if any(part is None for part in parts):
        return None
    result = {_of_values(node, values) for values in itertools.product(*(part for part in parts if part))}
    return frozenset(result) if len(result) <= _MOST_VALUES else None


def _single_inputs(node: Node, nodes: Mapping[str, Node]) -> tuple[str, ...]:
    """The single values that a node is made of: those of a row that was joined, one by one."""
    first = nodes.get(node.inputs[0])
    joined = node.op == "dense" and first is not None and first.op == "concat"
    return first.inputs if joined and first is not None else node.inputs


def _of_values(node: Node, values: tuple[int, ...]) -> int:
    inputs = [np.asarray([values])] if node.op == "dense" else [np.asarray([[value]]) for value in values]
    return int(OPS[node.op].evaluate(inputs, node.attributes)[0, 0])


def _bit(flags: str, bit: int, values: Mapping[str, Array]) -> Array:
    return np.asarray((values[flags] & bit) != 0, np.int64)
