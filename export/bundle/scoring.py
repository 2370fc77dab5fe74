"""The score of a bundle's evidence: what vectors and self-test notice of single breaks of its program and of
single bits of its code, held against what they ought to.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

from export.compilers.image import Image
from export.core import code_bits
from export.core.code_bits import Effect, TurnedBit, share_of
from export.evidence import score as of_breaks
from export.evidence.breaks import breaks
from export.evidence.drawing import vectors_of
from export.evidence.known_answer import known_answer
from export.evidence.score import (
    Allowance,
    Noticed,
    Progress,
    Share,
    TooMuchWorkError,
    of_tables,
    reference_streams,
    sampled,
    shares,
    silent,
    work_of_frame,
)
from export.vectors import Vectors
from training.program import Program

VECTORS, SELFTEST = "vectors", "self-test"
GOALS = {"breaks": 0.99, "tables": 0.95, "bits": 0.90}  # lower bounds to reach, at 95 %


@dataclass(frozen=True)
class Asked:
    """How much is tried: breaks (None: every one) on so many reference frames, bits of code on so many; all
    that is drawn, by ``seed``. ``work``: what the breaks may take, see ``Allowance``.
    """

    breaks: int | None = None
    frames: int = of_breaks.REFERENCE_FRAMES
    bits: int = code_bits.BITS
    bit_frames: int = code_bits.REFERENCE_FRAMES
    seed: int = code_bits.SEED
    work: float = math.inf


WHOLE = Asked()
# What an export states, and verification makes anew: all breaks of most programs, fewer of large ones. The
# work is bounded since a bundle may come from anywhere.
SAMPLE = Asked(breaks=1000, bits=0, work=2.5e10)
_TRIED_WORK = 7_000_000  # of one frame, with all breaks together
_NAMED = 100


@dataclass(frozen=True)
class Line:
    """What one kind of evidence notices of one kind of breaks. ``goal``: the bound that it ought to reach;
    None where there is none.
    """

    evidence: str
    of: str
    share: Share
    goal: float | None

    @property
    def reached(self) -> bool | None:
        return None if self.goal is None else self.share.reaches(self.goal)

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "evidence": self.evidence,
            "of": self.of,
            "noticed": self.share.noticed,
            "counting": self.share.counting,
            "lower_bound": self.share.lower_bound,
            "goal": self.goal,
            "reached": self.reached,
        }


@dataclass(frozen=True)
class Score:
    """Every break and bit that was tried."""

    asked: Asked
    breaks: tuple[Noticed, ...]
    bits: tuple[TurnedBit, ...]

    @property
    def lines(self) -> tuple[Line, ...]:
        """What is claimed. Breaks that took part in choosing the known answer of the self-test say nothing
        of it; none took part in drawing vectors.
        """
        claims = [
            Line(VECTORS, "breaks", shares(self.breaks, VECTORS), GOALS["breaks"]),
            Line(VECTORS, "breaks held out", shares(self.breaks, VECTORS, held_out=True), None),
            Line(SELFTEST, "breaks held out", shares(self.breaks, SELFTEST, held_out=True), None),
            Line(SELFTEST, "signs and thresholds held out", of_tables(self.breaks), GOALS["tables"]),
        ]
        if self.bits:
            claims += [
                Line(VECTORS, "bits of code", share_of(self.bits, VECTORS), None),
                Line(SELFTEST, "bits of code", share_of(self.bits, SELFTEST), GOALS["bits"]),
            ]
        return tuple(claims)

    @property
    def reached(self) -> bool:
        """Whether every bound is reached."""
        return all(line.reached is not False for line in self.lines)

    def apart(self, effect: Effect) -> int:
        """How many bits had this effect."""
        return sum(bit.effect is effect for bit in self.bits)

    def facts(self) -> dict[str, Any]:
        """Ready for JSON, every break and bit listed."""
        return {
            "reached": self.reached,
            "reference": f"made frames, seed {of_breaks.REFERENCE_SEED}",
            "frames": self.asked.frames,
            "bit_frames": self.asked.bit_frames,
            "seed": self.asked.seed,
            "lines": [line.facts() for line in self.lines],
            "effects": {str(effect): self.apart(effect) for effect in Effect},
            "breaks": [asdict(noticed) for noticed in self.breaks],
            "bits": [asdict(bit) | {"effect": str(bit.effect)} for bit in self.bits],
        }

    def stated(self, breaks: int) -> dict[str, Any]:
        """What a manifest states of a sample of so many breaks, ready for JSON. Whether a goal is reached is
        left to the whole score, since a sample may be too small for it.
        """
        return {
            "tried": len(self.breaks),
            "breaks": breaks,
            "seed": self.asked.seed,
            "frames": self.asked.frames,
            "reference_seed": of_breaks.REFERENCE_SEED,
            "lines": [
                {name: value for name, value in line.facts().items() if name != "reached"}
                for line in self.lines
            ],
            "unseen": {
                VECTORS: self.unseen(VECTORS)[:_NAMED],
                SELFTEST: self.unseen(SELFTEST)[:_NAMED],
            },
        }

    def unseen(self, who: str) -> list[str]:
        """Names of the breaks that count and go unseen; for the self-test of those held out."""
        if who == VECTORS:
            return [b.name for b in self.breaks if b.counts and not b.by_vectors]
        return [b.name for b in self.breaks if b.counts and b.held_out and not b.by_selftest]


def sample_score(program: Program, vectors: Vectors, progress: Progress = silent) -> dict[str, Any] | None:
    """What a bundle states of its own evidence, ready for JSON: a sample of breaks held against ``vectors``
    and self-test. None where the program is too large for it.
    """
    most = min(SAMPLE.breaks or 0, _TRIED_WORK // work_of_frame(program))
    try:
        score = score_evidence(program, vectors, None, replace(SAMPLE, breaks=most), progress)
    except TooMuchWorkError:
        return None
    return score.stated(len(breaks(program)))


def score_evidence(
    program: Program, vectors: Vectors, image: Image | None, asked: Asked = WHOLE, progress: Progress = silent
) -> Score:
    """The score of ``vectors`` and of the known answer of ``program``, whose linked C is ``image``; without
    one no bits are tried. Raises TooMuchWorkError where breaks take more than they may.
    """
    noticed = of_breaks.score(
        program,
        vectors,
        known_answer(program),
        reference_streams(program, asked.frames),
        sampled(program, asked.breaks, asked.seed),
        progress,
        Allowance(asked.work),
    )
    if image is None or not asked.bits:
        return Score(asked, noticed, ())
    reference = vectors_of(program, reference_streams(program, asked.bit_frames))
    bits = code_bits.code_bits(image, vectors, reference, asked.bits, asked.seed, progress)
    return Score(asked, noticed, bits)
