"""Runs exported ONNX models over vectors, in onnxruntime and in the reference evaluator of the ``onnx`` package."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import onnx
import onnxruntime
from onnx.reference import ReferenceEvaluator

from dataset.errors import ToolError
from export.vectors import Vectors
from training.program import OUTPUTS, Array, Program, initial_state

Runtime = Callable[[Mapping[str, Array]], dict[str, Array]]
_ROWS = 1024  # rows given to a runtime at once, which bounds its memory


def onnxruntime_session(model: bytes) -> onnxruntime.InferenceSession:
    """A session on the CPU with one thread; ToolError when onnxruntime refuses the model."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    try:
        return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    except Exception as error:  # its exceptions share no base but Exception
        if not type(error).__module__.startswith("onnxruntime"):
            raise
        raise ToolError("onnxruntime", f"refuses the model ({str(error).splitlines()[0]})", "a model it can load") from error


def in_onnxruntime(model: bytes) -> Runtime:
    """The model in onnxruntime: a function from inputs by name to outputs by name."""
    session = onnxruntime_session(model)
    names = [output.name for output in session.get_outputs()]
    wanted = [i.name for i in session.get_inputs()]
    return lambda given: dict(zip(names, session.run(names, {name: given[name] for name in wanted}), strict=True))


def in_reference(model: bytes) -> Runtime:
    """The model in the reference evaluator."""
    loaded = onnx.load_model_from_string(model)
    evaluator = ReferenceEvaluator(loaded)
    names = [output.name for output in loaded.graph.output]
    wanted = [i.name for i in loaded.graph.input]
    return lambda given: dict(zip(names, evaluator.run(names, {name: given[name] for name in wanted}), strict=True))


def state_before(program: Program, vectors: Vectors) -> Array:
    """The state each vector starts from, shape (n, state size): that of the row before, or the one at power-on."""
    before = np.concatenate([initial_state(program), vectors.state[:-1]])
    before[:: vectors.stream_frames] = initial_state(program)
    return before


def run_step(runtime: Runtime, program: Program, vectors: Vectors) -> tuple[Array, Array]:
    """Every vector as a stream of its own, one step from its expected state: readings (n, 5) and next state (n, state size)."""
    given = {
        "counts": vectors.counts, "temperature": vectors.temperature[:, None], "faults": vectors.faults[:, None],
        "state": state_before(program, vectors), "prepared": vectors.prepared,
    }  # fmt: skip
    rows = []
    for start in range(0, len(vectors), _ROWS):
        part = slice(start, start + _ROWS)
        found = runtime({name: np.ascontiguousarray(values[part]) for name, values in given.items()})
        rows.append(np.concatenate([found[name] for name in (*OUTPUTS, "next_state") if name in found], axis=1))
    table = np.concatenate(rows)
    return table[:, : len(OUTPUTS)], table[:, len(OUTPUTS) :]


def run_prepare(runtime: Runtime, vectors: Vectors) -> Array:
    """The prepared values of every vector's trim, shape (n, prepared size)."""
    return runtime({"trim": np.ascontiguousarray(vectors.trim)})["prepared"]
