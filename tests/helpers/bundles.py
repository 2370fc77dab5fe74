"""Bundles for tests: their files, a model to stand in for a trained one, changed ones with hashes that fit,
and what verification says no to.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from onnx import TensorProto, helper

from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import verify_files

Files = Mapping[str, bytes]
FILES = {
    "innage.c",
    "innage.h",
    "innage.onnx",
    "innage_scan.onnx",
    "innage_float.onnx",
    "program.json",
    "vectors.csv",
    "harness.c",
    "report.html",
    MANIFEST,
    "innage.cmake",
    "innage.mk",
    "innage.ld",
    "innage_example.c",
    "innage_board.c",
    "README.md",
}  # of a model without a trim, which would have one more


def stand_in_onnx(channels: int = 1) -> bytes:
    """A float ONNX model from counts to as many numbers, which stands in for the one of a training."""
    ends = [
        helper.make_tensor_value_info(name, TensorProto.FLOAT, [None, channels])
        for name in ("counts", "level_mm")
    ]
    graph = helper.make_graph(
        [helper.make_node("Abs", ["counts"], ["level_mm"])], "float", ends[:1], ends[1:]
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 21)], ir_version=10)
    return bytes(model.SerializeToString())


def resealed(files: Files, **body: Any) -> dict[str, bytes]:
    """The files with a manifest whose hashes fit them, entries replaced by name: what one who changes a
    bundle on purpose would do.
    """
    facts = json.loads(files[MANIFEST]) | body
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    return {**rest, MANIFEST: seal(facts, rest)}


def failed(files: Files, only: set[str] | None = None) -> dict[str, str]:
    """The names and sentences of the checks that fail, of all or of some."""
    return {check.name: check.sentence for check in verify_files(files, only).checks if not check.passed}
