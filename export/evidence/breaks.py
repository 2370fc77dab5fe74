"""Single breaks of a program: what evidence must notice.

A break changes one thing: the sign of one number of a table, a comparison that always answers the same, a
rounding left out, an end of a clip left out, a layer stuck at 0, a memory forgotten, a wrong row read. The C
of such a program would pass the test of its tables, since their CRC would be made anew; only its answers
tell.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from export.evidence.streams import Streams
from training.program import INT32_MAX, INT32_MIN, OPS, OUTPUTS, Array, Node, Program, initial_state
from training.program.ops import Attribute, matrix, scalar, vector

_TABLES = {
    "const": ("values",),
    "dense": ("weights", "bias"),
    "hinge": ("values", "slopes"),
    "lookup": ("table",),
    "trees": ("threshold", "value"),
}
Evaluate = Callable[[Sequence[Array]], Array]


@dataclass(frozen=True)
class Break:
    """One break: what it is, and how the node it changes is computed instead. ``state`` names a memory that
    is forgotten.
    """

    name: str
    kind: str
    node: str = ""
    evaluate: Evaluate | None = None
    state: str = ""


def breaks(program: Program) -> tuple[Break, ...]:
    """Every single break of ``program``, in the order of its nodes."""
    live = _live(program)
    all_breaks: list[Break] = []
    for node in (*program.prepare, *program.step):
        if node.name in live:
            all_breaks += _of_tables(node)
            all_breaks += _OF_OP.get(node.op, lambda _: ())(node)
    all_breaks += [Break(f"{s.name} forgotten", "memory forgotten", state=s.name) for s in program.states]
    return tuple(all_breaks)


def may_choose(broken: Break) -> bool:
    """Whether a break may take part in choosing evidence; the other half only says how good the choice is."""
    return zlib.crc32(broken.name.encode()) % 2 == 0


def _live(program: Program) -> set[str]:
    """Names that an output, a state or a prepared value depends on."""
    needed = {*program.outputs.values(), *(s.next for s in program.states), *program.prepared}
    for node in reversed((*program.prepare, *program.step)):
        if node.name in needed:
            needed |= set(node.inputs)
    return needed


def _of_tables(node: Node) -> Iterator[Break]:
    """The sign of each number of the node's tables; single constants are thresholds and counted there."""
    if node.op == "const" and node.size == 1:
        return
    for name in _TABLES.get(node.op, ()):
        value = node.attributes[name]
        if isinstance(value, int):
            continue
        rows = value if value and isinstance(value[0], tuple) else (value,)
        for i, row in enumerate(rows):
            for k, number in enumerate(row):
                if number and not (name == "threshold" and _is_leaf(node, k)):
                    place = f"{name}[{i}][{k}]" if rows is value else f"{name}[{k}]"
                    evaluate = partial(_with_sign, node, name, i, k)
                    yield Break(f"{node.name}: sign of {place}", "sign", node.name, evaluate)


def _is_leaf(node: Node, k: int) -> bool:
    """Whether node ``k`` of trees is a leaf: its threshold only keeps it in its place."""
    return vector(node.attributes, "child")[k] == k


def _with_sign(node: Node, name: str, i: int, k: int, inputs: Sequence[Array]) -> Array:
    attributes = dict(node.attributes) | {name: _negated(node.attributes[name], i, k)}
    return OPS[node.op].evaluate(inputs, attributes)


def _negated(value: Attribute, i: int, k: int) -> Attribute:
    if isinstance(value, int):
        raise TypeError("a table has rows")
    if isinstance(value[0], tuple):
        return tuple(
            tuple(-v if (i, k) == (a, b) else v for b, v in enumerate(row))
            for a, row in enumerate(value)
            if isinstance(row, tuple)
        )
    return tuple(-v if k == b else v for b, v in enumerate(value) if isinstance(v, int))


def _changed(node: Node, attributes: Mapping[str, Attribute], what: str, kind: str) -> Break:
    broken = replace(node, attributes=dict(node.attributes) | dict(attributes))
    return Break(f"{node.name}: {what}", kind, node.name, _evaluate(broken))


def _evaluate(node: Node) -> Evaluate:
    return lambda inputs: OPS[node.op].evaluate(inputs, node.attributes)


def _comparisons(node: Node) -> Iterator[Break]:
    for answer in (0, 1):
        evaluate = partial(_always, node, answer)
        yield Break(f"{node.name}: always {answer}", "threshold ignored", node.name, evaluate)


def _always(node: Node, answer: int, inputs: Sequence[Array]) -> Array:
    return np.full_like(OPS[node.op].evaluate(inputs, node.attributes), answer)


def _choices(node: Node) -> Iterator[Break]:
    for k, which in ((1, "first"), (2, "second")):
        evaluate = partial(_always_input, k)
        yield Break(f"{node.name}: always the {which}", "threshold ignored", node.name, evaluate)


def _always_input(k: int, inputs: Sequence[Array]) -> Array:
    return np.broadcast_to(inputs[k], np.broadcast_shapes(*(part.shape for part in inputs)))


def _roundings(node: Node) -> Iterator[Break]:
    shift = scalar(node.attributes, "shift")
    if shift:
        yield Break(
            f"{node.name}: rounds down", "rounding left out", node.name, lambda inputs: inputs[0] >> shift
        )


def _clips(node: Node) -> Iterator[Break]:
    low, high = scalar(node.attributes, "low"), scalar(node.attributes, "high")
    yield _changed(node, {"low": INT32_MIN}, f"not held above {low}", "clip widened")
    yield _changed(node, {"high": INT32_MAX}, f"not held below {high}", "clip widened")


def _layers(node: Node) -> Iterator[Break]:
    weights, bias = matrix(node.attributes, "weights"), vector(node.attributes, "bias")
    zeros = tuple((0,) * len(row) for row in weights)
    yield _changed(node, {"weights": zeros, "bias": (0,) * len(bias)}, "stuck at 0", "layer stuck")
    if len(weights) > 1:
        yield _changed(node, {"weights": (*weights[1:], weights[0])}, "the next row's weights", "wrong row")


def _rows(node: Node) -> Iterator[Break]:
    table = vector(node.attributes, "table")
    yield _changed(node, {"table": (*table[1:], table[0])}, "the next row", "wrong row")


def _takes(node: Node) -> Iterator[Break]:
    def next_one(inputs: Sequence[Array]) -> Array:
        columns = [(i + 1) % inputs[0].shape[1] for i in vector(node.attributes, "indices")]
        return np.asarray(inputs[0][:, columns])

    yield Break(f"{node.name}: the next element", "wrong row", node.name, next_one)


def _trees(node: Node) -> Iterator[Break]:
    value = vector(node.attributes, "value")
    yield _changed(node, {"value": (0,) * len(value)}, "stuck at 0", "layer stuck")


_OF_OP: Mapping[str, Callable[[Node], Iterator[Break]]] = {
    "greater": _comparisons,
    "where": _choices,
    "shift": _roundings,
    "clip": _clips,
    "dense": _layers,
    "lookup": _rows,
    "take": _takes,
    "trees": _trees,
}


def run_broken(program: Program, streams: Streams, broken: Break | None, names: Sequence[str]) -> Array:
    """What a chip would answer: for each stream and frame the readings, the state behind the frame and the
    ``names`` values of the step, int64 (n, frames, values).

    Ranges are not asserted, since a break may leave them; values wrap at 32 bits, as they do on the chip.
    """
    values = prepare_broken(program, streams, broken)
    ready = packed([values[name] for name in program.prepared], len(streams))
    power_on = initial_state(program, len(streams))
    state = power_on
    rows = []
    for k in range(streams.frames):
        values = step_broken(program, streams.frame(k), state, ready, broken)
        rows.append(answers_of(program, values, names))
        state = rows[-1][:, len(OUTPUTS) : len(OUTPUTS) + program.state_size]
        if broken is not None and broken.state:
            state = _forget(program, state, power_on, broken.state)
    return np.stack(rows, axis=1)


def prepare_broken(program: Program, streams: Streams, broken: Break | None) -> dict[str, Array]:
    """All values of prepare on each stream's trim."""
    given = {"trim": streams.trim} if program.trim is not None else {}
    return _nodes(program.prepare, given, broken)


def step_broken(
    program: Program,
    frame: Streams,
    state: Array,
    ready: Array,
    broken: Break | None,
    whole: Mapping[str, Array] | None = None,
) -> dict[str, Array]:
    """All values of one frame of each stream; ``state`` and ``ready`` (n or 1, size). ``whole``: the values
    without a break, from which only what depends on it is computed anew.
    """
    if whole is not None and broken is not None:
        return _nodes(program.step, whole, broken)
    given = {
        "counts": frame.counts[:, 0],
        "temperature": frame.temperature,
        "faults": frame.faults,
    } | ({"since_pour": frame.pours} if program.longest_pour_s else {})
    given |= _split({s.name: s.size for s in program.states}, state)
    given |= _split({name: i.size for name, i in program.prepared_intervals.items()}, ready)
    return _nodes(program.step, given, broken)


def answers_of(program: Program, values: Mapping[str, Array], names: Sequence[str]) -> Array:
    """Readings, next state and the named values, a row a stream."""
    wanted = [*(program.outputs[o] for o in OUTPUTS), *(s.next for s in program.states), *names]
    return packed([values[name] for name in wanted], len(values["counts"]))


def step_given(
    program: Program, whole: Mapping[str, Array], broken: Break, given: Mapping[str, Array]
) -> dict[str, Array]:
    """All values of some frames: ``whole`` without a break, the states and prepared values of ``given`` put
    in their place, and what depends on these or on the break computed anew.
    """
    with np.errstate(all="ignore"):
        return _evaluated(program.step, {**whole, **given}, broken, given)


def _nodes(nodes: Sequence[Node], known: Mapping[str, Array], broken: Break | None) -> dict[str, Array]:
    """The values of ``nodes``. Those that ``known`` holds already are kept where no break reaches them."""
    with np.errstate(all="ignore"):  # a break may divide by zero, which a chip answers with some number too
        return _evaluated(nodes, known, broken)


def _evaluated(
    nodes: Sequence[Node], known: Mapping[str, Array], broken: Break | None, given: Collection[str] = ()
) -> dict[str, Array]:
    values = dict(known)
    changed = set(given)
    for node in nodes:
        hit = broken is not None and broken.evaluate is not None and node.name == broken.node
        if node.name in known and not hit and changed.isdisjoint(node.inputs):
            continue
        inputs = [values[name] for name in node.inputs]
        if hit and broken is not None and broken.evaluate is not None:
            result = broken.evaluate(inputs)
        else:
            result = _anyhow(node, inputs)
        values[node.name] = result if broken is None else result.astype(np.int32).astype(np.int64)
        changed.add(node.name)
    return values


def _anyhow(node: Node, inputs: Sequence[Array]) -> Array:
    """What a node gives, also for inputs that a break let out of their ranges: trees that walk off their
    table give some number, as memory behind it would.
    """
    try:
        return OPS[node.op].evaluate(inputs, node.attributes)
    except IndexError:
        return np.full((len(inputs[0]), 1), -1, np.int64)


def _split(sizes: Mapping[str, int], packed: Array) -> dict[str, Array]:
    parts, start = {}, 0
    for name, size in sizes.items():
        parts[name] = packed[:, start : start + size]
        start += size
    return parts


def _forget(program: Program, state: Array, power_on: Array, name: str) -> Array:
    parts = _split({s.name: s.size for s in program.states}, state)
    parts[name] = _split({s.name: s.size for s in program.states}, power_on)[name]
    return np.concatenate(list(parts.values()), axis=1)


def packed(parts: Sequence[Array], rows: int) -> Array:
    """Values beside one another, a row a stream."""
    if not parts:
        return np.zeros((rows, 0), np.int64)
    return np.concatenate([np.broadcast_to(part, (rows, part.shape[1])) for part in parts], axis=1)


def last_layers(program: Program) -> tuple[str, ...]:
    """What the last layers gave: results of layers and trees that reach no other layer, taken behind the
    shift and, of a row, the clip that nothing else stands between.

    A layer that is an output itself (the sum of the flags) shows in the reading.
    """
    layered = ("dense", "trees", "hinge", "lookup")
    shown = set(program.outputs.values())
    behind: set[str] = set()  # values that some layer depends on
    last = []
    for node in reversed(program.step):
        if node.name in shown:
            continue
        if node.op in layered and node.name not in behind:
            last.append(_end_of(program, node))
        if node.op in layered or node.name in behind:
            behind |= set(node.inputs)
    return tuple(dict.fromkeys(reversed(last)))


def _end_of(program: Program, node: Node) -> str:
    """The name of what a layer's result becomes."""
    for op in ("shift", "clip") if node.size > 1 else ("shift",):
        readers = [n for n in program.step if node.name in n.inputs]
        if len(readers) == 1 and readers[0].op == op:
            node = readers[0]
    return node.name
