"""A bundle holds everything that is handed over, says where it comes from, and is the same bytes for the same
model.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from bundles import FILES

from dataset.canonical import limits_sha256
from dataset.errors import InputError, ProgramError
from dataset.records import Trim, TrimKind
from export.bundle.build import build_bundle
from export.bundle.manifest import (
    MANIFEST,
    Provenance,
    Written,
    bundle_sha256,
    describe,
    read_manifest,
    seal,
)
from export.bundle.stamp import extras_of
from export.bundle.verify import verify_files
from export.c.prefix import check_prefix
from export.evidence.drawing import corners, make_vectors
from export.identity import Stamp
from export.vectors import from_csv, to_csv
from export.volume import VolumeTable
from training.program import OUTPUTS, VALID, Builder, Program, digest


def test_bundle_holds_every_file(sample: Program, provenance: Provenance) -> None:
    """All files are there; the prepare model only for a program with trim."""
    files = build_bundle(sample, provenance.model.float_onnx, provenance, vectors=64)
    assert set(files) == FILES | ({"innage_prepare.onnx"} if sample.trim else set())


@pytest.mark.longer
@pytest.mark.usefixtures("drawing")
def test_same_model_same_bytes(sample: Program, provenance: Provenance) -> None:
    """Building twice gives the same bytes in every file."""
    first, second = (
        build_bundle(sample, provenance.model.float_onnx, provenance, vectors=64) for _ in range(2)
    )
    assert first == second


@pytest.mark.slow
def test_same_bytes_in_another_process(whole_bundle: dict[str, bytes]) -> None:
    """Another process, with another hash seed and in another folder, builds the same bundle."""
    script = Path(__file__).parents[1] / "conftest.py"
    code = (
        "import importlib.util as u, sys; sys.path.append(sys.argv[2]); "
        "s = u.spec_from_file_location('shared', sys.argv[1]); m = "
        "u.module_from_spec(s); sys.modules['shared'] = m; s.loader.exec_module(m);"
        "p = m.every_op(); from export.bundle.build import "
        "build_bundle;print(build_bundle(p, m.float_model(p.channels), "
        "m.provenance_of(p))['manifest.json'].decode(), end='')"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code, str(script), str(script.parents[1] / "helpers")],
        cwd="/",
        env=os.environ | {"PYTHONHASHSEED": "4711", "TZ": "Asia/Tokyo"},
        capture_output=True,
        check=True,
    )
    assert done.stdout == whole_bundle[MANIFEST]


def test_manifest_names_every_hash(small_bundle: dict[str, bytes]) -> None:
    """Each file's SHA-256 stands in the manifest, and the bundle's hash covers them and all else in it."""
    body = json.loads(small_bundle[MANIFEST])
    expected = {
        name: hashlib.sha256(content).hexdigest()
        for name, content in small_bundle.items()
        if name != MANIFEST
    }
    assert body["files"] == expected
    rest = {name: value for name, value in body.items() if name != "bundle_sha256"}
    canonical = json.dumps(rest, indent=2, sort_keys=True, ensure_ascii=False) + "\n"
    assert body["bundle_sha256"] == hashlib.sha256(canonical.encode()).hexdigest()


def test_manifest_says_where_it_comes_from(small_bundle: dict[str, bytes]) -> None:
    """Frozen set, sessions with their sources, records with revisions, budget and library
    versions are named.
    """
    body = json.loads(small_bundle[MANIFEST])
    assert body["frozen_set"]["sha256"] == "f0" * 32
    (session,) = body["sessions"]
    assert (session["tank"], session["sensor"], session["mounting"], session["source"]["file"]) == (
        "canister@2",
        "strip@1",
        "bench",
        "monday.csv",
    )
    assert (body["limits"]["name"], body["limits"]["revision"], body["budget"]["name"]) == (
        "owner",
        3,
        "small",
    )
    assert "numpy" in body["libraries"]
    assert {name: version(name) for name in body["tools"]} == body["tools"]
    assert {"ziglang", "unicorn", "onnx", "innage"} < set(body["tools"])
    assert session["void"] is None


def test_manifest_names_trims_marks_and_the_float_model(sample: Program, provenance: Provenance) -> None:
    """Each trim and each amended mark stands with its hash; so does the float model as it was trained, and
    the parent.
    """
    frozen = provenance.model.frozen
    (session,) = frozen.sessions
    trim = Trim(session.unit, session.mounting, TrimKind.DRY, (7,), "2026-01-01", "line", sha256="7a" * 32)
    frozen = replace(frozen, trims=(trim,), sessions=(replace(session, mark_revision="3c" * 32),))
    body = describe(
        sample,
        replace(provenance, model=replace(provenance.model, frozen=frozen, parent="older")),
        "innage",
        64,
        0,
    )
    assert [(t["unit"], t["kind"], t["sha256"]) for t in body["trims"]] == [("unit-1", "dry", "7a" * 32)]
    assert body["sessions"][0]["marks_sha256"] == "3c" * 32
    assert body["model"]["float_onnx_sha256"] == hashlib.sha256(provenance.model.float_onnx).hexdigest()
    assert body["model"]["parent"] == "older"


def test_the_hash_of_the_whole_model_tells_what_its_program_does_not(
    sample: Program, provenance: Provenance
) -> None:
    """Another recipe behind the same program is another model; another name is not."""

    def stated(**changed: str) -> tuple[str, str]:
        model = replace(provenance.model, **changed)  # type: ignore[arg-type]  # texts, all three
        facts = describe(sample, replace(provenance, model=model), "innage", 64, 0)["model"]
        return facts["sha256"], facts["content_sha256"]

    program, content = stated()
    assert stated(name="another") == (program, content)
    other_program, other_content = stated(recipe='{"seed": 99}')
    assert other_program == program
    assert other_content != content


def test_no_trace_of_this_computer(small_bundle: dict[str, bytes]) -> None:
    """No file names a folder of this computer or its user."""
    here = {str(Path.home()).encode(), str(Path(__file__).resolve().parents[3]).encode()} - {b"/"}
    for name, content in small_bundle.items():
        assert not [h for h in here if h in content], name


def test_program_of_another_model_is_refused(samples: dict[str, Program], provenance: Provenance) -> None:
    """A program that is not the record's own is refused."""
    other = next(p for p in samples.values() if digest(p) != provenance.model.sha256)
    with pytest.raises(ProgramError, match="a program with digest"):
        build_bundle(other, b"", provenance, vectors=64)


@pytest.mark.parametrize(
    "prefix", ["", "Innage", "9lives", "a-b", "../x", "a" * 32, "int", "class", "harness", "é"]
)
def test_bad_prefix_is_refused(prefix: str) -> None:
    """A prefix must be a lower-case C identifier that C, C++ and the bundle's own files leave free."""
    with pytest.raises(InputError, match="prefix"):
        check_prefix(prefix)


def test_prefix_names_files_and_functions(
    samples: dict[str, Program], request: pytest.FixtureRequest
) -> None:
    """The chosen prefix begins the files and the C functions."""
    program = samples["constant"]
    provenance = _provenance(request, program)
    made = build_bundle(program, provenance.model.float_onnx, provenance, prefix="tank_2", vectors=64)
    assert {"tank_2.c", "tank_2.h", "tank_2.onnx", "tank_2_scan.onnx", "tank_2_float.onnx"} < set(made)
    assert b"tank_2_step(" in made["tank_2.c"]


def _provenance(request: pytest.FixtureRequest, program: Program) -> Provenance:
    made: Provenance = request.getfixturevalue("provenance_for")(program)
    return made


@pytest.mark.longer
def test_the_c_is_written_as_asked(provenance_for: Callable[..., Provenance]) -> None:
    """Kernels and a table of volumes stand in the C and in the manifest, from which the same C is made again;
    ONNX stays as it was.
    """
    b = Builder("layers", count_bits=8, channels=4, period_ms=100, span=640)
    weights = tuple(tuple((7 * j + 3 * k) % 50 - 25 for k in range(4)) for j in range(8))
    total = b.node("dense", "counts", weights=weights, bias=(9,) * 8)
    hidden = b.node("clip", b.node("shift", total, shift=6), low=0, high=127)
    level = b.node("clip", b.node("reduce_max", hidden), low=0, high=640)
    program = b.finish(low=b.const(0), level=level, high=b.const(640), validity=b.const(1), flags=b.const(0))
    provenance, written = (
        provenance_for(program),
        Written("fast", volume=VolumeTable("canister@2", 5, tuple(range(0, 210, 10)), 0.5)),
    )
    plain, made = (
        build_bundle(program, provenance.model.float_onnx, provenance, vectors=64, written=w)
        for w in (Written(), written)
    )
    assert {name for name in plain if plain[name] != made[name]} == {
        "innage.c",
        "innage.h",
        "report.html",
        MANIFEST,
    }
    assert (
        b"the fast kernels. A table turns levels into mL of tank canister@2, at most 0.5 mL off."
        in made["report.html"]
    )
    assert b"innage_volume_ml(" in made["innage.c"]
    read = read_manifest(made[MANIFEST])
    limits = provenance.model.limits
    assert limits is not None
    assert read.written == replace(
        written, stamp=Stamp((), limits_sha256(limits)), extras=extras_of(read.body)
    )
    assert b"flash 480 bytes with init, prepare, step" in made["innage.h"]
    (again,) = verify_files(made, {"made again"}).checks
    assert again.passed, again.sentence
    (other,) = verify_files({**plain, MANIFEST: made[MANIFEST]}, {"made again"}).checks
    assert not other.passed


# --- reading a manifest ---


def _changed(content: bytes, **changes: Any) -> bytes:
    return json.dumps({**json.loads(content), **changes}).encode()


@pytest.mark.parametrize(
    "name", ["../innage.c", "/etc/passwd", "sub/innage.c", "innage.exe", ".", "innage.c\n", "other.c"]
)
def test_odd_file_names_are_refused(small_bundle: dict[str, bytes], name: str) -> None:
    """Only the plain names that a bundle can have may stand in a manifest."""
    with pytest.raises(InputError, match=r"manifest.json, files: .*expected one of README.md, "):
        read_manifest(_changed(small_bundle[MANIFEST], files={name: "00" * 32}))


@pytest.mark.parametrize(
    "changes",
    [
        {"format": 4},
        {"format": None},
        {"format": True},
        {"format": "2"},
        {"prefix": "../x"},
        {"prefix": 7},
        {"files": []},
        {"files": {"innage.c": "short"}},
        {"vectors": {"count": "9", "seed": 0}},
        {"vectors": {"count": True, "seed": 0}},
        {"c": None},
        {"c": {"kernels": "small", "assembly": 1, "volume": None}},
        {"c": {"kernels": 3, "assembly": False, "volume": None}},
        {
            "c": {
                "kernels": "small",
                "assembly": False,
                "volume": {"tank": "a", "shift": 2, "values": [1, "2"], "error_ml": 0.5},
            }
        },
        {
            "c": {
                "kernels": "small",
                "assembly": False,
                "volume": {"tank": "a", "shift": 99, "values": [1, 2], "error_ml": 0.5},
            }
        },
        {
            "c": {
                "kernels": "small",
                "assembly": False,
                "volume": {"tank": "a", "shift": 2, "values": [1, 2**31], "error_ml": 0.5},
            }
        },
        {"vectors": {"count": 10**9, "seed": 0}},
        {"vectors": None},
        {"model": {}},
        {"budget": None},
    ],
)
def test_malformed_manifest_is_refused(small_bundle: dict[str, bytes], changes: dict[str, Any]) -> None:
    """A manifest with an unknown format or a misplaced entry is refused with a sentence."""
    with pytest.raises(InputError):
        read_manifest(_changed(small_bundle[MANIFEST], **changes))


@pytest.mark.parametrize(
    ("found", "hint"),
    [
        (1, r"verify it with innage 0\.0\.7, or export the model again with this one"),
        (4, r"use innage 0\.0\.7 or a later one"),
    ],
)
def test_another_format_says_who_wrote_it(small_bundle: dict[str, bytes], found: int, hint: str) -> None:
    """A bundle of an older or newer format says which version made it and what to do."""
    with pytest.raises(
        InputError, match=rf"format {found}, written by innage 0\.0\.7; expected format 3\..*(?i:{hint})"
    ):
        read_manifest(_changed(small_bundle[MANIFEST], format=found, innage="0.0.7"))


@pytest.mark.parametrize("content", [b"", b"[]", b"{", b"\xff\xfe", b"[" * 100_000, b"null"])
def test_manifest_that_is_none_is_refused(content: bytes) -> None:
    """Bytes that are no JSON object are refused with a sentence."""
    with pytest.raises(InputError):
        read_manifest(content)


def test_bundle_hash_depends_on_every_entry(small_bundle: dict[str, bytes]) -> None:
    """Swapping two files' hashes, renaming a file, or changing any other fact changes the bundle's hash."""
    body = json.loads(small_bundle[MANIFEST])
    files = body["files"]
    swapped = files | {"innage.c": files["innage.h"], "innage.h": files["innage.c"]}
    renamed = {name.replace("harness.c", "other.c"): value for name, value in files.items()}
    changes: list[dict[str, Any]] = [{}, {"files": swapped}, {"files": renamed}]
    changes += [{name: "changed"} for name in body if name not in ("files", "bundle_sha256")]
    assert len({bundle_sha256(body | change) for change in changes}) == len(changes)


# --- vectors ---


@pytest.mark.longer
def test_vectors_hold_the_corners(sample: Program) -> None:
    """Every corner of the input domain is among the vectors, and there are as many as asked for."""
    vectors = make_vectors(sample, 1000, seed=5)
    rows = {
        (*c, t, f)
        for c, t, f in zip(
            vectors.counts.tolist(), vectors.temperature.tolist(), vectors.faults.tolist(), strict=True
        )
        for c in [tuple(c)]
    }
    assert {tuple(row) for row in corners(sample).tolist()} <= rows
    assert len(vectors) >= 1000


def test_vectors_reach_valid_readings() -> None:
    """A program that believes one count in two hundred, and settles first, is still tried with valid readings
    in many vectors.
    """
    b = Builder("narrow", count_bits=16, channels=1, period_ms=100, span=640, settling_frames=12)
    b.state("age", (0,), (0,), (12,))
    b.renew("age", b.node("clip", b.node("add", "age", b.const(1)), low=0, high=12))
    inside = b.node(
        "mul", b.node("greater", "counts", b.const(40_000)), b.node("greater", b.const(40_300), "counts")
    )
    believed = b.node("mul", inside, b.node("greater", "age", b.const(11)))
    zero = b.const(0)
    program = b.finish(low=zero, level=zero, high=zero, validity=believed, flags=zero)
    valid = (make_vectors(program, 2000).readings[:, OUTPUTS.index("validity")] == VALID).mean()
    assert valid > 0.1


def test_vectors_survive_their_text(sample: Program) -> None:
    """Written and read back, every column is the same."""
    vectors = make_vectors(sample, 200)
    again = from_csv(sample, to_csv(vectors))
    for part in ("trim", "counts", "temperature", "faults", "prepared", "readings", "state"):
        assert (getattr(vectors, part) == getattr(again, part)).all(), part


def test_damaged_vectors_are_refused(samples: dict[str, Program]) -> None:
    """Missing rows, missing columns, words instead of numbers and misplaced stream starts are refused."""
    program = samples["single_channel"]
    text = to_csv(make_vectors(program, 64))
    lines = text.splitlines(keepends=True)
    for damaged in (
        "",
        "".join(lines[:-1]),
        text.replace(",", ";"),
        text.replace("\n0,", "\n1,", 1),
        text.replace("# stream_frames=8", "# stream_frames=0"),
        "".join(lines[:2]),
        text + "word\n",
        text.replace("\n1,", "\n99999999999999999999,", 1),
    ):
        with pytest.raises(InputError):
            from_csv(program, damaged)


def test_seal_is_canonical() -> None:
    """The order in which facts and files are given does not matter."""
    assert seal({"b": 1, "a": 2}, {"x": b"1", "y": b"2"}) == seal({"a": 2, "b": 1}, {"y": b"2", "x": b"1"})
