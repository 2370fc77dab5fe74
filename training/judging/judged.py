"""What a program said of labelled frames, every session run whole from power-on, beside what was true.

Classes: 'clean' is liquid with nothing stated on it or the wall, 'foam' and 'film' (drops too) liquid with
those, 'drops', 'scale', 'sloshing' and 'tilted' liquid with those, whatever else is stated; 'empty' a tank at
level 0, dry or not, 'dry' one with nothing stated on the wall.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from dataset.records import Conditions, FrozenData, GroupBy, Mounting, PadRole, Surface, Wall
from training.judging.categorical import Categorical
from training.judging.figures import PowerOn
from training.judging.streams import values_of
from training.models.operating import WET_SPAN_SHARE, Operating, Scores, accepted
from training.models.watch import States, states_of
from training.program import EMPTY, FAULT, FLAG_BITS, LEVEL_UNITS_PER_MM, NO_LEVEL, VALID, WITHHELD, Program
from training.program import accepted as trims_accepted
from training.rows import Floats, Ints, Mask

_LEVEL_BANDS = 10
_TEMPERATURE_BAND_K = 10


@dataclass(frozen=True)
class Judged:
    """One row a labelled frame, in session and time order; arrays (n,). Levels in mm, ``level_mm`` NaN where
    withheld.

    ``places`` gives for each way of grouping ('unit', 'liquid', 'coupling', 'flow', 'temperature', 'level
    band', 'zone', 'group', 'session') a name a row, ``stated`` the rows of which 'drops', 'scale',
    'sloshing' or 'tilted' was stated. ``known_mm``: least and greatest label of the fit, where known.
    ``calls_empty``: whether the program can call a tank empty at all.
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
    places: Mapping[str, Categorical]
    span_mm: float
    stated: Mapping[str, Mask] = field(default_factory=dict)
    known_mm: tuple[float, float] | None = None
    power_on: PowerOn | None = None
    ordered: bool = False
    reason: Ints | None = None
    calls_empty: bool = True

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
    """Run the program over the sessions of the chosen rows; those of a unit whose trim is
    refused are withheld. ``trims`` (sessions, trim size); ``counts``:
    whole sessions to use instead.
    """
    names = tuple(dict.fromkeys(program.outputs.values()))
    values = values_of(program, data, chosen, trims, names, counts)
    out = {what: values[node][:, 0].astype(np.int64) for what, node in program.outputs.items()}
    _withhold_refused(program, out, ~trims_accepted(program, trims)[data.session[chosen]])
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
        calls_empty=_calls_empty(program),
    )


def _calls_empty(program: Program) -> bool:
    """Whether the program's validity reaches EMPTY."""
    validity = program.outputs["validity"]
    return any(max(node.interval.high) >= EMPTY for node in program.step if node.name == validity)


def joined(parts: Sequence[Judged]) -> Judged:
    """The rows of several programs as one, in session and time order: what each said of the groups that its
    fit had left out.
    """
    if len(parts) == 1:
        return parts[0]
    session = Categorical.joined([part.places["session"] for part in parts])
    order = np.lexsort((np.concatenate([part.frame for part in parts]), session.codes))

    def rows(values: Sequence[Any]) -> Any:
        first = values[0]
        if isinstance(first, np.ndarray):
            return np.concatenate(values)[order]
        if isinstance(first, Categorical):
            return Categorical.joined(values)[order]
        if isinstance(first, Mapping):
            return {name: rows([one[name] for one in values]) for name in first}
        if isinstance(first, States):
            names = [one.name for one in fields(States)]
            return States(**{name: rows([getattr(one, name) for one in values]) for name in names})
        return first

    return Judged(**{one.name: rows([getattr(part, one.name) for part in parts]) for one in fields(Judged)})


def _withhold_refused(program: Program, out: dict[str, Ints], refused: Mask) -> None:
    """What a unit gives whose trim is refused at start-up: nothing but a sensor fault; in place."""
    given = {"low": 0, "level": NO_LEVEL, "high": program.span, "validity": WITHHELD}
    for name, value in (given | {"flags": FLAG_BITS["sensor_fault"], "reason": FAULT}).items():
        out[name][refused] = value


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


def _places(data: FrozenData, chosen: Mask, span_mm: float) -> dict[str, Categorical]:
    sessions, session = data.frozen.sessions, data.session[chosen]
    conditions, stated = data.conditions, data.condition[chosen]
    level_mm = data.level_mm[chosen]
    band = np.clip((level_mm / span_mm * _LEVEL_BANDS).astype(np.int64), 0, _LEVEL_BANDS - 1)
    bands = [f"{100 * k // _LEVEL_BANDS} to {100 * (k + 1) // _LEVEL_BANDS} %" for k in range(_LEVEL_BANDS)]
    lowest = np.asarray([_top_of_lowest_pad(s.mounting) for s in sessions])[session]
    return {
        "unit": Categorical.of([s.unit.name for s in sessions], session),
        "liquid": Categorical.of([s.liquid.name for s in sessions], session),
        "session": Categorical.of([s.id for s in sessions], session),
        "group": Categorical.of([name for name, _ in data.frozen.roles], data.group[chosen]),
        "coupling": Categorical.of([str(c.coupling or "not stated") for c in conditions], stated),
        "flow": Categorical.of([str(c.flow or "not stated") for c in conditions], stated),
        "temperature": _warm(data.temperature_c[chosen]),
        "level band": Categorical.of(bands, band),
        "zone": Categorical.of(("above the lowest pad", "lowest pad"), level_mm < lowest),
    }


def _warm(degrees: Floats) -> Categorical:
    """Bands of temperature."""
    known = ~np.isnan(degrees)
    band = np.floor(np.nan_to_num(degrees) / _TEMPERATURE_BAND_K).astype(np.int64) * _TEMPERATURE_BAND_K
    bands, at = np.unique(band, return_inverse=True)
    names = [f"{k} to {k + _TEMPERATURE_BAND_K} °C" for k in bands.tolist()]
    return Categorical.of([*names, "not measured"], np.where(known, at, len(names)))


def _top_of_lowest_pad(mounting: Mounting) -> float:
    """Height above the datum in mm; below it one pad alone tells the level."""
    return (
        min(p.bottom_mm + p.height_mm for p in mounting.sensor.pads if p.role is PadRole.LEVEL)
        + mounting.offset_mm
    )
