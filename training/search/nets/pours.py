"""What a search makes of the time since the last pour, where a model is told of it."""

from __future__ import annotations

import numpy as np

from dataset.errors import InputError
from training.judging.streams import since_pour_at
from training.program.ranges import MOST_POUR_S
from training.rows import Floats
from training.search.context import SearchContext

UNTOLD_SHARE = 0.5  # of the rows that a net is fitted on which is told of pours


def longest_pour(context: SearchContext) -> int:
    """The longest time since a pour that the fit rows know of, in seconds: beyond it nothing was seen.

    Raises InputError where none of them knows of a pour.
    """
    longest = int(since_pour_at(context.data, np.flatnonzero(context.fit)).max())
    if longest < 1:
        raise InputError(
            f"frozen set '{context.data.frozen.name}'",
            "no 'fit' session that says when liquid came in",
            "sessions with filling stated as their flow, or with marks at levels that rise",
            "train without the time since the last pour",
            fields=("since_pour",),
        )
    return min(longest, MOST_POUR_S)


def half_told(pours: Floats, seed: int) -> Floats:
    """Features of pours (n, width), of half of the rows as where nothing is known: a net must hold where the
    appliance is silent.
    """
    quiet = np.random.default_rng(seed).random(len(pours)) < UNTOLD_SHARE
    return np.where(quiet[:, None], 0.0, pours)
