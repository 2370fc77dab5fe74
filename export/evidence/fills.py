"""Made fills: streams as a tank gives them, made from the program alone.

A unit's dry and full counts are drawn within the limits that the program has for trims; pads get wet one
after another in the order of the channels, up or down, with an edge that is more or less sharp. On top of
that lie noise, a film left on the wall, foam, drops, and a slosh. None of it is a model of a real tank: the
aim is to reach every way that the program can go, not to say how accurate it is.
"""

from __future__ import annotations

import numpy as np

from export.evidence.streams import Streams
from training.program import NO_POUR, NO_TEMPERATURE, Array, Program, into_gate
from training.rows import Floats

_DRAWS = (
    np.random.RandomState
)  # its streams are frozen (NumPy enhancement proposal 19), so bundles stay the same
_DRY_KINDS = ("dry", "board")
_FULL_KINDS = ("full", "block")
_TEMPERATURES = (-50, 900)  # tenths of a degree Celsius: what a tank's surroundings may be
_STILL_FILLS = 128
_SWINGS = (1.0, 12.0)  # a swing nobody stated is the count range times 2^-this


def made_fills(
    program: Program, rng: np.random.RandomState, streams: int, frames: int, trim: Array | None = None
) -> Streams:
    """``streams`` streams of ``frames`` frames; the same ``rng`` state gives the same streams. ``trim``:
    those of the units, (streams, trim size); otherwise drawn.
    """
    trim = into_gate(program, _trims(program, rng, streams)) if trim is None else trim
    dry, full = _ends(program, rng, trim)
    wet = _shares(rng, streams, frames, program.channels)
    counts = dry[:, None] + (full - dry)[:, None] * wet
    noise = np.abs(full - dry).mean(axis=1)[:, None, None] * 10 ** rng.uniform(-4, -1.5, (streams, 1, 1))
    counts = np.rint(counts + rng.normal(size=counts.shape) * noise).astype(np.int64)
    counts = np.clip(counts, 0, program.count_max)
    temperature = rng.randint(_TEMPERATURES[0], _TEMPERATURES[1] + 1, (streams, 1)) + np.zeros(
        (1, frames), np.int64
    )
    temperature[rng.random_sample(streams) < 0.5] = NO_TEMPERATURE
    pours = drawn_pours(program, rng, streams, frames)
    return Streams(trim, counts, temperature, np.zeros((streams, frames), np.int64), pours)


def drawn_pours(program: Program, rng: np.random.RandomState, streams: int, frames: int) -> Array | None:
    """Seconds since the last pour, (streams, frames), for a program that is told: of a quarter of the streams
    not known, of a quarter anything at each frame, else a clock that starts anywhere and goes on; None, and
    nothing drawn, for any other program.
    """
    longest = program.longest_pour_s
    if not longest:
        return None
    start = rng.randint(0, longest + 1, (streams, 1))
    clock = start + np.arange(frames) * program.period_ms // 1000
    anything = rng.randint(NO_POUR, 2 * longest, (streams, frames))
    kind = rng.randint(0, 4, (streams, 1))
    pours = np.where(kind == 0, NO_POUR, np.where(kind == 1, anything, clock))
    return np.asarray(pours, np.int64)


def _trims(program: Program, rng: np.random.RandomState, streams: int) -> Array:
    """Trims within the limits, (streams, trim size); one place within them for all channels of a kind, near
    which each channel has its own.
    """
    if program.trim is None:
        return np.zeros((streams, 0), np.int64)
    low, high = np.asarray(program.trim.low), np.asarray(program.trim.high)
    kinds = len(program.trim_kinds)
    common = np.repeat(rng.random_sample((streams, kinds)), program.channels, axis=1)
    own = rng.random_sample((streams, len(low)))
    spread = rng.choice([0.1, 0.3, 1.0], size=(streams, 1))
    place = (1 - spread) * common + spread * own
    return np.asarray(low + np.rint((high - low) * place), np.int64)


def _ends(program: Program, rng: np.random.RandomState, trim: Array) -> tuple[Floats, Floats]:
    """Counts of each channel dry and full, float (streams, channels)."""
    streams, channels, top = len(trim), program.channels, program.count_max
    swing = top * 2.0 ** -rng.uniform(*_SWINGS, (streams, 1)) * rng.uniform(0.5, 1.5, (streams, channels))
    swing = swing * np.where(rng.random_sample((streams, 1)) < 0.5, 1.0, -1.0)
    drawn = rng.uniform(0, top, (streams, channels))
    kinds = program.trim_kinds if program.trim is not None else ()
    named = {kind: trim[:, k * channels : (k + 1) * channels] for k, kind in enumerate(kinds)}
    dry = next((named[kind].astype(np.float64) for kind in _DRY_KINDS if kind in named), None)
    full = next((named[kind].astype(np.float64) for kind in _FULL_KINDS if kind in named), None)
    if dry is None:
        dry = drawn if full is None else full - swing
    return dry, dry + swing if full is None else full


def _shares(rng: np.random.RandomState, streams: int, frames: int, channels: int) -> Floats:
    """How wet each pad is, about 0 to 1, float (streams, frames, channels)."""
    time = np.arange(frames) / max(frames - 1, 1)
    start, stop = rng.uniform(-1.5, channels + 1.5, (2, streams, 1))
    stop = np.where(rng.random_sample((streams, 1)) < 0.5, start, stop)  # held still, or filled or drained
    slosh = np.where(rng.random_sample((streams, 1)) < 0.2, rng.uniform(0, 1.5, (streams, 1)), 0)
    level = start + (stop - start) * time + slosh * np.sin(6.3 * rng.uniform(0.5, 3, (streams, 1)) * time)
    edge = rng.uniform(0.5, 2.0, (streams, 1, 1))
    pads = np.arange(channels, dtype=np.float64)
    wet = np.clip((level[:, :, None] - pads - 0.5) / edge + 0.5, 0, 1)
    wet = _filmed(rng, wet)
    wet = _foamed(rng, wet, level, pads, time)
    wet = _dropped(rng, wet)
    wet = wet * rng.uniform(0.85, 1.15, (streams, 1, 1)) + _odd(rng, wet.shape)
    turned = rng.random_sample(streams) < 0.15  # channels from the top down
    wet[turned] = wet[turned][:, :, ::-1]
    return wet


def _filmed(rng: np.random.RandomState, wet: Floats) -> Floats:
    """A film on the wall: dry pads read some of the swing in four streams of ten."""
    film = np.where(rng.random_sample(len(wet)) < 0.4, rng.uniform(0, 0.6, len(wet)), 0)[:, None, None]
    own = rng.uniform(0.5, 1.5, (len(wet), 1, wet.shape[2]))
    return np.maximum(wet, np.clip(film * own, 0, 1))


def _foamed(rng: np.random.RandomState, wet: Floats, level: Floats, pads: Floats, time: Floats) -> Floats:
    """Foam above the liquid in four streams of ten: a thickness and a share, with bubbles, from some frame
    on.
    """
    streams = len(wet)
    thick = np.where(rng.random_sample(streams) < 0.4, rng.uniform(0, len(pads), streams), 0)[:, None, None]
    share = rng.uniform(0.05, 0.9, (streams, 1, 1)) * rng.uniform(0.8, 1.2, wet.shape)
    since = (time >= rng.choice([0.0, 0.5], size=(streams, 1)))[:, :, None]
    above = np.clip(level[:, :, None] + thick - pads, 0, 1)
    return np.where(since, np.maximum(wet, np.clip(share, 0, 1) * above), wet)


def _dropped(rng: np.random.RandomState, wet: Floats) -> Floats:
    """Drops: in two streams of ten single pads read wet for a while."""
    streams, frames, channels = wet.shape
    there = rng.random_sample((streams, 1, channels)) < 0.25
    there = there & (rng.random_sample((streams, 1, 1)) < 0.2)
    while_there = np.arange(frames)[None, :, None] >= rng.randint(0, frames, (streams, 1, channels))
    return np.maximum(wet, np.where(there & while_there, rng.uniform(0.1, 0.9, wet.shape), 0))


def _odd(rng: np.random.RandomState, shape: tuple[int, int, int]) -> Floats:
    """What no tank does: in one stream of ten each pad is off by a share of its own."""
    streams, _, channels = shape
    odd = rng.random_sample((streams, 1, 1)) < 0.1
    return np.where(odd, rng.uniform(-0.7, 0.7, (streams, 1, channels)), 0)


def middle_trim(program: Program) -> Array | None:
    """The trim in the middle of its limits, shape (trim size,); None for a program without."""
    if program.trim is None:
        return None
    middle = np.asarray((np.asarray(program.trim.low) + np.asarray(program.trim.high)) // 2, dtype=np.int64)
    moved: Array = into_gate(program, middle[None])[0]
    return moved


def tank_fills(program: Program) -> Array:
    """Counts as a clean tank makes them with ``middle_trim``, the lower channels wet, shape (n, channels);
    wherever they fall in the domain for a program without trim. The same ones each time.
    """
    rng, n, top = np.random.RandomState(0), program.channels, program.count_max
    counts = rng.randint(0, top + 1, size=(2 * _STILL_FILLS, n), dtype=np.int64)
    trim = middle_trim(program)
    if trim is None:
        return counts
    dry = np.broadcast_to(trim[:n], (_STILL_FILLS, n))
    wet = (
        np.broadcast_to(trim[-n:], (_STILL_FILLS, n))
        if len(trim) > n
        else dry + (top * 0.5 ** rng.uniform(1, 12, (_STILL_FILLS, 1))).astype(np.int64)
    )
    share = np.clip(rng.uniform(0, n, (_STILL_FILLS, 1)) - np.arange(n), 0, 1)
    return np.clip(dry + ((wet - dry) * share).astype(np.int64), 0, top)
