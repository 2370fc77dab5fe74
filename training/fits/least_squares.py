"""Every least-squares problem of the project goes through here: thin over numpy and scipy, and checked
against certified fits.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Floats = NDArray[np.float64]


def linear(
    design: Floats, target: Floats, weights: Floats | None = None, penalty: Floats | None = None
) -> Floats:
    """The coefficients c that minimise sum(weights * (design @ c - target)**2) + |penalty @ c|**2.

    Shapes: design (rows, n), target (rows,), weights (rows,) not negative, penalty (any, n); result (n,).
        Columns are
    brought to length 1 before the singular value decomposition, so that a quadratic in large loads keeps its
    digits; of many solutions the shortest in those scaled coefficients is given.
    """
    root = np.ones(len(target)) if weights is None else np.sqrt(weights)
    rows, right = design * root[:, None], target * root
    if penalty is not None:
        rows, right = np.vstack([rows, penalty]), np.concatenate([right, np.zeros(len(penalty))])
    length = np.linalg.norm(rows, axis=0)
    length[length == 0] = 1.0
    solution = np.linalg.lstsq(rows / length, right, rcond=None)[0]
    return np.asarray(solution / length, dtype=np.float64)


def nonlinear(residuals: Callable[[Floats], Floats], start: Floats, evaluations: int = 2000) -> Floats:
    """The parameters, near ``start``, that minimise the sum of squares of ``residuals``.

    Trust-region steps (scipy) with central differences, parameters scaled by the Jacobian; ends when a step
    changes nothing beyond 1e-12, or after ``evaluations`` calls, so that the same input gives the same
    result.
    """
    solution = least_squares(
        residuals,
        start,
        jac="3-point",
        x_scale="jac",
        ftol=1e-12,
        xtol=1e-12,
        gtol=1e-12,
        max_nfev=evaluations,
    )
    return np.asarray(solution.x, dtype=np.float64)
