"""Small nets: what one of the same shape can give is found again, and from several starts more surely than
from one.
"""

from __future__ import annotations

import numpy as np

from training.models.nets import NetPlan, fit_net

ROWS = 600


def test_several_starts_find_what_one_may_miss() -> None:
    """Targets of a net of four clipped units, made up: of eight fits from one start some end far off, from
    the best of four none does.
    """
    draw = np.random.default_rng(5)
    x = draw.normal(size=(ROWS, 3))
    y = np.clip(x @ draw.normal(size=(3, 4)) + draw.uniform(0, 1, 4), 0, 1) @ draw.normal(size=(4, 1))

    def error(seed: int, starts: int) -> float:
        net = fit_net(x, y[:, 0], np.ones(ROWS), NetPlan((4,), seed, 60, starts=starts))
        return float(np.sqrt(np.mean((net.predict(x) - y) ** 2)))

    assert max(error(seed, 1) for seed in range(8)) > 0.05
    assert max(error(seed, 4) for seed in range(8)) < 0.001
