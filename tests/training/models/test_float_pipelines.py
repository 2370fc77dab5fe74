"""The float pipeline as ONNX: the same numbers in two runtimes, the same bytes every time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import onnx
import onnxruntime
import pytest
from onnx.reference import ReferenceEvaluator

from dataset.records import CountLaw, FrozenData, Role
from training.models.families import FAMILIES
from training.models.float_pipelines import emit_float_onnx, float_onnx_difference
from training.models.recipes import Fitted, Hardware, fit_sizes
from training.rows import rows_of

MadeUp = Callable[..., FrozenData]


def _fitted(data: FrozenData, family: str, law: CountLaw, bits: int) -> Fitted:
    channels = data.counts.shape[1]
    size = FAMILIES[family].sizes(channels)[0]
    hardware = Hardware(bits, channels, law, 100, 10, 200.0)
    return fit_sizes(family, [size], rows_of(data, data.rows(Role.FIT)), hardware, 0)[size]


@pytest.mark.longer
@pytest.mark.parametrize("law", CountLaw)
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("family", FAMILIES)
def test_two_runtimes_agree_with_the_pipeline(
    made_up: MadeUp, family: str, channels: int, law: CountLaw
) -> None:
    """Both onnxruntime and ONNX's own reference evaluator stay within 0.01 mm of scikit-learn, far outside
    the trained range too.
    """
    data = made_up(channels, law)
    fitted = _fitted(data, family, law, 16)
    model = emit_float_onnx(fitted.pipeline, channels, "m")
    counts = np.concatenate(
        [data.counts[::7], np.asarray([[0], [1], [65_535]]) * np.ones(channels, dtype=np.int64)]
    )
    expected = fitted.levels(counts)
    given = {"counts": counts.astype(np.float32)}
    session = onnxruntime.InferenceSession(model, providers=["CPUExecutionProvider"])
    for found in (
        session.run(None, given)[0],
        next(iter(ReferenceEvaluator(onnx.load_from_string(model)).run(None, given))),
    ):
        assert found.shape == (len(counts), 1)
        assert found[:, 0] == pytest.approx(expected, abs=0.01)
    assert float_onnx_difference(model, fitted.pipeline, counts) < 0.01


@pytest.mark.parametrize("family", FAMILIES)
def test_names_are_fixed_and_bytes_repeat(made_up: MadeUp, family: str) -> None:
    """Input, output and graph carry the names that were given, the checker is content, and a second emission
    is equal.
    """
    fitted = _fitted(made_up(2), family, CountLaw.FALLS, 16)
    model = emit_float_onnx(fitted.pipeline, 2, "canister-2")
    proto = onnx.load_from_string(model)
    onnx.checker.check_model(proto, full_check=True)
    assert (proto.graph.name, proto.graph.input[0].name, proto.graph.output[0].name) == (
        "canister-2",
        "counts",
        "level_mm",
    )
    assert emit_float_onnx(fitted.pipeline, 2, "canister-2") == model
    domains = [opset.domain for opset in proto.opset_import]
    assert domains == sorted(domains)  # whatever order a set has in this process


def test_trees_branch_alike_in_single_precision(made_up: MadeUp) -> None:
    """At each threshold of trees on 24-bit counts, and one count above, ONNX in single precision takes
    scikit-learn's branch.

    Thresholds are whole numbers, which single precision holds exactly up to 2**24 (IEEE 754).
    """
    data = made_up(1, CountLaw.RISES, bits=24)
    fitted = _fitted(data, "trees", CountLaw.RISES, 24)
    trees = fitted.pipeline.named_steps["model"].trees.estimators_[:, 0]
    found = np.concatenate([t.tree_.threshold[t.tree_.children_left >= 0] for t in trees])
    thresholds = found.astype(np.int64)
    assert (thresholds == found).all()
    assert thresholds.max() > 1 << 23
    counts = np.unique(np.concatenate([thresholds, thresholds + 1]))[:, None]
    assert float_onnx_difference(emit_float_onnx(fitted.pipeline, 1, "m"), fitted.pipeline, counts) < 1e-3
