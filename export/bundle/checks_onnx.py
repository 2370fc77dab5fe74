"""The checks of a bundle's ONNX files. None is loaded before it is known to be harmless: made here, or with
operators and sizes on a closed list.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from export.bundle.checks import Bundle, Failed, equal, equal_prepared, where_differs
from export.bundle.manifest import FIRST_FORMAT, known_files
from export.onnx.allowed import FLOAT, INTEGER, ROWS, check_allowed
from export.onnx.graph import label_float_onnx
from export.onnx.run import (
    Runtime,
    float_levels,
    in_onnxruntime,
    in_reference,
    run_prepare,
    run_scan,
    run_step,
)
from export.vectors import Vectors
from training.program import LEVEL_UNITS_PER_MM, OUTPUTS, VALID, Array

REFERENCE_VECTORS = 512


def onnx(bundle: Bundle) -> str:
    """The integer ONNX in onnxruntime gives the expected numbers."""
    return _onnx(bundle, in_onnxruntime, bundle.vectors, "onnxruntime")


def onnx_reference(bundle: Bundle) -> str:
    """The integer ONNX in the reference evaluator gives the expected numbers, on a shorter run."""
    its = bundle.vectors
    return _onnx(
        bundle,
        in_reference,
        its.head(max(1, REFERENCE_VECTORS // its.stream_frames)),
        "the reference evaluator",
    )


def _onnx(bundle: Bundle, load: Callable[[bytes], Runtime], its: Vectors, who: str) -> str:
    readings, state = run_step(load(_graph(bundle, "onnx", its)), bundle.program, its)
    equal(bundle.program, its, who, readings, state)
    _equal_scan(its, who, *run_scan(load(_graph(bundle, "scan_onnx", its)), bundle.program, its))
    said = f"{len(its)} vectors equal, readings and state, one step at a time and scanned over time"
    if known_files(bundle.manifest.prefix)["prepare_onnx"] in bundle.files:
        equal_prepared(its, who, run_prepare(load(_graph(bundle, "prepare_onnx", its)), its))
        said += "; prepared values too"
    return said


def _graph(bundle: Bundle, role: str, its: Vectors) -> bytes:
    """A graph that may be loaded: the bytes that are made here, or, of another version's, one on the list."""
    name, content = known_files(bundle.manifest.prefix)[role], bundle.content(role)
    made = bundle.again.get(name)
    if content == made:
        return content
    if bundle.manifest.format != FIRST_FORMAT and not bundle.other_version("onnx"):
        said = (
            f"{name} does not follow from the program" if made is None else where_differs(name, made, content)
        )
        raise Failed(f"{said}: it is not loaded")
    streams = len(its) // its.stream_frames
    size = (streams, its.stream_frames) if role == "scan_onnx" else (min(ROWS, len(its)), 1)
    check_allowed(content, name, INTEGER, *size)
    return content


def float_onnx(bundle: Bundle) -> str:
    """The float ONNX loads and says that it belongs to the program; how far it lies from the integer program
    is reported, not judged.
    """
    its, content = bundle.vectors, bundle.content("float_onnx")
    check_allowed(content, known_files(bundle.manifest.prefix)["float_onnx"], FLOAT)
    level = float_levels(content, its.counts)
    if label_float_onnx(bundle.program, content) != content:
        raise Failed(
            "it does not carry the facts of this program: it belongs to another model, or was changed"
        )
    if level is None:
        return "loads; it takes other inputs than counts, so it is not compared"
    rows = its.readings[:, OUTPUTS.index("validity")] == VALID
    if not rows.any():
        return "loads; no vector has a valid level to compare with"
    apart = np.abs(its.readings[rows, OUTPUTS.index("level")] / LEVEL_UNITS_PER_MM - level[rows])
    median, most = float(np.median(apart)), float(apart.max())
    return (
        f"loads; on {rows.sum()} vectors with a valid level it differs from the integer program by "
        f"{median:.3g} mm in the median, {most:.3g} mm at most"
    )


def _equal_scan(its: Vectors, who: str, readings: Array, last: Array) -> None:
    expected = its.state[its.stream_frames - 1 :: its.stream_frames]
    if readings.shape != its.readings.shape or last.shape != expected.shape:
        raise Failed(
            f"{who}, scanned over time, gives numbers of shape {readings.shape} and "
            f"{last.shape}, expected {its.readings.shape} and {expected.shape}"
        )
    wrong = np.flatnonzero((readings != its.readings).any(axis=1))
    if wrong.size or not np.array_equal(last, expected):
        where = (
            f"{len(wrong)} of {len(its)} readings differ, the first is {wrong[0]}"
            if wrong.size
            else "the last states differ"
        )
        raise Failed(f"{who}, scanned over time: {where}")
