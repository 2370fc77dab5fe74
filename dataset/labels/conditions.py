"""Conditions of a capture: written as text, read from text or from a file of stretches, checked.

The text form is ``surface=foam:20-45,wall=film``: axes apart by commas, values of one axis joined by '+'.
Heights of foam are millimetres above the tank's datum, angles of tilt degrees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError, nearest, quoted
from dataset.files.stretches import read_stretch_lines
from dataset.records import Conditions, Coupling, Flow, Mark, Stretch, Surface, Wall
from dataset.values import plain_float

AXES = {
    "surface": "still, foam, foam:BOTTOM-TOP in mm, sloshing, or foam+sloshing",
    "wall": "clean, film, drops, scale, or several joined by '+'",
    "tilt": "X:Y in degrees, such as 2:-1.5",
    "flow": "static, filling or draining",
    "coupling": "floating, impedance or earthed",
    "appliance": "a word or two, such as pump on",
}
_ALONE = (Surface.STILL, Wall.CLEAN)  # values that say there is nothing else
MAX_TILT_DEG = 90.0
E_ = TypeVar("E_", bound=StrEnum)


def read_conditions(where: str, text: str) -> Conditions:
    """Conditions from one line of text, such as ``surface=foam:20-45,wall=film+scale,coupling=earthed``.

    Raises:
        InputError: no axis of that name, an axis twice, or a value that the axis does not have.
    """
    given: dict[str, str] = {}
    for part in text.split(","):
        axis, equals, value = (piece.strip() for piece in part.partition("="))
        if axis not in AXES or not equals or not value:
            raise InputError(
                where,
                quoted(part.strip()),
                "AXIS=VALUE, such as surface=foam:20-45,wall=film",
                "axes: " + ", ".join(AXES),
            )
        if axis in given:
            raise InputError(
                where, f"axis {axis} twice", "each axis once", "join values with '+', such as wall=film+scale"
            )
        given[axis] = value
    return _conditions({axis: f"{where}, {axis}" for axis in given}, given)


def conditions_text(conditions: Conditions) -> str:
    """The text that :func:`read_conditions` reads; '' when no axis is stated."""
    foam = "" if conditions.foam_mm is None else ":{:g}-{:g}".format(*conditions.foam_mm)
    surface = "+".join(s + (foam if s is Surface.FOAM else "") for s in conditions.surface)
    tilt = "" if conditions.tilt_deg is None else "{:g}:{:g}".format(*conditions.tilt_deg)
    axes = zip(
        AXES,
        (
            surface,
            "+".join(conditions.wall),
            tilt,
            conditions.flow,
            conditions.coupling,
            conditions.appliance,
        ),
        strict=True,
    )
    return ",".join(f"{axis}={value}" for axis, value in axes if value)


def read_stretches(
    path: Path, t_ms: NDArray[np.int64], whole: Conditions | None = None
) -> tuple[Stretch, ...]:
    """Stretches from a CSV file: columns ``from`` and ``to`` (frames, from 0) or ``from_ms`` and ``to_ms``,
    both ends included, and axes.

    Args:
        path: the file; one stretch a line, in order, apart from one another.
        t_ms: int64 (n,), the times of the session's frames.
        whole: conditions of the whole session; a line's own axes go before them, and they fill what the lines
            leave open.

    Raises:
        InputError: the first fault, with file, line and column.
    """
    stretches: list[Stretch] = []
    end = 0
    for line in read_stretch_lines(path, tuple(AXES), t_ms):
        own = _conditions(
            {axis: line.place(axis) for axis in AXES},
            {axis: line.cells[axis] for axis in AXES if axis in line.cells},
        )
        stretches += [Stretch(end, line.start, whole)] if whole is not None and line.start > end else []
        stretches.append(Stretch(line.start, line.stop, own if whole is None else _over(whole, own)))
        end = line.stop
    if whole is not None and end < len(t_ms):
        stretches.append(Stretch(end, len(t_ms), whole))
    return tuple(stretches)


def stated_wet(stretches: Sequence[Stretch], mark: Mark) -> bool:
    """Whether foam, a film or drops are stated anywhere under a mark: an empty tank that is known not to be
    dry.
    """
    return any(
        s.start < mark.stop
        and mark.start < s.stop
        and not {Surface.FOAM, Wall.FILM, Wall.DROPS}.isdisjoint((*s.conditions.surface, *s.conditions.wall))
        for s in stretches
    )


def check_stretches(where: str, stretches: Sequence[Stretch], frames: int, span_mm: float) -> None:
    """Stretches in order, apart, within the session, with conditions that can be."""
    end = 0
    for stretch in stretches:
        if not (end <= stretch.start < stretch.stop <= frames):
            raise InputError(
                where,
                f"conditions of frames {stretch.start} to {stretch.stop}",
                f"stretches in order, apart, within 0 to {frames}",
            )
        end = stretch.stop
        _check(where, stretch.conditions, span_mm)


def _check(where: str, conditions: Conditions, span_mm: float) -> None:
    if conditions == Conditions():
        raise InputError(where, "a stretch without a condition", "at least one axis")
    if conditions.foam_mm is not None and not 0 <= conditions.foam_mm[0] < conditions.foam_mm[1]:
        raise InputError(
            where,
            "foam from {:g} to {:g} mm".format(*conditions.foam_mm),
            "a bottom of 0 mm or more, below its top",
        )
    if conditions.foam_mm is not None and conditions.foam_mm[0] > span_mm:
        raise InputError(
            where,
            f"foam whose bottom lies at {conditions.foam_mm[0]:g} mm",
            f"at most {span_mm:g} mm, the tank's span",
        )


def _over(whole: Conditions, own: Conditions) -> Conditions:
    stated = {f.name: getattr(own, f.name) for f in fields(Conditions) if getattr(own, f.name) != f.default}
    if "surface" in stated:
        stated["foam_mm"] = own.foam_mm  # a surface of its own does not keep the foam of another
    return replace(whole, **stated)


def _conditions(where: Mapping[str, str], given: Mapping[str, str]) -> Conditions:
    surfaces, foam_mm = (
        _surface(where.get("surface", ""), given["surface"]) if "surface" in given else ((), None)
    )
    return Conditions(
        surface=surfaces,
        foam_mm=foam_mm,
        wall=_several(Wall, where["wall"], given["wall"]) if "wall" in given else (),
        tilt_deg=_tilt(where["tilt"], given["tilt"]) if "tilt" in given else None,
        flow=_one(Flow, "flow", where["flow"], given["flow"]) if "flow" in given else None,
        coupling=_one(Coupling, "coupling", where["coupling"], given["coupling"])
        if "coupling" in given
        else None,
        appliance=given.get("appliance", ""),
    )


def _surface(where: str, text: str) -> tuple[tuple[Surface, ...], tuple[float, float] | None]:
    words, foam_mm = [], None
    for word in text.split("+"):
        name, colon, heights = word.strip().partition(":")
        if colon:
            foam_mm = _pair(where, heights, "-", AXES["surface"]) if name == Surface.FOAM else None
            if foam_mm is None:
                raise InputError(where, quoted(word), AXES["surface"])
        words.append(name)
    return _several(Surface, where, "+".join(words)), foam_mm


def _several(kind: type[E_], where: str, text: str) -> tuple[E_, ...]:
    """Values joined by '+', sorted; 'still' and 'clean' stand alone."""
    axis = kind.__name__.lower()
    values = sorted(_one(kind, axis, where, word.strip()) for word in text.split("+"))
    if len(set(values)) < len(values) or (len(values) > 1 and any(value in _ALONE for value in values)):
        raise InputError(where, quoted(text), AXES[axis])
    return tuple(values)


def _one(kind: type[E_], axis: str, where: str, text: str) -> E_:
    try:
        return kind(text)
    except ValueError as error:
        known = [str(value.value) for value in kind]
        raise InputError(where, quoted(text), AXES[axis], nearest(text, known)) from error


def _tilt(where: str, text: str) -> tuple[float, float]:
    x, y = _pair(where, text, ":", AXES["tilt"])
    if max(abs(x), abs(y)) > MAX_TILT_DEG:
        raise InputError(where, quoted(text), f"angles from -{MAX_TILT_DEG:g} to {MAX_TILT_DEG:g} degrees")
    return x, y


def _pair(where: str, text: str, between: str, expected: str) -> tuple[float, float]:
    first, _, second = text.partition(between)
    try:
        pair = (plain_float(first), plain_float(second))
    except ValueError as error:
        raise InputError(where, quoted(text), expected) from error
    if not np.isfinite(pair).all():
        raise InputError(where, quoted(text), expected)
    return pair
