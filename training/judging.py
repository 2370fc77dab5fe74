"""A stored model judged on a frozen set: its program, and the trims of that set's units that it takes."""

from __future__ import annotations

import numpy as np

from dataset.records import FrozenData, Model, TrimKind
from training.judged import Judged, judge
from training.program import from_json
from training.rows import Ints, Mask
from training.trimming import trim_counts


def judge_model(model: Model, data: FrozenData, chosen: Mask, counts: list[Ints] | None = None) -> Judged:
    """What ``model`` says of the chosen rows, whole sessions run from power-on; ``counts``: whole sessions' counts in place of those captured.

    Raises InputError where a unit lacks a trim that the model takes, or counts are of another sensor.
    """
    program = from_json(model.program, f"model '{model.name}'")
    kinds = () if program.trim is None else tuple(TrimKind(kind) for kind in program.trim_kinds)
    used = np.unique(data.session[chosen])
    span = max(data.frozen.sessions[int(s)].mounting.tank.span_mm for s in used)
    return judge(program, data, chosen, trim_counts(data, kinds), span, counts)
