"""Which ONNX graphs from elsewhere may be loaded: those whose operators and sizes are on a closed list.

A runtime does what a graph says: loops without an end, tensors of any size, files of this computer read as
weights. So a graph that was not made here is looked at first: which operators and attributes it has, how
large its tables are, and how large every value becomes on a batch of a given size.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod

import onnx
from onnx import TensorProto

from dataset.errors import InputError

ROWS = 1024  # rows given to a runtime at once, for which sizes are judged

_MOST_BYTES = 16_000_000
_MOST_NODES = 20_000
_MOST_ENTRIES = 1_000_000  # numbers in all tables
_MOST_ELEMENTS = 4_000_000  # of one value, on a batch
_MOST_WORK = 1_000_000_000  # multiplications and copies of a batch, all nodes together
_MOST_TREE_DEPTH = 64
_LAST_OPSETS = {"": 21, "ai.onnx.ml": 3}
_LAST_IR = 10
_TREES = "TreeEnsembleRegressor"

_PLAIN: Mapping[str, frozenset[str]] = {
    **dict.fromkeys(("Abs", "Add", "Clip", "Div", "Greater", "Identity", "MatMul", "Max"), frozenset()),
    **dict.fromkeys(("Mul", "Squeeze", "Sub", "Unsqueeze", "Where"), frozenset()),
    "ArgMax": frozenset({"axis", "keepdims", "select_last_index"}),
    "Concat": frozenset({"axis"}),
    "Gather": frozenset({"axis"}),
    "Mod": frozenset({"fmod"}),
    "ReduceMax": frozenset({"keepdims"}),
}
_FLOAT: Mapping[str, frozenset[str]] = {
    **_PLAIN,
    **dict.fromkeys(("GreaterOrEqual", "Min", "Relu"), frozenset()),
    "Cast": frozenset({"to"}),
    "ReduceSum": frozenset({"keepdims"}),
    _TREES: frozenset(
        {
            "n_targets",
            "aggregate_function",
            "base_values",
            "post_transform",
            *(f"nodes_{name}" for name in ("treeids", "nodeids", "featureids", "modes", "values")),
            *(f"nodes_{name}" for name in ("truenodeids", "falsenodeids", "hitrates")),
            "nodes_missing_value_tracks_true",
            *(f"target_{name}" for name in ("treeids", "nodeids", "ids", "weights")),
        }
    ),
}
_WIDTHS: Mapping[int, int] = {
    TensorProto.FLOAT: 4,
    TensorProto.BOOL: 1,
    TensorProto.INT64: 8,
    TensorProto.DOUBLE: 8,
}
_NUMBERS = (
    onnx.AttributeProto.INT,
    onnx.AttributeProto.INTS,
    onnx.AttributeProto.FLOAT,
    onnx.AttributeProto.FLOATS,
    onnx.AttributeProto.STRING,
    onnx.AttributeProto.STRINGS,
)


@dataclass(frozen=True)
class Kind:
    """What graphs of one sort may have: operators with their attributes, types of their values."""

    operators: Mapping[str, frozenset[str]]
    types: frozenset[int]


INTEGER = Kind(_PLAIN, frozenset({TensorProto.INT64, TensorProto.BOOL}))
FLOAT = Kind(_FLOAT, frozenset({TensorProto.INT64, TensorProto.BOOL, TensorProto.FLOAT, TensorProto.DOUBLE}))


def check_allowed(content: bytes, where: str, kind: Kind, rows: int = ROWS, frames: int = 1) -> None:
    """Raise InputError unless the ONNX model ``content`` is on the list for a batch of ``rows`` rows; a Scan
    over time is allowed where all of the model is one, and looked at for so many ``frames``.
    """
    if len(content) > _MOST_BYTES:
        raise InputError(where, f"{len(content)} bytes", f"at most {_MOST_BYTES}")
    model = _read(content, where)
    graph = model.graph
    _check_head(model, where)
    body = _scan_body(graph)
    _require(body is None or kind is INTEGER, where, "a Scan", _listed(kind))
    for part in (graph,) if body is None else (graph, body):
        _check_parts(part, where, kind, scan=part is graph and body is not None)
    entries = sum(
        _table_entries(table, where, kind)
        for part in (graph, *filter(None, [body]))
        for table in part.initializer
    )
    _require(entries <= _MOST_ENTRIES, where, f"{entries} numbers in its tables", f"at most {_MOST_ENTRIES}")
    _check_sizes(model, body, where, kind, rows, frames)


def _read(content: bytes, where: str) -> onnx.ModelProto:
    try:
        return onnx.load_model_from_string(content)
    except Exception as error:
        if not type(error).__module__.startswith("google.protobuf."):
            raise
        raise InputError(
            where, f"{len(content)} bytes that are no ONNX model", "a model as innage writes it"
        ) from error


def _require(holds: bool, where: str, found: str, expected: str) -> None:
    if not holds:
        raise InputError(where, found, expected, "it is not loaded")


def _listed(kind: Kind) -> str:
    return "operators of " + ", ".join(sorted(kind.operators))


def _check_head(model: onnx.ModelProto, where: str) -> None:
    """No functions, no training, no operators of others, no versions beyond those that are emitted."""
    _require(not model.functions, where, "functions of its own", "a plain graph")
    _require(not model.training_info, where, "a training graph", "a plain graph")
    _require(model.ir_version <= _LAST_IR, where, f"IR {model.ir_version}", f"at most {_LAST_IR}")
    for opset in model.opset_import:
        last = _LAST_OPSETS.get(opset.domain)
        known = last is not None and 1 <= opset.version <= last
        _require(known, where, f"opset {opset.domain!r} {opset.version}"[:80], "the opsets that are emitted")


def _scan_body(graph: onnx.GraphProto) -> onnx.GraphProto | None:
    """The body of a graph that is one Scan over time and nothing else."""
    if len(graph.node) != 1 or graph.node[0].op_type != "Scan":
        return None
    bodies = [
        a.g for a in graph.node[0].attribute if a.name == "body" and a.type == onnx.AttributeProto.GRAPH
    ]
    return bodies[0] if len(bodies) == 1 else None


def _check_parts(graph: onnx.GraphProto, where: str, kind: Kind, scan: bool) -> None:
    _require(len(graph.node) <= _MOST_NODES, where, f"{len(graph.node)} nodes", f"at most {_MOST_NODES}")
    _require(not graph.sparse_initializer, where, "sparse tables", "plain tables")
    for node in graph.node:
        name, named = node.op_type[:40], {a.name for a in node.attribute}
        if scan:
            _require(
                node.domain == "" and named == {"body", "num_scan_inputs"},
                where,
                "a Scan with options",
                "a Scan over time",
            )
            continue
        domain = "ai.onnx.ml" if name == _TREES else ""
        _require(name in kind.operators and node.domain == domain, where, f"operator {name!r}", _listed(kind))
        odd = sorted(named - kind.operators[name])
        _require(not odd, where, f"attribute {odd[:1]} of {name}"[:80], "the attributes that are emitted")
        for attribute in node.attribute:
            plain = attribute.type in _NUMBERS and not attribute.ref_attr_name
            _require(plain, where, f"attribute {attribute.name} of {name}", "a number, or numbers")
        if name == _TREES:
            _check_trees(node, where)


def _table_entries(table: onnx.TensorProto, where: str, kind: Kind) -> int:
    """How many numbers a table holds, which must all stand in the file itself."""
    inside = table.data_location == TensorProto.DEFAULT and not table.external_data
    _require(inside, where, "a table that stands in another file", "tables inside the model")
    _require(table.data_type in kind.types, where, f"a table of type {table.data_type}", "numbers as emitted")
    _require(all(d >= 0 for d in table.dims), where, "a table of negative size", "a size")
    size = prod(int(d) for d in table.dims)
    width = _WIDTHS[table.data_type]
    held = (
        len(table.raw_data) // width
        if table.raw_data
        else len(table.float_data) + len(table.int64_data) + len(table.double_data) + len(table.int32_data)
    )
    _require(size == held, where, f"a table of {size} numbers that holds {held}", "as many as it says")
    return size


def _check_trees(node: onnx.NodeProto, where: str) -> None:
    """Every tree is one: children stand behind their parent, each under one parent only, not too deep.

    Its branches are walked by the runtime without a look at that, and built by recursion.
    """
    given = {a.name: a for a in node.attribute}

    def ints(name: str) -> Sequence[int]:
        return given[name].ints if name in given else ()

    trees, nodes = ints("nodes_treeids"), ints("nodes_nodeids")
    yes, no, modes = (
        ints("nodes_truenodeids"),
        ints("nodes_falsenodeids"),
        given["nodes_modes"].strings if "nodes_modes" in given else (),
    )
    single = "n_targets" not in given or given["n_targets"].i == 1
    _require(single, where, "trees with several results", "one result a row")
    same = len({len(trees), len(nodes), len(yes), len(no), len(modes)}) == 1 and len(nodes) <= _MOST_ENTRIES
    _require(same, where, "trees whose lists differ in length", "one entry a node")
    depth = dict.fromkeys(zip(trees, nodes, strict=True), 0)
    _require(len(depth) == len(nodes), where, "trees with a node that stands twice", "each node once")
    children = set[tuple[int, int]]()
    for tree, parent, mode, *below in sorted(zip(trees, nodes, modes, yes, no, strict=True)):
        for child in () if mode == b"LEAF" else below:
            at = (tree, child)
            one = child > parent and at in depth and at not in children
            _require(one, where, f"node {child} of a tree under node {parent}", "later nodes, each under one")
            children.add(at)
            depth[at] = depth[tree, parent] + 1
    deepest = max(depth.values(), default=0)
    _require(deepest <= _MOST_TREE_DEPTH, where, f"a tree {deepest} deep", f"at most {_MOST_TREE_DEPTH}")


def _check_sizes(
    model: onnx.ModelProto, body: onnx.GraphProto | None, where: str, kind: Kind, rows: int, frames: int
) -> None:
    """The size of every value on a batch, and what all nodes together have to do for it."""
    inner = onnx.ModelProto()
    inner.CopyFrom(model)
    if body is not None:
        _require(not body.initializer, where, "tables inside the Scan", "tables of the graph around it")
        inner.graph.CopyFrom(body)
        inner.graph.initializer.extend(model.graph.initializer)
        _check_fed(model.graph, body, inner.graph, where)
    del inner.graph.value_info[:]
    inner.graph.value_info.extend(
        onnx.helper.make_tensor_value_info(name, TensorProto.FLOAT, [rows, 1])
        for node in inner.graph.node
        if node.op_type == _TREES
        for name in node.output
    )
    for put in inner.graph.input:
        _fix_rows(put, where, kind, rows)
    for put in inner.graph.output:
        put.type.tensor_type.ClearField("shape")
    try:
        inferred = onnx.shape_inference.infer_shapes(inner, check_type=True, strict_mode=True, data_prop=True)
    except Exception as error:
        if not type(error).__module__.startswith("onnx.") and not isinstance(
            error, RuntimeError | ValueError
        ):
            raise
        raise InputError(
            where,
            f"shapes that do not follow ({str(error).strip()[:120]})",
            "a whole graph",
            "it is not loaded",
        ) from error
    shapes = {table.name: tuple(table.dims) for table in inferred.graph.initializer}
    shapes |= {
        put.name: _dims(put, where, kind)
        for put in (*inferred.graph.input, *inferred.graph.value_info, *inferred.graph.output)
        if put.name not in shapes
    }
    total = sum(_node_work(node, shapes, where) for node in inferred.graph.node) * max(frames, 1)
    _require(total <= _MOST_WORK, where, f"{total} steps for {rows} rows", f"at most {_MOST_WORK}")


def _check_fed(outer: onnx.GraphProto, body: onnx.GraphProto, inner: onnx.GraphProto, where: str) -> None:
    """What the body takes from the graph around it becomes its own input."""
    own = {put.name for put in (*body.input, *outer.initializer)} | {
        name for node in body.node for name in node.output
    }
    around = {put.name: put for put in outer.input}
    for name in sorted({name for node in body.node for name in node.input if name} - own):
        _require(name in around, where, f"a value {name[:40]!r} from nowhere", "a whole graph")
        inner.input.append(around[name])


def _fix_rows(put: onnx.ValueInfoProto, where: str, kind: Kind, rows: int) -> None:
    """Put the size of the batch in place of its name."""
    tensor = put.type.tensor_type
    plain = (
        put.type.WhichOneof("value") == "tensor_type"
        and tensor.elem_type in kind.types
        and tensor.HasField("shape")
    )
    _require(plain, where, f"input {put.name[:40]!r} of another kind", "rows of numbers")
    for k, dim in enumerate(tensor.shape.dim):
        if dim.WhichOneof("value") != "dim_value":
            _require(k == 0, where, f"input {put.name[:40]!r} of open width", "a fixed width")
            dim.dim_value = rows


def _dims(put: onnx.ValueInfoProto, where: str, kind: Kind) -> tuple[int, ...]:
    tensor = put.type.tensor_type
    known = tensor.HasField("shape") and all(
        d.WhichOneof("value") == "dim_value" and d.dim_value >= 0 for d in tensor.shape.dim
    )
    _require(
        known and tensor.elem_type in kind.types,
        where,
        f"value {put.name[:40]!r} of unknown size",
        "values of known size",
    )
    dims = tuple(d.dim_value for d in tensor.shape.dim)
    _require(
        prod(dims) <= _MOST_ELEMENTS,
        where,
        f"a value of {'x'.join(map(str, dims))}",
        f"at most {_MOST_ELEMENTS} numbers",
    )
    return dims


def _node_work(node: onnx.NodeProto, shapes: Mapping[str, tuple[int, ...]], where: str) -> int:
    """Numbers read and written; of a product of matrices, its multiplications; of trees, the steps down."""
    missing = [name for name in (*node.input, *node.output) if name and name not in shapes]
    _require(not missing, where, f"value {missing[:1]} of unknown size"[:80], "values of known size")
    read = [shapes[name] for name in node.input if name]
    written = sum(prod(shapes[name]) for name in node.output if name)
    if node.op_type == "MatMul":
        return written * (read[0][-1] if read and read[0] else 1)
    if node.op_type == _TREES:
        rows = [shapes[name][:1] for name in node.output]
        _require(
            len(read) == 1 and len(read[0]) == 2 and rows == [read[0][:1]],
            where,
            "trees on no rows",
            "rows of features",
        )
        trees = len({tree for a in node.attribute if a.name == "nodes_treeids" for tree in a.ints})
        return written * trees * _MOST_TREE_DEPTH
    return written + sum(prod(dims) for dims in read)
