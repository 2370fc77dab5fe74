"""A program as an integer ONNX model: opset 18, int64 everywhere, the same bytes for the same program.

Inputs, each with one row per independent stream (the batch axis is never time): ``counts`` (streams,
channels), ``temperature`` (streams, 1) in tenths of a degree Celsius, ``faults`` (streams, 1) a mask with bit
k for channel k, ``since_pour`` (streams, 1) in seconds when the program is told of pours, ``state`` (streams,
state size) when it has state, ``prepared`` (streams, prepared size) when it uses a trim.
Outputs: ``low``, ``level``, ``high`` in level units, ``validity``, ``flags`` and ``reason`` as codes,
each (streams, 1), and ``next_state``. The prepare section is a model of its own, ``trim`` to ``prepared``.

The scan model runs whole recordings: the step section is the body of one Scan, which carries the state. Its
inputs and outputs of
a frame have one more axis, in front: ``counts`` (frames, streams, channels). ``state`` is that before the
first frame, ``next_state`` that after the last.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import onnx
from onnx import TensorProto, helper

from dataset.errors import InputError, ProgramError
from export.cautions import CAUTION
from export.onnx.ops import EMITTERS, Graph, Place
from training.program import (
    FLAG_BITS,
    LEVEL_UNITS_PER_MM,
    OUTPUTS,
    REASON_NAMES,
    VALIDITY_NAMES,
    Interval,
    Node,
    Program,
    digest,
    model_id,
)

OPSET, IR_VERSION = 18, 8  # no newer than the operators need, so that older runtimes load it
STREAMS, FRAMES = "streams", "frames"  # the names of the batch axis and of time
FRAME = "frame."  # starts what is inside a scan's body
ONNX_FORMAT = 1  # raised when a graph of the old form would be read wrongly
_UNITS = {
    "counts": "counts of the sensor",
    "temperature": "0.1 degree Celsius",
    "faults": "bit k set: channel k is out of order",
    "low": "1/64 mm above the datum",
    "level": "1/64 mm above the datum",
    "high": "1/64 mm above the datum",
}
_MEANING = {
    "counts": "raw counts of a frame, a column a channel in channel order",
    "temperature": "tenths of a degree Celsius; -1000 where none is measured",
    "faults": "mask of a frame: bit k set where channel k is out of order",
    "since_pour": "whole seconds since liquid last came in; -1 where that is not known",
    "state": "the state before the frame, laid out as innage.state_layout; innage.initial_state at power-on",
    "prepared": "what the prepare model makes of the unit's trim, laid out as innage.prepared_layout",
    "trim": "raw counts of the unit's trim, kind after kind, a column a channel",
    "next_state": "the state after the frame, to be handed back as state",
    "low": "lower end of the band, 1/64 mm above the datum; 0 when withheld",
    "level": "1/64 mm above the datum; -1 when withheld",
    "high": "upper end of the band, 1/64 mm above the datum; the span when withheld",
    "validity": "0 withheld, 1 valid, 2 empty",
    "flags": "sum of the bits in innage.flags",
    "reason": "why it is withheld, a code of innage.reason; 0 when it is given",
    "counts_and_trim": "raw counts of a frame that stands still, a column a channel in channel order, then "
    "the unit's trim likewise, kind after kind",
    "level_mm": "level in mm above the datum",
}
Values = Sequence[onnx.ValueInfoProto]


def emit_onnx(program: Program) -> bytes:
    """The step section as a serialised ONNX model.

    Raises ProgramError, before anything is written, for an operation that has no ONNX form.
    """
    graph = _step_graph(program, "")
    widths = _of_a_frame(program) | _packed(program)
    results = dict.fromkeys(OUTPUTS, 1) | _renewed(program)
    return _model(
        program,
        "step",
        graph.nodes,
        list(graph.tables.values()),
        _signature(widths, STREAMS),
        _signature(results, STREAMS),
    )


def emit_scan_onnx(program: Program) -> bytes:
    """The step section inside a Scan over time, as a serialised ONNX model; errors as :func:`emit_onnx`.

    Inside the body every name of a frame starts with ``frame.``, since ONNX lets no inner name repeat an
    outer one.
    """
    graph = _step_graph(program, FRAME)
    frame, packed, renewed = _of_a_frame(program), _packed(program), _renewed(program)
    carried = {"state": program.state_size} if program.states else {}
    body = helper.make_graph(
        graph.nodes,
        "innage_frame",
        _signature(carried | frame, STREAMS, prefix=FRAME),
        _signature(renewed | dict.fromkeys(OUTPUTS, 1), STREAMS, prefix=FRAME),
        doc_string=_GRAPH_DOC["step"],
    )
    scan = helper.make_node(
        "Scan", [*carried, *frame], [*renewed, *OUTPUTS], name="scan", doc_string="one turn is one frame"
    )
    scan.attribute.extend(
        helper.make_attribute(key, value) for key, value in (("body", body), ("num_scan_inputs", len(frame)))
    )
    given = _signature(frame, FRAMES, STREAMS) + _signature(packed, STREAMS)
    results = _signature(dict.fromkeys(OUTPUTS, 1), FRAMES, STREAMS) + _signature(renewed, STREAMS)
    return _model(program, "scan", [scan], list(graph.tables.values()), given, results)


def _step_graph(program: Program, prefix: str) -> Graph:
    """The nodes of one frame; the names of what goes in and out each frame start with ``prefix``, prepared
    values come from outside.
    """
    _refuse_unknown(program.step)
    graph = Graph(source=f"{prefix}faults")
    known = {name: f"{prefix}{name}" for name in program.inputs}
    graph.batched |= set(known.values())
    for packed, parts in (
        (f"{prefix}state", {s.name: s.interval for s in program.states}),
        ("prepared", program.prepared_intervals),
    ):
        if parts:
            graph.batched.add(packed)
            known |= _unpack(graph, packed, parts)
    known |= _section(graph, "step", program.step, known)
    for output in OUTPUTS:
        _hand_out(graph, known[program.outputs[output]], f"{prefix}{output}")
    if program.states:
        _pack(graph, [known[s.next] for s in program.states], f"{prefix}next_state")
    return graph


def _of_a_frame(program: Program) -> dict[str, int]:
    """The width of what a frame brings."""
    return {name: declared.size for name, declared in program.inputs.items()}


def _packed(program: Program) -> dict[str, int]:
    """The width of what a stream brings along."""
    widths = {"state": program.state_size, "prepared": program.prepared_size}
    return {name: width for name, width in widths.items() if width}


def _renewed(program: Program) -> dict[str, int]:
    return {"next_state": program.state_size} if program.states else {}


def emit_prepare_onnx(program: Program) -> bytes | None:
    """The prepare section as a serialised ONNX model; None for a program without trim or prepared values."""
    if program.trim is None or not program.prepared:
        return None
    _refuse_unknown(program.prepare)
    graph = Graph(source="trim", batched={"trim"})
    known = {"trim": "trim"}
    known |= _section(graph, "prepare", program.prepare, known)
    _pack(graph, [known[name] for name in program.prepared], "prepared")
    given, results = (
        _signature({"trim": program.trim_size}, STREAMS),
        _signature({"prepared": program.prepared_size}, STREAMS),
    )
    return _model(program, "prepare", graph.nodes, list(graph.tables.values()), given, results)


def _refuse_unknown(nodes: Iterable[Node]) -> None:
    for node in nodes:
        if node.op not in EMITTERS:
            raise ProgramError(
                f"node '{node.name}'",
                f"operation '{node.op}' has no ONNX form",
                "one of " + ", ".join(EMITTERS),
            )


def _section(graph: Graph, section: str, nodes: Sequence[Node], known: Mapping[str, str]) -> dict[str, str]:
    """Write the nodes one by one; returns the ONNX name of each. A dot in every name keeps them off the
    inputs and outputs.
    """
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
    if "zero.rows" not in graph.batched:
        first = graph.add(
            "Gather",
            [graph.source, graph.table("zero.column", np.zeros(1, dtype=np.int64))],
            "zero.first",
            axis=1,
        )
        graph.add("Sub", [first, first], "zero.rows")
    return graph.add("Add", [value, "zero.rows"], name)


def _signature(widths: Mapping[str, int], *axes: str, prefix: str = "") -> list[onnx.ValueInfoProto]:
    return [
        helper.make_tensor_value_info(
            f"{prefix}{name}", TensorProto.INT64, [*axes, width], doc_string=_MEANING[name]
        )
        for name, width in widths.items()
    ]


def _model(
    program: Program,
    section: str,
    nodes: Sequence[onnx.NodeProto],
    tables: Sequence[onnx.TensorProto],
    given: Values,
    results: Values,
) -> bytes:
    graph_proto = helper.make_graph(
        nodes, f"innage_{section}", given, results, tables, doc_string=_GRAPH_DOC[section]
    )
    model = helper.make_model(
        graph_proto,
        opset_imports=[helper.make_opsetid("", OPSET)],
        ir_version=IR_VERSION,
        producer_name="innage",
        doc_string=CAUTION,
    )
    helper.set_model_props(model, {"innage.section": section} | facts_of(program))
    onnx.checker.check_model(model, full_check=True)
    return bytes(model.SerializeToString(deterministic=True))


def label_float_onnx(program: Program, float_onnx: bytes) -> bytes:
    """The float model with facts of its own and its ends named for what they hold: ``counts``, or
    ``counts_and_trim``, to ``level_mm``. What it computes stays as it was.

    Raises InputError for bytes that are no ONNX model.
    """
    try:
        model = onnx.load_model_from_string(float_onnx)
        onnx.checker.check_model(model, full_check=True)
    except Exception as error:
        if not type(error).__module__.startswith(("google.protobuf.", "onnx.")):
            raise
        raise InputError(
            f"float ONNX of model '{program.name}'",
            f"{len(float_onnx)} bytes that are no ONNX model",
            "the model as it was trained",
        ) from error
    if len(model.graph.input) == 1:
        _name_input(model.graph, program)
    for end in (*model.graph.input, *model.graph.output):
        end.doc_string = _MEANING.get(end.name, "")
    model.doc_string = f"{_REFERENCE} {CAUTION}"
    kept = {p.key: p.value for p in model.metadata_props if not p.key.startswith(("innage.", "note."))}
    helper.set_model_props(model, kept | float_facts(program, [end.name for end in model.graph.input]))
    return bytes(model.SerializeToString(deterministic=True))


_REFERENCE = (
    "The float model as it was trained: the reference that the integer model is compared with. It is not "
    "what the chip computes, and not meant for a microcontroller's runtime."
)


def _name_input(graph: onnx.GraphProto, program: Program) -> None:
    """Name the only input for its columns, where these are the program's."""
    (given,) = graph.input
    dims = given.type.tensor_type.shape.dim
    width, was = (dims[-1].dim_value if dims else 0), given.name
    names = {program.channels + program.trim_size: "counts_and_trim", program.channels: "counts"}
    name = names.get(width, was)
    taken = {n for node in graph.node for n in node.output} | {table.name for table in graph.initializer}
    if name == was or name in taken:
        return
    given.name = name
    for node in graph.node:
        for k, operand in enumerate(node.input):
            if operand == was:
                node.input[k] = name


def float_facts(program: Program, inputs: Sequence[str]) -> dict[str, str]:
    """What a reader of the float model's file needs besides the graph."""
    units = {**dict.fromkeys(inputs, "counts of the sensor"), "level_mm": "mm above the datum"}
    facts = {
        "innage.section": "float",
        "innage.use": _REFERENCE,
        "innage.format": str(ONNX_FORMAT),
        "innage.model": program.name,
        "innage.model_sha256": digest(program),
        "innage.model_id": f"{model_id(program):08x}",
        "innage.units": _text(units),
        "innage.span_mm": f"{program.span / LEVEL_UNITS_PER_MM:g}",
        "innage.channels": str(program.channels),
        "innage.count_max": str(program.count_max),
        "innage.trim_kinds": _text([] if program.trim is None else list(program.trim_kinds)),
        "innage.caution": CAUTION,
    }
    return facts | {f"note.{key}": value for key, value in sorted(program.notes.items())}


_GRAPH_DOC = {
    "step": "One frame of each stream. State goes in and out; the batch axis holds independent "
    "streams, never time.",
    "scan": "Whole recordings: frames come one after the other along the first axis, streams side by "
    "side along the second.",
    "prepare": "What is computed once at start-up from a unit's trim.",
}


def _text(value: object) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _trim(program: Program) -> dict[str, object] | None:
    """Kinds, limits and the swings that are accepted of a trim; None for a program without."""
    if program.trim is None:
        return None
    limits: dict[str, object] = {
        "kinds": program.trim_kinds,
        "low": program.trim.low,
        "high": program.trim.high,
    }
    swing = program.swing
    return limits if swing is None else limits | {"swing": {"low": swing.low, "high": swing.high}}


def facts_of(program: Program) -> dict[str, str]:
    """What a reader of the file needs besides the graph; every value is text, structured ones are JSON.

    The notes of the program name its tank, mounting, sensor revision and liquids.
    """
    nodes = [("prepare", n) for n in program.prepare] + [("step", n) for n in program.step]
    facts = {
        "innage.format": str(ONNX_FORMAT),
        "innage.program_format": str(program.format),
        "innage.model": program.name,
        "innage.model_sha256": digest(program),
        "innage.model_id": f"{model_id(program):08x}",
        "innage.units": _text(_UNITS | ({"since_pour": "s"} if program.longest_pour_s else {})),
        "innage.level_units_per_mm": str(LEVEL_UNITS_PER_MM),
        "innage.span_level_units": str(program.span),
        "innage.count_max": str(program.count_max),
        "innage.period_ms": str(program.period_ms),
        "innage.period_tolerance_pct": str(program.period_tolerance_pct),
        "innage.settling_frames": str(program.settling_frames),
        "innage.validity": _text({name: code for code, name in VALIDITY_NAMES.items()}),
        "innage.flags": _text(FLAG_BITS),
        "innage.reason": _text({name: code for code, name in REASON_NAMES.items()}),
        "innage.input_ranges": _text({name: [i.low, i.high] for name, i in program.inputs.items()}),
        "innage.trim": _text(_trim(program)),
        "innage.initial_state": _text([v for s in program.states for v in s.initial]),
        "innage.state_layout": _text([[s.name, s.size] for s in program.states]),
        "innage.prepared_layout": _text([[name, i.size] for name, i in program.prepared_intervals.items()]),
        "innage.scales": _text(
            {f"{section}.{node.name}": node.scale for section, node in nodes if node.scale}
        ),
        "innage.caution": CAUTION,
    }
    return facts | {f"note.{key}": value for key, value in sorted(program.notes.items())}
