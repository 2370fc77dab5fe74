"""The checks of a bundle's ONNX files. None is loaded before it is known to be harmless: made here, or with
operators and sizes on a closed list.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from export.bundle.checks import Bundle, Failed, Stated, equal, equal_prepared, where_differs
from export.bundle.manifest import FIRST_FORMAT, known_files
from export.onnx.allowed import FLOAT, INTEGER, ROWS, check_allowed
from export.onnx.beside import Apart, apart
from export.onnx.graph import label_float_onnx
from export.onnx.run import (
    Runtime,
    in_onnxruntime,
    in_reference,
    run_prepare,
    run_scan,
    run_step,
)
from export.vectors import Vectors
from training.program import Array

REFERENCE_VECTORS = 512


def onnx(bundle: Bundle) -> str:
    """The integer ONNX in onnxruntime gives the expected numbers."""
    return _onnx(bundle, in_onnxruntime, bundle.vectors, "onnxruntime")


def onnx_reference(bundle: Bundle) -> str:
    """The integer ONNX in the reference evaluator gives the expected numbers, on a shorter run."""
    vectors = bundle.vectors
    return _onnx(
        bundle,
        in_reference,
        vectors.head(max(1, REFERENCE_VECTORS // vectors.stream_frames)),
        "the reference evaluator",
    )


def _onnx(bundle: Bundle, load: Callable[[bytes], Runtime], vectors: Vectors, who: str) -> str:
    readings, state = run_step(load(_graph(bundle, "onnx", vectors)), bundle.program, vectors)
    equal(bundle.program, vectors, who, readings, state)
    _equal_scan(vectors, who, *run_scan(load(_graph(bundle, "scan_onnx", vectors)), bundle.program, vectors))
    sentence = f"{len(vectors)} vectors equal, readings and state, one step at a time and scanned over time"
    if known_files(bundle.manifest.prefix)["prepare_onnx"] in bundle.files:
        equal_prepared(vectors, who, run_prepare(load(_graph(bundle, "prepare_onnx", vectors)), vectors))
        sentence += "; prepared values too"
    return sentence


def _graph(bundle: Bundle, role: str, vectors: Vectors) -> bytes:
    """A graph that may be loaded: the bytes that are made here, or, of another version's, one on the list."""
    name, content = known_files(bundle.manifest.prefix)[role], bundle.content(role)
    again = bundle.again.get(name)
    if content == again:
        return content
    if bundle.manifest.format != FIRST_FORMAT and not bundle.other_version("onnx"):
        reason = (
            f"{name} does not follow from the program"
            if again is None
            else where_differs(name, again, content)
        )
        raise Failed(f"{reason}: it is not loaded")
    streams = len(vectors) // vectors.stream_frames
    size = (streams, vectors.stream_frames) if role == "scan_onnx" else (min(ROWS, len(vectors)), 1)
    check_allowed(content, name, INTEGER, *size)
    return content


def float_onnx(bundle: Bundle) -> str:
    """The float ONNX is on the list, says that it belongs to the program, and is as near to it as the
    manifest states: on fills that are held still, what is left between them is the rounding of the integers.
    """
    content = bundle.content("float_onnx")
    check_allowed(content, known_files(bundle.manifest.prefix)["float_onnx"], FLOAT)
    beside, stated = apart(bundle.program, content), bundle.manifest.body.get("float_onnx", _UNSTATED)
    if beside is None:
        sentence = "loads; it takes other inputs than counts and trim, or no fill that is held gives a level"
    else:
        sentence = (
            f"on {beside.fills} fills that are held its level differs from the integer program's by "
            f"{beside.median_mm:.3g} mm in the median, {beside.most_mm:.3g} mm at most"
        )
    if bundle.manifest.format == FIRST_FORMAT:
        raise Stated(f"{sentence}; a manifest of format 2 states nothing to compare with")
    if label_float_onnx(bundle.program, content) != content:
        raise Failed(
            "it does not carry the facts of this program: it belongs to another model, or was changed"
        )
    if stated == _UNSTATED or not _as_stated(beside, stated):
        raise Failed(f"{sentence}; that is not what the manifest states")
    return f"{sentence}, as the manifest states"


_UNSTATED = "nothing"


def _as_stated(beside: Apart | None, stated: Mapping[str, float] | None) -> bool:
    """Whether what was found is what is stated, up to what single precision does to it elsewhere."""
    if beside is None or stated is None:
        return beside is None and stated is None
    return beside.fills == stated["fills"] and all(
        abs(now - stated[name]) <= _LEAST_MM + _SHARE * stated[name]
        for name, now in (("median_mm", beside.median_mm), ("most_mm", beside.most_mm))
    )


_LEAST_MM, _SHARE = 0.002, 0.02


def _equal_scan(vectors: Vectors, who: str, readings: Array, last: Array) -> None:
    expected = vectors.state[vectors.stream_frames - 1 :: vectors.stream_frames]
    if readings.shape != vectors.readings.shape or last.shape != expected.shape:
        raise Failed(
            f"{who}, scanned over time, gives numbers of shape {readings.shape} and "
            f"{last.shape}, expected {vectors.readings.shape} and {expected.shape}"
        )
    wrong = np.flatnonzero((readings != vectors.readings).any(axis=1))
    if wrong.size or not np.array_equal(last, expected):
        where = (
            f"{len(wrong)} of {len(vectors)} readings differ, the first is {wrong[0]}"
            if wrong.size
            else "the last states differ"
        )
        raise Failed(f"{who}, scanned over time: {where}")
