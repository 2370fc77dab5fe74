"""Verification passes a bundle as exported, and fails on every change that was tried, whether or not the
hashes were made to fit.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from contextlib import nullcontext
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
from bundles import Files, failed, resealed, stand_in_onnx
from programs import PROGRAMS, SAMPLES

from dataset.errors import InputError
from dataset.words import LimitAnswer
from export.bundle.build import MOST_BYTES, build_bundle
from export.bundle.checks import ENOUGH_BYTES, LEAST_VECTORS, Bundle, Failed, _visited_as_stated
from export.bundle.manifest import MANIFEST, Provenance
from export.bundle.verify import CHECKS, Answer, Check, VerifyReport, read_folder, verify_bundle, verify_files
from export.evidence.decisions import Decisions
from export.evidence.drawing import LEAST_VISITS
from export.evidence.streams import streams_of
from export.vectors import from_csv

TEXTS = {"manifest", "files", "program", "made again"}  # the checks that run nothing


# --- a bundle as exported ---


def test_whole_bundle_passes(whole_bundle: Files) -> None:
    """All checks pass on a bundle as exported: ten thousand vectors on the emulated core, on this host, and
    in onnxruntime.
    """
    shown: list[str] = []
    report = verify_files(whole_bundle, progress=lambda what, done, total: shown.append(what))
    assert [check for check in report.checks if not check.passed] == []
    assert [check.name for check in report.checks] == list(CHECKS) == shown[:-1]
    said = {check.name: check.sentence for check in report.checks}
    for name in ("C on the core", "C on this host", "C, checked", "ONNX, onnxruntime"):
        count = re.search(r"(\d+) vectors equal", said[name])
        assert count is not None
        assert int(count[1]) >= 10_000
    assert re.match(r"50\d vectors equal", said["ONNX, reference"])


def test_folder_is_verified(small_bundle: Files, tmp_path: Path) -> None:
    """A folder gives the same answers as its files, in the order of the checks."""
    for name, content in small_bundle.items():
        (tmp_path / name).write_bytes(content)
    assert verify_bundle(tmp_path, TEXTS) == verify_files(small_bundle, TEXTS)
    assert verify_bundle(tmp_path, TEXTS).passed


def test_report_passes_only_when_every_check_does() -> None:
    """One check that fails, or lacks its evidence, is enough; what is only stated stops nobody."""
    good, stated = Check("a", Answer.PASSED, ""), Check("b", Answer.STATED, "")
    assert VerifyReport((good, stated)).passed
    for answer in (Answer.FAILED, Answer.UNPROVEN):
        assert not VerifyReport((good, Check("c", answer, ""), stated)).passed


def test_missing_evidence_has_one_word() -> None:
    """Limits and checks of a bundle say the same."""
    assert Answer.UNPROVEN == "not enough evidence"
    assert Check("c", Answer.UNPROVEN, "").facts()["answer"] == str(LimitAnswer.UNPROVEN)


# --- what is no bundle ---


def test_no_bundle_is_an_input_error(tmp_path: Path) -> None:
    """No folder, a folder without manifest, and entries that are no plain files are refused with
    a sentence.
    """
    with pytest.raises(InputError, match="is no folder"):
        read_folder(tmp_path / "nothing")
    with pytest.raises(InputError, match="holds no manifest"):
        read_folder(tmp_path)
    (tmp_path / MANIFEST).write_text("{}")
    (tmp_path / "sub").mkdir()
    with pytest.raises(InputError, match="no plain file"):
        read_folder(tmp_path)
    (tmp_path / "sub").rmdir()
    (tmp_path / "innage.c").symlink_to("/etc/hostname")
    with pytest.raises(InputError, match="no plain file"):
        read_folder(tmp_path)


# --- files and manifest ---


def test_changed_missing_and_added_files_fail(small_bundle: Files) -> None:
    """Each is named: a changed byte in any file, a file that is missing, one that is too many."""
    for name in sorted(set(small_bundle) - {MANIFEST}):
        content = bytearray(small_bundle[name])
        content[len(content) // 2] ^= 1
        assert failed({**small_bundle, name: bytes(content)}, {"files"})["files"] == f"{name} was changed"
        without = {n: c for n, c in small_bundle.items() if n != name}
        assert failed(without, {"files"})["files"] == f"{name} is missing"
    assert (
        failed({**small_bundle, "notes.txt": b""}, {"files"})["files"] == "notes.txt is not in the manifest"
    )


@pytest.mark.longer
@pytest.mark.parametrize("places", [30, pytest.param(150, marks=pytest.mark.slow)])
def test_a_flipped_bit_anywhere_is_found(small_bundle: Files, places: int) -> None:
    """One bit turned over at both ends of every file, the manifest among them, and at places drawn in it,
    fails a check that runs nothing.
    """
    drawn, missed = np.random.default_rng(3), []
    for name, content in small_bundle.items():
        for place in sorted({0, len(content) - 1, *drawn.integers(0, len(content), places).tolist()}):
            changed = bytearray(content)
            changed[place] ^= 1 << int(drawn.integers(0, 8))
            missed += (
                []
                if failed({**small_bundle, name: bytes(changed)}, {"manifest", "files"})
                else [(name, place)]
            )
    assert missed == []


def test_missing_file_stays_missed_when_unlisted(small_bundle: Files) -> None:
    """Taking a file out of the manifest as well does not help; README.md alone is younger than the format."""
    for name in sorted(set(small_bundle) - {MANIFEST, "innage_prepare.onnx", "README.md"}):
        without = resealed({n: c for n, c in small_bundle.items() if n != name})
        assert failed(without, {"files"})["files"] == f"{name} is missing"
    without = resealed({n: c for n, c in small_bundle.items() if n != "innage_prepare.onnx"})
    assert failed(without, {"made again"})["made again"] == "innage_prepare.onnx is missing"


def test_wrong_bundle_hash_fails(small_bundle: Files) -> None:
    """A bundle hash that does not follow from the rest of the manifest is noticed."""
    body = json.loads(small_bundle[MANIFEST])
    body["bundle_sha256"] = "0" * 64
    changed = {**small_bundle, MANIFEST: json.dumps(body).encode()}
    assert "it says 000000000000" in failed(changed, {"manifest"})["manifest"]


def test_unreadable_manifest_fails_every_check(small_bundle: Files) -> None:
    """A manifest of another format fails, and the checks that need it say that they could not be made."""
    answers = failed(resealed(small_bundle, format=99))
    assert set(answers) == set(CHECKS)
    assert answers["manifest"].startswith("could not be made: manifest.json: format 99, written by innage ")


def test_paths_outside_the_folder_are_refused(small_bundle: Files, tmp_path: Path) -> None:
    """A manifest that lists a path outside the folder fails before anything there is read."""
    outside = tmp_path / "outside.c"
    outside.write_bytes(b"int x;")
    body = json.loads(small_bundle[MANIFEST])
    body["files"]["../outside.c"] = hashlib.sha256(b"int x;").hexdigest()
    answers = failed({**small_bundle, MANIFEST: json.dumps(body).encode()}, {"manifest", "files"})
    assert "'../outside.c'; expected one of" in answers["manifest"]


@pytest.mark.longer
def test_later_checks_are_made_after_a_failure(small_bundle: Files) -> None:
    """A damaged ONNX file does not keep the C from being checked, and the other way round."""
    damaged = {**small_bundle, "innage.onnx": b"nothing"}
    answers = failed(damaged, set(CHECKS) - {"C on the core", "vectors"})
    assert set(answers) == {"files", "made again", "ONNX, onnxruntime", "ONNX, reference"}


def test_model_of_another_digest_fails(small_bundle: Files) -> None:
    """A manifest that names another model than program.json is noticed."""
    model = json.loads(small_bundle[MANIFEST])["model"] | {"sha256": "1" * 64}
    assert (
        "the manifest says 111111111111"
        in failed(resealed(small_bundle, model=model), {"program"})["program"]
    )


def test_untidy_program_fails(small_bundle: Files) -> None:
    """The same program in another layout is not what was exported."""
    untidy = json.dumps(json.loads(small_bundle["program.json"]), indent=1).encode()
    assert (
        failed(resealed({**small_bundle, "program.json": untidy}), {"program"})["program"]
        == "program.json is not in its canonical form"
    )


def test_changed_report_fails_although_signed(small_bundle: Files) -> None:
    """The page is made again from the manifest, so a figure changed in it is noticed."""
    changed = small_bundle["report.html"].replace(b"0.81", b"0.18")
    assert changed != small_bundle["report.html"]
    assert (
        "report.html differs"
        in failed(resealed({**small_bundle, "report.html": changed}), {"made again"})["made again"]
    )


def test_other_version_is_not_called_a_change(small_bundle: Files) -> None:
    """When files differ and another version of innage wrote them, that is no evidence either way, and the
    sentences say so; otherwise they fail.
    """
    changed = {**small_bundle, "innage.c": small_bundle["innage.c"] + b"\n"}
    names = {"made again", "C on this host"}
    others = verify_files(resealed(changed, innage="0.0.9"), names).checks
    assert [check.answer for check in others] == [Answer.UNPROVEN] * 2
    assert all("written by innage 0.0.9, this is" in check.sentence for check in others)
    ours = verify_files(resealed(changed, innage=version("innage")), names).checks
    assert [check.answer for check in ours] == [Answer.FAILED] * 2
    assert all("written by" not in check.sentence for check in ours)


# --- vectors ---


def test_too_few_vectors_fail(small_bundle: Files) -> None:
    """Fewer than ten thousand vectors are not enough."""
    assert LEAST_VECTORS == 10_000
    assert failed(small_bundle, {"vectors"})["vectors"].endswith("vectors; at least 10000 are needed")


def test_missing_corner_fails(whole_bundle: Files) -> None:
    """A corner of the input domain that is no longer among the vectors is noticed."""
    lines = whole_bundle["vectors.csv"].decode().splitlines(keepends=True)
    frames = int(lines[0].split("=")[1])
    # twenty streams of no corners stand in for the first twenty, which hold them
    extra = lines[3 + 20 * frames : 3 + 40 * frames]
    changed = "".join([*lines[:3], *extra, *lines[3 + 20 * frames :]]).encode()
    answers = failed(resealed({**whole_bundle, "vectors.csv": changed}), {"vectors"})
    assert answers["vectors"].startswith("the corner [")


@pytest.mark.parametrize("column", ["low", "level", "high", "validity", "flags", "state1", "prepared2"])
def test_wrong_expectation_is_named(whole_bundle: Files, column: str) -> None:
    """A wrong expected number fails the vectors check, which names the vector, its inputs, what it got and
    what was expected.
    """
    lines = whole_bundle["vectors.csv"].decode().splitlines()
    frames = int(lines[0].split("=")[1])
    number = 4321 // frames * frames if column.startswith("prepared") else 4321
    line = 3 + number
    at = lines[1 if number % frames == 0 else 2].split(",").index(column)
    row = lines[line].split(",")
    row[at] = str(int(row[at]) ^ 1)
    lines[line] = ",".join(row)
    answers = failed(
        resealed({**whole_bundle, "vectors.csv": ("\n".join(lines) + "\n").encode()}), {"vectors"}
    )
    assert re.search(
        rf"(1|{frames}) of \d+ vectors differ, the first is {number}: "
        r".*(counts|trim) \[.*got \[.*expected \[",
        answers["vectors"],
    )


@pytest.mark.longer
def test_counts_of_visits_are_made_anew(whole_bundle: Files) -> None:
    """A manifest that states a visit too many, or hides a side that is left out, is not believed; the counts
    shown are those of vectors.csv.
    """
    stated = json.loads(whole_bundle[MANIFEST])["vectors"]
    visited = stated["visited"]
    report = verify_files(whole_bundle, {"vectors"})
    assert report.visited is not None
    assert report.visited.facts() == visited
    validities = [b["frames"] for b in visited["branches"] if b["says"] in ("valid", "empty", "withheld")]
    assert sum(validities) == visited["frames"] >= LEAST_VECTORS
    more = {**visited, "branches": [{**visited["branches"][0], "frames": 1}, *visited["branches"][1:]]}
    hidden = {**visited, "inner": {**visited["inner"], "unvisited": []}}
    for changed in (more, hidden):
        forged = resealed(whole_bundle, vectors={**stated, "visited": changed})
        assert "counts of what the vectors visit are not" in failed(forged, {"vectors"})["vectors"]
        assert verify_files(forged, {"vectors"}).visited is None


def test_a_band_that_earlier_exports_counted_without_one(provenance_for: Callable[..., Provenance]) -> None:
    """They stated one of programs that have none, and stay valid; any other row that is added does not."""
    program = SAMPLES["constant"]()
    files = build_bundle(program, stand_in_onnx(program.channels), provenance_for(program), vectors=64)
    stated = json.loads(files[MANIFEST])["vectors"]
    rows = stated["visited"]["branches"]
    assert not any("band" in row["says"] for row in rows)
    for says, holds in (
        ("band given", nullcontext()),
        ("band widened", nullcontext()),
        ("flag film", pytest.raises(Failed, match="counts of what the vectors visit")),
    ):
        visited = {**stated["visited"], "branches": [*rows, {"says": says, "frames": 7}]}
        with holds:
            _visited_as_stated(Bundle(resealed(files, vectors={**stated, "visited": visited})))


@pytest.mark.slow  # a bundle of its own, with as many vectors as there may be
def test_vectors_of_many_pads_fit_a_megabyte(
    float_onnx: Callable[[int], bytes], provenance_for: Callable[..., Provenance]
) -> None:
    """Eight pads with a state for each: fewer frames, as many as fit, and still enough for verification, for
    each side of a decision, and for the floor of inner ones.
    """
    program = PROGRAMS["strip"]()
    files = build_bundle(program, float_onnx(program.channels), provenance_for(program))
    assert ENOUGH_BYTES < len(files["vectors.csv"]) <= MOST_BYTES
    stated = json.loads(files[MANIFEST])["vectors"]
    assert 0 < stated["count"] < LEAST_VECTORS
    decisions = Decisions(program)
    visits = decisions.visits(streams_of(from_csv(program, files["vectors.csv"].decode()))).sum(axis=0)
    assert visits[decisions.decisive].min() >= LEAST_VISITS
    assert not stated["visited"]["inner"]["below_floor"]
    assert failed(files, {"vectors", "made again"}) == {}


@pytest.mark.slow  # a bundle of its own
def test_a_bundle_that_is_told_of_pours_is_verified(
    float_onnx: Callable[[int], bytes], provenance_for: Callable[..., Provenance]
) -> None:
    """Every check passes; what its vectors are told is one of their columns, and no other bundle's."""
    program = PROGRAMS["told"]()
    files = build_bundle(program, float_onnx(program.channels), provenance_for(program))
    assert failed(files) == {}
    headings = files["vectors.csv"].decode().split("\n", 2)[1].split(",")
    assert headings[1:6] == ["count0", "count1", "temperature", "faults", "since_pour"]
    decisions = json.loads(files[MANIFEST])["vectors"]["visited"]
    assert not decisions["inner"]["below_floor"]


# --- entries that contradict one another ---


def test_entries_that_follow_from_others_must(small_bundle: Files) -> None:
    """An origin that hides simulated sessions, a line of cost that was made better, other kernels, another
    model id, span or layout: each is named, although all hashes fit.
    """
    body = json.loads(small_bundle[MANIFEST])
    session, cost, c = body["sessions"][0], body["cost"], body["c"]
    lines = [{**cost["lines"][0], "used": 1}, *cost["lines"][1:]]
    size = {**c["layout"]["state"], "size": 1}
    for name, said, changed in (
        ("manifest", "'origin' does not follow", {"sessions": [{**session, "simulated": True}]}),
        ("manifest", "'cost, lines' does not follow", {"cost": {**cost, "lines": lines}}),
        ("manifest", "'unproven' does not follow", {"unproven": ["made up"]}),
        ("manifest", "'c, kernels' does not follow", {"c": {**c, "kernels": "fast"}}),
        ("program", "'model' is not what follows", {"model": {**body["model"], "model_id": "0x00000000"}}),
        ("program", "'units' is not what follows", {"units": {**body["units"], "span_mm": 1.0}}),
        ("program", "'caution' is not what follows", {"caution": "none"}),
        ("program", "'c' is not what follows", {"c": {**c, "layout": {**c["layout"], "state": size}}}),
    ):
        assert said in failed(resealed(small_bundle, **changed), {"manifest", "program"})[name]


def test_frames_of_a_fault_add_up(small_bundle: Files) -> None:
    """A frame becomes one thing, and no more episodes are wrong than there are: another sum is named."""
    counts = dict.fromkeys(("places", "units", "altered", "too_high", "noticed", "unnoticed", "refused"), 1)
    counts |= {"episodes": 2, "frames": 10, "harmless": 3, "flagged": 2, "silent": 4, "wrong": 1}
    withheld = {"doubt": 1, "strange": 0, "range": 0, "fault": 0}
    figures = {"upper_bound_95": 0.9, "longest_silent_s": 1.0, "most_pct": 9.0}
    row = {"kind": "stuck pad", "withheld": withheld, **counts, **figures}
    table = {"left_out": {}, "roles": ["choose"], "units": 1, "sessions": 2, "bound_pct": 5.0, "seed": 0}
    assert failed(resealed(small_bundle, faults={**table, "rows": [row]}), {"manifest"}) == {}
    for edit in ({"silent": 0}, {"wrong": 3}, {"unnoticed": 2}, {"altered": 11}):
        changed = resealed(small_bundle, faults={**table, "rows": [{**row, **edit}]})
        assert "'faults, rows' does not follow" in failed(changed, {"manifest"})["manifest"], edit


def test_a_table_of_volumes_reaches_the_span_and_rises(small_bundle: Files) -> None:
    """One that is too short for the levels that the C can be asked for, or that falls, is refused."""
    c = json.loads(small_bundle[MANIFEST])["c"]
    whole = {"tank": "canister@2", "shift": 10, "values": [0, 1, 2, 3, 4, 5, 6, 7], "error_ml": 0.5}
    for table, said in (
        (whole | {"values": [0, 1, 2]}, "3 values; expected 8, for a span of 6400"),
        (whole | {"values": [0, 1, 2, 3, 2, 5, 6, 7]}, "volumes that fall or leap"),
        (whole | {"values": [0, 1, 2, 3, 2**31 - 1, 2**31 - 1, 2**31 - 1, 2**31 - 1]}, "fall or leap"),
    ):
        assert said in failed(resealed(small_bundle, c=c | {"volume": table}), {"program"})["program"]
    assert failed(resealed(small_bundle, c=c | {"volume": whole}), {"program"}) == {}
