"""The interpreter: runs a program on a computer, exactly as the chip will, and asserts every declared range.

Slow and obvious on purpose. The batch axis holds independent streams; time is the loop in ``run``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from dataset.errors import InputError, ProgramError
from training.program.model import NO_POUR, NO_TEMPERATURE, OUTPUTS, Node, Program
from training.program.ops import Array, Interval
from training.program.ranges import OPS
from training.program.trims import refuse_swing


@dataclass(frozen=True)
class Readings:
    """Outputs of one or more frames, each of shape (frames,): levels in level units, validity, flags and
    reason as codes.
    """

    low: Array
    level: Array
    high: Array
    validity: Array
    flags: Array
    reason: Array

    def table(self) -> Array:
        """Shape (frames, 6), columns in the order of ``OUTPUTS``."""
        return np.stack([getattr(self, name) for name in OUTPUTS], axis=1)


def initial_state(program: Program, streams: int = 1) -> Array:
    """The state at power-on, shape (streams, state size)."""
    start = [v for state in program.states for v in state.initial]
    return np.tile(np.asarray(start, dtype=np.int64), (streams, 1))


def prepare(program: Program, trim: Array | None) -> Array:
    """The prepared values of ``trim`` (shape (streams, trim size)), shape (streams, prepared size).

    Raises InputError when the program needs a trim and none is given, or one lies outside the declared
    limits or has a swing that is not accepted.
    """
    if program.trim is None:
        return np.zeros((1 if trim is None else len(trim), 0), dtype=np.int64)
    if trim is None:
        raise InputError(
            "trim",
            "none given",
            f"one count per channel of {' and '.join(program.trim_kinds)}",
            "the program was trained with trims",
        )
    values = prepared_values(program, trim)
    refuse_swing(program, trim, "trim")
    return values


def prepared_values(program: Program, trim: Array) -> Array:
    """As :func:`prepare`, for trims inside the limits, whether or not their swings are accepted."""
    if program.trim is not None:
        _inside("trim", trim, program.trim)
    values = _evaluate(program.prepare, {"trim": trim})
    return _columns([values[name] for name in program.prepared], len(trim))


def step(
    program: Program,
    counts: Array,
    temperature: Array,
    faults: Array,
    state: Array,
    prepared: Array,
    since_pour: Array | None = None,
) -> tuple[Readings, Array]:
    """One frame of each stream: readings and the next state.

    Shapes: counts (streams, channels), temperature, faults and since_pour (streams,), state (streams, state
    size), prepared (streams or 1, prepared size). ``since_pour``: whole seconds since liquid last came in;
    None: not known. A program that is not told does not look at it. Raises InputError outside the declared
    domain.
    """
    names = tuple(dict.fromkeys(program.outputs.values()))
    after, values = trace(program, counts, temperature, faults, state, prepared, names, since_pour)
    return Readings(**{o: values[n][:, 0] for o, n in program.outputs.items()}), after


def trace(
    program: Program,
    counts: Array,
    temperature: Array,
    faults: Array,
    state: Array,
    prepared: Array,
    names: Sequence[str],
    since_pour: Array | None = None,
) -> tuple[Array, dict[str, Array]]:
    """One frame of each stream, as :func:`step`: the next state, and the named values of the step section,
    each (streams, size).
    """
    streams = len(counts)
    given = given_inputs(program, counts, temperature, faults, since_pour)
    check_inputs(program, given)
    given |= _split({s.name: s.interval for s in program.states}, state)
    given |= _split(program.prepared_intervals, prepared)
    values = given | _evaluate(program.step, given)
    named = {name: _of_rows(values[name], streams) for name in names}
    return _columns([values[s.next] for s in program.states], streams), named


def run(
    program: Program,
    counts: Array,
    temperature: Array | None = None,
    faults: Array | None = None,
    trim: Array | None = None,
    since_pour: Array | None = None,
) -> Readings:
    """Readings of one stream from power-on, state carried from frame to frame.

    ``counts`` has shape (frames, channels); temperature in tenths of a degree, fault mask and seconds since
    the last pour have shape (frames,); ``trim`` has shape (trim size,). Programs without state are run in one
    batch.
    """
    frames = len(counts)
    temperature = np.full(frames, NO_TEMPERATURE, dtype=np.int64) if temperature is None else temperature
    faults = np.zeros(frames, dtype=np.int64) if faults is None else faults
    since_pour = not_known(since_pour, frames)
    check_inputs(program, given_inputs(program, counts, temperature, faults, since_pour))
    prepared = prepare(program, None if trim is None else trim[None, :])
    if not program.states:
        power_on = initial_state(program, frames)
        return step(program, counts, temperature, faults, power_on, prepared, since_pour)[0]
    state, rows = initial_state(program), []
    for k in range(frames):
        at = slice(k, k + 1)
        told = since_pour[at]
        reading, state = step(program, counts[at], temperature[at], faults[at], state, prepared, told)
        rows.append(reading.table())
    table = np.concatenate(rows) if rows else np.zeros((0, len(OUTPUTS)), dtype=np.int64)
    return Readings(*table.T)


def _evaluate(nodes: Iterable[Node], known: dict[str, Array]) -> dict[str, Array]:
    values = dict(known)
    for node in nodes:
        result = OPS[node.op].evaluate([values[i] for i in node.inputs], node.attributes)
        if not node.interval.holds(result):
            raise ProgramError(
                f"node '{node.name}' ({node.op})",
                "a value outside its declared range",
                f"[{node.interval.low}, {node.interval.high}]",
            )
        values[node.name] = result
    return values


def not_known(since_pour: Array | None, rows: int) -> Array:
    """The seconds since the last pour, (rows,): those given, or what says that they are not known."""
    return np.full(rows, NO_POUR, dtype=np.int64) if since_pour is None else since_pour


def given_inputs(
    program: Program, counts: Array, temperature: Array, faults: Array, since_pour: Array | None
) -> dict[str, Array]:
    """What ``program`` is given in frames, by the names of its inputs, each (rows, size)."""
    given = {"counts": counts, "temperature": temperature[:, None], "faults": faults[:, None]}
    if program.longest_pour_s:
        given["since_pour"] = not_known(since_pour, len(counts))[:, None]
    return given


def check_inputs(program: Program, given: dict[str, Array], first_row: int = 0) -> None:
    """InputError, with row and column, for inputs (rows, size) outside what ``program`` declares; their first
    is row ``first_row`` of what they are a piece of.
    """
    for name, declared in program.inputs.items():
        _inside(name, given[name], declared, first_row)


def _inside(name: str, values: Array, declared: Interval, first_row: int = 0) -> None:
    if values.ndim != 2 or values.shape[1] != declared.size:
        raise InputError(name, f"shape {values.shape}", f"(rows, {declared.size})")
    if not declared.holds(values):
        low, high = np.asarray(declared.low), np.asarray(declared.high)
        row, column = (int(v) for v in np.argwhere((values < low) | (values > high))[0])
        raise InputError(
            f"{name}, row {first_row + row}, column {column}",
            str(values[row, column]),
            f"{low[column]} to {high[column]}",
        )


def _split(intervals: dict[str, Interval], packed: Array) -> dict[str, Array]:
    result, start = {}, 0
    for name, declared in intervals.items():
        result[name] = packed[:, start : start + declared.size]
        _inside(name, result[name], declared)
        start += declared.size
    return result


def _columns(parts: list[Array], rows: int) -> Array:
    if not parts:
        return np.zeros((rows, 0), dtype=np.int64)
    return np.concatenate([_of_rows(part, rows) for part in parts], axis=1)


def _of_rows(value: Array, rows: int) -> Array:
    return value if len(value) == rows else np.broadcast_to(value, (rows, value.shape[1]))
