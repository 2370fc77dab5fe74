"""The operating point of an array model: from which score on a reading is withheld, flagged or called empty.
Set on rows that no fit has seen.

False-wet comes first (an empty tank that is read as wet lets a pump run dry), then the shares of readings
that the limits ask to be
given, then the error: as much is withheld as those shares leave room for.
"""

from __future__ import annotations

import bisect
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from training.models.trimming import SHARE_HIGH, SHARE_LOW, SHARE_ONE
from training.models.watch import FALSE_FOAM, ONE, States
from training.program import LEVEL_UNITS_PER_MM, shift_round
from training.rows import Floats, Ints, Mask

WET_SPAN_SHARE = (
    0.05  # of the span: an empty tank read above this is a false wet, a fuller one called empty a false dry
)
DEFAULT_SHARES: Mapping[str, float] = {"clean": 0.99, "foam": 0.85, "film": 0.85}
_SPARE = 0.25  # of what may be withheld is kept back, since unseen units are a little worse
_LEAST: Mapping[str, float] = {
    "clean": 0.97,
    "foam": 0.7,
    "film": 0.7,
}  # shares given; false wets are hunted no further
_STRANGE_QUANTILE = 0.999
# of a score of 1, where made-up frames lie: a net that puts a few clean ones there too must still find them
_STRANGE_MOST = 0.95
_DRY_QUANTILE = 0.998
_NEVER = 1 << 14


@dataclass(frozen=True)
class Operating:
    """Thresholds in the integers of the program: scores in 1/1024, shares in 1/4096. Foam, and film without
    foam, have doubts of their own.
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

    def level_mm(self) -> Floats:
        """The levels of both nets, mixed by the foam score as the program does."""
        plain, foam = (
            np.rint(level * LEVEL_UNITS_PER_MM).astype(np.int64) for level in (self.plain_mm, self.foam_mm)
        )
        mixed = plain + shift_round((foam - plain) * np.clip(self.foam, 0, ONE), ONE.bit_length() - 1)
        return np.asarray(mixed / LEVEL_UNITS_PER_MM, np.float64)


def nothing_withheld() -> Operating:
    """Thresholds that no score reaches."""
    return Operating(SHARE_LOW, _NEVER, _NEVER, _NEVER, _NEVER, _NEVER, _NEVER, SHARE_LOW, SHARE_HIGH)


def find_operating(
    scores: Scores,
    label_mm: Floats,
    states: States,
    group: Ints,
    span_mm: float,
    shares: Mapping[str, float],
    foam_unseen: Sequence[int] = (),
) -> Operating:
    """Thresholds from rows with labels and groups (n,); ``shares`` are the least shares of readings to be
    given by class: clean, foam, film. ``foam_unseen``: of other groups the foam score that :data:`FALSE_FOAM`
    of clean frames exceed.
    """
    at = nothing_withheld()
    at = replace(
        at,
        share_low=min(int(scores.driest.min()) - SHARE_ONE // 10, -SHARE_ONE // 8),
        share_high=int(scores.greatest.max()) + SHARE_ONE // 8,
    )
    at = replace(at, share_low=max(at.share_low, SHARE_LOW), share_high=min(at.share_high, SHARE_HIGH))
    at = replace(at, empty_below=_empty(scores, label_mm, states, span_mm))
    seen = states.clean if states.clean.any() else np.ones(len(label_mm), np.bool_)
    foam = max(_apart(scores.foam, states.foam), _rarely(scores.foam, seen, group, foam_unseen))
    at = replace(at, foam_above=foam, film_above=_apart(scores.film, states.film))
    strange = int(np.quantile(scores.strange[seen], _STRANGE_QUANTILE)) + 1
    at = replace(at, strange_above=min(max(strange, ONE // 2), int(_STRANGE_MOST * ONE)))
    return _doubts(scores, at, states, group, shares)


def accepted(scores: Scores, at: Operating) -> Mask:
    """Which rows get a reading."""
    most = np.where(
        scores.foam > at.foam_above,
        at.doubt_above_foam,
        np.where(scores.film > at.film_above, at.doubt_above_film, at.doubt_above),
    )
    bad = (scores.doubt > most) | (scores.strange > at.strange_above)
    outside = (scores.driest < at.share_low) | (scores.greatest > at.share_high)
    return np.asarray(~outside & (~bad | (scores.wettest < at.empty_below)), np.bool_)


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


def _rarely(score: Ints, clean: Mask, group: Ints, unseen: Sequence[int]) -> int:
    """The foam score that FALSE_FOAM of clean frames exceed, the mean over groups: few of them differ too
    much to go by one.
    """
    each = [np.quantile(score[clean & (group == g)], 1 - FALSE_FOAM) for g in np.unique(group[clean])]
    return int(np.mean([*each, *unseen]))


def _doubts(
    scores: Scores, at: Operating, states: States, group: Ints, shares: Mapping[str, float]
) -> Operating:
    """The thresholds of doubt, each as low as the share that is asked for its class leaves room.

    All rows together are given a little more than that share, and each group no less than it: groups not seen
    differ as these do. Clean frames that are called foam or film wrongly fall under the thresholds of those,
    which may take a third each of what may be withheld of clean ones.
    """
    wanted = {name: 1 - (1 - share) * (1 - _SPARE) for name, share in shares.items()}
    withheld = 1 - wanted.get("clean", 0)
    for threshold, name, clean in (
        ("doubt_above_foam", "foam", 1 / 3),
        ("doubt_above_film", "film", 2 / 3),
        ("doubt_above", "clean", 1),
    ):
        at = _doubt(
            scores,
            at,
            states,
            group,
            threshold,
            name,
            shares.get(name, 0),
            wanted | {"clean": 1 - clean * withheld},
        )
    return at


def _doubt(
    scores: Scores,
    at: Operating,
    states: States,
    group: Ints,
    threshold: str,
    name: str,
    least: float,
    wanted: Mapping[str, float],
) -> Operating:
    """The operating point with one threshold as low as may be: ``wanted`` shares of all rows, and ``least``
    of each group's rows of the class ``name``.
    """
    levels, groups = _levels(scores), [group == g for g in np.unique(group)]

    def raised(t: int) -> Operating:
        return replace(at, **{threshold: int(t)})

    def gives(t: int) -> bool:
        return _gives(scores, raised(t), states, wanted, {name, "clean"})

    def gives_each(t: int) -> bool:
        return gives(t) and all(
            _gives(scores, raised(t), states, {name: least}, (name,), rows) for rows in groups
        )

    # a group of which other reasons withhold too much leaves nothing to be doubted: then all rows together
    # decide
    k = bisect.bisect_left(levels, True, key=gives_each if gives_each(levels[-1]) else gives)
    return raised(levels[min(k, len(levels) - 1)])


def without_false_wets(
    scores: Scores, states: States, at: Operating, others: Scores, their_states: States, span_mm: float
) -> Operating:
    """Thresholds of doubt lowered until no empty tank among ``others`` is read as wet, or ``scores`` rows are
    given the least that a product can live with.
    """

    def lowered(t: int) -> Operating:
        doubts = {
            name: min(getattr(at, name), int(t))
            for name in ("doubt_above", "doubt_above_foam", "doubt_above_film")
        }
        return replace(at, **doubts)

    levels = _levels(scores)
    safe = bisect.bisect_left(
        levels, True, key=lambda t: bool(false_wet(others, lowered(t), their_states, span_mm).any())
    )
    if safe == len(levels):
        return at
    floor = bisect.bisect_left(levels, True, key=lambda t: _gives(scores, lowered(t), states, _LEAST, _LEAST))
    return lowered(int(levels[min(max(safe - 1, floor, 0), len(levels) - 1)]))


def _levels(scores: Scores) -> Ints:
    return np.unique(np.quantile(scores.doubt, np.linspace(0, 1, 401)).astype(np.int64))


def _gives(
    scores: Scores,
    at: Operating,
    states: States,
    least: Mapping[str, float],
    names: Collection[str],
    rows: Mask | None = None,
) -> bool:
    """Whether at least the shares ``least`` of the classes named are given, on some rows or on all."""
    classes = {
        "clean": states.clean,
        "foam": states.foam & ~states.empty,
        "film": states.film & ~states.empty,
    }
    given = accepted(scores, at)
    its_rows = {name: classes[name] if rows is None else classes[name] & rows for name in names}
    return all(
        float(given[its_rows[name]].mean()) >= least.get(name, 0) for name in names if its_rows[name].any()
    )
