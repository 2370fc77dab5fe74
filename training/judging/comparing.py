"""Two models on the same frames: what differs, session by session, how sure that is, and where each is the
worse one.

Errors are compared on frames that both accept, so that a model gains nothing by withholding the hard ones;
the accepted shares stand beside them. Differences are 'second minus first', of absolute errors in mm: above 0
the second model is the worse.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from dataset.records import Limits
from dataset.values import FEWEST_GROUPS
from training.judging.answers import answer_limits, place_of
from training.judging.categorical import Categorical
from training.judging.class_figures import figures_of
from training.judging.figures import (
    AnsweredLimit,
    AnsweredPair,
    CellDifference,
    ClassDifference,
    Differences,
    Figures,
    Interval,
)
from training.judging.judged import Judged
from training.judging.scoring import tidy
from training.rows import Floats, Ints, Mask

DRAWS = 2000
SHARE = 0.95
METHOD = (
    "paired by session; mean over groups of the mean over their sessions; percentiles of 2000 "
    "draws with replacement, groups first, then sessions within each"
)


def compare(first: Judged, second: Judged, limits: Limits | None, seed: int = 0) -> Differences:
    """Compare two models judged on the same rows.

    ``classes``: for each class the difference of errors and of accepted shares with their intervals;
        ``cells``: the same, without interval, by
    liquid, class and level band; ``limits``: answers of both; ``losses``: why the second loses to the first
    where a limit speaks, ``gains`` the reverse, and ``undecided`` where too few groups leave it open.

    Raises ValueError for models judged on other rows.
    """
    if not (
        np.array_equal(first.frame, second.frame)
        and _same_names(first.places["session"], second.places["session"])
    ):
        raise ValueError("judged on different rows")
    everything = np.ones(len(first.frame), np.bool_)
    named = {"all"} if limits is None else {row.condition for row in limits.rows}
    classes = {
        name: _difference(first, second, rows, seed)
        for name, rows in {"all": everything, **first.classes(), **_places(first, named)}.items()
    }
    answers = [answer_limits(limits, whole_figures(judged)) for judged in (first, second)]
    return Differences(
        classes=classes,
        cells=cell_rows(first, second),
        limits=tuple(AnsweredPair(*pair) for pair in zip(*answers, strict=True)),
        losses=losses(classes, answers[0], answers[1], named),
        undecided=undecided(classes, named),
        gains=losses({name: row.turned() for name, row in classes.items()}, answers[1], answers[0], named),
        method=METHOD,
    )


def _places(judged: Judged, named: set[str]) -> dict[str, Mask]:
    """Rows of the liquids, units, couplings and other places that limits name."""
    wet = ~judged.states.empty
    return {
        name: wet & names.rows_of(place_of(name))
        for names in judged.places.values()
        for name in sorted(named - {"all"} - set(judged.classes()))
        if names.rows_of(place_of(name)).any()
    }


def _same_names(first: Categorical, second: Categorical) -> bool:
    """Whether rows have the same names, whatever other categories there are."""
    (names, numbers), (others, theirs) = first.numbered(), second.numbered()
    return names == others and np.array_equal(numbers, theirs)


def worst_rmse(judged: Judged) -> float | None:
    """The largest of the groups' root mean square errors of accepted readings, mm."""
    groups, used = judged.places["group"], judged.accepted
    errors = [
        float(np.sqrt(np.mean(judged.error_mm[used & groups.rows_of(g)] ** 2))) for g in groups[used].found()
    ]
    return tidy(max(errors)) if errors else None


def whole_figures(judged: Judged) -> Figures:
    """All figures, with the worst group's error over all frames."""
    return replace(figures_of(judged), worst_group_rmse_mm=worst_rmse(judged))


def losses(
    classes: Mapping[str, ClassDifference],
    first: Sequence[AnsweredLimit],
    second: Sequence[AnsweredLimit],
    named: set[str],
) -> tuple[str, ...]:
    """Sentences: limits that the first meets and the second does not, and classes named by a limit in which
    the second is surely worse.
    """
    sentences = [
        f"limit {a.metric} of {a.condition} at {a.bound:g}: {b.answer} ({b.reason}); the other model meets it"
        for a, b in zip(first, second, strict=True)
        if a.answer == "met" and b.answer != "met"
    ]
    for name in sorted(named & set(classes)):
        error, share = classes[name].error_mm, classes[name].accepted_share
        if error.low is not None and error.low > 0:
            sentences.append(
                f"{name}: errors larger by {error.value:.3g} mm ({error.low:.3g} to {error.high:.3g})"
            )
        if share.value is not None and share.low is not None and share.high is not None and share.high < 0:
            sentences.append(
                f"{name}: accepts {-100 * share.value:.2g} percentage points fewer frames "
                f"({-100 * share.high:.2g} to {-100 * share.low:.2g})"
            )
    return tuple(sentences)


def undecided(classes: Mapping[str, ClassDifference], named: set[str]) -> tuple[str, ...]:
    """Sentences: classes named by a limit, of which too few groups say anything for an interval."""
    sentences = []
    for name in sorted(named):
        row = classes.get(name)
        if row is None:
            sentences.append(f"{name}: not captured")
        elif row.error_mm.low is None:
            few = row.groups if row.groups < FEWEST_GROUPS else f"fewer than {FEWEST_GROUPS}"
            sentences.append(
                f"{name}: {few} groups with frames that both accept; an interval needs {FEWEST_GROUPS}"
            )
    return tuple(sentences)


def _difference(first: Judged, second: Judged, rows: Mask, seed: int) -> ClassDifference:
    both = rows & first.accepted & second.accepted
    worse = np.abs(second.error_mm) - np.abs(first.error_mm)
    more = second.accepted.astype(np.float64) - first.accepted
    groups, sessions = first.places["group"], first.places["session"]
    return ClassDifference(
        frames=int(rows.sum()),
        both_accepted=int(both.sum()),
        sessions=len(sessions[rows].found()),
        groups=len(groups[rows].found()),
        error_mm=bootstrap_interval(worse[both], sessions.codes[both], groups.codes[both], seed),
        accepted_share=bootstrap_interval(more[rows], sessions.codes[rows], groups.codes[rows], seed),
    )


def bootstrap_interval(values: Floats, sessions: Any, groups: Any, seed: int = 0) -> Interval:
    """The mean over groups of the mean over sessions of ``values`` (n,), with its 95 % bootstrap interval;
    None with fewer than 3 groups.

    ``sessions`` and ``groups`` (n,) name where each value is from. Drawn at both levels, as Davison and
    Hinkley, Bootstrap Methods and their Application (1997), section 3.8, discuss (from memory); with few
    sessions a group this errs to the wide side.
    """
    if not len(values):
        return Interval()
    nested = _session_means(values, sessions, groups)
    value = tidy(np.mean([means_here.mean() for means_here in nested]))
    if len(nested) < FEWEST_GROUPS:
        return Interval(value)
    rng = np.random.default_rng(seed)
    taken: Ints = rng.integers(0, len(nested), (DRAWS, len(nested)))
    drawn = np.zeros(taken.shape)
    for k, means_here in enumerate(nested):
        here = taken == k
        drawn[here] = means_here[rng.integers(0, len(means_here), (int(here.sum()), len(means_here)))].mean(
            axis=1
        )
    means = drawn.mean(axis=1)
    low, high = np.quantile(means, [(1 - SHARE) / 2, (1 + SHARE) / 2])
    return Interval(value, tidy(low), tidy(high))


def _session_means(values: Floats, sessions: Any, groups: Any) -> list[Floats]:
    """For each group, the means of its sessions."""
    means = []
    for group in np.unique(groups):
        mine = groups == group
        names, label = np.unique(sessions[mine], return_inverse=True)
        means.append(np.bincount(label, values[mine]) / np.bincount(label, minlength=len(names)))
    return means


def cell_rows(first: Judged, second: Judged) -> tuple[CellDifference, ...]:
    """Mean absolute errors of both by liquid, class and level band, on frames that both accept."""
    liquids, bands, groups = (first.places[place] for place in ("liquid", "level band", "group"))
    both = first.accepted & second.accepted
    cells = []
    for name, rows in first.classes().items():
        for liquid in liquids[rows].found():
            of_liquid = rows & liquids.rows_of(liquid)
            for band in sorted(bands[of_liquid].found(), key=lambda text: int(text.split()[0])):
                cell = of_liquid & bands.rows_of(band)
                used = cell & both
                errors = [
                    tidy(np.abs(judged.error_mm[used]).mean()) if used.any() else None
                    for judged in (first, second)
                ]
                before, after = errors
                cells.append(
                    CellDifference(
                        name=name,
                        liquid=liquid,
                        level_band=band,
                        frames=int(cell.sum()),
                        groups=len(groups[cell].found()),
                        first_mm=before,
                        second_mm=after,
                        difference_mm=None if before is None or after is None else tidy(after - before),
                    )
                )
    return tuple(cells)
