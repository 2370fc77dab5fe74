"""How near a value comes to the ends of its interval: inputs that drive it there, found by trying.

The intervals hold for every input and state; whether they are reached is another question. For the first
layer behind the counts they are, exactly; further on, where operands depend on one another, the search gives
how much of an interval is known to be used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from export.vectors import Vectors, expect
from training.program import Array, Interval, Program, initial_state, prepare
from training.program.interpreter import trace

_POINTS = 17  # values tried of each input in turn
_SWEEPS = 3
_DRAWS = 2000


@dataclass(frozen=True)
class Driven:
    """A value driven to its ends: ``low`` and ``high`` are what was seen of each element, int64 (size,);
    ``vectors`` are the inputs.

    Of the vectors' streams, the first half drive the elements down, the others up.
    """

    name: str
    declared: Interval
    low: Array
    high: Array
    vectors: Vectors

    @property
    def used(self) -> tuple[float, ...]:
        """Of each element, the share of its interval that was seen; 1 for an interval of one value."""
        widths = np.subtract(self.declared.high, self.declared.low)
        return tuple(((self.high - self.low + (widths == 0)) / np.maximum(widths, 1)).tolist())


@dataclass
class _Inputs:
    """Held inputs of many streams: ``before`` in all frames but the last, ``last`` in that one; trim and
    temperature throughout.
    """

    trim: Array
    before: Array
    last: Array
    temperature: Array

    def chosen(self, streams: Array) -> _Inputs:
        """Copies of these streams, in this order."""
        return _Inputs(*(part[streams] for part in (self.trim, self.before, self.last, self.temperature)))


def drive(program: Program, name: str, frames: int = 1, seed: int = 0) -> Driven:
    """Drive every element of the step's value ``name`` down and up within ``frames`` frames from power-on.

    From the best of some drawn inputs on, each input in turn is set to what serves best, its ends among what
    is tried, until nothing improves; exact where the value is a sum over inputs, a lower bound of what can be
    reached elsewhere.
    """
    (node,) = (n for n in program.step if n.name == name)
    rng = np.random.default_rng(seed)
    wanted, up = np.tile(np.arange(node.size), 2), np.repeat([-1, 1], node.size)
    draws = _drawn(program, rng)
    begun = _values(program, name, draws, frames)[:, wanted] * up
    inputs, best = draws.chosen(begun.argmax(axis=0)), begun.max(axis=0)
    for _ in range(_SWEEPS):
        before = best.copy()
        for part, column, domain in _coordinates(program, frames):
            tried = np.unique(
                np.concatenate(
                    [np.linspace(*domain, _POINTS).astype(np.int64), rng.integers(*domain, 2, endpoint=True)]
                )
            )
            many = inputs.chosen(np.repeat(np.arange(len(up)), len(tried)))
            getattr(many, part)[:, column] = np.tile(tried, len(up))
            reached = (
                _values(program, name, many, frames)[
                    np.arange(len(up) * len(tried)), np.repeat(wanted, len(tried))
                ].reshape(len(up), -1)
                * up[:, None]
            )
            choice = reached.argmax(axis=1)
            better = reached.max(axis=1) > best
            getattr(inputs, part)[better, column] = tried[choice[better]]
            best = np.maximum(best, reached.max(axis=1))
        if np.array_equal(best, before):
            break
    seen = _values(program, name, inputs, frames)[np.arange(2 * node.size), wanted]
    return Driven(
        name, node.interval, seen[: node.size], seen[node.size :], _vectors(program, inputs, frames)
    )


def _drawn(program: Program, rng: np.random.Generator) -> _Inputs:
    def of(domain: Interval) -> Array:
        return rng.integers(domain.low, domain.high, (_DRAWS, domain.size), endpoint=True)

    trim = np.zeros((_DRAWS, 0), np.int64) if program.trim is None else of(program.trim)
    return _Inputs(
        trim, of(program.inputs["counts"]), of(program.inputs["counts"]), of(program.inputs["temperature"])
    )


def _coordinates(program: Program, frames: int) -> list[tuple[str, int, tuple[int, int]]]:
    """Every single input that can be set: where it stands, and its domain."""
    parts = {"last": program.inputs["counts"], "temperature": program.inputs["temperature"]}
    parts |= {"before": program.inputs["counts"]} if frames > 1 else {}
    parts |= {} if program.trim is None else {"trim": program.trim}
    return [(part, k, domain.at(k)) for part, domain in parts.items() for k in range(domain.size)]


def _values(program: Program, name: str, inputs: _Inputs, frames: int) -> Array:
    """What ``name`` is in the last frame, (streams, size)."""
    streams = len(inputs.last)
    prepared = np.broadcast_to(
        prepare(program, inputs.trim if program.trim is not None else None), (streams, program.prepared_size)
    )
    state, faults = initial_state(program, streams), np.zeros(streams, np.int64)
    for _ in range(frames - 1):
        state, _seen = trace(program, inputs.before, inputs.temperature[:, 0], faults, state, prepared, ())
    return trace(program, inputs.last, inputs.temperature[:, 0], faults, state, prepared, (name,))[1][name]


def _vectors(program: Program, inputs: _Inputs, frames: int) -> Vectors:
    counts = np.stack([*[inputs.before] * (frames - 1), inputs.last], axis=1)
    temperature = np.repeat(inputs.temperature[:, None], frames, axis=1)
    return expect(program, frames, inputs.trim, counts, temperature, np.zeros_like(temperature))
