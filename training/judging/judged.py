"""What a program said of labelled frames, every session run whole from power-on, beside what was true; and
figures by class from it.

Errors are of accepted readings. Every group weighs the same in shares, means and quantiles, which are the
claim; the same pooled over frames stands beside them. Classes: 'clean' is liquid with nothing stated on it or
the wall, 'foam' and 'film' (drops too) liquid with those, 'drops', 'scale', 'sloshing' and 'tilted' liquid
with those, whatever else is stated; 'empty' a tank at level 0, dry or not, 'dry' one with nothing stated on
the wall. An episode is one session's frames of a class in a row.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.stats import beta

from dataset.records import Conditions, FrozenData, GroupBy, Mounting, PadRole, Surface, Wall
from training.judging.scoring import tidy
from training.judging.streams import values_of
from training.models.operating import WET_SPAN_SHARE, Operating, Scores, accepted
from training.models.watch import States, states_of
from training.program import EMPTY, FLAG_BITS, LEVEL_UNITS_PER_MM, VALID, WITHHELD, Program
from training.rows import Floats, Ints, Mask

JOINT_SHARE = 0.02  # of the span: a level no further off is right in the joint score; our own judgement
_LEVEL_BANDS = 10
_TEMPERATURE_BAND_K = 10


@dataclass(frozen=True)
class Judged:
    """One row a labelled frame, in session and time order; arrays (n,). Levels in mm, ``level_mm`` NaN where
    withheld.

    ``places`` gives for each way of grouping ('unit', 'liquid', 'coupling', 'flow', 'temperature', 'level
    band', 'zone', 'group', 'session') a label a row, ``stated`` the rows of which 'drops', 'scale',
    'sloshing' or 'tilted' was stated. ``known_mm``: least and greatest label of the fit, where known.
    ``power_on``: figures of cold starts, where they were tried. ``ordered``: groups are bands of a scale,
        chosen and not drawn. ``reason``: of withholding, where the program itself was run.
    """

    label_mm: Floats
    u_mm: Floats
    low_mm: Floats
    level_mm: Floats
    high_mm: Floats
    validity: Ints
    flags: Ints
    t_ms: Ints
    frame: Ints
    states: States
    places: Mapping[str, Any]
    span_mm: float
    stated: Mapping[str, Mask] = field(default_factory=dict)
    known_mm: tuple[float, float] | None = None
    power_on: Mapping[str, Any] | None = None
    ordered: bool = False
    reason: Ints | None = None

    @property
    def accepted(self) -> Mask:
        return np.asarray(self.validity != WITHHELD, np.bool_)

    @property
    def error_mm(self) -> Floats:
        return np.asarray(self.level_mm - self.label_mm, np.float64)

    @property
    def false_wet(self) -> Mask:
        """Frames of an empty tank that are given a level above 5 % of the span."""
        return np.asarray(
            self.states.empty
            & self.accepted
            & (np.nan_to_num(self.level_mm, nan=-1) > WET_SPAN_SHARE * self.span_mm),
            np.bool_,
        )

    @property
    def false_dry(self) -> Mask:
        """Frames called empty although they hold more than 5 % of the span."""
        return np.asarray(
            (self.validity == EMPTY) & (self.label_mm > WET_SPAN_SHARE * self.span_mm), np.bool_
        )

    def classes(self) -> dict[str, Mask]:
        """Rows of each class; a class without rows is left out."""
        wet, states = ~self.states.empty, self.states
        classes = {"clean": states.clean, "foam": states.foam & wet, "film": states.film & wet}
        classes |= {name: rows & wet for name, rows in self.stated.items()} | {
            "empty": states.empty,
            "dry": states.dry,
        }
        return {name: rows for name, rows in classes.items() if rows.any()}


def judge(
    program: Program,
    data: FrozenData,
    chosen: Mask,
    trims: Ints,
    span_mm: float,
    counts: list[Ints] | None = None,
) -> Judged:
    """Run the program over the sessions of the chosen rows. ``trims`` (sessions, trim size); ``counts``:
    whole sessions to use instead.
    """
    names = tuple(dict.fromkeys(program.outputs.values()))
    values = values_of(program, data, chosen, trims, names, counts)
    out = {what: values[node][:, 0] for what, node in program.outputs.items()}
    withheld = out["validity"] == WITHHELD
    level = np.where(withheld, np.nan, out["level"] / LEVEL_UNITS_PER_MM)
    return Judged(
        label_mm=data.level_mm[chosen],
        u_mm=data.u_mm[chosen],
        level_mm=level,
        low_mm=out["low"] / LEVEL_UNITS_PER_MM,
        high_mm=out["high"] / LEVEL_UNITS_PER_MM,
        validity=out["validity"],
        flags=out["flags"],
        t_ms=data.t_ms[chosen],
        frame=data.frame[chosen],
        states=states_of(data).where(chosen),
        places=_places(data, chosen, span_mm),
        span_mm=span_mm,
        stated=_stated(data, chosen),
        ordered=data.frozen.group_by is GroupBy.TEMPERATURE,
        reason=out["reason"],
    )


def judge_scores(scores: Scores, at: Operating, data: FrozenData, chosen: Mask, span_mm: float) -> Judged:
    """The same from the nets' scores and the thresholds, without a band: what the program's table makes of
    them, for many candidates in no time.
    """
    given, dry = accepted(scores, at), scores.wettest < at.empty_below
    level = np.where(given, np.where(dry, 0.0, scores.level_mm()), np.nan)
    raised = (
        (scores.foam > at.foam_above) * FLAG_BITS["foam"] + (scores.film > at.film_above) * FLAG_BITS["film"]
    ) * ~dry
    return Judged(
        label_mm=data.level_mm[chosen],
        u_mm=data.u_mm[chosen],
        level_mm=level,
        low_mm=np.zeros(len(level)),
        high_mm=np.full(len(level), span_mm),
        validity=np.where(given, np.where(dry, EMPTY, VALID), WITHHELD),
        flags=raised,
        t_ms=data.t_ms[chosen],
        frame=data.frame[chosen],
        states=states_of(data).where(chosen),
        places=_places(data, chosen, span_mm),
        span_mm=span_mm,
        stated=_stated(data, chosen),
        ordered=data.frozen.group_by is GroupBy.TEMPERATURE,
    )


def _stated(data: FrozenData, chosen: Mask) -> dict[str, Mask]:
    """Rows with each of the conditions that are no state of their own."""
    tests: dict[str, Callable[[Conditions], bool]] = {
        "drops": lambda c: Wall.DROPS in c.wall,
        "scale": lambda c: Wall.SCALE in c.wall,
        "sloshing": lambda c: Surface.SLOSHING in c.surface,
        "tilted": lambda c: c.tilt_deg is not None and any(c.tilt_deg),
    }
    return {
        name: np.asarray([test(c) for c in data.conditions], np.bool_)[data.condition[chosen]]
        for name, test in tests.items()
    }


def _places(data: FrozenData, chosen: Mask, span_mm: float) -> dict[str, Any]:
    sessions, session = data.frozen.sessions, data.session[chosen]
    conditions, stated = data.conditions, data.condition[chosen]
    degrees = data.temperature_c[chosen]
    bands = np.floor(np.nan_to_num(degrees) / _TEMPERATURE_BAND_K).astype(np.int64) * _TEMPERATURE_BAND_K
    warm = np.where(
        np.isnan(degrees),
        "not measured",
        np.asarray([f"{k} to {k + _TEMPERATURE_BAND_K} °C" for k in bands.tolist()], np.str_),
    )
    band = np.clip((data.level_mm[chosen] / span_mm * _LEVEL_BANDS).astype(np.int64), 0, _LEVEL_BANDS - 1)
    lowest = np.asarray([_top_of_lowest_pad(s.mounting) for s in sessions])[session]
    return {
        "unit": np.asarray([s.unit.name for s in sessions])[session],
        "liquid": np.asarray([s.liquid.name for s in sessions])[session],
        "session": np.asarray([s.id for s in sessions])[session],
        "group": np.asarray([name for name, _ in data.frozen.roles])[data.group[chosen]],
        "coupling": np.asarray([str(c.coupling or "not stated") for c in conditions])[stated],
        "flow": np.asarray([str(c.flow or "not stated") for c in conditions])[stated],
        "temperature": warm,
        "level band": np.asarray(
            [f"{100 * k // _LEVEL_BANDS} to {100 * (k + 1) // _LEVEL_BANDS} %" for k in range(_LEVEL_BANDS)]
        )[band],
        "zone": np.where(data.level_mm[chosen] < lowest, "lowest pad", "above the lowest pad"),
    }


def _top_of_lowest_pad(mounting: Mounting) -> float:
    """Height above the datum in mm; below it one pad alone tells the level."""
    return (
        min(p.bottom_mm + p.height_mm for p in mounting.sensor.pads if p.role is PadRole.LEVEL)
        + mounting.offset_mm
    )


def figures_of(judged: Judged) -> dict[str, Any]:
    """All figures, ready for JSON: by class, by place, rates with bounds, longest runs."""
    classes = judged.classes()
    liquid = ~judged.states.empty
    by: dict[str, Any] = {}
    for place, labels in judged.places.items():
        if place in ("session", "group"):
            continue
        named = {str(name): errors(judged, liquid & (labels == name)) for name in np.unique(labels)}
        by[place] = {name: row for name, row in named.items() if row["frames"]}
    return {
        "classes": {name: errors(judged, rows) for name, rows in classes.items()}
        | {"all": errors(judged, np.ones(len(judged.label_mm), np.bool_))},
        "by": by,
        "span_mm": judged.span_mm,
        "false_wet": episodes(judged, judged.states.empty, judged.false_wet),
        "false_wet_by": {
            name: episodes(judged, rows, judged.false_wet) for name, rows in _empties(judged).items()
        },
        "false_dry": episodes(judged, judged.label_mm > WET_SPAN_SHARE * judged.span_mm, judged.false_dry),
        **_recognised(judged),
        "flags": {
            name: confusion(judged, name, truth)
            for name, truth in (("foam", judged.states.foam), ("film", judged.states.film))
        },
        "joint": joint(judged),
        "longest_withheld_s": longest_s(judged, ~judged.accepted),
        "longest_wrong_s": longest_s(
            judged,
            judged.accepted & (np.abs(np.nan_to_num(judged.error_mm)) > WET_SPAN_SHARE * judged.span_mm),
        ),
        "hysteresis_mm": hysteresis(judged),
        "band": coverage(judged),
        "beyond": _beyond(judged),
        "power_on": judged.power_on,
        **({"ordered": True} if judged.ordered else {}),
    }


def _empties(judged: Judged) -> dict[str, Mask]:
    """Rows of an empty tank by what is on its wall: nothing, a film, drops."""
    drops = judged.stated.get("drops", np.zeros(len(judged.frame), np.bool_))
    kinds = {
        "dry": judged.states.dry,
        "film": judged.states.empty & judged.states.film & ~drops,
        "drops": judged.states.empty & drops,
    }
    return {name: rows for name, rows in kinds.items() if rows.any()}


def _recognised(judged: Judged) -> dict[str, float | None]:
    """The share of a dry tank's frames that is called empty: mean over groups, and the least of them."""
    rows = judged.states.dry
    if not rows.any():
        return {"dry_recognised_share": None, "dry_recognised_least": None}
    each = group_means(judged, rows, judged.validity == EMPTY)
    return {"dry_recognised_share": tidy(each.mean()), "dry_recognised_least": tidy(each.min())}


def _beyond(judged: Judged) -> dict[str, Any] | None:
    """Frames with a label beyond those of the fit, and the share of them that was accepted all the same."""
    if judged.known_mm is None:
        return None
    rows = (judged.label_mm < judged.known_mm[0]) | (judged.label_mm > judged.known_mm[1])
    groups = len(np.unique(judged.places["group"][rows]))
    return {
        "frames": int(rows.sum()),
        "groups": groups,
        "accepted_share": tidy(group_means(judged, rows, judged.accepted).mean()) if groups else None,
    }


def group_means(judged: Judged, rows: Mask, values: Any) -> Floats:
    """The mean of ``values`` (n,) over each group's ``rows``, (groups with such rows,)."""
    _, of = np.unique(judged.places["group"][rows], return_inverse=True)
    return np.asarray(np.bincount(of, np.asarray(values, np.float64)[rows]) / np.bincount(of), np.float64)


def errors(judged: Judged, rows: Mask) -> dict[str, Any]:
    """Errors of the accepted readings of ``rows``, in mm and % of span, with the label's uncertainty, the
    groups and the worst of them.

    Every group weighs the same; ``frames_p95_mm`` and ``frames_accepted_share`` pool the frames. ``worst``:
    of each figure the worst group's.
    """
    used = rows & judged.accepted
    if not rows.any():
        return {"frames": 0, "groups": 0, "accepted_share": None}
    shares = group_means(judged, rows, judged.accepted)
    figures: dict[str, Any] = {
        "frames": int(rows.sum()),
        "groups": len(shares),
        "accepted_share": tidy(shares.mean()),
        "frames_accepted_share": tidy(judged.accepted[rows].mean()),
        "worst": {"withheld_share": tidy(1 - shares.min())},
    }
    if not used.any():
        return figures
    names, of = np.unique(judged.places["group"][used], return_inverse=True)
    error, weights = judged.error_mm[used], 1 / np.bincount(of)[of]
    size = np.abs(error)
    each = [size[of == k] for k in range(len(names))]
    p95 = [float(np.quantile(one, 0.95)) for one in each]
    name = max(range(len(names)), key=lambda k: (p95[k], names[k]))
    p50, pooled = (float(np.quantile(size, q, weights=weights, method="inverted_cdf")) for q in (0.5, 0.95))
    squares = group_means(judged, used, np.nan_to_num(judged.error_mm) ** 2)
    known = judged.u_mm[used]
    figures["worst"] |= {
        "p50_mm": tidy(max(np.median(one) for one in each)),
        "p95_mm": tidy(max(p95)),
        "max_mm": tidy(size.max()),
        "rmse_mm": tidy(np.sqrt(squares.max())),
    }
    figures |= {
        "p50_mm": tidy(p50),
        "p95_mm": tidy(pooled),
        "max_mm": tidy(size.max()),
        "bias_mm": tidy(group_means(judged, used, np.nan_to_num(judged.error_mm)).mean()),
        "rmse_mm": tidy(np.sqrt(squares.mean())),
        "p95_pct": tidy(100 * pooled / judged.span_mm),
        "frames_p95_mm": tidy(np.quantile(size, 0.95)),
        "worst_group": str(names[name]),
        "worst_group_p95_mm": tidy(p95[name]),
        "label_u_mm": None if np.isnan(known).all() else tidy(np.sqrt(np.nanmean(known**2))),
    }
    return figures


def runs(judged: Judged, rows: Mask) -> list[tuple[int, int]]:
    """Where rows hold one after the other in one session: (start, stop) indices."""
    session = judged.places["session"]
    if not rows.any():
        return []
    apart = (session[1:] != session[:-1]) | (
        judged.frame[1:] != judged.frame[:-1] + 1
    )  # frames without a label end a run: nobody knows what they were
    breaks = np.flatnonzero((rows[1:] != rows[:-1]) | apart) + 1
    edges = [0, *breaks.tolist(), len(rows)]
    return [(a, b) for a, b in pairwise(edges) if rows[a]]


def episodes(judged: Judged, tried: Mask, wrong: Mask) -> dict[str, Any]:
    """In how many episodes of ``tried`` something went ``wrong``, with the one-sided 95 % bound
    of the rate.
    """
    trials = runs(judged, tried)
    bad = sum(bool(wrong[a:b].any()) for a, b in trials)
    return {
        "episodes": len(trials),
        "wrong": bad,
        "frames": int((wrong & tried).sum()),
        "upper_bound_95": upper_bound(bad, len(trials), 0.95),
    }


def upper_bound(wrong: int, trials: int, confidence: float) -> float | None:
    """The one-sided upper bound of a rate, by Clopper and Pearson (Biometrika 26 (1934) 404); None without
    trials.
    """
    return (
        None
        if not trials
        else 1.0
        if wrong == trials
        else tidy(beta.ppf(confidence, wrong + 1, trials - wrong))
    )


def longest_s(judged: Judged, rows: Mask) -> float:
    """The longest run of ``rows`` in one session, seconds."""
    return tidy(
        max(((judged.t_ms[b - 1] - judged.t_ms[a]) / 1000 for a, b in runs(judged, rows)), default=0.0)
    )


def confusion(judged: Judged, flag: str, truth: Mask) -> dict[str, Any]:
    """Of frames with the condition, the share flagged; of those without it, the share flagged
    all the same.
    """
    raised = (judged.flags & FLAG_BITS[flag]) != 0
    return {
        "frames_with": int(truth.sum()),
        "flagged_share": tidy(raised[truth].mean()) if truth.any() else None,
        "frames_without": int((~truth).sum()),
        "false_flag_share": tidy(raised[~truth].mean()) if (~truth).any() else None,
    }


def joint(judged: Judged) -> dict[str, Any]:
    """How often level, flags and validity are right, each and all together (shares of frames, mean over
    groups), and what wrong flags go with.

    Level: given, and off by at most 2 % of the span. Flags, of frames with liquid: foam and film as stated.
        Validity: a reading is given, a dry tank is
    called empty and a fuller one is not. ``flags_right`` and ``flags_wrong``: P95 of the error in mm and the
    withheld share, of frames with liquid.
    """
    liquid = ~judged.states.empty
    raised = {name: (judged.flags & FLAG_BITS[name]) != 0 for name in ("foam", "film")}
    flags = (raised["foam"] == judged.states.foam) & (raised["film"] == judged.states.film) | ~liquid
    level = judged.accepted & (np.abs(np.nan_to_num(judged.error_mm)) <= JOINT_SHARE * judged.span_mm)
    validity = judged.accepted & ~judged.false_dry & ((judged.validity == EMPTY) | ~judged.states.dry)
    every = np.ones(len(flags), np.bool_)
    right = {"level": level, "flags": flags, "validity": validity, "all": level & flags & validity}
    return {
        f"{name}_share": tidy(group_means(judged, every, its_rows).mean()) for name, its_rows in right.items()
    } | {
        "flags_right": _what_goes_with(judged, liquid & flags),
        "flags_wrong": _what_goes_with(judged, liquid & ~flags),
    }


def _what_goes_with(judged: Judged, rows: Mask) -> dict[str, float | None]:
    size = np.abs(judged.error_mm[rows & judged.accepted])
    return {
        "p95_mm": tidy(np.quantile(size, 0.95)) if len(size) else None,
        "withheld_share": tidy(1 - judged.accepted[rows].mean()) if rows.any() else None,
    }


def hysteresis(judged: Judged) -> float | None:
    """Mean error while filling less that while draining, clean liquid only, mean over groups."""
    used = judged.accepted & judged.states.clean
    up, down = (used & (judged.places["flow"] == flow) for flow in ("filling", "draining"))
    return (
        tidy(
            group_means(judged, up, judged.error_mm).mean()
            - group_means(judged, down, judged.error_mm).mean()
        )
        if up.any() and down.any()
        else None
    )


def coverage(judged: Judged) -> dict[str, Any] | None:
    """The share of accepted frames whose label lies inside the band, mean over groups and in the worst; None
    where no band is given.
    """
    used = judged.accepted & ~judged.states.empty
    if not used.any() or (judged.low_mm[used] == 0).all():
        return None
    each = group_means(judged, used, (judged.low_mm <= judged.label_mm) & (judged.label_mm <= judged.high_mm))
    width = group_means(judged, used, judged.high_mm - judged.low_mm).mean()
    return {
        "covered_share": tidy(each.mean()),
        "worst_group_share": tidy(each.min()),
        "width_mm": tidy(width),
    }
