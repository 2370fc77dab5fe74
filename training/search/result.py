"""What a search ends with, and what both of them put into it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from itertools import pairwise

import numpy as np

from dataset.coverage.temperature_bands import TemperatureBands
from dataset.records import FrozenData, GroupBy, Role
from training.program import Program
from training.search.candidates import AnyRecipe
from training.search.context import SearchContext
from training.search.kept_recipe import KeptBoard, KeptRecipe, NamedSet
from training.search.metrics import Metrics, SeenInBands

RANDOM_ROWS = (
    "frames split at random, groups on both sides: not a claim, only how much too good such a split looks"
)


@dataclass(frozen=True)
class SearchResult:
    """What was picked: its program, the bytes of its float model, its recipe and its metrics."""

    program: Program
    float_onnx: bytes
    recipe: KeptRecipe
    metrics: Metrics


def kept_recipe(context: SearchContext, recipe: AnyRecipe) -> KeptRecipe:
    """What every kind of recipe keeps of its search."""
    frozen, hardware = context.data.frozen, context.hardware
    return KeptRecipe(
        family=recipe.family,
        size=recipe.size,
        bits=recipe.bits,
        frozen=NamedSet(frozen.name, frozen.sha256),
        seed=context.request.seed,
        board=KeptBoard(**asdict(hardware) | {"count_law": str(hardware.count_law)}),
    )


def seen_in_prove_bands(data: FrozenData) -> SeenInBands | None:
    """Where groups are temperature bands: frames to fit and choose on, and how many were measured inside a
    band of 'prove'.

    There are such frames where a mark warms up or cools down over an edge, since it goes by its mean. None
    for other groups and without 'prove'.
    """
    if data.frozen.group_by is not GroupBy.TEMPERATURE or not data.rows(Role.PROVE).any():
        return None
    seen = data.rows(Role.FIT) | data.rows(Role.CHOOSE)
    proved, degrees = data.frozen.groups(Role.PROVE), data.temperature_c[seen]
    names = TemperatureBands(data.frozen.edges_c, {}).names
    inside = [
        (low <= degrees) & (degrees < high)
        for name, (low, high) in zip(names, pairwise(data.frozen.edges_c), strict=True)
        if name in proved
    ]
    return SeenInBands(int(seen.sum()), int(np.any(inside, axis=0).sum()))
