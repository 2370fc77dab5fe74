"""README.md of a bundle: it names what is there, what it shows compiles and runs, it is made again like every
other file, and a bundle that was exported before there was one stays valid.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bundles import Files, failed, resealed

from export.bundle.build import generate
from export.bundle.manifest import MANIFEST, PLAIN, read_manifest, seal
from export.bundle.readme import readme
from export.bundle.verify import verify_files
from export.cautions import CAUTIONS
from export.identity import GATE_MEANING, Stamp
from training.program import from_json

OF_FILES = {"manifest", "files", "made again"}


def test_it_names_files_that_are_there(small_bundle: Files) -> None:
    """What is to be read, built and run lies beside it: every file name in it is one of the bundle."""
    text = small_bundle["README.md"].decode()
    named = set(re.findall(r"\b[a-z_]+\.(?:c|h|mk|cmake|csv|html|json)\b", text)) - {
        "readings.csv",
        "expected.csv",
    }
    assert named <= set(small_bundle)
    assert {
        "report.html",
        "innage.h",
        "innage_example.c",
        "innage.c",
        "manifest.json",
        "vectors.csv",
    } <= named
    order = [text.index(name) for name in ("report.html", "`innage.h`", "innage_example.c")]
    assert order == sorted(order)


@pytest.mark.parametrize("name", ["strip", "constant", "told"])
def test_its_calls_compile(all_built: dict[str, Any], tmp_path: Path, name: str) -> None:
    """The three lines are calls of the model's own header, with a trim and without, told of pours and not."""
    its = all_built[name]
    text = readme(its.program, "innage", PLAIN)
    calls = re.findall(r"^ {4}(innage_\w+\(.*?\);)  ", text, re.MULTILINE)
    assert [call.split("(")[0] for call in calls] == ["innage_prepare", "innage_init", "innage_step"]
    assert ("pass NULL" in text) == (its.program.trim is None)
    told = " int32_t since_pour," if its.program.longest_pour_s else ""
    (tmp_path / "innage.h").write_text(its.c.header)
    head = (
        "static void calls(const innage_count_t *trim, const innage_count_t *counts, int16_t temperature,"
        f" uint32_t faults,{told} innage_reading_t reading)"
    )
    memory = (
        "static innage_state_t state; static innage_prepared_t prepared; static innage_scratch_t scratch;"
    )
    main = "int main(void) { (void)calls; return 0; }"
    body = "\n".join(["{", *calls, "}"])
    (tmp_path / "calls.c").write_text("\n".join(['#include "innage.h"', memory, head, body, main]) + "\n")
    command = [_tool("gcc"), "-std=c99", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", "calls.c"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.longer
def test_its_commands_compare_the_c_with_the_vectors(all_built: dict[str, Any], tmp_path: Path) -> None:
    """As they stand, in the folder, they say nothing of a bundle in order, and name the line of a reading
    that differs.
    """
    _tool("cc")
    program, folder = all_built["strip"].program, tmp_path / "bundle"
    folder.mkdir()
    for name, content in generate(program, "innage", 64, 0).items():
        (folder / name).write_bytes(content)
    check = readme(program, "innage", PLAIN).partition("## Check it")[2]
    shown = re.findall(r"^ {4}((?:cc|\.\./harness|awk|cmp) .*)$", check, re.MULTILINE)
    assert len(shown) == 4
    run = ["sh", "-e", "-c", "\n".join(shown)]
    done = subprocess.run(run, cwd=folder, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    *lines, last = (folder / "vectors.csv").read_text().splitlines()
    row = last.split(",")
    row[lines[2].split(",").index("level")] += "1"  # the heading of lines that start no stream
    (folder / "vectors.csv").write_text("\n".join([*lines, ",".join(row), ""]))
    done = subprocess.run(run, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "differ" in done.stdout


@pytest.mark.longer
@pytest.mark.parametrize(("name", "code"), [("strip", 1), ("constant", 0)])
def test_its_example_prints_what_it_says(
    all_built: dict[str, Any], tmp_path: Path, name: str, code: int
) -> None:
    """The commands run as they stand; the lines under them are what is printed, the exit code is stated."""
    _tool("cc")
    folder = tmp_path / "bundle"
    folder.mkdir()
    for file, content in generate(all_built[name].program, "innage", 64, 0).items():
        (folder / file).write_bytes(content)
    text = (folder / "README.md").read_text().partition("## Try the example")[2].partition("\n## ")[0]
    said = re.findall(r"^ {4}(.*)$", text, re.MULTILINE)
    commands, printed = said[:2], said[2:]
    run = ["sh", "-c", " && ".join(commands)]
    done = subprocess.run(run, cwd=folder, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (code, "")
    lines = [re.escape(line).replace(re.escape("(...)"), ".*") for line in printed]
    assert re.fullmatch("\n".join([*lines, ""]), done.stdout), done.stdout
    assert re.search(rf"exits with {code}\b", text.partition("Damaged")[0])


def test_tanks_of_several_heights_are_known_first(all_built: dict[str, Any]) -> None:
    text = readme(
        all_built["constant"].program,
        "innage",
        replace(PLAIN, uneven_spans_mm=(("low@1", 90.0), ("tall@1", 120.0))),
    )
    assert (
        "**Know first:** the tanks of this model differ in height (low@1 90 mm, tall" in text.split("## ")[0]
    )


@pytest.mark.longer
def test_a_readme_of_the_first_form_stays_valid(small_bundle: Files) -> None:
    """Manifests that state no form are of exports whose README says nothing of the example; it is made again
    as it was, and no other way.
    """
    manifest = read_manifest(small_bundle[MANIFEST])
    program = from_json(small_bundle["program.json"].decode())
    first = readme(program, "innage", replace(manifest.written, readme=1)).encode()
    assert b"Try the example" in small_bundle["README.md"]
    assert b"Try the example" not in first
    files = {**small_bundle, "README.md": first}
    body = {name: value for name, value in manifest.body.items() if name != "readme"}
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    assert failed({**rest, MANIFEST: seal(body, rest)}, OF_FILES) == {}
    assert "README.md differs" in failed(resealed(files), OF_FILES)["made again"]


def test_the_cautions_stand_in_it(small_bundle: Files) -> None:
    text = small_bundle["README.md"].decode()
    assert all(f"- {caution}\n" in text for caution in CAUTIONS)


def test_what_the_export_was_let_pass_with_stands_first(all_built: dict[str, Any]) -> None:
    """Each gate is a sentence ahead of all headings but the title; an export with none has none."""
    program = all_built["constant"].program
    plain = readme(program, "innage", PLAIN)
    assert "Know first" not in plain
    for gate, meaning in GATE_MEANING.items():
        text = readme(program, "innage", replace(PLAIN, stamp=Stamp((gate,))))
        assert f"**Know first:** {meaning};" in text[: text.index("## ")]
        assert text.replace(f"\n**Know first:** {meaning}; the report says more.\n", "") == plain


@pytest.mark.longer
def test_it_is_made_again(small_bundle: Files) -> None:
    """A README that says another thing fails although its hash fits, and so does one that is missing or
    beside the manifest.
    """
    changed = small_bundle["README.md"].replace(b"go to the safe state", b"go on")
    assert changed != small_bundle["README.md"]
    sealed = resealed({**small_bundle, "README.md": changed})
    assert "README.md differs from line" in failed(sealed, OF_FILES)["made again"]
    without = {name: content for name, content in small_bundle.items() if name != "README.md"}
    assert failed(without, {"files"})["files"] == "README.md is missing"
    beside = {**resealed(without), "README.md": small_bundle["README.md"]}
    assert failed(beside, {"files"})["files"] == "README.md is not in the manifest"


def test_a_bundle_from_before_there_was_one_stays_valid(small_bundle: Files) -> None:
    """Its manifest lists none, and nothing speaks against that."""
    before = resealed({name: content for name, content in small_bundle.items() if name != "README.md"})
    assert "README.md" not in read_manifest(before["manifest.json"]).files
    checks = verify_files(before, OF_FILES).checks
    assert [check.sentence for check in checks if not check.passed] == []
    assert len(checks) == len(OF_FILES)


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"no {name} on this computer")
    return found
