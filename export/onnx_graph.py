"""A program as an integer ONNX model: opset 21, int64 everywhere, the same bytes for the same program.

Inputs, each with one row per independent stream (the batch axis is never time): ``counts`` (streams, channels),
``temperature`` (streams, 1) in tenths of a degree Celsius, ``faults`` (streams, 1) a mask with bit k for channel k,
``state`` (streams, state size) when the program has state, ``prepared`` (streams, prepared size) when it uses a trim.
Outputs: ``low``, ``level``, ``high`` in level units, ``validity`` and ``flags`` as codes, each (streams, 1), and ``next_state``.
The prepare section is a model of its own, ``trim`` to ``prepared``.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import onnx
from onnx import TensorProto, helper

from dataset.errors import ProgramError
from export.c_header import CAUTIONS
from export.onnx_ops import EMITTERS, Graph, Place
from training.program import FLAG_BITS, LEVEL_UNITS_PER_MM, OUTPUTS, VALIDITY_NAMES, Interval, Node, Program, digest, model_id

OPSET, IR_VERSION = 21, 10
STREAMS = "streams"  # the name of the batch axis
ONNX_FORMAT = 1  # raised when a graph of the old form would be read wrongly


def emit_onnx(program: Program) -> bytes:
    """The step section as a serialised ONNX model.

    Raises ProgramError, before anything is written, for an operation that has no ONNX form.
    """
    _refuse_unknown(program.step)
    graph = Graph()
    widths = {name: declared.size for name, declared in program.inputs.items()}
    known = {name: name for name in program.inputs}
    graph.batched |= set(widths)
    for packed, parts in (("state", {s.name: s.interval for s in program.states}), ("prepared", program.prepared_intervals)):
        if parts:
            widths[packed] = sum(i.size for i in parts.values())
            graph.batched.add(packed)
            known |= _unpack(graph, packed, parts)
    known |= _section(graph, "step", program.step, known)
    results = dict.fromkeys(OUTPUTS, 1)
    for output in OUTPUTS:
        _hand_out(graph, known[program.outputs[output]], output)
    if program.states:
        results["next_state"] = program.state_size
        _pack(graph, [known[s.next] for s in program.states], "next_state")
    return _model(program, graph, "step", widths, results)


def emit_prepare_onnx(program: Program) -> bytes | None:
    """The prepare section as a serialised ONNX model; None for a program without trim or prepared values."""
    if program.trim is None or not program.prepared:
        return None
    _refuse_unknown(program.prepare)
    graph = Graph(batched={"trim"})
    known = {"trim": "trim"}
    known |= _section(graph, "prepare", program.prepare, known)
    _pack(graph, [known[name] for name in program.prepared], "prepared")
    return _model(program, graph, "prepare", {"trim": program.trim_size}, {"prepared": program.prepared_size})


def _refuse_unknown(nodes: Iterable[Node]) -> None:
    for node in nodes:
        if node.op not in EMITTERS:
            raise ProgramError(f"node '{node.name}'", f"operation '{node.op}' has no ONNX form", "one of " + ", ".join(EMITTERS))


def _section(graph: Graph, section: str, nodes: Sequence[Node], known: Mapping[str, str]) -> dict[str, str]:
    """Write the nodes one by one; returns the ONNX name of each. A dot in every name keeps them off the inputs and outputs."""
    names = dict(known)
    for node in nodes:
        name = f"{section}.{node.name}"
        EMITTERS[node.op](Place(graph, node, tuple(names[i] for i in node.inputs), name, _describe(node)))
        names[node.name] = name
    return names


def _describe(node: Node) -> str:
    bounds = f"{node.op}, in [{min(node.interval.low)}, {max(node.interval.high)}]"
    return f"{bounds}, one step is {node.scale}" if node.scale else bounds


def _unpack(graph: Graph, packed: str, parts: Mapping[str, Interval]) -> dict[str, str]:
    """Cut the columns of a packed input into its named values."""
    names, start = {}, 0
    for part, declared in parts.items():
        name = f"{packed}.{part}"
        columns = graph.table(f"{name}.columns", np.arange(start, start + declared.size))
        names[part] = graph.add("Gather", [packed, columns], name, axis=1)
        start += declared.size
    return names


def _pack(graph: Graph, values: Sequence[str], output: str) -> None:
    spread = [_spread(graph, value, f"{output}.part{k}") for k, value in enumerate(values)]
    graph.add("Concat", spread, output, axis=1)


def _hand_out(graph: Graph, value: str, output: str) -> None:
    graph.add("Identity", [_spread(graph, value, f"{output}.spread")], output)


def _spread(graph: Graph, value: str, name: str) -> str:
    """The value with one row per stream: a row of constants is added to a column of zeros."""
    if value in graph.batched:
        return value
    source = "trim" if "trim" in graph.batched else "faults"
    if "zero.rows" not in graph.batched:
        first = graph.add("Gather", [source, graph.table("zero.column", np.zeros(1, dtype=np.int64))], "zero.first", axis=1)
        graph.add("Sub", [first, first], "zero.rows")
    return graph.add("Add", [value, "zero.rows"], name)


def _model(program: Program, graph: Graph, section: str, inputs: Mapping[str, int], outputs: Mapping[str, int]) -> bytes:
    def signature(widths: Mapping[str, int]) -> list[onnx.ValueInfoProto]:
        return [helper.make_tensor_value_info(name, TensorProto.INT64, [STREAMS, width]) for name, width in widths.items()]

    made = helper.make_graph(
        graph.nodes, f"innage_{section}", signature(inputs), signature(outputs), list(graph.tables.values()), doc_string=_GRAPH_DOC[section]
    )
    model = helper.make_model(
        made, opset_imports=[helper.make_opsetid("", OPSET)], ir_version=IR_VERSION, producer_name="innage", doc_string=" ".join(CAUTIONS)
    )
    helper.set_model_props(model, _facts(program))
    onnx.checker.check_model(model, full_check=True)
    return bytes(model.SerializeToString(deterministic=True))


_GRAPH_DOC = {
    "step": "One frame of each stream. State goes in and out; the batch axis holds independent streams, never time.",
    "prepare": "What is computed once at start-up from a unit's trim.",
}


def _facts(program: Program) -> dict[str, str]:
    """What a reader of the file needs besides the graph; every value is text, structured ones are JSON."""

    def text(value: object) -> str:
        return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)

    nodes = [("prepare", n) for n in program.prepare] + [("step", n) for n in program.step]
    facts = {
        "innage.format": str(ONNX_FORMAT),
        "innage.model": program.name,
        "innage.model_sha256": digest(program),
        "innage.model_id": f"{model_id(program):08x}",
        "innage.level_units_per_mm": str(LEVEL_UNITS_PER_MM),
        "innage.span_level_units": str(program.span),
        "innage.count_max": str(program.count_max),
        "innage.period_ms": str(program.period_ms),
        "innage.period_tolerance_pct": str(program.period_tolerance_pct),
        "innage.settling_frames": str(program.settling_frames),
        "innage.validity": text({name: code for code, name in VALIDITY_NAMES.items()}),
        "innage.flags": text(FLAG_BITS),
        "innage.initial_state": text([v for s in program.states for v in s.initial]),
        "innage.state_layout": text([[s.name, s.size] for s in program.states]),
        "innage.prepared_layout": text([[name, i.size] for name, i in program.prepared_intervals.items()]),
        "innage.scales": text({f"{section}.{node.name}": node.scale for section, node in nodes if node.scale}),
        "innage.caution": " ".join(CAUTIONS),
    }
    return facts | {f"note.{key}": value for key, value in sorted(program.notes.items())}
