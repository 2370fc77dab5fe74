"""The operating point of an array model: from which score on a reading is withheld, flagged or called empty.
Set on rows that no net behind their scores has seen.

A level that no pad bears out is withheld first (an empty tank that is read as wet lets a pump run dry). The
doubts are set together: the shares of readings that the limits ask for are given, their errors kept, and
beyond that a reading is withheld only where the error falls by more than the readings do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from training.models.trimming import SHARE_HIGH, SHARE_LOW, SHARE_ONE
from training.models.watch import FALSE_FOAM, ONE, States, joined_states
from training.program import LEVEL_UNITS_PER_MM, shift_round
from training.rows import Floats, Ints, Mask

WET_SPAN_SHARE = (
    0.05  # of the span: an empty tank read above this is a false wet, a fuller one called empty a false dry
)
DEFAULT_SHARES: Mapping[str, float] = {"clean": 0.99, "foam": 0.85, "film": 0.85}
_STRANGE_QUANTILE = 0.999
# of a score of 1, where made-up frames lie: a net that puts a few clean ones there too must still find them
_STRANGE_MOST = 0.95
_DRY_QUANTILE = 0.998
_LEAST_WET = (
    0.9  # of what all but two thousandths of frames of liquid above a false wet show on the wettest pad
)
_NEVER = 1 << 14
_SPARE = 0.25  # of what may be withheld is kept back, since unseen groups are a little worse
_FRAMES = 200  # of a class and a group: doubts are set on no more, evenly spread
_TAILS = np.geomspace(0.002, 0.4, 16)  # shares of a class whose doubts are tried as thresholds
_SWEEPS = 4  # over the doubts, one after the other; two mostly do


@dataclass(frozen=True)
class Operating:
    """Thresholds in the integers of the program: scores in 1/1024, shares in 1/4096, levels in 1/64 mm.

    Foam, and film without foam, have doubts of their own. A level above ``wet_level`` is withheld where no
    pad shows ``wet_least``.
    """

    empty_below: int
    doubt_above: int
    doubt_above_foam: int
    doubt_above_film: int
    strange_above: int
    foam_above: int
    film_above: int
    share_low: int
    share_high: int
    wet_level: int = 0
    wet_least: int = SHARE_LOW


@dataclass(frozen=True)
class Scores:
    """What the nets gave on rows, (n,): levels before they are withheld; the others in the program's
    integers. ``wettest``, ``driest`` and ``highest`` are shares; the last is the greatest of any channel,
    where the wettest pad is sought among some (None: among all).

    ``plain_mm`` is the level net's, ``foam_mm`` that of the net for foam (the same where a model has none).
    """

    plain_mm: Floats
    foam_mm: Floats
    doubt: Ints
    strange: Ints
    foam: Ints
    film: Ints
    wettest: Ints
    driest: Ints
    highest: Ints | None = None

    @property
    def greatest(self) -> Ints:
        """The greatest share of any channel."""
        return self.wettest if self.highest is None else self.highest

    def of(self, rows: Ints | Mask) -> Scores:
        """Those of some rows."""
        return Scores(**{name: values[rows] for name, values in self.held().items()})

    def held(self) -> dict[str, Any]:
        """The arrays that there are, by name."""
        named = {one.name: getattr(self, one.name) for one in fields(self)}
        return {name: values for name, values in named.items() if values is not None}

    def level_mm(self) -> Floats:
        """The levels of both nets, mixed by the foam score as the program does."""
        plain, foam = (
            np.rint(level * LEVEL_UNITS_PER_MM).astype(np.int64) for level in (self.plain_mm, self.foam_mm)
        )
        mixed = plain + shift_round((foam - plain) * np.clip(self.foam, 0, ONE), ONE.bit_length() - 1)
        return np.asarray(mixed / LEVEL_UNITS_PER_MM, np.float64)


def joined_scores(parts: Sequence[Scores]) -> Scores:
    """Scores of several lots of rows, one after the other."""
    held = [part.held() for part in parts]
    return Scores(**{name: np.concatenate([one[name] for one in held]) for name in held[0]})


def nothing_withheld() -> Operating:
    """Thresholds that no score reaches."""
    return Operating(SHARE_LOW, _NEVER, _NEVER, _NEVER, _NEVER, _NEVER, _NEVER, SHARE_LOW, SHARE_HIGH)


@dataclass(frozen=True)
class Wanted:
    """What is asked for by class (clean, foam, film): the least shares of readings to be given, and the
    greatest P95 of the error in mm, where there is one.
    """

    shares: Mapping[str, float] = field(default_factory=lambda: dict(DEFAULT_SHARES))
    errors_mm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class UnseenRows:
    """Rows (n,) that the nets behind their scores have not seen, with labels, states and groups."""

    scores: Scores
    label_mm: Floats
    states: States
    group: Ints


def joined_rows(parts: Sequence[UnseenRows]) -> UnseenRows:
    """Several lots of rows, one after the other."""
    return UnseenRows(
        joined_scores([part.scores for part in parts]),
        np.concatenate([part.label_mm for part in parts]),
        joined_states([part.states for part in parts]),
        np.concatenate([part.group for part in parts]),
    )


def find_operating(rows: UnseenRows, span_mm: float, wanted: Wanted) -> Operating:
    """The thresholds for what is wanted; what cannot be had is come near to."""
    scores, states = rows.scores, rows.states
    seen = states.clean if states.clean.any() else np.ones(len(rows.label_mm), np.bool_)
    liquid = rows.label_mm > WET_SPAN_SHARE * span_mm
    strange = int(np.quantile(scores.strange[seen], _STRANGE_QUANTILE)) + 1
    low = min(int(scores.driest.min()) - SHARE_ONE // 10, -SHARE_ONE // 8)
    at = replace(
        nothing_withheld(),
        share_low=max(low, SHARE_LOW),
        share_high=min(int(scores.greatest.max()) + SHARE_ONE // 8, SHARE_HIGH),
        empty_below=_empty(scores, rows.label_mm, states, span_mm),
        foam_above=max(_apart(scores.foam, states.foam), _rarely(scores.foam, seen, rows.group)),
        film_above=_apart(scores.film, states.film),
        strange_above=min(max(strange, ONE // 2), int(_STRANGE_MOST * ONE)),
    )
    if liquid.any():
        least = _LEAST_WET * np.quantile(scores.wettest[liquid], 1 - _DRY_QUANTILE)
        at = replace(at, wet_level=int(WET_SPAN_SHARE * span_mm * LEVEL_UNITS_PER_MM), wet_least=int(least))
    return _Doubts(rows, at, wanted).best()


def accepted(scores: Scores, at: Operating) -> Mask:
    """Which rows get a reading."""
    most = np.where(
        scores.foam > at.foam_above,
        at.doubt_above_foam,
        np.where(scores.film > at.film_above, at.doubt_above_film, at.doubt_above),
    )
    return np.asarray(~_withheld_anyway(scores, at) & (_dry(scores, at) | (scores.doubt <= most)), np.bool_)


def _dry(scores: Scores, at: Operating) -> Mask:
    return np.asarray(scores.wettest < at.empty_below, np.bool_)


def _withheld_anyway(scores: Scores, at: Operating) -> Mask:
    """Rows that are withheld whatever their doubt."""
    outside = (scores.driest < at.share_low) | (scores.greatest > at.share_high)
    level = np.rint(scores.level_mm() * LEVEL_UNITS_PER_MM)
    not_borne_out = (level > at.wet_level) & (scores.wettest < at.wet_least)
    return np.asarray(
        outside | (~_dry(scores, at) & (not_borne_out | (scores.strange > at.strange_above))), np.bool_
    )


def false_wet(scores: Scores, at: Operating, states: States, span_mm: float) -> Mask:
    """Rows of an empty tank that are given a level above 5 % of the span."""
    return np.asarray(
        states.empty
        & accepted(scores, at)
        & (scores.wettest >= at.empty_below)
        & (scores.level_mm() > WET_SPAN_SHARE * span_mm),
        np.bool_,
    )


def _empty(scores: Scores, label_mm: Floats, states: States, span_mm: float) -> int:
    """Halfway between what dry tanks show and what tanks show that hold more than a trace."""
    dry = scores.wettest[states.dry]
    wet = scores.wettest[label_mm > max(0.01 * span_mm, 1.0)]
    low = float(np.quantile(dry, _DRY_QUANTILE)) if len(dry) else 0.0
    high = float(np.quantile(wet, 1 - _DRY_QUANTILE)) if len(wet) else low
    return int(np.ceil(low + 0.5 * max(high - low, 0.0))) + 1


def _apart(score: Ints, truth: Mask) -> int:
    """The threshold with the best mean of both rates; never reached when one side is missing."""
    if truth.all() or not truth.any():
        return _NEVER
    levels = np.unique(np.quantile(score, np.linspace(0, 1, 201)).astype(np.int64))
    rates = [(score[truth] > t).mean() + (score[~truth] <= t).mean() for t in levels]
    return int(levels[int(np.argmax(rates))])


def _rarely(score: Ints, clean: Mask, group: Ints) -> int:
    """The foam score that FALSE_FOAM of clean frames exceed, the mean over groups: few of them differ too
    much to go by one.
    """
    each = [np.quantile(score[clean & (group == g)], 1 - FALSE_FOAM) for g in np.unique(group[clean])]
    return int(np.mean(each))


@dataclass(frozen=True)
class _Class:
    """Rows of a class, the least error first: their indices, errors in mm, groups counted from 0, and of each
    group how many there are.
    """

    at: Ints
    error_mm: Floats
    group: Ints
    frames: Ints

    def figures(self, given: Mask) -> tuple[float, float]:
        """P95 of the error of what is given, every group weighing the same, and the share that is given: the
        mean over groups less its standard error, for groups not seen differ as these do.
        """
        each = np.bincount(self.group, given[self.at], minlength=len(self.frames))
        shares = each / self.frames
        share = float(shares.mean())
        if len(shares) > 1:
            share -= float(shares.std(ddof=1)) / len(shares) ** 0.5
        weights = np.cumsum(np.where(given[self.at], 1 / np.maximum(each, 1)[self.group], 0.0))
        if not weights[-1]:
            return float("inf"), 0.0
        return float(self.error_mm[np.searchsorted(weights, 0.95 * weights[-1])]), max(share, 0.0)


class _Doubts:
    """The search for the three thresholds of doubt, beside all others of an operating point."""

    names = ("doubt_above", "doubt_above_foam", "doubt_above_film")

    def __init__(self, rows: UnseenRows, at: Operating, wanted: Wanted) -> None:
        self.at, self.wanted, wet = at, wanted, ~rows.states.empty
        masks = {"clean": rows.states.clean, "foam": rows.states.foam & wet, "film": rows.states.film & wet}
        spread = {name: _spread(mask, rows.group) for name, mask in masks.items() if mask.any()}
        some = np.unique(np.concatenate([*spread.values(), np.zeros(0, np.int64)]))
        scores = rows.scores.of(some)
        self.doubt = scores.doubt
        self.foam = scores.foam > at.foam_above
        self.film = ~self.foam & (scores.film > at.film_above)
        self.never, self.dry = _withheld_anyway(scores, at), _dry(scores, at)
        error = np.abs(np.where(self.dry, 0.0, scores.level_mm()) - rows.label_mm[some])
        self.classes = {
            name: _class_of(np.searchsorted(some, mine), error, rows.group[some])
            for name, mine in spread.items()
        }
        each = [np.quantile(scores.doubt[one.at], 1 - _TAILS) for one in self.classes.values()]
        self.levels = [_NEVER, *sorted({int(v) for v in np.concatenate([*each, [0.0]])}, reverse=True)]
        self.costs: dict[tuple[int, ...], tuple[float, int, float]] = {}

    def best(self) -> Operating:
        """The point of least cost that is reached, one threshold after the other, from nothing withheld, from
        the best single threshold for all, and from the lowest one that keeps the shares.
        """
        if not self.classes:
            return self.at
        alike: list[tuple[int, ...]] = [(t,) * len(self.names) for t in self.levels]
        lowest = min(alike, key=lambda point: (self.cost(point)[:1], point))
        ends = [self._improved(start) for start in (alike[0], min(alike, key=self.cost), lowest)]
        best = min(ends, key=self.cost)
        return replace(self.at, **dict(zip(self.names, best, strict=True)))

    def _improved(self, point: tuple[int, ...]) -> tuple[int, ...]:
        for _ in range(_SWEEPS):
            before = point
            for k in range(len(point)):
                tried: list[tuple[int, ...]] = [
                    point,
                    *((*point[:k], t, *point[k + 1 :]) for t in self.levels),
                ]
                point = min(tried, key=self.cost)  # of equal ones the first, which withholds least
            if point == before:
                break
        return point

    def cost(self, point: tuple[int, ...]) -> tuple[float, int, float]:
        """As :meth:`_cost`, each point once."""
        if point not in self.costs:
            self.costs[point] = self._cost(point)
        return self.costs[point]

    def _cost(self, point: tuple[int, ...]) -> tuple[float, int, float]:
        """What a point is compared by: shares that are wanted and missed, then in how many classes the error
        is greater than wanted, then what is left of the error for each reading that is given, all classes
        alike.
        """
        plain, foam, film = point
        most = np.where(self.foam, foam, np.where(self.film, film, plain))
        given = ~self.never & (self.dry | (self.doubt <= most))
        missed, beyond, left = 0.0, 0, 0.0
        for name, one in self.classes.items():
            error, share = one.figures(given)
            wanted = 1 - (1 - self.wanted.shares.get(name, 0.0)) * (1 - _SPARE)
            missed += max(wanted - share, 0.0)
            beyond += error > self.wanted.errors_mm.get(name, np.inf)
            left += float(np.log(max(error, 1e-3) / max(share, 1e-9)))
        return round(missed, 6), beyond, left


def _spread(mask: Mask, group: Ints) -> Ints:
    """Rows of the mask, so many of each group as are looked at, in order."""
    kept = []
    for g in np.unique(group[mask]):
        of = np.flatnonzero(mask & (group == g))
        kept.append(of[np.linspace(0, len(of) - 1, min(len(of), _FRAMES)).round().astype(np.int64)])
    return np.sort(np.concatenate(kept))


def _class_of(rows: Ints, error_mm: Floats, group: Ints) -> _Class:
    at = rows[np.argsort(error_mm[rows], kind="stable")]
    _, of_group = np.unique(group[at], return_inverse=True)
    return _Class(at, error_mm[at], of_group, np.bincount(of_group))
