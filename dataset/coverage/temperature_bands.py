"""Bands of measured temperature as groups: their edges, their names, and the band that each mark lies in. No
store in here.

A mark lies in the band of its mean, and that mean is of what was measured with the frames: nothing else in a
store says how warm a stretch was (a liquid's temperature is the one that its values hold at). Bands are
half-open: a mean at an edge belongs to the band above it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import filterfalse, pairwise
from typing import TYPE_CHECKING

from dataset.errors import InputError, naming, quoted
from dataset.records import Mark, Session
from dataset.values import plain_float

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

KELVIN = 10.0  # width of a temperature band where nobody gives another
NARROWEST = 0.1
LOWEST_C, HIGHEST_C = -273.15, 1000.0  # what an edge may be


@dataclass(frozen=True)
class TemperatureBands:
    """The bands between ``edges_c``, degrees Celsius, rising; ``means_c`` by session hash the mean measured
    under each mark, NaN where none was.
    """

    edges_c: tuple[float, ...]
    means_c: Mapping[str, Sequence[float]]

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all bands, coldest first, such as ``15..25 C``."""
        return tuple(f"{low:.10g}..{high:.10g} C" for low, high in pairwise(self.edges_c))

    def of(self, session: Session) -> tuple[int, ...]:
        """For each mark of a session the band that it lies in, counted from the coldest.

        Raises:
            InputError: a mark under which no temperature was measured, or whose mean lies outside all bands.
        """
        return tuple(
            self._of(session, mark, mean)
            for mark, mean in zip(session.marks, self.means_c[session.sha256], strict=True)
        )

    def names_of(self, session: Session) -> tuple[str, ...]:
        """For each mark of a session the name of its band; errors as in :meth:`of`."""
        return tuple(self.names[band] for band in self.of(session))

    def outside(self, session: Session, temperature_c: NDArray[np.float64]) -> int:
        """Of the labelled frames of a session, (n,) temperatures, NaN where not measured, how many were
        measured outside the band of their mark.
        """
        bands = self.of(session)
        parts = [
            (temperature_c[m.start : m.stop], self.edges_c[band], self.edges_c[band + 1])
            for m, band in zip(session.marks, bands, strict=True)
        ]
        return sum(int(((measured < low) | (measured >= high)).sum()) for measured, low, high in parts)

    def _of(self, session: Session, mark: Mark, mean: float) -> int:
        where = f"session {session.id}, frames {mark.start} to {mark.stop - 1}"
        if math.isnan(mean):
            raise InputError(
                where,
                "no temperature was measured",
                "one for at least one frame of each mark",
                "leave the session out, or group by something else",
            )
        if not self.edges_c or not self.edges_c[0] <= mean < self.edges_c[-1]:
            bands = (
                f"one within the bands, {self.edges_c[0]:.10g} to {self.edges_c[-1]:.10g} C"
                if self.edges_c
                else f"{LOWEST_C:g} to {HIGHEST_C:g} C"
            )
            raise InputError(
                where, f"a mean of {mean:.4g} C", bands, "give one more edge, or leave the session out"
            )
        return bisect_right(self.edges_c, mean) - 1


def unmeasured(means_c: Sequence[float]) -> bool:
    """Whether there is a mark under which no temperature was measured."""
    return any(math.isnan(mean) for mean in means_c)


def bands_of_width(kelvin: float, means_c: Mapping[str, Sequence[float]]) -> TemperatureBands:
    """Bands of one width around its multiples (a room at 20 C is in one); edges are those of the bands that a
    mean lies in.
    """
    with naming("kelvin"):
        check_width("kelvin", kelvin)
    means = {
        mean
        for of_session in means_c.values()
        for mean in of_session
        if LOWEST_C + kelvin <= mean < HIGHEST_C - kelvin
    }
    edges = {edge for mean in means for edge in ends_of(mean, kelvin)}
    return TemperatureBands(tuple(sorted(edges)), means_c)


def ends_of(temperature_c: float, kelvin: float) -> tuple[float, float]:
    """The lower and the upper end of the band of width ``kelvin`` around a multiple of it that a temperature
    lies in.
    """
    number = math.floor(temperature_c / kelvin)
    number += (
        temperature_c >= (number + 0.5) * kelvin
    )  # compared with the end itself: the quotient is rounded
    return (number - 0.5) * kelvin, (number + 0.5) * kelvin


def check_width(where: str, kelvin: float) -> None:
    """InputError for a width that no band has."""
    if not NARROWEST <= kelvin <= HIGHEST_C:
        raise InputError(where, f"{kelvin:g}", f"a width of {NARROWEST:g} to {HIGHEST_C:g} degrees")


def check_edges(where: str, edges_c: Sequence[float]) -> tuple[float, ...]:
    """The edges, as they are kept; InputError unless there are two at least and each lies above the one
    before it.
    """
    edges = tuple(float(edge) + 0.0 for edge in edges_c)  # one zero
    told = ", ".join(f"{edge:.10g}" for edge in edges)
    if len(edges) < 2:
        raise InputError(
            where, told or "nothing", "at least two edges, such as 5,15,25: a band lies between two"
        )
    if not all(LOWEST_C <= edge <= HIGHEST_C for edge in edges):
        raise InputError(where, told, f"degrees Celsius from {LOWEST_C:g} to {HIGHEST_C:g}")
    if any(high - low < NARROWEST - 1e-9 for low, high in pairwise(edges)):
        raise InputError(where, told, f"edges that rise, each at least {NARROWEST:g} above the one before it")
    return edges


def read_edges(where: str, text: str) -> tuple[float, ...]:
    """Edges from ``5,15,25``."""
    try:
        edges = [plain_float(part) for part in text.split(",")]
    except ValueError as error:
        raise InputError(
            where, quoted(text), "degrees Celsius, separated by commas, such as 5,15,25"
        ) from error
    return check_edges(where, edges)


def band_name(text: str) -> str:
    """The name of a band as people type it: ``15..25``, ``15.0..25C`` and ``15..25 C`` are one; anything else
    stays what it is.
    """
    low, _, high = text.removesuffix("C").removesuffix("\u00b0").strip().partition("..")
    try:
        return f"{float(low):.10g}..{float(high):.10g} C"
    except ValueError:
        return text


def mean_of(values: Sequence[float]) -> float:
    """The mean of what is not NaN, correctly rounded, so that a mark lies in the same band on every machine;
    NaN of nothing.
    """
    number = len(values) - sum(map(math.isnan, values))
    return math.fsum(filterfalse(math.isnan, values)) / number if number else math.nan
