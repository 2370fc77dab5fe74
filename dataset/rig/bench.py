"""A bench of virtual units: capture sessions with everything that a real one has, and the truth beside them.
All of it is simulated.

A unit differs from the next by its electronics, its pads, its adhesive and where it sits; a session by
liquid, temperature, coupling to earth, what the liquid does and what is left on the wall. The same scenario,
seed, unit and recipe give the same session.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.pools import TWO, Pool
from dataset.records import CountLaw, Coupling, Frames, Mark, Stretch
from dataset.rig.disturbances import (
    drops_share,
    film_um,
    foam_course,
    hand_course,
    hand_share,
    interference_counts,
    jeffreys_um,
    meniscus_mm,
    sloshing_mm,
)
from dataset.rig.response import Progress, Response, response_table
from dataset.rig.scenario import Recipe, RigTank, Scenario
from dataset.rig.statements import Truth, operator_marks, stretches_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Tables = Mapping[str, Mapping[Coupling, Response]]  # by liquid
_LEVELS = (7, 11)  # steps of a session, the last not included
_REFERENCE_C = 22.0  # at which gain, offset and swing hold
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
class RigCapture:
    """A simulated session: frames, marks and conditions as an operator would state them, and the truth of
    every frame.
    """

    frames: Frames
    marks: tuple[Mark, ...]
    stretches: tuple[Stretch, ...]
    truth: Truth


class Bench:
    """A tank of a scenario with its response tables, ready to make units, trims and sessions."""

    def __init__(
        self,
        scenario: Scenario,
        tank: int,
        *,
        seed: int = 0,
        liquids: Sequence[str] | None = None,
        tables: Tables | None = None,
        cache: Path | None = None,
        progress: Progress | None = None,
        pool: Pool = TWO,
    ) -> None:
        """Solve the field for the tank's ``liquids`` (None: all of them), or take it from the cache, or from
        ``tables``.
        """
        self.scenario, self.tank, self.seed = scenario, tank, seed
        rig_tank, shape = scenario.tank[tank], scenario.slice(tank)
        self._middles = np.asarray([(low + high) / 2 for low, high in shape.pads])
        self.responses: Tables = tables or {
            name: response_table(
                shape,
                scenario.find_liquid(name).medium,
                self.full_mm,
                cache=cache,
                progress=progress,
                pool=pool,
            )
            for name in rig_tank.liquids
            if liquids is None or name in liquids
        }

    @property
    def rig_tank(self) -> RigTank:
        return self.scenario.tank[self.tank]

    @property
    def full_mm(self) -> float:
        """The level of a full tank, above every pad."""
        return self.rig_tank.span_mm + self.rig_tank.headspace_mm / 2

    def _rng(self, *words: object) -> np.random.Generator:
        """A stream of its own for everything that has a name: one more unit changes no other."""
        text = ":".join(map(str, (self.scenario.name, self.seed, self.tank, *words)))
        return np.random.default_rng(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big"))

    def unit(self, number: int) -> RigUnit:
        """Unit ``number``. Another seed makes other units, and says so in their names."""
        rng, spread, board, pads = (
            self._rng("unit", number),
            self.scenario.spread,
            self.scenario.board,
            self.rig_tank.pads,
        )
        gap = rng.normal(0, spread.gap_mm)
        return RigUnit(
            name=f"{self.rig_tank.name}-{self.scenario.revision(self.tank)}-{number:02d}"
            + (f"-seed{self.seed}" if self.seed else ""),
            gain=(1 + rng.normal(0, spread.gain)) * (1 + rng.normal(0, spread.pad_gain, pads)),
            offset=board.offset_counts
            + rng.normal(0, spread.offset_counts)
            + rng.normal(0, spread.pad_offset_counts, pads),
            swing=self.rig_tank.wall_mm
            / (
                self.rig_tank.wall_mm + gap
            ),  # a pad on a wall of some mm: its swing goes with one over the thickness
            height_mm=rng.normal(0, spread.mounting_mm) + rng.normal(0, spread.pad_mm, pads),
            noise_counts=board.noise_counts * max(1 + rng.normal(0, spread.noise), 0.2),
            counts_per_k=rng.normal(0, self.scenario.temperature.board_counts_per_k),
        )

    def trim(self, unit: RigUnit, level_mm: float | None, liquid: str | None = None) -> tuple[int, ...]:
        """The unit's counts at rest, the mean of 25 frames: dry (None), or filled to a level with ``liquid``
        (None: the tank's first).
        """
        rng = self._rng("trim", unit.name, level_mm)
        n, pads = 25, self.rig_tank.pads
        level = np.full(n, _EMPTY_MM - 10 if level_mm is None else level_mm)
        pf = self._picofarads(
            unit, self._response(liquid or self.rig_tank.liquids[0])[Coupling.EARTHED], level
        )
        counts = self._counts(unit, pf, np.full(n, _REFERENCE_C), rng.normal(0, unit.noise_counts, (n, pads)))
        return tuple(int(v) for v in np.rint(counts.mean(axis=0)))

    def block(self, unit: RigUnit, transfer: float, spread: float) -> tuple[int, ...]:
        """Counts with a surrogate block in place of liquid, which makes the share ``transfer`` of the step
        from dry to full, give or take ``spread``.
        """
        share = self._rng("block", unit.name).normal(transfer, spread, self.rig_tank.pads)
        dry, full = np.asarray(self.trim(unit, None)), np.asarray(self.trim(unit, self.full_mm))
        return tuple(int(v) for v in np.rint(dry + share * (full - dry)))

    def capture(self, unit: RigUnit, liquid: str, recipe: Recipe, number: int = 0) -> RigCapture:
        """One session of a unit, the ``number``-th of its recipe and liquid. InputError when the tank does
        not hold that liquid.
        """
        rng, scenario = self._rng("session", unit.name, liquid, recipe.name, number), self.scenario
        response = self._response(liquid)
        t_ms = np.arange(recipe.frames, dtype=np.int64) * scenario.board.period_ms
        truth, wetness = self._truth(recipe, t_ms / 1000, rng)
        surface = self._surface(recipe, truth.level_mm, t_ms / 1000, rng)
        flicker = (
            1 + scenario.foam.flicker * rng.normal(size=truth.film_um.shape) * (truth.foam_mm > 0)[:, None]
        )
        pf = np.empty_like(truth.film_um)
        for coupling, there in ((Coupling.EARTHED, truth.earthed), (Coupling.FLOATING, ~truth.earthed)):
            if there.any():
                clean = self._picofarads(unit, response[coupling], surface)
                seen = (
                    self._picofarads(unit, response[coupling], surface, truth.foam_mm, wetness, truth.film_um)
                    if recipe.foam or recipe.film
                    else clean
                )
                pf[there] = (clean + (seen - clean) * flicker)[there]
        counts, ambient = self._read(unit, pf, response, recipe, t_ms / 1000, rng)
        if recipe.unplugged:
            counts[truth.unplugged, int(rng.integers(0, self.rig_tank.pads))] = 0
        frames = Frames(t_ms, counts.astype(np.uint32), np.round(ambient, 1))
        marks = operator_marks(truth.level_mm, scenario.board.period_ms, scenario.operator)
        return RigCapture(frames, marks, stretches_of(truth, recipe, scenario.operator), truth)

    def _response(self, liquid: str) -> Mapping[Coupling, Response]:
        if liquid not in self.responses:
            raise InputError(
                f"scenario {self.scenario.name}, tank {self.rig_tank.name}",
                f"liquid {liquid!r}",
                "one of " + ", ".join(self.responses),
            )
        by_coupling: Mapping[Coupling, Response] = self.responses[liquid]
        return by_coupling

    def _truth(self, recipe: Recipe, t_s: Floats, rng: np.random.Generator) -> tuple[Truth, Floats]:
        """What is so at every frame, and the foam's liquid fraction (n,)."""
        n = len(t_s)
        level, half = self._path(recipe, n, rng), np.arange(n) >= n // 2
        earthed = np.full(n, rng.random() < self.scenario.earthing.earthed_share)
        foam, wetness = (
            foam_course(t_s, self.scenario.foam, rng) if recipe.foam else (np.zeros(n), np.zeros(n))
        )
        film = self._film(recipe, level, t_s, rng)
        hand = (hand_course(n) > 0) & recipe.hand
        return Truth(
            level, foam, film, earthed ^ (half & recipe.earthing), hand, half & recipe.unplugged
        ), wetness

    def _read(
        self,
        unit: RigUnit,
        pf: Floats,
        response: Mapping[Coupling, Response],
        recipe: Recipe,
        t_s: Floats,
        rng: np.random.Generator,
    ) -> tuple[Ints, Floats]:
        """Counts (n, pads) and the board's temperature (n,): what warms, drifts, sits on the wall and
        disturbs added.
        """
        climate, (n, pads), table = self.scenario.temperature, pf.shape, response[Coupling.FLOATING]
        coldest, warmest = recipe.liquid_c or climate.liquid_c
        warm = 1 + climate.swing_per_k * (rng.uniform(coldest, warmest) - _REFERENCE_C)
        ambient = np.linspace(rng.uniform(*climate.ambient_c), rng.uniform(*climate.ambient_c), n)
        pf = (
            table.clean[0]
            + (pf - table.clean[0]) * warm
            + np.abs(table.clean[-1] - table.clean[0]) * self._extra(recipe, n, pads, rng)
        )
        noise = rng.normal(0, unit.noise_counts, (n, pads)) + interference_counts(
            t_s, pads, self.scenario.interference, rng
        )
        return self._counts(unit, pf, ambient, noise + rng.normal(0, climate.drift_counts)), ambient

    def _path(self, recipe: Recipe, n: int, rng: np.random.Generator) -> Floats:
        """The true level of each frame, mm above the datum."""
        span = self.rig_tank.span_mm
        if recipe.path == "empty":
            return np.zeros(n)
        if recipe.path == "ramp":
            bottom, top, end = (
                rng.uniform(0.02, 0.1) * span,
                rng.uniform(0.85, 1.0) * span,
                rng.uniform(0.02, 0.3) * span,
            )
            return np.concatenate([np.linspace(bottom, top, n // 2), np.linspace(top, end, n - n // 2)])
        if recipe.path == "drain":
            fall = np.linspace(rng.uniform(0.7, 1.0) * span, rng.uniform(0.05, 0.3) * span, n // 2)
            return np.append(fall, np.full(n - n // 2, fall[-1]))
        heights = np.asarray(
            recipe.levels_mm or np.sort(rng.uniform(0.01, 1.0, int(rng.integers(*_LEVELS)))) * span
        )
        if not recipe.levels_mm and rng.random() < 0.5:
            heights = heights[::-1]
        each = n // len(heights)
        level = np.repeat(heights, each)
        level = np.append(level, np.full(n - len(level), heights[-1]))
        for k in range(1, len(heights)):  # moved within three frames
            level[k * each : k * each + 3] = np.linspace(heights[k - 1], heights[k], 5)[1:4]
        return level

    def _film(self, recipe: Recipe, level: Floats, t_s: Floats, rng: np.random.Generator) -> Floats:
        """Film on each pad, (n, pads) um."""
        film_law = self.scenario.film
        if not recipe.film:
            return np.zeros((len(t_s), self.rig_tank.pads))
        wetting = rng.uniform(*film_law.wetting)
        if recipe.path == "empty":
            top, age = rng.uniform(0.6, 1.0) * self.rig_tank.span_mm, rng.uniform(1.0, 60.0)
            film = np.stack(
                [
                    jeffreys_um(np.full(len(t_s), top - z), t_s + age, film_law.kinematic_m2_s)
                    for z in self._middles
                ],
                axis=1,
            )
            return np.minimum(wetting * film, film_law.most_um)
        return film_um(level, self._middles, t_s, float(level.max()), film_law, wetting)

    def _surface(self, recipe: Recipe, level: Floats, t_s: Floats, rng: np.random.Generator) -> Floats:
        """Where the liquid stands at the pads: the level with sloshing, meniscus and tilt; at the floor when
        the tank is empty.
        """
        motion = self.scenario.liquid_motion
        tilt = motion.axis_mm * np.tan(np.deg2rad(rng.normal(0, motion.tilt_deg)))
        moved = np.append(False, np.diff(level) != 0)
        at = (
            level
            + sloshing_mm(t_s, moved, motion, rng, lasting=recipe.sloshing)
            + meniscus_mm(level, motion)
            + tilt
        )
        return np.where(level <= 0, _EMPTY_MM, at)

    def _picofarads(
        self,
        unit: RigUnit,
        response: Response,
        surface: Floats,
        foam: Floats | None = None,
        wetness: Floats | None = None,
        film: Floats | None = None,
    ) -> Floats:
        """Capacitance of each pad, (n, pads), every pad at its own height on the wall."""
        by_pad = [
            response.at(surface - height, foam, wetness, film)[:, pad]
            for pad, height in enumerate(unit.height_mm)
        ]
        dry = response.clean[0]
        return np.asarray(dry + (np.stack(by_pad, axis=1) - dry) * unit.swing, np.float64)

    def _extra(self, recipe: Recipe, n: int, pads: int, rng: np.random.Generator) -> Floats:
        """What else a pad sees, in swings (n, pads): drops, scale, a hand."""
        film_law = self.scenario.film
        share = np.full((n, pads), film_law.scale_share if recipe.scale else 0.0)
        if recipe.drops:
            share += drops_share(pads, film_law, rng) * film_law.drop_signal
        if recipe.hand:
            share += hand_share(n, pads, self.scenario.hand, rng)
        return share

    def _counts(self, unit: RigUnit, pf: Floats, ambient_c: Floats, noise: Floats) -> Ints:
        """Counts by the board's law, clipped to its width."""
        board = self.scenario.board
        rising = (
            unit.offset
            + board.counts_per_pf * unit.gain * pf
            + unit.counts_per_k * (ambient_c[:, None] - _REFERENCE_C)
        )
        if board.count_law == CountLaw.FALLS:
            half = 1 << (board.count_bits - 1)
            rising = half * unit.offset / np.maximum(rising, 1.0)
        return np.asarray(np.clip(np.rint(rising + noise), 0, (1 << board.count_bits) - 1), np.int64)


def lines(frames: Frames) -> Iterator[bytes]:
    """The frames as a board sends them: ``t_ms,c0,c1,...,temperature``, one line each."""
    warm = frames.temperature_c
    for k, (t, counts) in enumerate(zip(frames.t_ms, frames.counts, strict=True)):
        tail = "" if warm is None or np.isnan(warm[k]) else f",{warm[k]:.1f}"
        yield (f"{t}," + ",".join(map(str, counts)) + tail + "\n").encode()
