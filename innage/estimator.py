"""Integer level models as scikit-learn estimators: what ``predict`` gives is what the chip would say."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, check_non_negative, validate_data

from dataset.errors import InputError
from dataset.records import CountLaw
from dataset.words import counted
from training.models.families import BITS, FAMILIES
from training.models.recipes import Hardware, fit_sizes, quantise
from training.program import LEVEL_UNITS_PER_MM, NO_LEVEL, Program, run
from training.rows import Rows

MOST_BITS = 24  # of a count


class _Integer(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # no types are published
    """Readings of an integer program as predictions."""

    program_: Program

    def score(self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None) -> float:
        """R squared over the frames for which a level is given; NaN where that is fewer than two. Look at how
        many are withheld as well.
        """
        from sklearn.metrics import r2_score

        levels = self.predict(X)
        given = ~np.isnan(levels)
        if given.sum() < 2:
            return float("nan")
        weight = None if sample_weight is None else np.asarray(sample_weight)[given]
        return float(r2_score(np.asarray(y)[given], levels[given], sample_weight=weight))

    def predict(self, X: ArrayLike) -> NDArray[np.float64]:
        """Levels in mm, float64 (n,), NaN where the chip would withhold them, for frames of counts (n,
        channels) in order of time.
        """
        raise NotImplementedError

    def _counts(self, X: ArrayLike, bits: int) -> NDArray[np.int64]:
        """Whole counts of rows to predict."""
        return _whole(validate_data(self, X, reset=False, dtype=np.float64), bits)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.positive_only = True
        tags.regressor_tags.poor_score = True  # on data that are no counts of a sensor
        return tags


class IntegerLevelRegressor(_Integer):
    """A small integer model of the level, of one of the families for sensors without trims.

    ``fit`` fits the float model and makes the integer program of it; ``predict`` runs the program. So
    cross-validation scores what is shipped. Use :func:`innage.train` for a search that meets limits and
    budgets and keeps a model in a store; this is for trying things.

    Parameters:
        family: ``line``, ``hinge``, ``trees`` or ``net``.
        size: knots of a hinge, trees, or units of a net; at least 2 (a line ignores it).
        bits: of a weight, 8 or 16.
        count_bits: width of a count, 1 to 24.
        count_law: ``rises`` or ``falls``, with capacitance.
        span_mm: the tank's usable height; None means the highest level of the fit.
        random_state: seed of the fit.

    Attributes:
        program_: the integer program; :func:`innage.replay` and the exporters take it.
        float_: the float model that it was made from.
        n_features_in_: channels.
    """

    def __init__(
        self,
        family: str = "hinge",
        size: int = 8,
        bits: int = 16,
        count_bits: int = 16,
        count_law: str = "rises",
        span_mm: float | None = None,
        random_state: int = 0,
    ) -> None:
        self.family = family
        self.size = size
        self.bits = bits
        self.count_bits = count_bits
        self.count_law = count_law
        self.span_mm = span_mm
        self.random_state = random_state

    def fit(self, X: ArrayLike, y: ArrayLike, groups: ArrayLike | None = None) -> IntegerLevelRegressor:
        """Fit to frames of known level.

        Args:
            X: counts (n, channels), whole numbers from 0 to the sensor's width; others are rounded.
            y: levels above the datum in mm, float (n,).
            groups: (n,), such as the unit of each frame; every group counts the same, however many frames it
                has. None: one group.

        Raises:
            InputError: an unknown family, size, width or law, or counts outside the width.
            ProgramError: weights that do not fit these bits.
        """
        self._check_parameters()
        values, level = validate_data(self, X, y, dtype=np.float64, y_numeric=True)
        counts, level, group = (
            _whole(values, self.count_bits),
            np.asarray(level, np.float64),
            _groups(groups, len(values)),
        )
        span = float(level.max()) if self.span_mm is None else float(self.span_mm)
        hardware = Hardware(
            self.count_bits,
            counts.shape[1],
            CountLaw(self.count_law),
            100,
            100,
            max(span, 1 / LEVEL_UNITS_PER_MM),
        )
        order = np.lexsort(
            (*counts.T[::-1], level, group)
        )  # a fit is blind to the order in which frames came
        rows = Rows(counts[order], level[order], group[order])
        self.float_ = fit_sizes(self.family, [self.size], rows, hardware, self.random_state)[self.size]
        self.program_ = quantise(self.float_, self.bits, hardware, "estimator")
        return self

    def predict(self, X: ArrayLike) -> NDArray[np.float64]:
        """Levels in mm, float64 (n,), NaN where the chip would withhold them: a count outside the range of
        the fit.
        """
        check_is_fitted(self, "program_")
        return _levels_of(self.program_, self._counts(X, self.count_bits), None)

    def _check_parameters(self) -> None:
        for name, given, allowed in (
            ("family", self.family, tuple(FAMILIES)),
            ("bits", self.bits, BITS),
            ("count_law", self.count_law, tuple(CountLaw)),
        ):
            if given not in allowed:
                raise InputError(name, repr(given), "one of " + ", ".join(map(str, allowed)))
        if not (isinstance(self.size, int | np.integer) and self.size >= 2):
            raise InputError("size", repr(self.size), "a whole number of at least 2")
        if not (isinstance(self.count_bits, int | np.integer) and 1 <= self.count_bits <= MOST_BITS):
            raise InputError("count_bits", repr(self.count_bits), f"1 to {MOST_BITS}")


class ProgramRegressor(_Integer):
    """A program that is there already, as an estimator: ``predict`` runs it over the rows as one stream from
    power-on.

    For metrics, permutation importances and the like; ``fit`` learns nothing and only notes the number of
    channels.

    Parameters:
        program: the integer program, such as ``innage.program_of(model)``.
        trim: int (channels x kinds,), as :func:`innage.trim_of` gives it; None for a program that takes none.
    """

    def __init__(self, program: Program | None = None, trim: ArrayLike | None = None) -> None:
        self.program = program
        self.trim = trim

    def fit(self, X: ArrayLike, y: ArrayLike | None = None) -> ProgramRegressor:
        """Check that the rows have the program's channels. Raises InputError where they have not, or where
        there is no program.
        """
        if self.program is None:
            raise InputError(
                "program", "none", "an integer program", "innage.program_of(model) gives that of a model"
            )
        counts = _whole(validate_data(self, X, dtype=np.float64), self.program.count_bits)
        if counts.shape[1] != self.program.channels:
            raise InputError(
                "X",
                counted(counts.shape[1], "column"),
                f"{self.program.channels}, the channels of program '{self.program.name}'",
            )
        self.program_ = self.program
        return self

    def predict(self, X: ArrayLike) -> NDArray[np.float64]:
        """Levels in mm, float64 (n,), NaN where the program withholds them; the state is carried from row to
        row.

        Raises InputError for a program that takes a trim where none was given.
        """
        check_is_fitted(self, "program_")
        trim = None if self.trim is None else np.asarray(self.trim, np.int64)
        if self.program_.trim is not None and trim is None:
            raise InputError(
                "trim",
                "none",
                f"{self.program_.trim.size} counts",
                "innage.trim_of(store, model, unit) gives those of a unit",
            )
        return _levels_of(self.program_, self._counts(X, self.program_.count_bits), trim)


def _levels_of(
    program: Program, counts: NDArray[np.int64], trim: NDArray[np.int64] | None
) -> NDArray[np.float64]:
    level = run(program, counts, trim=trim).level
    return np.where(level == NO_LEVEL, np.nan, level / LEVEL_UNITS_PER_MM)


def _whole(values: NDArray[np.float64], bits: int) -> NDArray[np.int64]:
    """Counts rounded to whole numbers; ValueError for one that a sensor of this width cannot give."""
    check_non_negative(values, "a regressor of counts")
    counts = np.rint(values)
    wrong = np.argwhere(counts >= 1 << bits)
    if len(wrong):
        row, channel = wrong[0]
        raise InputError(
            f"X, row {row}, channel {channel}",
            f"{values[row, channel]:g}",
            f"a count from 0 to {(1 << bits) - 1}",
        )
    whole: NDArray[np.int64] = counts.astype(np.int64)
    return whole


def _groups(groups: ArrayLike | None, n: int) -> NDArray[np.int64]:
    if groups is None:
        return np.zeros(n, np.int64)
    numbered = np.unique(np.asarray(groups), return_inverse=True)[1].astype(np.int64)
    if numbered.shape != (n,):
        raise InputError("groups", f"shape {numbered.shape}", f"({n},), one for each frame")
    return numbered
