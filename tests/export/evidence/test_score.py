"""The score of the evidence: it agrees with breaks run one by one, is low for hollow evidence, and has floors
on programs that the tests share.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from scipy.stats import beta

from export.evidence.breaks import breaks, run_broken
from export.evidence.drawing import draw, make_vectors, vectors_of
from export.evidence.known_answer import KnownAnswer, known_answer
from export.evidence.score import (
    Allowance,
    Share,
    TooMuchWorkError,
    _portions,
    _work_of,
    counting,
    differing,
    reference_streams,
    sampled,
    score,
    shares,
    stream_of,
    work_of_frame,
)
from export.evidence.streams import Streams
from training.program import OUTPUTS, WITHHELD, Builder, Program


@pytest.fixture(scope="module")
def nets(all_built: dict[str, Any]) -> Program:
    found: Program = all_built["two_nets"].program
    return found


@pytest.mark.longer
@pytest.mark.parametrize(("name", "most"), [("strip", None), ("every_op", 60), ("wide", 60)])
def test_as_breaks_run_one_by_one(name: str, most: int | None, all_built: dict[str, Any]) -> None:
    """What counts and what differs is what running each break from power-on says, with states and prepared
    values among what breaks reach.
    """
    program = all_built[name].program
    asked, streams = sampled(program, most, seed=3), draw(program, 200, 5).streams
    whole = run_broken(program, streams, None, ())
    changed = [run_broken(program, streams, b, ()) != whole for b in asked]
    assert counting(program, streams, asked).tolist() == [c[:, :, : len(OUTPUTS)].any() for c in changed]
    assert differing(program, streams, asked, ()).tolist() == [c.any() for c in changed]


def test_bounds_are_exact() -> None:
    """Clopper and Pearson's bound by its Beta law (Biometrika 26 (1934) 404): nothing unseen in 299 shows
    99 %, in 298 it doesn't, and then none may go unseen.
    """
    assert Share(290, 300).lower_bound == pytest.approx(float(beta.ppf(0.05, 290, 11)), abs=1e-6)
    assert Share(299, 299).lower_bound == pytest.approx(0.05 ** (1 / 299), abs=1e-6)
    assert Share(299, 299).reaches(0.99)
    assert not Share(298, 299).reaches(0.99)
    assert Share(40, 40).reaches(0.99)
    assert not Share(39, 40).reaches(0.99)
    assert Share(999, 1000).reaches(0.99)
    assert not Share(980, 1000).reaches(0.99)


def test_a_bound_below_its_goal_is_shown_below_it() -> None:
    """98.96 % is shown as 98.9 %, not as the 99.0 % that it misses; whole tenths stay, and so does none."""
    missed = Share(10_000 - 86, 10_000)
    assert missed.lower_bound is not None
    assert 0.9895 < missed.lower_bound < 0.99
    assert missed.shown_bound == 0.989
    assert Share(100, 100).lower_bound == pytest.approx(0.9705, abs=1e-4)
    assert Share(100, 100).shown_bound == 0.97
    assert Share(0, 0).shown_bound is None


@pytest.mark.longer
def test_floors(nets: Program) -> None:
    """On a fixed sample of the breaks of two nets."""
    asked = sampled(nets, 80, seed=1)
    reference = reference_streams(nets, 10_000)
    found = score(nets, make_vectors(nets, 4000), known_answer(nets), reference, asked)
    assert shares(found, "vectors").counting >= 60
    assert shares(found, "vectors").noticed / shares(found, "vectors").counting >= 0.98
    theirs = shares(found, "self-test", held_out=True)
    assert theirs.noticed / theirs.counting >= 0.85


def _watched() -> Program:
    """Four pads to a level with a doubt threshold, a rounding, a clip and a foam threshold; the fourth pad is
    the last column of the layer.
    """
    b = Builder("watched", count_bits=10, channels=4, period_ms=100, span=6400)
    total = b.node("dense", "counts", weights=((9, 7, 5, 3),), bias=(-2000,), name="layer")
    level = b.node("clip", b.node("shift", total, shift=1, name="rounded"), name="cut", low=0, high=6400)
    ends = [b.node("take", "counts", indices=(k,)) for k in (0, 3)]
    apart = b.node("abs", b.node("sub", *ends))
    doubt = b.node("greater", apart, b.const(700), name="doubt")
    foam = b.node("greater", ends[1], b.const(600), name="foam")
    return b.finish(
        low=b.node("where", doubt, b.const(0), level),
        level=b.node("where", doubt, b.const(-1), level),
        high=b.node("where", doubt, b.const(6400), level),
        validity=b.node("sub", b.const(1), doubt),
        flags=foam,
    )


BY_HAND = {
    "doubt threshold ignored": "doubt: always 0",
    "level rounds down": "rounded: rounds down",
    "level not clipped above": "cut: not held below 6400",
    "level not clipped below": "cut: not held above 0",
    "foam threshold ignored": "foam: always 0",
    "the last input column": "layer: sign of weights[0][3]",
}


@pytest.mark.parametrize("what", BY_HAND)
def test_breaks_put_in_by_hand_are_noticed(what: str) -> None:
    """Vectors and known answer both notice each of them, and each counts."""
    program = _watched()
    asked = [broken for broken in breaks(program) if broken.name == BY_HAND[what]]
    known, vectors = known_answer(program), make_vectors(program, 2000)
    (found,) = score(program, vectors, known, reference_streams(program, 4000), asked)
    assert found.counts
    assert found.by_vectors
    assert found.by_selftest


def test_an_allowance_bounds_the_work(nets: Program) -> None:
    """A score that has what it needs is the same as without a bound, and one number less ends it."""
    asked, reference = sampled(nets, 12, seed=1), reference_streams(nets, 2000)
    given = (nets, make_vectors(nets, 500), known_answer(nets), reference, asked)
    allowance = Allowance(1e12)
    found = score(*given, allowance=allowance)
    spent = 1e12 - allowance.left
    assert spent > len(reference) * reference.frames * work_of_frame(nets)
    assert score(*given, allowance=Allowance(spent)) == found == score(*given)
    with pytest.raises(TooMuchWorkError):
        score(*given, allowance=Allowance(spent - 1))


def test_portions_are_as_large_as_memory_allows(nets: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a program has many values, fewer frames are held at a time, with the same result."""
    asked, streams = sampled(nets, 20, seed=2), draw(nets, 300, 5).streams
    whole = differing(nets, streams, asked, ())
    monkeypatch.setattr("export.evidence.score._VALUES", 2000)
    sizes = [len(part.streams) for part in _portions(nets, streams, Allowance())]
    assert max(sizes) == 2000 // _work_of(nets).values // streams.frames
    assert differing(nets, streams, asked, ()).tolist() == whole.tolist()


def test_hollow_vectors_score_low() -> None:
    """Vectors that are withheld throughout notice next to nothing of the level."""
    program = _watched()
    drawn = draw(program, 1000, 0).streams
    counts = drawn.counts.copy()
    counts[:, :, 0], counts[:, :, 3] = 1023, 0
    vectors = vectors_of(program, replace(drawn, counts=counts))
    assert set(vectors.readings[:, OUTPUTS.index("validity")]) == {WITHHELD}
    found = score(program, vectors, known_answer(program), reference_streams(program, 4000))
    share = shares(found, "vectors")
    assert share.counting >= 15
    assert share.noticed / share.counting < 0.5
    assert not share.reaches(0.99)


def test_a_hollow_known_answer_scores_low(nets: Program) -> None:
    """One row of an empty tank, whose single frame is said to be faulty, and no last layers."""
    full = known_answer(nets)
    hollow = KnownAnswer(full.trim, ((0,) * nets.channels,), 0, full.temperature, (), ())
    asked, reference = sampled(nets, 40, seed=1), reference_streams(nets, 4000)
    vectors = make_vectors(nets, 1000)
    for known, low in ((hollow, True), (full, False)):
        share = shares(score(nets, vectors, known, reference, asked), "self-test")
        assert (share.noticed / share.counting < 0.5) is low


def test_references_are_no_vectors(nets: Program) -> None:
    """Frames that say what counts are neither vectors nor rows of the known answer."""
    reference, drawn = reference_streams(nets, 2000), draw(nets, 2000, 0).streams
    rows = {tuple(row) for row in reference.counts.reshape(-1, nets.channels).tolist()}
    vectors = {tuple(row) for row in drawn.counts.reshape(-1, nets.channels).tolist()}
    assert len(rows & vectors) < 0.02 * len(rows)
    assert isinstance(stream_of(known_answer(nets)), Streams)
