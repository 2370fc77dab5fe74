"""A stored model judged on a frozen set: its program, and the trims of that set's units that it takes."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np

from dataset.records import FrozenData, Model, TrimKind
from training.judging.figures import FitRows
from training.judging.judged import Judged, judge
from training.judging.power_on import power_on
from training.models.trimming import trim_counts
from training.program import from_json
from training.rows import Ints, Mask


def judge_model(
    model: Model, data: FrozenData, chosen: Mask, counts: list[Ints] | None = None, *, cold: bool = False
) -> Judged:
    """What ``model`` says of the chosen rows, whole sessions run from power-on; ``counts``: whole sessions'
    counts in place of those captured.

    ``cold``: try power-on at random frames as well.

    Raises InputError where a unit lacks a trim that the model takes, or counts are of another sensor.
    """
    program = from_json(model.program, f"model '{model.name}'")
    kinds = () if program.trim is None else tuple(TrimKind(kind) for kind in program.trim_kinds)
    used = np.unique(data.session[chosen])
    span = max(data.frozen.sessions[int(s)].mounting.tank.span_mm for s in used)
    trims = trim_counts(data, kinds)
    judged = replace(judge(program, data, chosen, trims, span, counts), known_mm=known_levels(model))
    return replace(judged, power_on=power_on(program, data, chosen, trims)) if cold else judged


def known_levels(model: Model) -> tuple[float, float] | None:
    """Least and greatest label that the model was fitted on, mm; None for a model that does not say."""
    fit = FitRows.from_json(json.loads(model.metrics).get("fit"))
    return None if fit is None else (float(fit.label_low_mm), float(fit.label_high_mm))
