"""The whole score of the evidence of the demo's first model: what its vectors and its self-test notice of
every single break of the program and of 1000 bits of its code, as ``innage verify --score`` does.

No ratio of two sides, and no time: shares with their exact lower bounds (95 %), beside what these ought to
reach. Training takes a minute or two, the bits some minutes. ``--quick`` takes a net with drawn
weights instead of a trained one, and few breaks and bits.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from invented import command
from measuring import short, tell
from net_program import net_program

from export.bundle.checking.score import score_bundle
from export.bundle.checks import Bundle
from export.bundle.scoring import SELFTEST, VECTORS, WHOLE, Asked, Score, score_evidence
from export.bundle.verify import read_bundle
from export.c.source import emit_c
from export.compilers.core_build import build_core
from export.evidence.drawing import make_vectors
from innage.jobs.demo import begin_demo
from innage.terminal.output import table

QUICK = Asked(breaks=30, frames=2000, bits=20, bit_frames=200)
_STEPS = ("limits add", "budget add m0plus", "train canister", "export first")
_NAMED = 6


def scored(folder: Path, quick: bool, demo: Callable[[], Path]) -> Score:
    """The score, of the trained model or with ``quick`` of a small sample."""
    return _quick_score() if quick else score_bundle(_demo_bundle(folder / "scored", demo()), WHOLE)


def print_score(score: Score) -> None:
    """A table of its own, since nothing is divided here, and what goes unseen."""
    cells = [
        (
            line.evidence,
            line.of,
            f"{line.share.noticed} of {line.share.counting}",
            short(line.share.lower_bound or 0.0),
            "-" if line.goal is None else f">= {line.goal:g}",
            "-" if line.goal is None else "yes" if line.reached else "no",
        )
        for line in score.lines
    ]
    table(
        "score of the evidence",
        ("evidence", "of what changes a reading", "noticed", "bound", "goal", "met"),
        cells,
    )
    for who in (VECTORS, SELFTEST):
        unseen = score.unseen(who)
        if unseen:
            tell(f"unseen by the {who}: {', '.join(unseen[:_NAMED])}{' ...' * (len(unseen) > _NAMED)}")


def _quick_score() -> Score:
    program = net_program()
    image = build_core(emit_c(program), "cortex-m0plus")
    return score_evidence(program, make_vectors(program, 1000), image, QUICK)


def _demo_bundle(folder: Path, store: Path) -> Bundle:
    """The bundle of the demo's first model, made by the demo's commands in the store that has its set."""
    steps = [step for step in begin_demo(folder) if step.text.startswith(_STEPS)]
    shutil.copyfile(store, folder / "innage.db")
    for step in steps:
        command(folder / "innage.db", *step.words)
    return Bundle(read_bundle(folder / "bundle"))
