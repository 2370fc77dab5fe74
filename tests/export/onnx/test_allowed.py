"""Every graph that is emitted is on the list of those that may be loaded, and trees on it are trees."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import onnx
import pytest
from onnx import helper
from sklearn.ensemble import GradientBoostingRegressor
from sklearn.pipeline import make_pipeline

from dataset.errors import InputError
from dataset.records import CountLaw
from export.onnx.allowed import FLOAT, INTEGER, ROWS, check_allowed
from export.onnx.graph import emit_onnx, emit_prepare_onnx, emit_scan_onnx
from training.fits.regressors import (
    HingeRegressor,
    LevelRegressor,
    LineRegressor,
    NetRegressor,
    TreesRegressor,
)
from training.models.conditioning import Conditioner, Conditioning
from training.models.float_pipelines import emit_float_onnx
from training.program import Program

DRAWN = np.random.default_rng(4)
COUNTS = DRAWN.integers(0, 4096, (200, 3)).astype(np.float64)
BOOSTED = GradientBoostingRegressor(n_estimators=30, max_depth=3, random_state=0)


def regressors() -> dict[str, LevelRegressor]:
    """One of each family, of three channels."""
    weights = np.asarray([0.1, 0.2, 0.3])
    return {
        "line": LineRegressor(weights, 1.0, 100.0),
        "hinge": HingeRegressor(
            weights, 1.0, np.asarray([0.0, 1, 2, 9]), np.asarray([0.0, 2, 3, 9]), 0, 100.0
        ),
        "net": NetRegressor(DRAWN.random((3, 8)), DRAWN.random(8), DRAWN.random(8), 1.0, 100.0),
        "trees": TreesRegressor(BOOSTED.fit(COUNTS, COUNTS.sum(axis=1) / 200), 100.0),
    }


@pytest.mark.parametrize("family", regressors())
@pytest.mark.parametrize("law", [None, *CountLaw])
def test_float_models_of_every_family_are_on_the_list(family: str, law: CountLaw | None) -> None:
    """Whatever the law of the counts, and all of a batch."""
    conditioner = Conditioner(Conditioning(law, (1,) * 3, (4095,) * 3, (1 << 12,) * 3, 0))
    pipeline = make_pipeline(conditioner, regressors()[family]).fit(COUNTS, COUNTS[:, 0])
    content = emit_float_onnx(pipeline, 3, "m")
    check_allowed(content, family, FLOAT)
    model = onnx.load_model_from_string(content)
    assert {o.domain: o.version for o in model.opset_import}[""] == 18
    assert model.ir_version <= 8


def test_integer_models_are_on_the_list(sample: Program) -> None:
    """Step, prepare and scan of the sample programs; the scan is no float model."""
    for content in (emit_onnx(sample), emit_prepare_onnx(sample)):
        if content is not None:
            check_allowed(content, "integer", INTEGER)
    check_allowed(emit_scan_onnx(sample), "scan", INTEGER, 40, 256)
    with pytest.raises(InputError, match="a Scan; expected operators of"):
        check_allowed(emit_scan_onnx(sample), "scan", FLOAT)


def test_work_is_counted_for_all_rows_and_frames(samples: dict[str, Program]) -> None:
    """What passes for a batch does not for a batch of batches."""
    content = emit_scan_onnx(samples["every_op"])
    with pytest.raises(InputError, match="steps for 1024 rows; expected at most"):
        check_allowed(content, "scan", INTEGER, ROWS, 10_000_000)


def test_a_deep_tree_is_refused() -> None:
    """A chain of a thousand branches, which a runtime would build by recursion."""
    n = 1001

    def attributes() -> dict[str, object]:
        ids = list(range(2 * n + 1))
        branch = [k % 2 == 0 and k < 2 * n for k in ids]
        return {
            "n_targets": 1,
            "nodes_treeids": [0] * len(ids),
            "nodes_nodeids": ids,
            "nodes_featureids": [0] * len(ids),
            "nodes_modes": ["BRANCH_LEQ" if b else "LEAF" for b in branch],
            "nodes_values": [0.5] * len(ids),
            "nodes_truenodeids": [k + 1 if b else 0 for k, b in zip(ids, branch, strict=True)],
            "nodes_falsenodeids": [k + 2 if b else 0 for k, b in zip(ids, branch, strict=True)],
            "target_treeids": [0],
            "target_nodeids": [1],
            "target_ids": [0],
            "target_weights": [1.0],
        }

    ends = [
        helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, [None, 1])
        for name in ("counts", "level_mm")
    ]
    node = helper.make_node("TreeEnsembleRegressor", ["counts"], ["level_mm"], domain="ai.onnx.ml")
    node.attribute.extend(helper.make_attribute(key, value) for key, value in attributes().items())
    graph = helper.make_graph([node], "deep", ends[:1], ends[1:])
    opsets = [helper.make_opsetid("", 18), helper.make_opsetid("ai.onnx.ml", 3)]
    model = helper.make_model(graph, opset_imports=opsets, ir_version=8)
    with pytest.raises(InputError, match="a tree 1001 deep; expected at most 64"):
        check_allowed(model.SerializeToString(), "deep", FLOAT)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda model: setattr(model, "ir_version", 99), "IR 99"),
        (lambda model: setattr(model.opset_import[0], "version", 99), "opset '' 99"),
        (lambda model: setattr(model.graph.node[0], "domain", "com.example"), "operator 'Gather'"),
        (lambda model: setattr(model.graph.node[0], "op_type", "If"), "operator 'If'"),
        (lambda model: model.graph.node[0].attribute.add(name="batch_dims"), r"attribute \['batch_dims'\]"),
        (
            lambda model: model.graph.initializer[0].dims.__setitem__(0, 7),
            "a table of 7 numbers that holds",
        ),
        (lambda model: setattr(model.graph.initializer[0], "data_type", 8), "a table of type 8"),
        (lambda model: model.graph.sparse_initializer.add(), "sparse tables"),
        (lambda model: model.training_info.add(), "a training graph"),
        (lambda model: model.graph.input[0].type.tensor_type.shape.dim[1].Clear(), "of open width"),
    ],
)
def test_what_is_off_the_list_is_named(
    samples: dict[str, Program], change: Callable[[onnx.ModelProto], object], said: str
) -> None:
    """One thing changed in a graph that is on the list."""
    model = onnx.load_model_from_string(emit_onnx(samples["every_op"]))
    change(model)
    with pytest.raises(InputError, match=said):
        check_allowed(model.SerializeToString(), "changed", INTEGER)
