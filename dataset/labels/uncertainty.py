"""Standard uncertainties by the law of propagation (JCGM 100:2008, 'GUM').

What is independent from one mark to the next is kept apart from what is one and the same error in all of
them: the first averages out over marks, the second biases them all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """An input of a measurement: its value, standard uncertainty, and whether its error is common to all
    marks of a session.
    """

    value: float
    u: float = 0.0
    common: bool = False


@dataclass(frozen=True)
class Result:
    """What an input's uncertainty becomes in the result: ``parts`` by name, ``u`` of the independent,
    ``u_common`` of the common ones.
    """

    value: float
    u: float
    u_common: float
    parts: Mapping[str, float]

    @property
    def combined(self) -> float:
        """The combined standard uncertainty, GUM eq. (10)."""
        return math.hypot(self.u, self.u_common)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value that lies anywhere within +- ``half_width``, GUM 4.3.7: a / sqrt(3)."""
    return half_width / math.sqrt(3)


def propagate(function: Callable[..., float], inputs: Mapping[str, Quantity]) -> Result:
    """The value of ``function`` and its uncertainty, inputs uncorrelated (GUM eq. 10).

    The part of each input is half the change of the result between its value plus and minus its standard
    uncertainty, as GUM 5.1.3 note 2 has it.

    Args:
        function: takes the inputs by name; must be defined one standard uncertainty to either side.
        inputs: the inputs.
    """
    values = {name: quantity.value for name, quantity in inputs.items()}
    parts = {
        name: abs(function(**values | {name: q.value + q.u}) - function(**values | {name: q.value - q.u})) / 2
        if q.u
        else 0.0
        for name, q in inputs.items()
    }
    own = math.hypot(*(part for name, part in parts.items() if not inputs[name].common))
    shared = math.hypot(*(part for name, part in parts.items() if inputs[name].common))
    return Result(function(**values), own, shared, parts)
