"""Bundles made to harm whoever verifies them: nothing of theirs is run, and none takes much time or
memory.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bundles import Files, resealed

from dataset.errors import InputError
from export.bundle.checks import Bundle
from export.bundle.manifest import MANIFEST
from export.bundle.packing import pack, unpack
from export.bundle.verify import verify_bundle

FIRST_BUNDLE = Path(__file__).parents[2] / "data" / "bundles" / "format2.zip"


# --- C that does something of its own when it is started ---


@pytest.fixture
def with_constructor(whole_bundle: Files, tmp_path: Path) -> Callable[[str], tuple[dict[str, bytes], Path]]:
    """The bundle with a function in one of its files that runs before main and writes a file, hashes made to
    fit; and where it would write.
    """

    def append(name: str) -> tuple[dict[str, bytes], Path]:
        trace = tmp_path / "it-ran"
        code = f"""
#if !defined(__arm__) && !defined(HIDDEN)
#define HIDDEN
#include <stdio.h>
__attribute__((constructor)) static void hidden(void)
{{
    FILE *file = fopen("{trace}", "w");
    if (file != NULL) {{ (void)fclose(file); }}
}}
#endif
"""
        return resealed({**whole_bundle, name: whole_bundle[name] + code.encode()}), trace

    return append


@pytest.mark.longer
@pytest.mark.parametrize("name", ["innage.c", "innage.h"])
def test_c_of_a_bundle_is_never_run(
    with_constructor: Callable[[str], tuple[dict[str, bytes], Path]], tmp_path: Path, name: str
) -> None:
    """From a folder and from a zip file: C with a function that starts by itself fails every check that
    compiles C, with the line named, and has not run.
    """
    files, trace = with_constructor(name)
    folder, archive = tmp_path / "bundle", tmp_path / "bundle.zip"
    folder.mkdir()
    for file, content in files.items():
        (folder / file).write_bytes(content)
    archive.write_bytes(pack(files))
    compiling = {"C on the core", "C on this host", "C, checked"}
    for place in (folder, archive):
        report = verify_bundle(place)
        assert not trace.exists()
        said = {check.name: check.sentence for check in report.checks if not check.passed}
        assert set(said) == {"made again", *compiling}
        assert all(f"{name} differs from line " in said[check] for check in compiling)


def test_a_bundle_gives_out_no_c_but_what_is_made_here(
    whole_bundle: Files, with_constructor: Callable[[str], tuple[dict[str, bytes], Path]]
) -> None:
    """What measures and compiles the C of a bundle gets the one made from its program, and nothing where the
    bundle's is another.
    """
    assert Bundle(whole_bundle).source.source.encode() == whole_bundle["innage.c"]
    with pytest.raises(InputError, match="neither compiled nor run"):
        _ = Bundle(with_constructor("innage.c")[0]).source


# --- what takes time or memory without an end ---


@pytest.mark.slow  # every check of a whole bundle, in a process of its own
def test_the_limits_let_an_honest_bundle_pass(
    whole_bundle: Files, verified: Callable[[Files], tuple[int, dict[str, str]]]
) -> None:
    """Within them an exported bundle is verified whole."""
    assert verified(whole_bundle) == (0, {})


def changed_program(files: Files, change: Callable[[dict[str, Any]], None]) -> dict[str, bytes]:
    """The bundle with another program.json, in canonical form; manifest and digest are made to fit by
    ``resealed``.
    """
    body = json.loads(files["program.json"])
    change(body)
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n"
    return {**files, "program.json": text.encode()}


def wide_state(body: dict[str, Any], many: int = 300_000) -> None:
    """A state of many values."""
    body["states"][0] |= {"initial": [0] * many, "low": [0] * many, "high": [1] * many}


def wider_state(body: dict[str, Any]) -> None:
    """A state of a million values."""
    wide_state(body, 1_000_000)


def doubled(body: dict[str, Any]) -> None:
    """Forty rows, each the one before twice: a thousand thousand million values."""
    shape = {"attributes": {}, "scale": "", "low": [0], "high": [0], "op": "concat"}
    for k in range(40):
        before = "counts" if k == 0 else f"twice{k - 1}"
        body["step"].append(shape | {"name": f"twice{k}", "inputs": [before, before]})


def shared_children(body: dict[str, Any]) -> None:
    """Trees whose branches meet again, so that there are millions of ways down, from a thousand roots."""
    nodes, deep = 64, 32
    forest = next(node for node in body["step"] if node["op"] == "trees")
    forest["attributes"] = {
        "roots": [0] * 1000,
        "feature": [0] * nodes,
        "threshold": [2**31 - 1] * nodes,
        "child": [min(k + 1, nodes - 2) if k < deep else k for k in range(nodes)],
        "value": [0] * nodes,
        "depth": 32,
    }


def many_nodes(body: dict[str, Any]) -> None:
    """Twenty thousand operations."""
    shape = {"attributes": {}, "scale": "", "low": [0], "high": [4095], "op": "max"}
    for k in range(20_000):
        before = "counts" if k == 0 else f"more{k - 1}"
        body["step"].append(shape | {"name": f"more{k}", "inputs": [before, before]})


def long_note(body: dict[str, Any]) -> None:
    """A note of three million letters, which stand in the comments of the C."""
    body["notes"]["tank"] = "x" * 3_000_000


@pytest.mark.longer
@pytest.mark.parametrize(
    ("change", "said"),
    [
        pytest.param(wide_state, "300001 values; expected at most 1024", marks=pytest.mark.slow),
        (wider_state, "characters; expected at most 4000000"),
        (doubled, "numbers to look at; expected at most"),
        pytest.param(many_nodes, "numbers to look at; expected at most", marks=pytest.mark.slow),
        (long_note, "expected text of at most 4000 characters"),
    ],
)
def test_programs_without_measure_are_refused(
    whole_bundle: Files,
    verified: Callable[[Files], tuple[int, dict[str, str]]],
    change: Callable[[dict[str, Any]], None],
    said: str,
) -> None:
    """A program larger than any that fits a chip is refused before it is computed with."""
    files = resealed(changed_program(whole_bundle, change))
    code, answers = verified(files)
    assert code == 1
    assert said in answers["program"]


@pytest.mark.longer
def test_a_forest_is_walked_once_a_node(
    whole_bundle: Files,
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """Branches that meet again don't multiply the analysis: the forest is judged, not walked for ever."""
    code, answers = verified(resealed(changed_program(whole_bundle, shared_children)))
    assert code == 1
    assert "ranges that do not follow from the tables" in answers["program"]


@pytest.mark.parametrize(
    ("vectors", "said"),
    [
        ({"count": 10_000_000, "seed": 0}, "manifest.json, vectors, count: 10000000; expected"),
        ({"count": 10_000, "seed": 2**70}, "a whole number of 22 digits"),
        ({"count": 10_000, "seed": 2**60}, "manifest.json, vectors, seed: 1152921504606846976; expected"),
    ],
)
def test_vectors_and_seeds_have_an_end(
    whole_bundle: Files,
    verified: Callable[[Files], tuple[int, dict[str, str]]],
    vectors: dict[str, int],
    said: str,
) -> None:
    """Ten million vectors, and seeds that no generator takes, are refused in the manifest."""
    code, answers = verified(resealed(whole_bundle, vectors=vectors))
    assert code == 1
    assert said in answers["manifest"]


@pytest.mark.slow  # a file of 30 times the vectors
def test_long_vectors_are_not_read(
    whole_bundle: Files,
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """A file of many more vectors than an export has, and one of a single endless stream, are refused."""
    lines = whole_bundle["vectors.csv"].decode().splitlines(keepends=True)
    many = "".join([*lines[:2], *lines[2:] * 30]).encode()
    code, answers = verified(resealed({**whole_bundle, "vectors.csv": many}))
    assert code == 1
    assert "lines; expected at most" in answers["vectors"]
    endless = "".join(["# stream_frames=10010\n", *lines[1:]]).encode()
    code, answers = verified(resealed({**whole_bundle, "vectors.csv": endless}))
    assert code == 1
    assert "'# stream_frames=10010'; expected" in answers["vectors"]


# --- bundles of before ---


@pytest.mark.longer
def test_a_bundle_of_the_first_version_lacks_evidence(
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """What 0.1 wrote is no forgery: program, vectors and ONNX are checked, its C is not run, exit code 3."""
    files = unpack(FIRST_BUNDLE.read_bytes(), FIRST_BUNDLE.name)
    code, answers = verified(files)
    assert code == 3
    assert set(answers) == {"made again", "C on the core", "C on this host", "C, checked"}
    assert answers["C on this host"] == "not run: written by innage 0.1"
    changed = {**files, "vectors.csv": files["vectors.csv"].replace(b"\n0,", b"\n0,1", 1)}
    code, answers = verified(changed)
    assert code == 1
    assert {"files", "vectors"} <= set(answers)
    broken = {**files, MANIFEST: files[MANIFEST].replace(b'"frames": 400', b'"frames": 401')}
    code, answers = verified(broken)
    assert code == 1
    assert "its hash manifest_sha256 is " in answers["manifest"]
