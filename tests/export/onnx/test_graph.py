"""The integer ONNX model computes what the program's interpreter computes, in two unrelated runtimes."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import onnxruntime
import pytest
from programs import expose, told

from dataset.errors import InputError, ProgramError
from export.evidence.drawing import make_vectors
from export.onnx.graph import (
    FRAME,
    IR_VERSION,
    OPSET,
    emit_onnx,
    emit_prepare_onnx,
    emit_scan_onnx,
    label_float_onnx,
)
from export.onnx.ops import EMITTERS
from export.onnx.run import Runtime, in_onnxruntime, in_reference, run_prepare, run_scan, run_step
from training.program import OPS, OUTPUTS, Builder, Program, digest, initial_state, run

RUNTIMES: dict[str, Callable[[bytes], Runtime]] = {"onnxruntime": in_onnxruntime, "reference": in_reference}


def test_samples_use_every_operation(samples: dict[str, Program]) -> None:
    """Each operation that programs know has an ONNX form, and the samples try it."""
    assert set(EMITTERS) == set(OPS)
    assert {node.op for p in samples.values() for node in (*p.prepare, *p.step)} == set(OPS)


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_step_equals_interpreter(sample: Program, runtime: str) -> None:
    """Readings and next state are equal on every vector, corners of the domain and carried state included."""
    vectors = make_vectors(sample, 4000, seed=1)
    readings, state = run_step(RUNTIMES[runtime](emit_onnx(sample)), sample, vectors)
    np.testing.assert_array_equal(readings, vectors.readings)
    np.testing.assert_array_equal(state, vectors.state)


@pytest.mark.longer
@pytest.mark.parametrize("runtime", RUNTIMES)
def test_what_is_told_of_pours_is_an_input(runtime: str) -> None:
    """Told and not told, a step at a time and scanned; its unit and meaning stand in the file."""
    program = told()
    vectors = make_vectors(program, 400, seed=1)
    assert vectors.since_pour is not None
    step, scan = emit_onnx(program), emit_scan_onnx(program)
    readings, state = run_step(RUNTIMES[runtime](step), program, vectors)
    assert np.array_equal(readings, vectors.readings)
    assert np.array_equal(state, vectors.state)
    assert np.array_equal(run_scan(RUNTIMES[runtime](scan), program, vectors)[0], vectors.readings)
    untold = replace(vectors, since_pour=np.full(len(vectors), -1))
    assert not np.array_equal(run_step(RUNTIMES[runtime](step), program, untold)[0], vectors.readings)
    facts = {prop.key: prop.value for prop in onnx.load_model_from_string(step).metadata_props}
    assert json.loads(facts["innage.units"])["since_pour"] == "s"
    assert json.loads(facts["innage.input_ranges"])["since_pour"] == [[-1], [2**31 - 1]]


@pytest.mark.longer
@pytest.mark.parametrize("runtime", RUNTIMES)
def test_state_carried_by_the_runtime(samples: dict[str, Program], runtime: str) -> None:
    """A stream that feeds ``next_state`` back as ``state`` stays on the expected trace."""
    program = samples["every_op"]
    vectors = make_vectors(program, 400, seed=2)
    step = RUNTIMES[runtime](emit_onnx(program))
    state = initial_state(program)
    for k in range(len(vectors)):
        at = slice(k, k + 1)
        if k % vectors.stream_frames == 0:
            state = initial_state(program)
        found = step(
            {
                "counts": vectors.counts[at],
                "temperature": vectors.temperature[at, None],
                "faults": vectors.faults[at, None],
                "state": state,
                "prepared": vectors.prepared[at],
            }
        )
        state = found["next_state"]
        assert [int(found[o][0, 0]) for o in OUTPUTS] == vectors.readings[k].tolist()
        assert state.tolist() == vectors.state[at].tolist()


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_scan_equals_interpreter(sample: Program, runtime: str) -> None:
    """Whole streams side by side, the state carried inside the Scan, give the expected readings and last
    states.
    """
    vectors = make_vectors(sample, 1500, seed=1)
    readings, last = run_scan(RUNTIMES[runtime](emit_scan_onnx(sample)), sample, vectors)
    np.testing.assert_array_equal(readings, vectors.readings)
    np.testing.assert_array_equal(last, vectors.state[vectors.stream_frames - 1 :: vectors.stream_frames])


@pytest.mark.longer
@pytest.mark.parametrize("runtime", RUNTIMES)
def test_streams_of_a_scan_are_independent(samples: dict[str, Program], runtime: str) -> None:
    """A stream alone, and the same among others in another place, read the same: the batch axis
    is no time.
    """
    program = samples["every_op"]
    vectors, run = make_vectors(program, 400, seed=6), RUNTIMES[runtime](emit_scan_onnx(program))
    together, _ = run_scan(run, program, vectors)
    n = vectors.stream_frames
    for start in (0, 7 * n, len(vectors) - n):
        alone, _ = run_scan(run, program, vectors.rows(start, start + n))
        np.testing.assert_array_equal(alone, together[start : start + n])


@pytest.mark.longer
@pytest.mark.parametrize("runtime", RUNTIMES)
def test_scan_goes_on_where_it_stopped(samples: dict[str, Program], runtime: str) -> None:
    """A recording cut in two, the state of the first part handed to the second, reads as in one piece."""
    program = samples["every_op"]
    vectors, run = make_vectors(program, 40, seed=7), RUNTIMES[runtime](emit_scan_onnx(program))
    n, cut = vectors.stream_frames, 4
    state, rows = initial_state(program), []
    for part in (slice(0, cut), slice(cut, n)):
        found = run(
            {
                "counts": vectors.counts[part, None],
                "temperature": vectors.temperature[part, None, None],
                "faults": vectors.faults[part, None, None],
                "state": state,
                "prepared": vectors.prepared[:1],
            }
        )
        state = found["next_state"]
        rows.append(np.stack([found[o][:, 0, 0] for o in OUTPUTS], axis=1))
    assert [len(part) for part in rows] == [cut, n - cut]
    np.testing.assert_array_equal(np.concatenate(rows), vectors.readings[:n])
    np.testing.assert_array_equal(state, vectors.state[n - 1 : n])


def test_documented_code_runs(
    small_bundle: dict[str, bytes],
    samples: dict[str, Program],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The code in docs/bundle.md, as it stands there, gives the levels that the interpreter gives."""
    text = (Path(__file__).parents[3] / "docs" / "bundle.md").read_text()
    code = text.partition("```python\n")[2].partition("```")[0]
    for name, content in small_bundle.items():
        (tmp_path / name).write_bytes(content)
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    exec(code, names)  # noqa: S102 - our own documentation
    expected = run(samples["every_op"], np.full((50, 4), 1500), np.full(50, 200), trim=np.full(4, 100))
    valid = expected.validity > 0
    assert valid.any()
    for stream in range(3):
        np.testing.assert_array_equal(
            names["level_mm"][:, stream, 0], np.where(valid, expected.level / 64, np.nan)
        )


@pytest.mark.longer
@pytest.mark.parametrize("runtime", RUNTIMES)
def test_prepare_equals_interpreter(samples: dict[str, Program], runtime: str) -> None:
    """The prepare model turns trims into the prepared values that step expects."""
    program = samples["every_op"]
    vectors = make_vectors(program, 2000, seed=3)
    data = emit_prepare_onnx(program)
    assert data is not None
    np.testing.assert_array_equal(run_prepare(RUNTIMES[runtime](data), vectors), vectors.prepared)


def test_no_prepare_model_without_trim(samples: dict[str, Program]) -> None:
    """A program without trim has no prepare model, and its step model asks for nothing prepared."""
    program = samples["single_channel"]
    assert emit_prepare_onnx(program) is None
    assert [i.name for i in onnx.load_model_from_string(emit_onnx(program)).graph.input] == [
        "counts",
        "temperature",
        "faults",
    ]


# Half up, towards plus infinity: the definition in the design; at s = 1 the ties are all odd numbers.
_TIES = {
    1: {-3: -1, -1: 0, 1: 1, 3: 2, -4: -2, 5: 3, -5: -2},
    3: {-12: -1, -4: 0, 4: 1, 12: 2, -5: -1, -11: -1, -13: -2, 11: 1, -20: -2, 20: 3},
}


@pytest.mark.parametrize("runtime", RUNTIMES)
@pytest.mark.parametrize("shift", _TIES)
def test_ties_round_half_up(shift: int, runtime: str) -> None:
    """Ties of both signs round towards plus infinity, as worked by hand from floor(v / 2**s + 1/2)."""
    values = list(_TIES[shift])
    b = Builder("ties", count_bits=8, channels=1, period_ms=100, span=640)
    offset = b.node(
        "sub", b.node("clip", "counts", low=0, high=0), b.const(*(-v for v in values))
    )  # counts keep it off constant folding
    program = expose(b, b.node("shift", offset, shift=shift))
    _, state = run_step(RUNTIMES[runtime](emit_onnx(program)), program, make_vectors(program, 8))
    assert state[0].tolist() == list(_TIES[shift].values())


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_shift_at_the_edge_of_int32(runtime: str) -> None:
    """The largest shift and the widest values agree with Python's own floor shift."""
    b = Builder("edge", count_bits=16, channels=1, period_ms=100, span=640)
    wide = b.node("sub", b.node("mul", "counts", b.const(32767)), b.const(2**30))
    program = expose(b, wide, *(b.node("shift", wide, shift=s) for s in (0, 1, 15, 29, 30)))
    _, state = run_step(RUNTIMES[runtime](emit_onnx(program)), program, make_vectors(program, 512))
    for row in state.tolist():
        assert row[1:] == [row[0]] + [(row[0] + (1 << (s - 1))) >> s for s in (1, 15, 29, 30)]


def test_same_program_same_bytes(sample: Program) -> None:
    """Emitting twice gives equal bytes, and another program other bytes."""
    assert emit_onnx(sample) == emit_onnx(sample)
    assert emit_prepare_onnx(sample) == emit_prepare_onnx(sample)
    assert emit_scan_onnx(sample) == emit_scan_onnx(sample)
    assert emit_onnx(sample) != emit_onnx(replace(sample, period_ms=sample.period_ms + 1))


def test_model_is_strictly_valid(sample: Program) -> None:
    """The checker and strict shape inference accept the model, and every value in it is int64 or a truth
    value.
    """
    model = onnx.load_model_from_string(emit_onnx(sample))
    onnx.checker.check_model(model, full_check=True)
    inferred = onnx.shape_inference.infer_shapes(model, check_type=True, strict_mode=True, data_prop=True)
    kinds = {
        v.type.tensor_type.elem_type
        for v in (*inferred.graph.value_info, *inferred.graph.input, *inferred.graph.output)
    }
    assert kinds <= {onnx.TensorProto.INT64, onnx.TensorProto.BOOL}
    assert {t.data_type for t in model.graph.initializer} == {onnx.TensorProto.INT64}
    assert (model.ir_version, model.opset_import[0].version) == (IR_VERSION, OPSET) == (8, 18)
    shapes = {
        v.name: [d.dim_param or d.dim_value for d in v.type.tensor_type.shape.dim]
        for v in (*model.graph.input, *model.graph.output)
    }
    assert shapes["counts"] == ["streams", sample.channels]
    assert all(
        shapes[name] == ["streams", 1]
        for name in ("temperature", "faults", "low", "level", "high", "validity", "flags")
    )


def test_scan_is_strictly_valid(sample: Program) -> None:
    """The checker accepts it; no name stands twice, inside or outside; time leads, streams follow."""
    model = onnx.load_model_from_string(emit_scan_onnx(sample))
    onnx.checker.check_model(model, full_check=True)
    onnx.shape_inference.infer_shapes(model, check_type=True, strict_mode=True, data_prop=True)
    (scan,) = model.graph.node
    (body,) = (a.g for a in scan.attribute if a.name == "body")
    made = [o for node in (*model.graph.node, *body.node) for o in node.output] + [
        i.name for i in (*model.graph.input, *body.input)
    ]
    assert len(set(made)) == len(made)
    assert all(i.name.startswith(FRAME) for i in (*body.input, *body.output))
    shapes = {
        v.name: [d.dim_param or d.dim_value for d in v.type.tensor_type.shape.dim]
        for v in (*model.graph.input, *model.graph.output)
    }
    assert shapes["counts"] == ["frames", "streams", sample.channels]
    assert all(
        shapes[name] == ["frames", "streams", 1]
        for name in ("temperature", "faults", "low", "level", "high", "validity", "flags")
    )
    assert shapes.get("next_state", ["streams", 0]) == ["streams", sample.state_size]


def _facts(content: bytes) -> dict[str, str]:
    return {p.key: p.value for p in onnx.load_model_from_string(content).metadata_props}


def test_every_file_says_the_same(samples: dict[str, Program], float_onnx: Callable[[int], bytes]) -> None:
    """Step, scan and prepare carry the same facts, and say which they are; the float model has its own."""
    program = samples["every_op"]
    prepare = emit_prepare_onnx(program)
    assert prepare is not None
    plain = float_onnx(program.channels)
    files = [emit_onnx(program), emit_scan_onnx(program), prepare, label_float_onnx(program, plain)]
    facts = [_facts(content) for content in files]
    assert [f.pop("innage.section") for f in facts] == ["step", "scan", "prepare", "float"]
    assert facts[0] == facts[1] == facts[2]
    own = facts[3]
    assert own["innage.model_sha256"] == digest(program)
    units = {"counts": "counts of the sensor", "level_mm": "mm above the datum"}
    assert json.loads(own["innage.units"]) == units
    assert "not meant for a microcontroller" in own["innage.use"]
    assert "innage.scales" not in own  # the float model has no integers
    assert {
        "innage.format",
        "innage.program_format",
        "innage.units",
        "innage.scales",
        "innage.trim",
        "note.tank",
    } <= set(facts[0])
    assert json.loads(facts[0]["innage.trim"]) == {"kinds": ["dry"], "low": [100] * 4, "high": [4000] * 4}
    assert json.loads(facts[0]["innage.input_ranges"])["counts"] == [[0] * 4, [4095] * 4]


def test_label_leaves_the_float_model_as_it_was(
    samples: dict[str, Program], float_onnx: Callable[[int], bytes]
) -> None:
    """Only facts and words are added; labelled again, nothing changes; what is no model is refused."""
    program, own = samples["every_op"], onnx.load_model_from_string(float_onnx(4))
    onnx.helper.set_model_props(own, {"trained with": "care"})
    plain = own.SerializeToString()
    labelled = label_float_onnx(program, plain)
    assert label_float_onnx(program, labelled) == labelled
    assert _facts(labelled)["trained with"] == "care"
    ours, theirs = (onnx.load_model_from_string(m).graph for m in (labelled, plain))
    assert (list(ours.node), list(ours.initializer)) == (list(theirs.node), list(theirs.initializer))
    assert [put.type for put in (*ours.input, *ours.output)] == [
        put.type for put in (*theirs.input, *theirs.output)
    ]
    for odd in (b"float", b"", plain[:40]):
        with pytest.raises(InputError, match="bytes that are no ONNX model"):
            label_float_onnx(program, odd)


def test_the_float_model_s_input_is_named_for_what_it_holds(
    samples: dict[str, Program], float_onnx: Callable[[int], bytes]
) -> None:
    """Counts alone, or counts and the trim behind them; other widths keep their name. Its numbers stay."""
    program = samples["every_op"]
    for width, name in ((4, "counts"), (8, "counts_and_trim"), (5, "counts")):
        plain = float_onnx(width)
        labelled = label_float_onnx(program, plain)
        assert [put.name for put in onnx.load_model_from_string(labelled).graph.input] == [name]
        given = np.arange(width, dtype=np.float32)[None] * 100
        before, after = (
            onnxruntime.InferenceSession(m, providers=["CPUExecutionProvider"]).run(None, {n: given})[0]
            for m, n in ((plain, "counts"), (labelled, name))
        )
        assert before.tolist() == after.tolist()
        assert json.loads(_facts(labelled)["innage.units"])[name] == "counts of the sensor"


def test_every_end_of_a_graph_says_what_it_holds(
    samples: dict[str, Program], float_onnx: Callable[[int], bytes]
) -> None:
    """Each input and output of each file has words of its own, its unit among them, those of a frame too."""
    program = samples["every_op"]
    prepare = emit_prepare_onnx(program)
    assert prepare is not None
    files = [emit_onnx(program), emit_scan_onnx(program), prepare]
    files += [label_float_onnx(program, float_onnx(width)) for width in (4, 8)]
    graphs = [onnx.load_model_from_string(content).graph for content in files]
    ends = [put for graph in graphs for put in (*graph.input, *graph.output)]
    (scan,) = graphs[1].node
    body = next(a.g for a in scan.attribute if a.name == "body")
    said = {put.name.removeprefix("frame."): put.doc_string for put in (*ends, *body.input, *body.output)}
    assert len(said) == 15
    assert all(said.values())
    assert "tenths of a degree" in said["temperature"]
    assert "1/64 mm" in said["level"]
    assert "in mm" in said["level_mm"]


def test_model_says_what_it_is(samples: dict[str, Program]) -> None:
    """The metadata name the program, its units, its initial state and the caution."""
    program = samples["every_op"]
    model = onnx.load_model_from_string(emit_onnx(program))
    facts = {p.key: p.value for p in model.metadata_props}
    assert facts["innage.model_sha256"] == digest(program)
    assert facts["innage.level_units_per_mm"] == "64"
    assert json.loads(facts["innage.initial_state"]) == initial_state(program)[0].tolist()
    assert json.loads(facts["innage.scales"])["prepare.reciprocal"] == "2^20 / count"
    assert facts["note.tank"] == "demo@1"
    assert "not a protective control" in model.doc_string


def test_unknown_operation_is_refused(samples: dict[str, Program]) -> None:
    """An operation without an ONNX form is refused by the name of its node, before anything is emitted."""
    program = samples["single_channel"]
    odd = replace(program, step=(*program.step, replace(program.step[-1], name="odd", op="fourier")))
    with pytest.raises(
        ProgramError, match=r"node 'odd': operation 'fourier' has no ONNX form; expected one of const, add"
    ):
        emit_onnx(odd)
