"""What pictures of answers are made of: error by level, class and unit, predicted against true, risk against
acceptance over the doubt score, what was said against what was stated.
"""

from __future__ import annotations

import numpy as np

from dataset.values import natural
from training.judging.figures import (
    ErrorBox,
    LevelBin,
    OperatingPoint,
    RiskPoint,
    StatedFrames,
    UnitErrors,
)
from training.judging.judged import Judged
from training.judging.scoring import FEWEST_FRAMES, by_level, tidy
from training.models.operating import Scores
from training.program import FLAG_BITS, GIVEN, REASON_NAMES, VALIDITY_NAMES
from training.rows import Ints, Mask

MOST_UNITS = 24  # of a picture
_EVEN, _WORST = 45, 15  # readings of a class in the picture of predicted against true
_STRIP = np.linspace(0.0, 1.0, 15)  # quantiles that stand for a class of a unit
_BOX = (0.05, 0.25, 0.5, 0.75, 0.95)
ACCEPTED = (
    0.5,
    0.6,
    0.7,
    0.8,
    0.85,
    0.9,
    0.95,
    0.98,
    0.99,
    1.0,
)  # shares that a threshold of doubt is set for


def errors_by_level(judged: Judged) -> tuple[LevelBin, ...]:
    """Signed errors of accepted readings of liquid; see :func:`training.judging.scoring.by_level`."""
    used = judged.accepted & ~judged.states.empty
    return by_level(judged.label_mm[used], judged.error_mm[used], judged.u_mm[used], judged.span_mm)


def errors_by_class_level(judged: Judged) -> dict[str, tuple[LevelBin, ...]]:
    """The same for each class of liquid; a class without a bin is left out."""
    bins = {}
    for name, rows in _liquid_classes(judged).items():
        used = rows & judged.accepted
        bins[name] = by_level(judged.label_mm[used], judged.error_mm[used], judged.u_mm[used], judged.span_mm)
    return {name: of_class for name, of_class in bins.items() if of_class}


def predicted_levels(judged: Judged) -> dict[str, tuple[tuple[float, ...], ...]]:
    """By class of liquid (true, predicted) level in mm of some accepted readings, in order of the true level:
    evenly spaced ones, and those that are furthest off.
    """
    chosen = dict[str, tuple[tuple[float, ...], ...]]()
    for name, rows in _liquid_classes(judged).items():
        at = np.flatnonzero(rows & judged.accepted)
        if not len(at):
            continue
        ordered = at[np.lexsort((judged.level_mm[at], judged.label_mm[at]))]
        even = ordered[np.unique(np.linspace(0, len(ordered) - 1, _EVEN).astype(np.int64))]
        worst = ordered[np.argsort(-np.abs(judged.error_mm[ordered]), kind="stable")[:_WORST]]
        kept = np.union1d(even, worst)
        points = zip(judged.label_mm[kept].tolist(), judged.level_mm[kept].tolist(), strict=True)
        chosen[name] = tuple(sorted((drawn(true), drawn(level)) for true, level in points))
    return chosen


def unit_errors(judged: Judged) -> tuple[UnitErrors, ...]:
    """Signed errors of accepted readings of liquid by unit, of at most MOST_UNITS: those with the largest P95
    of the error; a unit of fewer than FEWEST_FRAMES readings is left out.
    """
    classes, strips = _liquid_classes(judged), list[tuple[float, UnitErrors]]()
    wet = judged.accepted & ~judged.states.empty
    for unit in sorted(judged.places["unit"].found(), key=natural):
        used = wet & judged.places["unit"].rows_of(unit)
        if used.sum() < FEWEST_FRAMES:
            continue
        error = judged.error_mm[used]
        low, middle, high = (tidy(np.quantile(error, share)) for share in (0.05, 0.5, 0.95))
        by_class = {
            name: tuple(map(drawn, np.quantile(judged.error_mm[rows & used], _STRIP, method="inverted_cdf")))
            for name, rows in classes.items()
            if (rows & used).any()
        }
        worst = float(np.quantile(np.abs(error), 0.95))
        strips.append((worst, UnitErrors(str(unit), int(used.sum()), low, middle, high, by_class)))
    largest = sorted(range(len(strips)), key=lambda k: -strips[k][0])[:MOST_UNITS]
    return tuple(strips[k][1] for k in sorted(largest))


def drawn(value: float) -> float:
    """``value`` as precisely as a picture shows it."""
    return float(f"{value:.4g}")


def error_boxes(judged: Judged) -> tuple[ErrorBox, ...]:
    """Signed errors of accepted readings by class: quantiles in mm, all groups weighted equally, and
    the least and greatest error.

    Classes as in :meth:`Judged.classes`; one of fewer than FEWEST_FRAMES readings is left out. ``frames`` are
    those readings, ``sessions`` and ``groups`` those they are from.
    """
    boxes = []
    for name, rows in judged.classes().items():
        used = rows & judged.accepted
        if used.sum() < FEWEST_FRAMES:
            continue
        groups, of = judged.places["group"][used].numbered()
        error, weights = judged.error_mm[used], 1 / np.bincount(of)[of]
        p05, p25, p50, p75, p95 = (
            tidy(np.quantile(error, share, weights=weights, method="inverted_cdf")) for share in _BOX
        )
        boxes.append(
            ErrorBox(
                name=name,
                frames=int(used.sum()),
                sessions=len(judged.places["session"][used].found()),
                groups=len(groups),
                p05_mm=p05,
                p25_mm=p25,
                p50_mm=p50,
                p75_mm=p75,
                p95_mm=p95,
                least_mm=tidy(error.min()),
                most_mm=tidy(error.max()),
            )
        )
    return tuple(boxes)


def confusion_rows(judged: Judged) -> tuple[StatedFrames, ...]:
    """Frames by what was stated of them, and of each row how many were valid, empty or withheld and how many
    raised each flag.

    A frame is in one row, so that the rows add up to all frames; 'film' is film or drops, 'rough' sloshing or
    scale without foam and film.
    ``due``: the flags and the validity that the row calls for. A program raises neither foam nor film where
        it says empty.
    """
    state = judged.states
    wet, foam, film = ~state.empty, state.foam, state.film
    table = []
    for name, rows, due in (
        ("clean", state.clean, ("valid",)),
        ("rough", wet & ~foam & ~film & ~state.clean, ("valid",)),
        ("foam", foam & ~film, ("valid", "foam")),
        ("film", wet & film & ~foam, ("valid", "film")),
        ("foam and film", foam & film, ("valid", "foam", "film")),
        ("dry", state.dry, ("empty",)),
        ("empty, film", state.empty & film, ("empty",)),
    ):
        if rows.any():
            validity = {
                word: int((judged.validity[rows] == code).sum()) for code, word in VALIDITY_NAMES.items()
            }
            raised = {flag: int((judged.flags[rows] & bit != 0).sum()) for flag, bit in FLAG_BITS.items()}
            withheld = None if judged.reason is None else _reasons(judged.reason[rows])
            sessions = len(judged.places["session"][rows].found())
            table.append(StatedFrames(name, int(rows.sum()), sessions, validity, raised, due, withheld))
    return tuple(table)


def _reasons(reason: Ints) -> dict[str, int]:
    """Frames withheld by reason."""
    return {name: int((reason == code).sum()) for code, name in REASON_NAMES.items() if code != GIVEN}


def risk_curves(judged: Judged, scores: Scores) -> dict[str, tuple[RiskPoint, ...]]:
    """By class, and of all liquid: the P95 of the error in mm of what would be accepted, were doubt alone to
    decide, for thresholds from strict to none.

    ``scores`` are of the rows of ``judged``. The error is of the level before it is withheld; frames of equal
    doubt are accepted together, so that the share reached may lie above the one that the threshold was set
    for.
    """
    return {name: _curve(judged, scores, rows) for name, rows in _liquid(judged).items()}


def operating_points(judged: Judged) -> dict[str, OperatingPoint]:
    """By the same classes, of all frames alike: what is accepted in fact, and the P95 of its error in mm; a
    class of which nothing is accepted is left out.
    """
    points = {}
    for name, rows in _liquid(judged).items():
        size = np.abs(judged.error_mm[rows & judged.accepted])
        if len(size):
            points[name] = OperatingPoint(tidy(len(size) / rows.sum()), tidy(np.quantile(size, 0.95)))
    return points


def _liquid(judged: Judged) -> dict[str, Mask]:
    """Rows of liquid by what is on it, and all of them; a class without rows is left out."""
    classes = _liquid_classes(judged)
    wet = ~judged.states.empty
    return classes | ({"liquid": wet} if wet.any() else {})


def _liquid_classes(judged: Judged) -> dict[str, Mask]:
    return {name: rows for name, rows in judged.classes().items() if name in ("clean", "foam", "film")}


def _curve(judged: Judged, scores: Scores, rows: Mask) -> tuple[RiskPoint, ...]:
    doubt, size = scores.doubt[rows], np.abs(scores.level_mm() - judged.label_mm)[rows]
    points: dict[int, RiskPoint] = {}
    for threshold in np.quantile(doubt, ACCEPTED, method="higher"):
        given = doubt <= threshold
        p95 = tidy(np.quantile(size[given], 0.95))
        points[int(threshold)] = RiskPoint(int(threshold), tidy(given.mean()), p95)
    return tuple(points[threshold] for threshold in sorted(points))
