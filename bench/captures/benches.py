"""Two benches in closed form, units drawn from a spread, and what each unit is captured in.

Nothing here is measured, and nothing is of the virtual rig: another field, other strips, other courses of
foam and film. Numbers without a source are invented. Figures of these are called 'closed-form bench'.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace

import numpy as np

from captures.courses import (
    LAYERS,
    FilmMaker,
    FoamCourse,
    FoamMaker,
    beading_film,
    breaking_foam,
    draining_film,
    fading_foam,
    layer_contrast,
)
from captures.field import (
    EdgeLaw,
    Floats,
    apparent_contrast,
    complex_permittivity,
    contrast,
    floating,
    open_share,
    slit_share,
)
from captures.second_frequency import CONDUCTIVITY, HIGH_HZ, LOW_HZ, AtLow, Second
from dataset.records import CountLaw

FOAM_SEEN_MM, FILM_SEEN = 1.5, 0.01  # less than that an operator calls still, and clean
SETTLE_FRAMES = 5
HEADSPACE = 0.1  # of the span, above it
FAR_BELOW_MM = -400.0  # where the liquid of an empty tank stands


@dataclass(frozen=True)
class Strip:
    """Pads on the wall of a tank: how many, from which height, how high, from bottom to bottom; the tank's
    span, and the depth of the pads behind its inner face, mm.
    """

    pads: int
    first_mm: float
    height_mm: float
    pitch_mm: float
    span_mm: float
    depth_mm: float

    @property
    def bottoms(self) -> Floats:
        """Lower ends, (pads,), mm."""
        return self.first_mm + self.pitch_mm * np.arange(self.pads, dtype=np.float64)

    @property
    def tops(self) -> Floats:
        """Upper ends, (pads,), mm."""
        return self.bottoms + self.height_mm


@dataclass(frozen=True)
class Spread:
    """Standard deviations from unit to unit: of the gain, of each pad's, of the board's own capacitance and
    of each pad's (shares of a swing), of depth and mounting height (mm); within a unit from session to
    session, of the baseline (share of a swing) and of what warmth does to it; noise of a frame (share of a
    swing).
    """

    gain: float
    pad_gain: float
    offset: float
    pad_offset: float
    depth_mm: float
    height_mm: float
    pad_height_mm: float
    drift: float
    warming: float
    noise: float


@dataclass(frozen=True)
class Board:
    """How capacitance becomes counts: in swings, what a pad shows dry; counts of a swing where they rise, the
    count of a dry pad where they fall.
    """

    count_law: CountLaw
    dry_swings: float
    counts: float
    period_ms: int
    count_bits: int = 16


@dataclass(frozen=True)
class Motion:
    """What the liquid does: hysteresis of the meniscus either way, amplitude of sloshing after a movement,
    tilt as a height at the pads (standard deviation), mm; capacitance to earth while floating, in covered
    pads.
    """

    meniscus_mm: float
    slosh_mm: float
    tilt_mm: float
    to_earth: tuple[float, float]
    earthed_share: float


@dataclass(frozen=True)
class Recipe:
    """What a session does: path 'ramp', 'steps', 'drain', 'pour' (up, then still) or 'empty', and what is on
    liquid and wall.
    """

    name: str
    path: str
    frames: int
    foam: bool = False
    film: bool = False
    drops: bool = False


@dataclass(frozen=True)
class Bench:
    """One bench: strip, field, board, spreads, liquids by name with their permittivity, and what a unit is
    captured in, pairs of liquid and recipe. ``second``: pads read at two frequencies; None: at one.
    """

    name: str
    strip: Strip
    law: EdgeLaw
    wall: float
    board: Board
    spread: Spread
    motion: Motion
    liquids: tuple[tuple[str, float], ...]
    foam: FoamMaker
    film: FilmMaker
    plan: tuple[tuple[str, Recipe], ...]
    seed: int
    changed: Strip | None = field(default=None)
    second: Second | None = field(default=None)

    def rng(self, *what: object) -> np.random.Generator:
        """A generator that depends on the seed and on ``what`` alone, so that units may be added."""
        text = ":".join(map(str, (self.name, self.seed, self.strip.span_mm, *what)))
        return np.random.default_rng(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big"))

    def on_changed_tank(self) -> Bench:
        """The same board and liquids on the changed tank."""
        assert self.changed is not None
        return replace(self, strip=self.changed)


def with_two_frequencies(bench: Bench) -> Bench:
    """The bench with every pad read at a second frequency: all else, and what it reads at the first, is
    equal.
    """
    return replace(bench, second=Second(bench.strip.pads, HIGH_HZ, LOW_HZ, CONDUCTIVITY))


def with_half_the_places(bench: Bench) -> Bench:
    """As many channels as the bench has, at half as many places with higher pads: of an odd number of
    channels the uppermost place has one.
    """
    strip, half = bench.strip, (bench.strip.pads + 1) // 2
    pitch = strip.pitch_mm * strip.pads / half
    fewer = replace(strip, pads=half, pitch_mm=pitch, height_mm=pitch - strip.pitch_mm + strip.height_mm)
    return replace(
        bench, strip=fewer, second=Second(strip.pads - half, HIGH_HZ, LOW_HZ, CONDUCTIVITY), changed=None
    )


def with_foam_at_rest(bench: Bench) -> Bench:
    """The bench with foam in tanks that stand still or drain too, where a stated flow could tell."""
    known = {recipe.name for _, recipe in bench.plan}
    more = tuple(("soap", recipe) for recipe in (POUR, FOAM_DRAIN) if recipe.name not in known)
    return replace(bench, plan=(*bench.plan, *more))


RAMP, STEPS = Recipe("ramp", "ramp", 180), Recipe("steps", "steps", 180)
FOAM, POUR = Recipe("foam", "ramp", 220, foam=True), Recipe("pour", "pour", 220, foam=True)
FOAM_DRAIN = Recipe("foam-drain", "drain", 180, foam=True)
FILM, DRY = Recipe("film", "drain", 180, film=True), Recipe("dry", "empty", 60)
EMPTY_FILM, EMPTY_DROPS = (
    Recipe("empty-film", "empty", 100, film=True),
    Recipe("empty-drops", "empty", 80, drops=True),
)


def bench_a(seed: int = 1) -> Bench:
    """Bench A: seven high pads behind a thick wall, counts that fall, exponential edges."""
    return Bench(
        name="closed-form-a",
        strip=Strip(pads=7, first_mm=4.0, height_mm=21.0, pitch_mm=24.0, span_mm=172.0, depth_mm=9.0),
        changed=Strip(pads=7, first_mm=5.0, height_mm=24.0, pitch_mm=29.0, span_mm=205.0, depth_mm=10.5),
        law=slit_share,
        wall=2.6,
        board=Board(CountLaw.FALLS, dry_swings=1.6, counts=52000.0, period_ms=150),
        spread=Spread(
            gain=0.03,
            pad_gain=0.012,
            offset=0.01,
            pad_offset=0.006,
            depth_mm=0.5,
            height_mm=0.6,
            pad_height_mm=0.15,
            drift=0.007,
            warming=0.007,
            noise=0.0012,
        ),
        motion=Motion(0.6, 1.5, 0.5, (0.6, 4.0), 0.4),
        liquids=(("water", 80.1), ("soap", 76.0), ("spirit", 44.0)),
        foam=fading_foam,
        film=draining_film,
        plan=(
            ("water", RAMP),
            ("soap", RAMP),
            ("spirit", RAMP),
            ("soap", STEPS),
            ("soap", FOAM),
            ("water", FILM),
            ("spirit", FILM),
            ("water", DRY),
            ("soap", EMPTY_FILM),
            ("water", EMPTY_DROPS),
        ),
        seed=seed,
    )


def bench_b(seed: int) -> Bench:
    """Bench B: nine low pads close to the liquid, counts that rise, arctangent edges, units that differ more,
    foam that breaks from above, film that beads.
    """
    return Bench(
        name="closed-form-b",
        strip=Strip(pads=9, first_mm=2.0, height_mm=12.5, pitch_mm=14.0, span_mm=128.0, depth_mm=3.2),
        changed=Strip(pads=9, first_mm=3.0, height_mm=15.0, pitch_mm=18.0, span_mm=164.0, depth_mm=3.8),
        law=open_share,
        wall=3.4,
        board=Board(CountLaw.RISES, dry_swings=1.0, counts=11000.0, period_ms=100),
        spread=Spread(
            gain=0.05,
            pad_gain=0.02,
            offset=0.018,
            pad_offset=0.009,
            depth_mm=0.25,
            height_mm=0.4,
            pad_height_mm=0.15,
            drift=0.007,
            warming=0.006,
            noise=0.0018,
        ),
        motion=Motion(0.5, 1.2, 0.35, (1.2, 9.0), 0.6),
        liquids=(("water", 80.1), ("soap", 77.0), ("glycol", 41.0)),
        foam=breaking_foam,
        film=beading_film,
        plan=(
            ("water", RAMP),
            ("glycol", RAMP),
            ("soap", STEPS),
            ("soap", FOAM),
            ("soap", POUR),
            ("water", FILM),
            ("glycol", FILM),
            ("water", DRY),
            ("soap", EMPTY_FILM),
            ("water", EMPTY_DROPS),
        ),
        seed=seed,
    )


@dataclass(frozen=True)
class Part:
    """One unit: factors and offsets (pads,), depth, heights (pads,), and its noise."""

    name: str
    gain: Floats
    dry_swings: Floats
    depth_mm: float
    height_mm: Floats
    noise: float


def draw_part(bench: Bench, name: str) -> Part:
    """A unit of the bench; the same name gives the same one, on every tank. What the board makes of a second
    frequency differs from pad to pad as it does at the first.
    """
    spread, strip = bench.spread, bench.strip
    rng = replace(bench, strip=replace(strip, span_mm=0.0)).rng("part", name)
    pads = strip.pads

    def drawn(deviation: float, size: int | None = None) -> Floats:
        """Evenly within a tolerance of that deviation: what lies beyond does not leave the maker."""
        return deviation * np.asarray(rng.uniform(-np.sqrt(3), np.sqrt(3), size), np.float64)

    gain, pad_gain = drawn(spread.gain), drawn(spread.pad_gain, pads)
    offset, pad_offset = drawn(spread.offset), drawn(spread.pad_offset, pads)
    part = Part(
        name,
        (1 + gain) * (1 + pad_gain),
        bench.board.dry_swings + offset + pad_offset,
        max(float(strip.depth_mm + drawn(spread.depth_mm)), 0.5),
        drawn(spread.height_mm) + drawn(spread.pad_height_mm, pads),
        spread.noise * float(np.exp(rng.normal(0, 0.2))),
    )
    if bench.second is None:
        return part
    more = bench.second.pads
    return replace(
        part,
        gain=np.append(part.gain, (1 + gain) * (1 + drawn(spread.pad_gain, more))),
        dry_swings=np.append(
            part.dry_swings, bench.board.dry_swings + offset + drawn(spread.pad_offset, more)
        ),
    )


@dataclass(frozen=True)
class Piece:
    """Frames ``start`` to ``stop`` from one level to another, evenly, mm."""

    start: int
    stop: int
    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class Capture:
    """One session: counts (n, pads), board temperature (n,) degrees C, pieces of its path, and of each frame
    whether foam and film could be seen, (n,).
    """

    counts: np.ndarray
    temperature_c: Floats
    pieces: tuple[Piece, ...]
    foam: np.ndarray
    film: np.ndarray
    earthed: bool
    recipe: Recipe


def trim_counts(bench: Bench, part: Part, level_mm: float | None) -> tuple[int, ...]:
    """A unit's counts at rest, dry (None) or under water that is earthed, the mean of 16 frames."""
    rng = bench.rng("trim", part.name, level_mm)
    level = np.asarray([FAR_BELOW_MM if level_mm is None else level_mm])
    shown = _liquid(bench, part, level)
    noisy = shown * contrast(80.1, bench.wall) + rng.normal(0, part.noise, (16, bench.strip.pads))
    if bench.second is not None:
        sigma = bench.second.drawn("water", rng)
        wet = apparent_contrast(complex_permittivity(80.1, sigma, bench.second.low_hz), bench.wall)
        more = shown[:, : bench.second.pads] * wet + rng.normal(0, part.noise, (16, bench.second.pads))
        noisy = np.hstack([noisy, more])
    return tuple(int(v) for v in np.rint(_counts(bench, part, noisy).mean(axis=0)))


def block_counts(bench: Bench, part: Part, transfer: float, spread: float) -> tuple[int, ...]:
    """A unit's counts at one frequency with a surrogate block along all pads, which makes about ``transfer``
    of the step from dry to full on each, with a standard deviation of ``spread`` from pad to pad.
    """
    assert bench.second is None
    rng, pads = bench.rng("block", part.name), bench.strip.pads
    shown = rng.normal(transfer, spread, pads) * contrast(80.1, bench.wall)
    noisy = shown + rng.normal(0, part.noise, (16, pads))
    return tuple(int(v) for v in np.rint(_counts(bench, part, noisy).mean(axis=0)))


def capture(bench: Bench, part: Part, liquid: str, recipe: Recipe, number: int = 0) -> Capture:
    """One session of a unit."""
    rng, n, strip = bench.rng("session", part.name, liquid, recipe.name, number), recipe.frames, bench.strip
    t_s = np.arange(n) * bench.board.period_ms / 1000
    pieces = _path(recipe, strip.span_mm, rng)
    level = np.concatenate([np.linspace(p.from_mm, p.to_mm, p.stop - p.start) for p in pieces])
    at = FAR_BELOW_MM + np.zeros(n) if recipe.path == "empty" else _surface(bench, level, t_s, rng)
    wet = contrast(dict(bench.liquids)[liquid], bench.wall)
    base = _liquid(bench, part, at) * wet
    shares, thickness = base, np.zeros(n)
    foam, edges = None, []
    if recipe.foam:
        foam = bench.foam(t_s, strip.pads, rng)
        thickness = foam.thickness_mm
        edges = [_liquid(bench, part, at + thickness * k / LAYERS) for k in range(LAYERS + 1)]
        shares = base + _froth(foam, layer_contrast(foam, bench.wall), edges)
    film = _film(bench, recipe, level, thickness, t_s, rng)
    above = _liquid(bench, part, np.full(n, strip.span_mm * 2)) - _liquid(bench, part, at + thickness)
    shares = shares + film * wet * above
    hanging = np.zeros(strip.pads)
    if recipe.drops:
        hanging = (rng.random(strip.pads) < 0.4) * rng.uniform(0.02, 0.12, strip.pads)
        shares = shares + hanging[None, :]
    earthed = bool(rng.random() < bench.motion.earthed_share)
    to_earth = np.full(n, np.inf if earthed else rng.uniform(*bench.motion.to_earth))
    shares = floating(shares, to_earth)
    warm = np.linspace(rng.uniform(16, 28), rng.uniform(16, 28), n)
    drift = rng.normal(0, bench.spread.drift) + rng.normal(0, bench.spread.warming) * (warm - 22) / 10
    noise = rng.normal(0, part.noise, shares.shape) + _bursts(n, rng)[:, None] * part.noise
    noisy = shares + drift[:, None] + noise
    if bench.second is not None:
        # drawn last, so that the first frequency reads the same with and without the second
        low = AtLow(
            dict(bench.liquids)[liquid], bench.second.drawn(liquid, rng), bench.second.low_hz, bench.wall
        )
        more = base / wet * low.wet
        if foam is not None:
            more = more + _froth(foam, low.of_foam(foam), edges)
        more = more + low.of_film(film * wet) * above + hanging[None, :]  # drops are lumps, no sheets
        more = floating(more, to_earth) + drift[:, None] + rng.normal(0, part.noise, more.shape)
        more = more + _bursts(n, rng)[:, None] * part.noise
        noisy = np.hstack([noisy, more[:, : bench.second.pads]])
    counts = _counts(bench, part, noisy)
    seen = film.max(axis=1) > FILM_SEEN
    return Capture(counts, np.round(warm, 1), pieces, thickness > FOAM_SEEN_MM, seen, earthed, recipe)


def _froth(foam: FoamCourse, shown: Floats, edges: list[Floats]) -> Floats:
    """What all layers of a foam add, (n, pads)."""
    layers = [shown[:, k : k + 1] * (edges[k + 1] - edges[k]) for k in range(LAYERS)]
    return np.asarray(sum(layers) * foam.flicker, np.float64)


def _bursts(n: int, rng: np.random.Generator) -> Floats:
    """Switching nearby, on all pads alike, in noises."""
    return np.asarray((rng.random(n) < 0.02) * rng.normal(0, 5, n), np.float64)


def _liquid(bench: Bench, part: Part, level: Floats) -> Floats:
    """What each pad of the unit sees of a conductor up to the levels (n,), (n, pads)."""
    strip = bench.strip
    return bench.law(level, strip.bottoms + part.height_mm, strip.tops + part.height_mm, part.depth_mm)


def _counts(bench: Bench, part: Part, shares: Floats) -> np.ndarray:
    board = bench.board
    if board.count_law is CountLaw.RISES:
        counts = board.counts * (part.dry_swings + part.gain * shares)
    else:
        counts = board.counts * board.dry_swings / (part.dry_swings + part.gain * shares)
    return np.clip(np.rint(counts), 0, (1 << board.count_bits) - 1).astype(np.int64)


def _surface(bench: Bench, level: Floats, t_s: Floats, rng: np.random.Generator) -> Floats:
    """Where the liquid stands at the pads: the level with meniscus, sloshing and tilt."""
    motion, step = bench.motion, np.diff(level, prepend=level[0])
    held, line = 0.0, np.zeros(len(level))
    for k, moved in enumerate(step):
        held = float(np.clip(held - moved, -motion.meniscus_mm, motion.meniscus_mm))
        line[k] = held
    last = np.maximum.accumulate(np.where(step != 0, t_s, -1e3))
    slosh = (
        0.3
        * motion.slosh_mm
        * np.exp(-(t_s - last) / 3)
        * np.sin(2 * np.pi * 2.6 * t_s + rng.uniform(0, 6.28))
    )
    return np.asarray(level + line + slosh + rng.normal(0, motion.tilt_mm), np.float64)


def _film(
    bench: Bench, recipe: Recipe, level: Floats, foam_mm: Floats, t_s: Floats, rng: np.random.Generator
) -> Floats:
    """The share of a covered pad that film shows on each, (n, pads)."""
    n, strip = len(level), bench.strip
    if not recipe.film:
        return np.zeros((n, strip.pads))
    middles = (strip.bottoms + strip.tops) / 2
    empty = recipe.path == "empty"
    top = rng.uniform(0.6, 1.0) * strip.span_mm if empty else float(level.max())
    if empty:
        age = np.tile((t_s + rng.uniform(1.0, 50.0))[:, None], (1, strip.pads))
    else:
        covered = level[:, None] >= middles[None, :]
        last = np.maximum.accumulate(np.where(covered, t_s[:, None], t_s[0] - 1.0), axis=0)
        age = np.where(covered, 0.0, t_s[:, None] - last)
    share = bench.film(age, top - middles, rng)
    hangs = (middles < top)[None, :] & ((level + foam_mm)[:, None] < middles[None, :])
    return np.where(hangs, share, 0.0)


def _path(recipe: Recipe, span: float, rng: np.random.Generator) -> tuple[Piece, ...]:
    n, half = recipe.frames, recipe.frames // 2
    low, high, end = (
        rng.uniform(0.02, 0.1) * span,
        rng.uniform(0.85, 1.0) * span,
        rng.uniform(0.02, 0.3) * span,
    )
    if recipe.path == "empty":
        return (Piece(0, n, 0.0, 0.0),)
    if recipe.path == "ramp":
        return Piece(0, half, low, high), Piece(half, n, high, end)
    if recipe.path == "pour":
        still, third = rng.uniform(0.1, 0.9) * span, n // 3
        return Piece(0, third, low, still), Piece(third, n, still, still)
    if recipe.path == "drain":
        return Piece(0, half, high, end), Piece(half, n, end, end)
    heights = np.sort(rng.uniform(0.01, 1.0, int(rng.integers(5, 9)))) * span
    heights = heights[:: int(rng.choice([-1, 1]))]
    edges = np.linspace(0, n, len(heights) + 1).astype(int).tolist()
    return tuple(
        Piece(a, b, float(h), float(h)) for a, b, h in zip(edges[:-1], edges[1:], heights, strict=True)
    )
