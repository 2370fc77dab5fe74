"""A bench of virtual units: capture sessions with everything that a real one has, and the truth beside them. All of it is simulated.

A unit differs from the next by its electronics, its pads, its adhesive and where it sits; a session by liquid, temperature, coupling to earth,
what the liquid does and what is left on the wall. The same scenario, seed, unit and recipe give the same session.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.records import Conditions, CountLaw, Coupling, Flow, Frames, Mark, Stretch, Surface, Wall
from dataset.rig.disturbances import (
    drops_share,
    film_um,
    foam_course,
    hand_share,
    interference_counts,
    jeffreys_um,
    meniscus_mm,
    sloshing_mm,
)
from dataset.rig.response import Progress, Response, response_table
from dataset.rig.scenario import Recipe, RigTank, Scenario

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
FOAM_SEEN_MM, FILM_SEEN_UM = 1.5, 2.0  # below these an operator says 'still' and 'clean'
_DROP_UM = 60.0
_EARTHED_SHARE = 0.3  # of sessions in which the liquid touches something earthed
_LEVELS = (7, 11)
_SETTLE = 8  # frames after a movement that are not marked
_EMPTY_MM = -4.0  # where the surface stands in an empty tank: at the floor, below the datum


@dataclass(frozen=True)
class RigUnit:
    """One physical sample: what varies from part to part."""

    name: str
    gain: Floats  # of counts per pF, (pads,)
    offset: Floats  # counts, (pads,)
    swing: float  # of the nominal, by the adhesive's thickness
    height_mm: Floats  # by how much each pad sits too high, (pads,)
    noise_counts: float
    counts_per_k: float


@dataclass(frozen=True)
class Capture:
    """A simulated session: frames, marks and conditions as an operator would state them, and the truth of every frame."""

    frames: Frames
    marks: tuple[Mark, ...]
    stretches: tuple[Stretch, ...]
    level_mm: Floats
    foam_mm: Floats
    film_um: Floats
    coupling: Coupling


class Bench:
    """A tank of a scenario with its response tables, ready to make units, trims and sessions."""

    def __init__(self, scenario: Scenario, tank: int, *, seed: int = 0, cache: Path | None = None, progress: Progress | None = None, jobs: int = 2) -> None:
        self.scenario, self.tank, self.seed = scenario, tank, seed
        its, shape = scenario.tank[tank], scenario.slice(tank)
        self.responses = {
            name: response_table(shape, scenario.find_liquid(name).medium, its.span_mm + its.headspace_mm / 2, cache=cache, progress=progress, jobs=jobs)
            for name in its.liquids
        }
        self._middles = np.asarray([(low + high) / 2 for low, high in shape.pads])

    @property
    def its(self) -> RigTank:
        return self.scenario.tank[self.tank]

    def _rng(self, *words: object) -> np.random.Generator:
        """A stream of its own for everything that has a name: one more unit changes no other."""
        text = ":".join(map(str, (self.scenario.name, self.seed, self.tank, *words)))
        return np.random.default_rng(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big"))

    def unit(self, number: int) -> RigUnit:
        """Unit ``number``."""
        rng, spread, board, pads = self._rng("unit", number), self.scenario.spread, self.scenario.board, self.its.pads
        gap = rng.normal(0, spread.gap_mm)
        return RigUnit(
            name=f"{self.its.name}-{self.scenario.revision(self.tank)}-{number:02d}",
            gain=(1 + rng.normal(0, spread.gain)) * (1 + rng.normal(0, spread.pad_gain, pads)),
            offset=board.offset_counts + rng.normal(0, spread.offset_counts) + rng.normal(0, spread.pad_offset_counts, pads),
            swing=self.its.wall_mm / (self.its.wall_mm + gap),  # a pad on a wall of some mm: its swing goes with one over the thickness
            height_mm=rng.normal(0, spread.mounting_mm) + rng.normal(0, spread.pad_mm, pads),
            noise_counts=board.noise_counts * max(1 + rng.normal(0, spread.noise), 0.2),
            counts_per_k=rng.normal(0, self.scenario.temperature.board_counts_per_k),
        )

    def trim(self, unit: RigUnit, level_mm: float | None, liquid: str = "water") -> tuple[int, ...]:
        """The unit's counts at rest, the mean of 25 frames: dry (None), or filled to a level."""
        rng = self._rng("trim", unit.name, level_mm)
        n, pads = 25, self.its.pads
        level = np.full(n, _EMPTY_MM - 10 if level_mm is None else level_mm)
        share = self._picofarads(unit, self.responses[liquid][Coupling.EARTHED], level, None, None, None)
        counts = self._counts(unit, share, np.full(n, 22.0), rng.normal(0, unit.noise_counts, (n, pads)))
        return tuple(int(v) for v in np.rint(counts.mean(axis=0)))

    def capture(self, unit: RigUnit, liquid: str, recipe: Recipe, number: int = 0) -> Capture:
        """One session of a unit, the ``number``-th of its recipe and liquid."""
        rng = self._rng("session", unit.name, liquid, recipe.name, number)
        n, pads, period = recipe.frames, self.its.pads, self.scenario.board.period_ms
        t_ms = np.arange(n, dtype=np.int64) * period
        t_s = t_ms / 1000
        level, still = self._path(recipe, n, rng)
        coupling = Coupling.EARTHED if rng.random() < _EARTHED_SHARE else Coupling.FLOATING
        foam, wetness = foam_course(t_s, self.scenario.foam, rng) if recipe.foam else (np.zeros(n), np.zeros(n))
        film = self._film(recipe, level, t_s, rng)
        surface = self._surface(recipe, level, t_s, rng)
        pf = self._picofarads(unit, self.responses[liquid][coupling], surface, foam, wetness, film, rng)
        warm_liquid = rng.uniform(*self.scenario.temperature.liquid_c)
        ambient = np.linspace(rng.uniform(*self.scenario.temperature.ambient_c), rng.uniform(*self.scenario.temperature.ambient_c), n)
        pf = self._dry(unit, liquid) + (pf - self._dry(unit, liquid)) * (1 + self.scenario.temperature.swing_per_k * (warm_liquid - 22.0))
        swing = np.abs(self.responses[liquid][coupling].clean[-1] - self.responses[liquid][coupling].clean[0])
        pf = pf + swing * self._extra(recipe, n, pads, rng)
        noise = rng.normal(0, unit.noise_counts, (n, pads)) + interference_counts(t_s, pads, self.scenario.interference, rng)
        counts = self._counts(unit, pf, ambient, noise + rng.normal(0, self.scenario.temperature.drift_counts))
        if recipe.unplugged:
            counts[n // 2 :, int(rng.integers(0, pads))] = 0
        frames = Frames(t_ms, counts.astype(np.uint32), np.round(ambient, 1))
        marks = _marks(level, still, self.scenario.liquid_motion.label_u_mm)
        return Capture(frames, marks, self._stretches(recipe, level, foam, film, coupling), level, foam, film, coupling)

    def _path(self, recipe: Recipe, n: int, rng: np.random.Generator) -> tuple[Floats, NDArray[np.bool_]]:
        """The true level of each frame, and where it stands still."""
        span = self.its.span_mm
        if recipe.path == "empty":
            return np.zeros(n), np.ones(n, np.bool_)
        if recipe.path == "ramp":
            bottom, top, end = rng.uniform(0.02, 0.1) * span, rng.uniform(0.85, 1.0) * span, rng.uniform(0.02, 0.3) * span
            level = np.concatenate([np.linspace(bottom, top, n // 2), np.linspace(top, end, n - n // 2)])
            return level, np.zeros(n, np.bool_)
        if recipe.path == "drain":
            fall = n // 2
            level = np.concatenate([np.linspace(rng.uniform(0.7, 1.0) * span, rng.uniform(0.05, 0.3) * span, fall), np.zeros(n - fall)])
            level[fall:] = level[fall - 1]
            return level, np.arange(n) >= fall
        steps = int(rng.integers(*_LEVELS))
        heights = np.sort(rng.uniform(0.01, 1.0, steps)) * span
        if rng.random() < 0.5:
            heights = heights[::-1]
        each = n // steps
        level = np.repeat(heights, each)
        level = np.append(level, np.full(n - len(level), heights[-1]))
        for k in range(1, steps):  # moved within three frames
            level[k * each : k * each + 3] = np.linspace(heights[k - 1], heights[k], 5)[1:4]
        return level, np.append(np.diff(level) == 0, True)

    def _film(self, recipe: Recipe, level: Floats, t_s: Floats, rng: np.random.Generator) -> Floats:
        """Film on each pad, (n, pads) um."""
        its = self.scenario.film
        if not recipe.film:
            return np.zeros((len(t_s), self.its.pads))
        wetting = rng.uniform(*its.wetting)
        if recipe.path == "empty":
            top, age = rng.uniform(0.6, 1.0) * self.its.span_mm, rng.uniform(1.0, 60.0)
            film = np.stack([jeffreys_um(np.full(len(t_s), top - z), t_s + age, its.kinematic_m2_s) for z in self._middles], axis=1)
            return np.minimum(wetting * film, its.most_um)
        return film_um(level, self._middles, t_s, float(level.max()), its, wetting)

    def _surface(self, recipe: Recipe, level: Floats, t_s: Floats, rng: np.random.Generator) -> Floats:
        """Where the liquid stands at the pads: the level with sloshing, meniscus and tilt; at the floor when the tank is empty."""
        its = self.scenario.liquid_motion
        tilt = its.axis_mm * np.tan(np.deg2rad(rng.normal(0, its.tilt_deg)))
        moved = np.append(False, np.diff(level) != 0)
        at = level + sloshing_mm(t_s, moved, its, rng, lasting=recipe.sloshing) + meniscus_mm(level, its) + tilt
        return np.where(level <= 0, _EMPTY_MM, at)

    def _picofarads(
        self, unit: RigUnit, response: Response, surface: Floats, foam: Floats | None, wetness: Floats | None, film: Floats | None,
        rng: np.random.Generator | None = None,
    ) -> Floats:  # fmt: skip
        """Capacitance of each pad, (n, pads), every pad at its own height on the wall."""
        made = np.empty((len(surface), self.its.pads))
        for pad in range(self.its.pads):
            at = surface - unit.height_mm[pad]
            clean = response.at(at)[:, pad]
            whole = response.at(at, foam, wetness, film)[:, pad] if foam is not None or film is not None else clean
            flicker = 1.0 if rng is None or foam is None else 1 + self.scenario.foam.flicker * rng.normal(size=len(at)) * (foam > 0.5)
            made[:, pad] = clean + (whole - clean) * flicker
        dry = response.clean[0]
        return np.asarray(dry + (made - dry) * unit.swing, np.float64)

    def _dry(self, unit: RigUnit, liquid: str) -> Floats:
        return np.asarray(self.responses[liquid][Coupling.FLOATING].clean[0], np.float64)

    def _extra(self, recipe: Recipe, n: int, pads: int, rng: np.random.Generator) -> Floats:
        """What else a pad sees, in swings (n, pads): drops, a hand."""
        made = np.zeros((n, pads))
        if recipe.drops:
            made += drops_share(pads, self.scenario.film, rng) * (_DROP_UM / 100.0)
        if recipe.hand:
            made += hand_share(n, pads, self.scenario.hand, rng)
        return made

    def _counts(self, unit: RigUnit, pf: Floats, ambient_c: Floats, noise: Floats) -> Ints:
        """Counts by the board's law, clipped to its width."""
        board = self.scenario.board
        rising = unit.offset + board.counts_per_pf * unit.gain * pf + unit.counts_per_k * (ambient_c[:, None] - 22.0)
        if board.count_law == CountLaw.FALLS:
            half = 1 << (board.count_bits - 1)
            rising = half * unit.offset / np.maximum(rising, 1.0)
        return np.clip(np.rint(rising + noise), 0, (1 << board.count_bits) - 1).astype(np.int64)

    def _stretches(self, recipe: Recipe, level: Floats, foam: Floats, film: Floats, coupling: Coupling) -> tuple[Stretch, ...]:
        """Conditions as an operator states them, a stretch wherever one of them changes."""
        foamy, filmed = foam > FOAM_SEEN_MM, film.max(axis=1) > FILM_SEEN_UM
        step = np.sign(np.convolve(np.diff(level, prepend=level[0]), np.ones(3), mode="same")).astype(np.int64)
        handed = recipe.hand & (np.arange(len(level)) >= len(level) // 3) & (np.arange(len(level)) < 2 * len(level) // 3)
        keys = np.stack([foamy, filmed, step + 1, handed], axis=1).astype(np.int64)
        edges = [0, *(np.flatnonzero((keys[1:] != keys[:-1]).any(axis=1)) + 1).tolist(), len(level)]
        flows = (Flow.DRAINING, Flow.STATIC, Flow.FILLING)
        made = []
        for a, b in pairwise(edges):
            surface = tuple(s for s, there in ((Surface.FOAM, keys[a, 0]), (Surface.SLOSHING, recipe.sloshing)) if there) or (Surface.STILL,)
            wall = tuple(w for w, there in ((Wall.DROPS, recipe.drops), (Wall.FILM, keys[a, 1])) if there) or (Wall.CLEAN,)
            appliance = "hand at the wall" if keys[a, 3] else "a pad unplugged" if recipe.unplugged else ""
            made.append(Stretch(a, b, Conditions(surface=surface, wall=wall, flow=flows[keys[a, 2]], coupling=coupling, appliance=appliance)))
        return tuple(made)


def _marks(level: Floats, still: NDArray[np.bool_], u_mm: float) -> tuple[Mark, ...]:
    """Static marks where the level stands, from some frames after it came to rest; ramps where it moves evenly."""
    made: list[Mark] = []
    step = np.round(np.diff(level), 9)
    start = 0
    for k in range(1, len(level) + 1):
        if k < len(level) and (k - start < 2 or step[k - 1] == step[start]):
            continue
        rate = step[start] if k - start > 1 else 1.0
        if rate == 0:
            first = start + (_SETTLE if start else 0)
            if k - first >= 3:
                made.append(Mark(first, k, float(level[first]), u_mm, method="virtual rig"))
            start = k
        else:
            if k - start > _SETTLE:
                made.append(Mark(start, k, float(level[start]), u_mm, level_stop_mm=float(level[k - 1]), method="virtual rig"))
            start = k
    return tuple(made)


def lines(frames: Frames) -> Iterator[bytes]:
    """The frames as a board sends them: ``t_ms,c0,c1,...,temperature``, one line each."""
    warm = frames.temperature_c
    for k, (t, counts) in enumerate(zip(frames.t_ms, frames.counts, strict=True)):
        tail = "" if warm is None or np.isnan(warm[k]) else f",{warm[k]:.1f}"
        yield (f"{t}," + ",".join(map(str, counts)) + tail + "\n").encode()
