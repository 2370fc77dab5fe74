"""The check of what a manifest states about the model's making: no file of the bundle proves it, a store
can.
"""

from __future__ import annotations

from export.bundle.checks import Bundle, Failed, Stated
from export.bundle.manifest import FIRST_FORMAT
from export.onnx.graph import label_float_onnx


def figures(bundle: Bundle) -> str:
    """Figures, limits, sources and recipe are those of the model in the store; without one they are as
    stated.
    """
    stated = bundle.manifest.body
    what = "figures, limits, sessions and recipe as stated, not proven"
    if bundle.recorded is None:
        raise Stated(f"{what}: a store that has the model can show them")
    known = bundle.recorded(bundle.manifest)
    if known is None:
        raise Stated(f"{what}: the store does not have this model")
    has = dict(known.entries)
    if bundle.manifest.format == FIRST_FORMAT:  # which had no hash of the whole model
        has["model"] = {name: value for name, value in has["model"].items() if name != "content_sha256"}
    differing = sorted(name for name, value in has.items() if stated[name] != value)
    if differing:
        raise Failed(f"not what the store has on this model: {', '.join(differing)}")
    here = label_float_onnx(bundle.program, known.float_onnx)
    ours = bundle.manifest.format != FIRST_FORMAT and not bundle.other_version("onnx")
    if ours and bundle.content("float_onnx") != here:
        raise Failed("the float ONNX is not the one that the store has of this model")
    return f"{', '.join(sorted(known.entries))} are what the store has on this model"
