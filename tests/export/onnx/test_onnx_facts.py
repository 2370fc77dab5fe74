"""Outside check: what ONNX and its two runtimes do with the integer operators that the exported graphs are
made of.

Sources: the operator specifications of ONNX (opset 18) as shipped in the ``onnx`` package and quoted below;
the expected numbers are worked by hand from them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import onnx
import onnxruntime
import pytest
from numpy.typing import NDArray
from onnx import TensorProto, defs, helper
from onnx.reference import ReferenceEvaluator

from export.onnx.graph import IR_VERSION, OPSET, emit_onnx, emit_prepare_onnx
from training.program import Program

Table = NDArray[np.int64]
RUNTIMES = ("onnxruntime", "reference")


def said_of(operator: str) -> str:
    """The specification's words on an operator."""
    return " ".join(str(defs.get_schema(operator, OPSET).doc).split())


def compute(runtime: str, operator: str, given: Sequence[Table], **attributes: int) -> Table:
    """One operator on int64 tensors in one runtime."""
    names = [f"x{k}" for k in range(len(given))]
    inputs = [
        helper.make_tensor_value_info(n, TensorProto.INT64, list(g.shape))
        for n, g in zip(names, given, strict=True)
    ]
    kind = TensorProto.BOOL if operator == "Greater" else TensorProto.INT64
    graph = helper.make_graph(
        [helper.make_node(operator, names, ["y"], None, None, None, None, **attributes)],
        "one",
        inputs,
        [helper.make_tensor_value_info("y", kind, None)],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", OPSET)], ir_version=IR_VERSION)
    feed = dict(zip(names, given, strict=True))
    if runtime == "reference":
        return np.asarray(next(iter(ReferenceEvaluator(model).run(None, feed))))
    session = onnxruntime.InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
    return np.asarray(session.run(None, feed)[0])


def ints(*values: int) -> Table:
    return np.asarray(values, dtype=np.int64)


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_div_truncates(runtime: str) -> None:
    """Integer Div rounds toward zero, so it is no floor on negative numbers. Source: ONNX operator
    specification, Div.
    """
    assert "truncating division (rounding toward zero)" in said_of("Div")
    assert compute(runtime, "Div", [ints(7, -7, -8, -9, 8), ints(4, 4, 4, 4, 4)]).tolist() == [
        1,
        -1,
        -2,
        -2,
        2,
    ]


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_mod_takes_the_sign_of_its_divisor(runtime: str) -> None:
    """Mod with fmod=0 has the sign of the divisor, so that v - Mod(v, 2**s) is a floor. Source: ONNX operator
    specification, Mod.
    """
    assert "sign of the result is that of the divisor" in said_of("Mod").lower()
    values = ints(7, -7, -8, -1, 0, -(2**31), 2**31 - 1)
    assert compute(runtime, "Mod", [values, ints(*[4] * 7)], fmod=0).tolist() == [3, 1, 0, 3, 0, 0, 3]


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_argmax_first_wins(runtime: str) -> None:
    """With select_last_index=0 the first of equal maxima wins. Source: ONNX operator
    specification, ArgMax.
    """
    found = compute(
        runtime,
        "ArgMax",
        [np.asarray([[3, 9, 9, 1], [5, 5, 5, 5], [-9, -7, -8, -7]])],
        axis=1,
        keepdims=1,
        select_last_index=0,
    )
    assert found.tolist() == [[1], [0], [1]]


# Hand-worked: beyond 2**24 and 2**53 a float path inside a runtime would show.
_BIG = 2**53 + 1
_CASES = {
    "Add": ([ints(_BIG, -5), ints(2, 3)], {}, [_BIG + 2, -2]),
    "Sub": ([ints(_BIG, -5), ints(2, 3)], {}, [_BIG - 2, -8]),
    "Mul": ([ints(94906267, -3), ints(94906267, 7)], {}, [94906267**2, -21]),
    "Abs": ([ints(-_BIG, 0, 4)], {}, [_BIG, 0, 4]),
    "Max": ([ints(_BIG, -5), ints(_BIG - 1, -6)], {}, [_BIG, -5]),
    "Greater": ([ints(_BIG, _BIG, -1), ints(_BIG - 1, _BIG, 0)], {}, [True, False, False]),
    "Clip": ([ints(_BIG, -7, 4), np.asarray(-5), np.asarray(_BIG - 1)], {}, [_BIG - 1, -5, 4]),
    "Gather": ([ints(_BIG, 20, 30), np.asarray([[2, 0], [1, 1]])], {"axis": 0}, [[30, _BIG], [20, 20]]),
    "MatMul": ([np.asarray([[_BIG, -1]]), np.asarray([[1, 2], [3, -4]])], {}, [[_BIG - 3, 2 * _BIG + 4]]),
    "Concat": ([np.asarray([[1, _BIG]]), np.asarray([[3]])], {"axis": 1}, [[1, _BIG, 3]]),
    "ReduceMax": (
        [np.asarray([[_BIG, _BIG - 1, 3], [-5, -6, -7]]), ints(1)],
        {"keepdims": 1},
        [[_BIG], [-5]],
    ),
    "Identity": ([ints(_BIG, -1)], {}, [_BIG, -1]),
    "Unsqueeze": ([np.asarray([[_BIG, 2]]), ints(2)], {}, [[[_BIG], [2]]]),
    "Squeeze": ([np.asarray([[[_BIG], [2]]]), ints(2)], {}, [[_BIG, 2]]),
}


@pytest.mark.parametrize("runtime", RUNTIMES)
@pytest.mark.parametrize("operator", sorted(_CASES))
def test_operator_is_exact_on_int64(operator: str, runtime: str) -> None:
    """Every other operator that is emitted gives the hand-worked numbers, beyond the integers that a double
    can hold.
    """
    given, attributes, expected = _CASES[operator]
    assert compute(runtime, operator, given, **attributes).tolist() == expected


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_where_is_exact_on_int64(runtime: str) -> None:
    """Where picks int64 numbers unchanged; it stands apart because its condition is a truth value."""
    inputs = [helper.make_tensor_value_info("c", TensorProto.BOOL, [2])]
    inputs += [helper.make_tensor_value_info(n, TensorProto.INT64, [2]) for n in "ab"]
    node = helper.make_node("Where", ["c", "a", "b"], ["y"])
    graph = helper.make_graph(
        [node], "one", inputs, [helper.make_tensor_value_info("y", TensorProto.INT64, [2])]
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", OPSET)], ir_version=IR_VERSION)
    feed = {"c": np.asarray([True, False]), "a": ints(_BIG, 1), "b": ints(2, -_BIG)}
    if runtime == "reference":
        found = next(iter(ReferenceEvaluator(model).run(None, feed)))
    else:
        found = onnxruntime.InferenceSession(
            model.SerializeToString(), providers=["CPUExecutionProvider"]
        ).run(None, feed)[0]
    assert np.asarray(found).tolist() == [_BIG, -_BIG]


def test_nothing_else_is_emitted(samples: dict[str, Program]) -> None:
    """The sample programs, which use every operation, need only operators that this file checks."""
    checked = set(_CASES) | {"Div", "Mod", "ArgMax", "Where"}
    used: set[str] = set()
    for program in samples.values():
        for data in (emit_onnx(program), emit_prepare_onnx(program)):
            used |= (
                set()
                if data is None
                else {node.op_type for node in onnx.load_model_from_string(data).graph.node}
            )
    assert used == checked
