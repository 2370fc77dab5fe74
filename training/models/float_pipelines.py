"""The float pipeline as ONNX, by skl2onnx, with converters for our own transformer and regressors.

Counts in (float32, [N, channels]), level in mm out (float32, [N, 1]). A convenience for desktop use: the
program, not this, is what the chip computes.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from skl2onnx import convert_sklearn, update_registered_converter
from skl2onnx.algebra.onnx_operator import OnnxSubEstimator
from skl2onnx.algebra.onnx_ops import (
    OnnxAdd,
    OnnxCast,
    OnnxClip,
    OnnxConcat,
    OnnxDiv,
    OnnxGather,
    OnnxGreaterOrEqual,
    OnnxIdentity,
    OnnxMatMul,
    OnnxMax,
    OnnxMin,
    OnnxMul,
    OnnxReduceMax,
    OnnxReduceSum,
    OnnxRelu,
    OnnxSub,
)
from skl2onnx.common.data_types import FloatTensorType
from sklearn.pipeline import Pipeline

from dataset.records import CountLaw
from training.fits.regressors import (
    HingeRegressor,
    LevelRegressor,
    LineRegressor,
    NetRegressor,
    TreesRegressor,
)
from training.models.conditioning import Conditioner
from training.models.features import RATIO_HIGH, WET_FLOOR, width
from training.models.float_arrays import DeepRegressor, Trimmer
from training.models.trimming import RATIO_BITS, SHARE_HIGH, SHARE_LOW, SHARE_ONE
from training.rows import Floats, Ints

OPSET = 18  # no newer than the operators need
_ML_OPSET = 3
_INT64 = 7  # onnx.TensorProto.INT64
_BEYOND = 3.0e38
INPUT, OUTPUT = "counts", "level_mm"


def emit_float_onnx(pipeline: Pipeline, columns: int, name: str) -> bytes:
    """ONNX bytes of a fitted pipeline: input ``counts``, output ``level_mm``; the same pipeline gives the
    same bytes.

    ``columns``: the channels, and after them the counts of the trim where the model takes one.
    """
    _register()
    model = convert_sklearn(
        pipeline,
        name=name,
        initial_types=[(INPUT, FloatTensorType([None, columns]))],
        final_types=[(OUTPUT, FloatTensorType([None, 1]))],
        target_opset={"": OPSET, "ai.onnx.ml": _ML_OPSET},
    )
    # the converter lists them as a set has them, which every process orders otherwise
    listed = sorted(model.opset_import, key=lambda opset: opset.domain)
    del model.opset_import[:]
    model.opset_import.extend(listed)
    return bytes(model.SerializeToString(deterministic=True))


def float_onnx_difference(model: bytes, pipeline: Pipeline, counts: Ints | Floats) -> float:
    """The greatest difference, in mm, between the ONNX model in onnxruntime and the pipeline on ``counts``
    (n, columns).
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    session = onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    level = session.run([OUTPUT], {INPUT: counts.astype(np.float32)})[0][:, 0]
    return float(f"{np.abs(level - pipeline.predict(counts)).max():.3g}")


def _register() -> None:
    update_registered_converter(Conditioner, "InnageConditioner", _features_shape, _convert_conditioner)
    update_registered_converter(Trimmer, "InnageTrimmer", _trimmed_shape, _convert_trimmer)
    for regressor, convert in (
        (DeepRegressor, _convert_deep),
        (LineRegressor, _convert_line),
        (HingeRegressor, _convert_hinge),
        (NetRegressor, _convert_net),
        (TreesRegressor, _convert_trees),
    ):
        update_registered_converter(regressor, f"Innage{regressor.__name__}", _level_shape, convert)


def _features_shape(operator: Any) -> None:
    """[N, C] ---> [N, C]"""  # noqa: D415 - read as shapes by the converter
    operator.outputs[0].type = FloatTensorType([None, operator.inputs[0].type.shape[1]])


def _trimmed_shape(operator: Any) -> None:
    """[N, C] ---> [N, W]"""  # noqa: D415 - read as shapes by the converter
    trimmer = operator.raw_operator
    operator.outputs[0].type = FloatTensorType([None, width(trimmer.groups, trimmer.trimming)])


def _level_shape(operator: Any) -> None:
    """[N, C] ---> [N, 1]"""  # noqa: D415 - read as shapes by the converter
    operator.outputs[0].type = FloatTensorType([None, 1])


def _single(values: Any) -> np.ndarray[Any, np.dtype[np.float32]]:
    return np.asarray(values, dtype=np.float32)


def _convert_conditioner(scope: Any, operator: Any, container: Any) -> None:
    conditioning = operator.raw_operator.conditioning
    version, x, out = container.target_opset, operator.inputs[0], operator.outputs
    low, high = _single([conditioning.low]), _single([conditioning.high])
    floored = OnnxMax(x, low, op_version=version)
    clipped = OnnxMin(floored, high, op_version=version)
    if conditioning.law is None:
        OnnxIdentity(clipped, op_version=version, output_names=out).add_to(scope, container)
        return
    if conditioning.law is CountLaw.RISES:
        scale = _single(
            [
                conditioning.floats(np.asarray([conditioning.high]))[0]
                / np.maximum(np.subtract(conditioning.high, conditioning.low), 1)
            ]
        )
        OnnxMul(
            OnnxSub(clipped, low, op_version=version), scale, op_version=version, output_names=out
        ).add_to(scope, container)
        return
    scale = _single([np.asarray(conditioning.factors) * float(1 << conditioning.preshift) / float(1 << 14)])
    below = OnnxMul(OnnxSub(high, clipped, op_version=version), scale, op_version=version)
    OnnxDiv(below, clipped, op_version=version, output_names=out).add_to(scope, container)


def _clip_level(raw: Any, model: LevelRegressor, scope: Any, operator: Any, container: Any) -> None:
    span = np.float32(model.span_mm)
    OnnxClip(
        raw,
        np.asarray(0, np.float32),
        np.asarray(span),
        op_version=container.target_opset,
        output_names=operator.outputs,
    ).add_to(scope, container)


def _dense(x: Any, weights: Any, bias: Any, version: int) -> Any:
    return OnnxAdd(OnnxMatMul(x, _single(weights), op_version=version), _single(bias), op_version=version)


def _convert_line(scope: Any, operator: Any, container: Any) -> None:
    model = operator.raw_operator
    raw = _dense(operator.inputs[0], model.weights[:, None], [model.bias], container.target_opset)
    _clip_level(raw, model, scope, operator, container)


def _convert_hinge(scope: Any, operator: Any, container: Any) -> None:
    """The segment is the number of inner knots at or below the axis; its start, level and slope
    are gathered.
    """
    model, version = operator.raw_operator, container.target_opset
    knots, values = model.knots, model.values
    axis = _dense(operator.inputs[0], model.weights[:, None], [model.bias], version)
    axis = OnnxClip(
        axis, np.asarray(knots[0], np.float32), np.asarray(knots[-1], np.float32), op_version=version
    )
    inner = _single([[*knots[1:-1], _BEYOND]])
    passed = OnnxCast(OnnxGreaterOrEqual(axis, inner, op_version=version), to=_INT64, op_version=version)
    segment = OnnxReduceSum(passed, np.asarray([1], np.int64), keepdims=1, op_version=version)
    start, level, slope = (
        OnnxGather(_single(table), segment, op_version=version)
        for table in (knots[:-1], values[:-1], np.diff(values) / np.diff(knots))
    )
    along = OnnxMul(OnnxSub(axis, start, op_version=version), slope, op_version=version)
    _clip_level(OnnxAdd(level, along, op_version=version), model, scope, operator, container)


def _convert_net(scope: Any, operator: Any, container: Any) -> None:
    model, version = operator.raw_operator, container.target_opset
    hidden = OnnxRelu(
        _dense(operator.inputs[0], model.hidden, model.hidden_bias, version), op_version=version
    )
    _clip_level(
        _dense(hidden, model.weights[:, None], [model.bias], version), model, scope, operator, container
    )


def _convert_deep(scope: Any, operator: Any, container: Any) -> None:
    model, version, x = operator.raw_operator, container.target_opset, operator.inputs[0]
    for k, (weights, bias) in enumerate(model.layers):
        x = _dense(x, weights, bias, version)
        if k < len(model.layers) - 1:
            x = OnnxClip(x, np.asarray(0, np.float32), np.asarray(1, np.float32), op_version=version)
    _clip_level(x, model, scope, operator, container)


def _convert_trimmer(scope: Any, operator: Any, container: Any) -> None:
    """Shares and ratios, as ``Trimmer.transform``; the features of counts that stand still."""
    trimming, version = operator.raw_operator.trimming, container.target_opset
    n = trimming.channels

    def part(k: int) -> Any:
        return OnnxGather(
            operator.inputs[0], np.arange(k * n, (k + 1) * n, dtype=np.int64), axis=1, op_version=version
        )

    def clip(x: Any, low: float, high: float) -> Any:
        return OnnxClip(x, np.asarray(low, np.float32), np.asarray(high, np.float32), op_version=version)

    def rises(counts: Any, dry: Any) -> Any:
        if trimming.law is CountLaw.RISES:
            return OnnxSub(counts, dry, op_version=version)
        apart = OnnxDiv(OnnxSub(dry, counts, op_version=version), counts, op_version=version)
        return OnnxMul(apart, _single([[1 << RATIO_BITS]]), op_version=version)

    dry = part(1) if trimming.kinds else _single([trimming.dry])
    swing: Any = _single([trimming.swing])
    if len(trimming.kinds) > 1:
        swing = clip(
            OnnxMatMul(rises(part(2), dry), _single(np.asarray(trimming.mix).T), op_version=version),
            *trimming.swing_range,
        )
    share = OnnxMul(
        OnnxDiv(rises(clip(part(0), *trimming.clip), dry), swing, op_version=version),
        _single([[SHARE_ONE]]),
        op_version=version,
    )
    share = clip(share, SHARE_LOW, SHARE_HIGH)

    def channels(at: Iterable[int]) -> Any:
        return OnnxGather(share, np.asarray(list(at), np.int64), axis=1, op_version=version)

    telling = channels(trimming.telling) if trimming.pairs else share
    wettest = OnnxReduceMax(telling, np.asarray([1], np.int64), keepdims=1, op_version=version)
    wettest = OnnxMax(wettest, _single([[WET_FLOOR]]), op_version=version)
    wet = OnnxMul(
        OnnxDiv(clip(telling, 0, SHARE_HIGH), wettest, op_version=version),
        _single([[SHARE_ONE]]),
        op_version=version,
    )
    still = OnnxMul(wettest, _single([[0]]), op_version=version)
    parts = {"shares": telling, "ratios": clip(wet, 0, RATIO_HIGH), "flow": still}
    if trimming.pairs:
        low, high = (channels(at) for at in zip(*trimming.pairs, strict=True))
        parts["dispersion"] = OnnxSub(low, high, op_version=version)
    OnnxConcat(
        *(parts[group] for group in operator.raw_operator.groups),
        axis=1,
        op_version=version,
        output_names=operator.outputs,
    ).add_to(scope, container)


def _convert_trees(scope: Any, operator: Any, container: Any) -> None:
    model = operator.raw_operator
    raw = OnnxSubEstimator(model.trees, operator.inputs[0], op_version=container.target_opset)
    _clip_level(raw, model, scope, operator, container)
