"""The known answer of a model: fixed inputs, and what the interpreter makes of them, for the self-test on the
chip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from training.program import NO_LEVEL, OUTPUTS, VALID, Array, Program, initial_state, prepare, step

_TRIES = 256
_MOST_FRAMES = 32  # the self-test runs one a slice
_TEMPERATURE = 200  # tenths of a degree Celsius


@dataclass(frozen=True)
class KnownAnswer:
    """Equal frames from power-on: trim (empty without one), counts, temperature, and the reading of each, in
    the order of OUTPUTS.
    """

    trim: tuple[int, ...]
    counts: tuple[int, ...]
    temperature: int
    readings: tuple[tuple[int, ...], ...]


def known_answer(program: Program) -> KnownAnswer:
    """A trim in the middle of its limits, and counts that are held until the model has settled.

    Counts are tried, the same ones each time: wherever they fall in the domain, and as a tank makes them,
    with the lower channels wet. The first whose last reading is valid are taken, else the first that give a
    level: they exercise most of the code.
    """
    rng = np.random.RandomState(0)  # its streams are frozen (NumPy enhancement proposal 19)
    trim = middle_trim(program)
    counts = _tries(rng, program, trim)
    frames = min(program.settling_frames + 1, _MOST_FRAMES)
    prepared = prepare(program, None if trim is None else trim[None])
    state = initial_state(program, _TRIES)
    warm, faults = np.full(_TRIES, _TEMPERATURE, dtype=np.int64), np.zeros(_TRIES, dtype=np.int64)
    tables = []
    for _ in range(frames):
        reading, state = step(program, counts, warm, faults, state, prepared)
        tables.append(reading.table())
    validity, level = (tables[-1][:, OUTPUTS.index(name)] for name in ("validity", "level"))
    best = int(np.argmax(2 * (validity == VALID) + (level != NO_LEVEL)))
    return KnownAnswer(
        () if trim is None else tuple(int(v) for v in trim),
        tuple(int(v) for v in counts[best]),
        _TEMPERATURE,
        tuple(tuple(int(v) for v in table[best]) for table in tables),
    )


def middle_trim(program: Program) -> Array | None:
    """The trim in the middle of its limits, shape (trim size,); None for a program without."""
    if program.trim is None:
        return None
    return np.asarray((np.asarray(program.trim.low) + np.asarray(program.trim.high)) // 2, dtype=np.int64)


def tank_fills(program: Program) -> Array:
    """Counts as a tank makes them with ``middle_trim``, the lower channels wet, shape (n, channels); wherever
    they fall in the domain for a program without trim. The same ones each time.
    """
    trim = middle_trim(program)
    counts = _tries(np.random.RandomState(0), program, trim)
    return counts if trim is None else counts[: _TRIES // 2]


def _tries(rng: np.random.RandomState, program: Program, trim: Array | None) -> Array:
    """Counts to try, shape (_TRIES, channels)."""
    n, top = program.channels, program.count_max
    counts = rng.randint(0, top + 1, size=(_TRIES, n), dtype=np.int64)
    if trim is None:
        return counts
    half = _TRIES // 2
    dry = np.broadcast_to(trim[:n], (half, n))
    wet = (
        np.broadcast_to(trim[-n:], (half, n))
        if len(trim) > n
        else dry + (top * 0.5 ** rng.uniform(1, 12, (half, 1))).astype(np.int64)
    )
    share = np.clip(rng.uniform(0, n, (half, 1)) - np.arange(n), 0, 1)
    counts[:half] = np.clip(dry + ((wet - dry) * share).astype(np.int64), 0, top)
    return counts
