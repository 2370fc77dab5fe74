"""Runs exported ONNX models over vectors, in onnxruntime and in the reference evaluator of the ``onnx``
package.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

import numpy as np
import onnx
import onnxruntime
from numpy.typing import NDArray
from onnx.reference import ReferenceEvaluator

from dataset.errors import ToolError
from export.onnx.allowed import ROWS
from export.vectors import Vectors
from training.program import OUTPUTS, Array, Program, initial_state
from training.program.reasons import reasons_of

Runtime = Callable[[Mapping[str, Array]], dict[str, Array]]
# What a runtime raises when it meets a model that is damaged. Its own exceptions share no base but Exception.
_FAULTS = (
    ArithmeticError,
    AttributeError,
    LookupError,
    NotImplementedError,
    RuntimeError,
    TypeError,
    ValueError,
)
_LIBRARIES = ("onnx.", "onnxruntime.", "google.protobuf.")


@contextmanager
def _asking(who: str) -> Iterator[None]:
    """Turn what a runtime says of a model it cannot load or run into a ToolError."""
    try:
        yield
    except Exception as error:
        if not isinstance(error, _FAULTS) and not type(error).__module__.startswith(_LIBRARIES):
            raise
        lines = str(error).strip().splitlines() or [type(error).__name__]
        refusal = f"refuses the model ({lines[0][:200]})"
        raise ToolError(who, refusal, "a model it can load and run") from error


def onnxruntime_session(model: bytes) -> onnxruntime.InferenceSession:
    """A session on the CPU with one thread; ToolError when onnxruntime refuses the model."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 4  # what it says of a damaged model comes back as an exception too
    with _asking("onnxruntime"):
        return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def in_onnxruntime(model: bytes) -> Runtime:
    """The model in onnxruntime: a function from inputs by name to outputs by name. ToolError when it refuses
    the model.
    """
    session = onnxruntime_session(model)
    names, wanted = [output.name for output in session.get_outputs()], [i.name for i in session.get_inputs()]

    def run(given: Mapping[str, Array]) -> dict[str, Array]:
        with _asking("onnxruntime"):
            return dict(zip(names, session.run(names, {name: given[name] for name in wanted}), strict=True))

    return run


def in_reference(model: bytes) -> Runtime:
    """The model in the reference evaluator, which see as ``in_onnxruntime``."""
    with _asking("the reference evaluator"):
        loaded = onnx.load_model_from_string(model)
        evaluator = ReferenceEvaluator(loaded)
    names, wanted = [output.name for output in loaded.graph.output], [i.name for i in loaded.graph.input]

    def run(given: Mapping[str, Array]) -> dict[str, Array]:
        with _asking("the reference evaluator"):
            return dict(zip(names, evaluator.run(names, {name: given[name] for name in wanted}), strict=True))

    return run


def float_levels(model: bytes, counts: Array) -> NDArray[np.float64] | None:
    """What a float model that takes counts (n, channels) says of them, its first output's first column, shape
    (n,).

    None when the model takes something else.
    """
    session = onnxruntime_session(model)
    inputs = session.get_inputs()
    if len(inputs) != 1 or inputs[0].shape[-1:] != [counts.shape[1]]:
        return None
    kind = np.float64 if inputs[0].type == "tensor(double)" else np.float32
    given = counts.astype(kind)
    with _asking("onnxruntime"):
        outputs_of = [
            session.run(None, {inputs[0].name: given[start : start + ROWS]})[0]
            for start in range(0, len(given), ROWS)
        ]
        return np.concatenate(outputs_of).astype(np.float64).reshape(len(counts), -1)[:, 0]


def state_before(program: Program, vectors: Vectors) -> Array:
    """The state each vector starts from, shape (n, state size): that of the row before, or the one at
    power-on.
    """
    before = np.concatenate([initial_state(program), vectors.state[:-1]])
    before[:: vectors.stream_frames] = initial_state(program)
    return before


def run_step(runtime: Runtime, program: Program, vectors: Vectors) -> tuple[Array, Array]:
    """Every vector as a stream of its own, one step from its expected state: readings (n, 6) and next state
    (n, state size).
    """
    given = {
        "counts": vectors.counts,
        "temperature": vectors.temperature[:, None],
        "faults": vectors.faults[:, None],
        "state": state_before(program, vectors),
        "prepared": vectors.prepared,
    }
    if vectors.since_pour is not None:
        given["since_pour"] = vectors.since_pour[:, None]
    rows = []
    for start in range(0, len(vectors), ROWS):
        part = slice(start, start + ROWS)
        outputs = runtime({name: np.ascontiguousarray(values[part]) for name, values in given.items()})
        outputs = dict(_with_reason(program, outputs))
        rows.append(_table(outputs, (*OUTPUTS, "next_state") if program.states else OUTPUTS))
    table = np.concatenate(rows)
    return table[:, : len(OUTPUTS)], table[:, len(OUTPUTS) :]


def run_scan(runtime: Runtime, program: Program, vectors: Vectors) -> tuple[Array, Array]:
    """Every stream from power-on to its end in one go: readings (n, 6), and the state after each last frame,
    (streams, state size).
    """
    frames = vectors.stream_frames
    streams = len(vectors) // frames

    def in_time(values: Array) -> Array:
        return np.ascontiguousarray(values.reshape(streams, frames, -1).transpose(1, 0, 2))

    given = {
        "counts": in_time(vectors.counts),
        "temperature": in_time(vectors.temperature),
        "faults": in_time(vectors.faults),
        "state": initial_state(program, streams),
        "prepared": np.ascontiguousarray(vectors.prepared[::frames]),
    }
    if vectors.since_pour is not None:
        given["since_pour"] = in_time(vectors.since_pour)
    outputs = _with_reason(program, runtime(given))
    with _asking("the model"):
        readings = (
            np.concatenate([outputs[name] for name in OUTPUTS], axis=2)
            .transpose(1, 0, 2)
            .reshape(len(vectors), len(OUTPUTS))
        )
        return readings, outputs["next_state"] if program.states else initial_state(program, streams)


def _with_reason(program: Program, outputs: Mapping[str, Array]) -> Mapping[str, Array]:
    """A graph that was written for a program of the first format may give no reason."""
    if program.format != 1 or "reason" in outputs:
        return outputs
    with _asking("the model"):
        return {**outputs, "reason": reasons_of(outputs["validity"], outputs["flags"])}


def _table(outputs: Mapping[str, Array], names: Sequence[str]) -> Array:
    """The named outputs side by side; ToolError when they are not there or do not stand side by side."""
    with _asking("the model"):
        return np.concatenate([outputs[name] for name in names], axis=1)


def run_prepare(runtime: Runtime, vectors: Vectors) -> Array:
    """The prepared values of every vector's trim, shape (n, prepared size)."""
    return _table(runtime({"trim": np.ascontiguousarray(vectors.trim)}), ["prepared"])
