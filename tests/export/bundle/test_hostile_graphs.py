"""ONNX that does more than add and multiply is loaded by no runtime."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import onnx
import pytest
from bundles import Files, failed, resealed
from onnx import TensorProto, helper

from export.bundle.manifest import MANIFEST


def ends(width: int) -> tuple[list[onnx.ValueInfoProto], list[onnx.ValueInfoProto]]:
    """Inputs and outputs of a float model of counts."""
    return (
        [helper.make_tensor_value_info("counts", TensorProto.FLOAT, [None, width])],
        [helper.make_tensor_value_info("level_mm", TensorProto.FLOAT, [None, 1])],
    )


def model_of(
    nodes: list[onnx.NodeProto], tables: list[onnx.TensorProto] | None = None, width: int = 4, **more: Any
) -> bytes:
    """A serialised model of these nodes, from counts to a level."""
    graph = helper.make_graph(nodes, "float", *ends(width), tables or [])
    opsets = [helper.make_opsetid("", 18), *more.pop("opsets", [])]
    made = helper.make_model(graph, opset_imports=opsets, ir_version=8, **more)
    return bytes(made.SerializeToString(deterministic=True))


def endless_loop() -> bytes:
    """A Loop whose condition never becomes false, 2^63 - 1 times."""
    body = helper.make_graph(
        [helper.make_node("Identity", ["go"], ["on"]), helper.make_node("Identity", ["x"], ["y"])],
        "body",
        [
            helper.make_tensor_value_info("turn", TensorProto.INT64, []),
            helper.make_tensor_value_info("go", TensorProto.BOOL, []),
            helper.make_tensor_value_info("x", TensorProto.FLOAT, [None, 4]),
        ],
        [
            helper.make_tensor_value_info("on", TensorProto.BOOL, []),
            helper.make_tensor_value_info("y", TensorProto.FLOAT, [None, 4]),
        ],
    )
    tables = [
        helper.make_tensor("turns", TensorProto.INT64, [], [2**63 - 1]),
        helper.make_tensor("start", TensorProto.BOOL, [], [True]),
        helper.make_tensor("weights", TensorProto.FLOAT, [4, 1], [0.001] * 4),
    ]
    nodes = [
        helper.make_node("Loop", ["turns", "start", "counts"], ["last"], body=body),
        helper.make_node("MatMul", ["last", "weights"], ["level_mm"]),
    ]
    return model_of(nodes, tables)


def external_data() -> bytes:
    """Weights that stand in a file of the computer on which it is loaded."""
    weights = TensorProto(name="weights", data_type=TensorProto.FLOAT, dims=[4, 1])
    weights.data_location = TensorProto.EXTERNAL
    for key, value in (("location", "hosts"), ("offset", "0"), ("length", "16")):
        weights.external_data.add(key=key, value=value)
    return model_of([helper.make_node("MatMul", ["counts", "weights"], ["level_mm"])], [weights])


def growing() -> bytes:
    """Rows that double forty times."""
    nodes = [
        helper.make_node("Concat", [name, name], [f"x{k}"], axis=1)
        for k, name in enumerate(["counts", *(f"x{k}" for k in range(39))])
    ]
    nodes.append(helper.make_node("ReduceMax", ["x39", "axes"], ["level_mm"], keepdims=1))
    return model_of(nodes, [helper.make_tensor("axes", TensorProto.INT64, [1], [1])])


def crossed() -> bytes:
    """Every row of the batch with every other one."""
    tables = [
        helper.make_tensor("front", TensorProto.INT64, [1], [0]),
        helper.make_tensor("middle", TensorProto.INT64, [1], [1]),
        helper.make_tensor("axes", TensorProto.INT64, [2], [0, 2]),
    ]
    nodes = [
        helper.make_node("Unsqueeze", ["counts", "front"], ["a"]),
        helper.make_node("Unsqueeze", ["counts", "middle"], ["b"]),
        helper.make_node("Add", ["a", "b"], ["c"]),
        helper.make_node("ReduceMax", ["c", "axes"], ["level_mm"], keepdims=1),
    ]
    return model_of(nodes, tables)


def functions() -> bytes:
    """An operator that the model defines itself."""
    own = helper.make_function(
        "own", "Abs", ["x"], ["y"], [helper.make_node("Neg", ["x"], ["y"])], [helper.make_opsetid("", 18)]
    )
    node = helper.make_node("Abs", ["counts"], ["level_mm"], domain="own")
    return model_of([node], width=1, functions=[own], opsets=[helper.make_opsetid("own", 1)])


def other_domain() -> bytes:
    """An operator of somebody else's."""
    node = helper.make_node("Abs", ["counts"], ["level_mm"], domain="com.example")
    return model_of([node], width=1, opsets=[helper.make_opsetid("com.example", 1)])


def circle() -> bytes:
    """A tree whose branch leads back to its root."""
    node = helper.make_node(
        "TreeEnsembleRegressor",
        ["counts"],
        ["level_mm"],
        domain="ai.onnx.ml",
        n_targets=1,
        nodes_treeids=[0, 0, 0],
        nodes_nodeids=[0, 1, 2],
        nodes_featureids=[0, 0, 0],
        nodes_modes=["BRANCH_LEQ", "BRANCH_LEQ", "LEAF"],
        nodes_values=[1.0, 2.0, 0.0],
        nodes_truenodeids=[1, 0, 0],
        nodes_falsenodeids=[2, 2, 0],
        target_treeids=[0],
        target_nodeids=[2],
        target_ids=[0],
        target_weights=[1.0],
    )
    return model_of([node], opsets=[helper.make_opsetid("ai.onnx.ml", 3)])


def open_width() -> bytes:
    """A table that says it has a thousand million numbers and holds none of them."""
    weights = TensorProto(
        name="weights", data_type=TensorProto.FLOAT, dims=[4, 250_000_000], raw_data=b"1234"
    )
    return model_of([helper.make_node("MatMul", ["counts", "weights"], ["level_mm"])], [weights])


GRAPHS: dict[str, tuple[Callable[[], bytes], str]] = {
    "loop": (endless_loop, "operator 'Loop'; expected operators of Abs"),
    "external data": (external_data, "a table that stands in another file"),
    "growing": (growing, "a value of 1024x4096"),
    "crossed": (crossed, "a value of 1024x1024x4"),
    "functions": (functions, "functions of its own"),
    "domain": (other_domain, "opset 'com.example' 1; expected the opsets that are emitted"),
    "circle": (circle, "node 0 of a tree under node 1"),
    "empty table": (open_width, "a table of 1000000000 numbers that holds 1"),
}


@pytest.mark.longer
@pytest.mark.parametrize("name", GRAPHS)
def test_no_graph_off_the_list_is_loaded(
    whole_bundle: Files,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
) -> None:
    """As the float model, and as the integer one of another version: refused with what was found, and no
    runtime has seen it.
    """
    seen: list[bytes] = []
    for loading in ("in_onnxruntime", "in_reference"):
        monkeypatch.setattr(f"export.bundle.checking.onnx.{loading}", seen.append)
    monkeypatch.setattr("export.onnx.run.onnxruntime_session", seen.append)
    make, said = GRAPHS[name]
    files = resealed({**whole_bundle, "innage_float.onnx": make()})
    assert said in failed(files, {"float ONNX"})["float ONNX"]
    tools = json.loads(whole_bundle[MANIFEST])["tools"] | {"onnx": "0.0.9"}
    integer = resealed({**whole_bundle, "innage.onnx": make()}, tools=tools)
    answers = failed(integer, {"ONNX, onnxruntime", "ONNX, reference"})
    assert set(answers) == {"ONNX, onnxruntime", "ONNX, reference"}
    assert all("it is not loaded" in sentence.lower() for sentence in answers.values())
    assert seen == []


@pytest.mark.longer
def test_a_loop_without_end_ends(
    whole_bundle: Files,
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """Within the limits of time and memory, an endless Loop fails one check."""
    code, answers = verified(resealed({**whole_bundle, "innage_float.onnx": endless_loop()}))
    assert (code, set(answers)) == (1, {"float ONNX"})
