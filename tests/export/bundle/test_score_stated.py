"""The sample of the score that a bundle states is made anew, and a forged one is no evidence."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from bundles import Files, failed, resealed
from programs import PROGRAMS

from export.bundle import scoring
from export.bundle.build import build_bundle
from export.bundle.checking import score as checks_score
from export.bundle.checks import Bundle
from export.bundle.manifest import MANIFEST, Provenance
from export.bundle.scoring import SAMPLE, sample_score
from export.bundle.verify import Answer, verify_files
from export.evidence.breaks import breaks
from export.evidence.drawing import make_vectors
from export.evidence.score import work_of_frame
from export.report.page import render_report
from export.vectors import from_csv
from training.program import from_json


def stated(files: Files) -> dict[str, Any]:
    """The score in the manifest."""
    found: dict[str, Any] = json.loads(files[MANIFEST])["score"]
    return found


def with_score(files: Files, score: Any) -> dict[str, bytes]:
    """The bundle with another score, report and hashes made to fit."""
    facts = json.loads(files[MANIFEST]) | {"score": score}
    return resealed({**files, "report.html": render_report(facts).encode()}, score=score)


def answer(files: Files) -> tuple[Answer, str]:
    """What the check of the score says."""
    (check,) = verify_files(files, {"score"}).checks
    return check.answer, check.sentence


@pytest.mark.longer
def test_an_export_states_its_sample(whole_bundle: Files) -> None:
    """Manifest and report have the figures of the bundle's own vectors, and the check says them again."""
    score = stated(whole_bundle)
    program = from_json(whole_bundle["program.json"].decode(), "program.json")
    vectors = from_csv(program, whole_bundle["vectors.csv"].decode())
    assert score == sample_score(program, vectors)
    assert score["tried"] == score["breaks"] == len(breaks(program))
    first = score["lines"][0]
    assert 0 < first["noticed"] <= first["counting"] <= score["tried"]
    assert first["noticed"] == first["counting"] - len(score["unseen"]["vectors"])
    page = whole_bundle["report.html"].decode()
    assert "What the evidence notices" in page
    assert f"all {score['breaks']} of them" in page
    assert f"{first['noticed']} of {first['counting']}" in page
    passed, sentence = answer(whole_bundle)
    assert passed is Answer.PASSED
    assert f"the vectors notice {first['noticed']} of {first['counting']}" in sentence


def test_the_report_shows_no_goal_that_is_missed(whole_bundle: Files) -> None:
    """A bound of 98.96 % is below the 99.0 % beside it."""
    score = stated(whole_bundle)
    missed = {**score, "lines": [{**score["lines"][0], "lower_bound": 0.9896}]}
    page = with_score(whole_bundle, missed)["report.html"].decode()
    assert "<td class=n>98.9 %</td><td class=n>99 %</td>" in page


@pytest.mark.longer
def test_a_forged_score_fails(whole_bundle: Files, monkeypatch: pytest.MonkeyPatch) -> None:
    """One more noticed, another bound, another sample, a hidden name, none at all: each is no, although every
    hash and the report fit. The same vectors are tried once for all of these.
    """
    bundle = Bundle(whole_bundle)
    tried = sample_score(bundle.program, bundle.vectors)
    monkeypatch.setattr(checks_score, "sample_score", lambda _program, _vectors: tried)
    score = stated(whole_bundle)
    line, *rest = score["lines"]
    named = {**score["unseen"], "self-test": ["none"]}
    for forged in (
        {**score, "lines": [{**line, "noticed": line["noticed"] - 1}, *rest]},
        {**score, "lines": [{**line, "lower_bound": 0.999}, *rest]},
        {**score, "lines": [line]},
        {**score, "tried": score["tried"] + 1},
        {**score, "seed": 1},
        {**score, "unseen": named},
        None,
    ):
        files = with_score(whole_bundle, forged)
        assert set(failed(files, {"manifest", "files", "score"})) == {"score"}
        assert "the manifest's score is not what is found here" in answer(files)[1]
    facts = {name: value for name, value in json.loads(whole_bundle[MANIFEST]).items() if name != "score"}
    without = {**whole_bundle, MANIFEST: json.dumps(facts).encode()}
    assert answer(resealed(without))[0] is Answer.FAILED


@pytest.mark.longer
def test_vectors_that_notice_less_fail(whole_bundle: Files) -> None:
    """A bundle whose vectors were thinned out, hashes made to fit, no longer has the score that it states."""
    lines = whole_bundle["vectors.csv"].decode().splitlines(keepends=True)
    frames = int(lines[0].split("=")[1])
    fewer = resealed({**whole_bundle, "vectors.csv": "".join(lines[: 3 + 2 * frames]).encode()})
    assert answer(fewer)[0] is Answer.FAILED


def test_of_another_version_it_is_as_stated(whole_bundle: Files) -> None:
    """Whoever claims another version is not believed: stated, neither passed nor failed."""
    score = stated(whole_bundle)
    forged = {**score, "lines": [{**score["lines"][0], "noticed": 0}, *score["lines"][1:]]}
    found, sentence = answer(resealed(whole_bundle, innage="0.0.9", score=forged))
    assert found is Answer.STATED
    assert "notice 0 of" in sentence
    assert "as stated, not tried again (written by innage 0.0.9" in sentence


@pytest.mark.longer
def test_a_sample_is_named_as_one(
    monkeypatch: pytest.MonkeyPatch,
    float_onnx: Callable[[int], bytes],
    provenance_for: Callable[..., Provenance],
) -> None:
    """Where not all breaks are tried, the report says how many of how many, and by which seed."""
    program = PROGRAMS["two_nets"]()
    monkeypatch.setattr(scoring, "SAMPLE", replace(SAMPLE, breaks=20, frames=2000))
    files = build_bundle(program, float_onnx(program.channels), provenance_for(program), vectors=500)
    assert (stated(files)["tried"], stated(files)["breaks"]) == (20, len(breaks(program)))
    assert f"20 of {len(breaks(program))}, drawn by seed 0" in files["report.html"].decode()
    assert answer(files)[1].startswith(f"20 of {len(breaks(program))} breaks, seed 0; of those")


@pytest.mark.longer
def test_too_large_for_a_sample(
    monkeypatch: pytest.MonkeyPatch,
    float_onnx: Callable[[int], bytes],
    provenance_for: Callable[..., Provenance],
) -> None:
    """A program whose breaks would take too much work has none, and says so; claiming one is a forgery."""
    program = PROGRAMS["forest"]()
    files = build_bundle(program, float_onnx(program.channels), provenance_for(program), vectors=100)
    monkeypatch.setattr(scoring, "SAMPLE", replace(SAMPLE, work=SAMPLE.frames * work_of_frame(program)))
    assert sample_score(program, make_vectors(program, 100)) is None
    assert answer(files)[0] is Answer.FAILED
    none = with_score(files, None)
    assert "too large for a sample of breaks" in none["report.html"].decode()
    assert answer(none) == (Answer.PASSED, "no sample of breaks: the program is too large for it")
