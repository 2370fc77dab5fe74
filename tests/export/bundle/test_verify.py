"""Verification passes a bundle as exported, and fails on every change that was tried, whether or not the
hashes were made to fit.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import pytest

from dataset.errors import InputError
from dataset.words import LimitAnswer
from export.bundle.checks import LEAST_VECTORS, Bundle
from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import CHECKS, Answer, Check, VerifyReport, read_folder, verify_bundle, verify_files
from export.compilers.toolchain import build_core
from export.core.emulator import Machine
from export.onnx.beside import apart
from training.program import Builder

Files = Mapping[str, bytes]
TEXTS = {"manifest", "files", "program", "made again"}  # the checks that run nothing


def resigned(files: Files, **body: Any) -> dict[str, bytes]:
    """The files with a manifest whose hashes fit them: what one who changes a bundle on purpose would do."""
    old = json.loads(files[MANIFEST])
    facts = {key: value for key, value in old.items() if key not in ("files", "bundle_sha256")} | body
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    return {**rest, MANIFEST: seal(facts, rest)}


def failed(files: Files, only: set[str] | None = None) -> dict[str, str]:
    """The names and sentences of the checks that fail."""
    return {check.name: check.sentence for check in verify_files(files, only).checks if not check.passed}


def rejected_both_ways(files: Files, changed: Mapping[str, bytes], **body: Any) -> bool:
    """Whether the change is noticed by the checks that run nothing, with the manifest left alone and with it
    made to fit.
    """
    left_alone, fitting = {**files, **changed}, resigned({**files, **changed}, **body)
    return (
        bool(failed(left_alone, {"files"}))
        and not failed(fitting, {"manifest", "files"})
        and bool(failed(fitting, {"program", "made again"}))
    )


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


def test_a_flipped_bit_anywhere_is_found(small_bundle: Files) -> None:
    """One bit turned over at places drawn over every file, the manifest among them, fails a check that runs
    nothing.
    """
    drawn, missed = np.random.default_rng(3), []
    for name, content in small_bundle.items():
        for place in sorted({0, len(content) - 1, *drawn.integers(0, len(content), 150).tolist()}):
            changed = bytearray(content)
            changed[place] ^= 1 << int(drawn.integers(0, 8))
            missed += (
                []
                if failed({**small_bundle, name: bytes(changed)}, {"manifest", "files"})
                else [(name, place)]
            )
    assert missed == []


def test_missing_file_stays_missed_when_unlisted(small_bundle: Files) -> None:
    """Taking a file out of the manifest as well does not help."""
    for name in sorted(set(small_bundle) - {MANIFEST, "innage_prepare.onnx"}):
        without = resigned({n: c for n, c in small_bundle.items() if n != name})
        assert failed(without, {"files"})["files"] == f"{name} is missing"
    without = resigned({n: c for n, c in small_bundle.items() if n != "innage_prepare.onnx"})
    assert failed(without, {"made again"})["made again"] == "innage_prepare.onnx is missing"


def test_wrong_bundle_hash_fails(small_bundle: Files) -> None:
    """A bundle hash that does not follow from the rest of the manifest is noticed."""
    body = json.loads(small_bundle[MANIFEST])
    body["bundle_sha256"] = "0" * 64
    changed = {**small_bundle, MANIFEST: json.dumps(body).encode()}
    assert "it says 000000000000" in failed(changed, {"manifest"})["manifest"]


def test_unreadable_manifest_fails_every_check(small_bundle: Files) -> None:
    """A manifest of another format fails, and the checks that need it say that they could not be made."""
    answers = failed(resigned(small_bundle, format=99))
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
        in failed(resigned(small_bundle, model=model), {"program"})["program"]
    )


def test_untidy_program_fails(small_bundle: Files) -> None:
    """The same program in another layout is not what was exported."""
    untidy = json.dumps(json.loads(small_bundle["program.json"]), indent=1).encode()
    assert (
        failed(resigned({**small_bundle, "program.json": untidy}), {"program"})["program"]
        == "program.json is not in its canonical form"
    )


def test_changed_report_fails_although_signed(small_bundle: Files) -> None:
    """The page is made again from the manifest, so a figure changed in it is noticed."""
    changed = small_bundle["report.html"].replace(b"0.81", b"0.18")
    assert changed != small_bundle["report.html"]
    assert (
        "report.html differs"
        in failed(resigned({**small_bundle, "report.html": changed}), {"made again"})["made again"]
    )


def test_other_version_is_not_called_a_change(small_bundle: Files) -> None:
    """When files differ and another version of innage wrote them, that is no evidence either way, and the
    sentences say so; otherwise they fail.
    """
    changed = {**small_bundle, "innage.c": small_bundle["innage.c"] + b"\n"}
    names = {"made again", "C on this host"}
    others = verify_files(resigned(changed, innage="0.0.9"), names).checks
    assert [check.answer for check in others] == [Answer.UNPROVEN] * 2
    assert all("written by innage 0.0.9, this is" in check.sentence for check in others)
    ours = verify_files(resigned(changed, innage=version("innage")), names).checks
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
    answers = failed(resigned({**whole_bundle, "vectors.csv": changed}), {"vectors"})
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
        resigned({**whole_bundle, "vectors.csv": ("\n".join(lines) + "\n").encode()}), {"vectors"}
    )
    assert re.search(
        rf"(1|{frames}) of \d+ vectors differ, the first is {number}: "
        r".*(counts|trim) \[.*got \[.*expected \[",
        answers["vectors"],
    )


# --- single flipped bits in exported tables ---


@pytest.fixture
def emitting(small_bundle: Files, monkeypatch: pytest.MonkeyPatch) -> Callable[[bytes], dict[str, bytes]]:
    """Lets this installation write other C than it does, and gives the bundle it would then export: what the
    checks that run C are worth shows on C that is wrong.
    """

    def change(source: bytes) -> dict[str, bytes]:
        wrong = replace(Bundle(small_bundle).made, source=source.decode())
        monkeypatch.setattr("export.bundle.checks.emit_c", lambda *_: wrong)
        return {**small_bundle, "innage.c": source}

    return change


def c_table(files: Files) -> tuple[bytes, list[tuple[int, int]]]:
    """The C source and the places (start, stop) of the numbers in its one aggregate of tables."""
    source = files["innage.c"]
    start = source.index(b"innage_tables = {")
    stop = source.index(b"\n};", start)
    return source, [m.span() for m in re.compile(rb"0x[0-9A-F]+|-?\d+").finditer(source, start, stop)]


def with_number(source: bytes, place: tuple[int, int], bit: int) -> bytes:
    """The source with one bit of one number turned over."""
    was = source[slice(*place)]
    now = int(was, 0) ^ (1 << bit)
    return (
        source[: place[0]]
        + (f"0x{now:08X}" if was.startswith(b"0x") else str(now)).encode()
        + source[place[1] :]
    )


def initializer_flips(model: bytes, bits: tuple[int, ...]) -> Iterator[bytes]:
    """The model with each of ``bits`` of each number of each initializer turned over, one at a time."""
    loaded = onnx.load_model_from_string(model)
    for table in loaded.graph.initializer:
        whole = table.raw_data
        for k in range(len(whole) // 8):
            for bit in bits:
                numbers = np.frombuffer(whole, dtype="<u8").copy()
                numbers[k] ^= np.uint64(1 << bit)
                table.raw_data = numbers.tobytes()
                yield loaded.SerializeToString(deterministic=True)
        table.raw_data = whole


def program_flips(text: bytes, bits: tuple[int, ...]) -> Iterator[bytes]:
    """The program with each of ``bits`` of each number of each node's tables turned over, one at a time, in
    canonical form.
    """
    body = json.loads(text)
    for node in (*body["prepare"], *body["step"]):
        for row in _rows(node["attributes"]):
            for k, value in enumerate(row):
                for bit in bits:
                    row[k] = value ^ (1 << bit)
                    yield (
                        json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n"
                    ).encode()
                row[k] = value


def _rows(attributes: dict[str, Any]) -> Iterator[Any]:
    """Every list of integers among the attributes, and those of matrices, as they stand in ``attributes``."""
    for value in attributes.values():
        if isinstance(value, list):
            yield from value if isinstance(value[0], list) else [value]


@pytest.mark.slow
def test_every_c_table_entry(small_bundle: Files) -> None:
    """A bit turned over in any number of the C's tables is noticed, whether or not the hashes were made to
    fit.
    """
    source, places = c_table(small_bundle)
    assert len(places) > 40
    missed = [
        (p, bit)
        for p in places
        for bit in (0, 2, 4, 6)
        if not rejected_both_ways(small_bundle, {"innage.c": with_number(source, p, bit)})
    ]
    assert missed == []


@pytest.mark.slow
def test_every_onnx_initializer_entry(small_bundle: Files) -> None:
    """A bit turned over in any number of the ONNX models is noticed, whether or not the hashes were made to
    fit.
    """
    for name in ("innage.onnx", "innage_prepare.onnx"):
        flips = list(initializer_flips(small_bundle[name], (0, 5, 40)))
        assert len(flips) > 10
        assert len({*flips, small_bundle[name]}) == len(flips) + 1
        assert [k for k, flip in enumerate(flips) if not rejected_both_ways(small_bundle, {name: flip})] == []


@pytest.mark.slow
def test_every_program_table_entry(small_bundle: Files) -> None:
    """A bit turned over in any table of program.json is noticed, even when manifest, digest and hashes were
    made to fit.
    """
    flips = list(program_flips(small_bundle["program.json"], (0, 4)))
    assert len(flips) > 100
    model = json.loads(small_bundle[MANIFEST])["model"]
    missed = [
        k
        for k, flip in enumerate(flips)
        if not rejected_both_ways(
            small_bundle, {"program.json": flip}, model=model | {"sha256": hashlib.sha256(flip).hexdigest()}
        )
    ]
    assert missed == []


@pytest.mark.slow
def test_flipped_c_table_fails_its_selftest(
    small_bundle: Files, emitting: Callable[[bytes], dict[str, bytes]]
) -> None:
    """Compiled and run, C with one wrong table entry denies its own self-test: the check that runs it needs
    no hash.
    """
    source, places = c_table(small_bundle)
    for place in (places[0], places[len(places) // 2], places[-1]):
        answers = failed(
            emitting(with_number(source, place, 0)),
            {"C on the core", "C on this host"},
        )
        assert (
            answers["C on the core"]
            == "the self-test on cortex-m0plus says no: the tables do not have their CRC"
        )
        assert "the self-test failed" in answers["C on this host"]


def test_every_bit_of_the_linked_tables(small_bundle: Files) -> None:
    """In the flash of the emulated core, each single bit of the tables turned over makes the self-test say
    no.
    """
    image = build_core(Bundle(small_bundle).source)
    machine = Machine(image)
    assert machine.selftest()
    missed = []
    for byte in range(image.tables):
        for bit in range(8):
            machine.flip(byte, bit)
            missed += [(byte, bit)] if machine.selftest() else []
            machine.flip(byte, bit)
    assert missed == []
    assert machine.selftest()


@pytest.mark.slow
def test_every_c_table_entry_is_caught_by_running(
    small_bundle: Files, emitting: Callable[[bytes], dict[str, bytes]]
) -> None:
    """Compiled and run, C with any one wrong table entry is refused by the compiler or by its
    own self-test.
    """
    source, places = c_table(small_bundle)
    for place in places:
        answers = failed(emitting(with_number(source, place, 1)), {"C on the core"})
        assert set(answers) == {"C on the core"}


# --- renderings that compute something else ---


@pytest.mark.slow
def test_other_arithmetic_is_caught_by_running(
    small_bundle: Files, emitting: Callable[[bytes], dict[str, bytes]]
) -> None:
    """C that cuts a warm temperature passes its self-test, but not the vectors; the first one that differs is
    named.
    """
    changed = small_bundle["innage.c"].replace(
        b"const int32_t v_temperature = (int32_t)temperature;",
        b"const int32_t v_temperature = (int32_t)(temperature & 0xFF);",
    )
    assert changed != small_bundle["innage.c"]
    names = {
        "C on the core": "the C on cortex-m0plus",
        "C on this host": "the C on this computer",
        "C, checked": "the checked C",
    }
    answers = failed(emitting(changed), {*names})
    for name, who in names.items():
        assert re.match(
            rf"{who}: \d+ of \d+ vectors differ, the first is \d+: counts \[.*got \[.*expected \[",
            answers[name],
        )


def test_the_twin_catches_ranges_and_casts(
    small_bundle: Files, emitting: Callable[[bytes], dict[str, bytes]]
) -> None:
    """C that keeps a value in too few bits, or states a range that does not hold, gets through no twin; a
    range that is no check is told.
    """
    source = small_bundle["innage.c"]
    for was, now, said in (
        (
            b"(int16_t)v_pads",
            b"(int8_t)v_pads",
            "stopped with code 70 (a value does not fit its narrower type",
        ),
        (
            b"/* [0, 2047] */\n            scratch",
            b"/* [0, 1000] */\n            scratch",
            "stopped with code 70 (v_pads: ",
        ),
        (
            b"const int32_t v_faults = (int32_t)faults;",
            b"const int32_t v_faults =\n(int32_t)faults; /* [0, 15] */",
            "of which 39 can be checked",
        ),
    ):
        changed = source.replace(was, now)
        assert changed != source
        assert said in failed(emitting(changed), {"C, checked"})["C, checked"]


def test_undefined_behaviour_is_caught(
    small_bundle: Files, emitting: Callable[[bytes], dict[str, bytes]]
) -> None:
    """C with the same numbers but an overflow on the way is stopped on this host."""
    line = b"return (value + (int32_t)half) >> shift;"
    changed = small_bundle["innage.c"].replace(
        line, b"volatile int32_t most = INT32_MAX; most = most + 1; " + line
    )
    assert changed != small_bundle["innage.c"]
    assert "stopped with code" in failed(emitting(changed), {"C on this host"})["C on this host"]


def by_another_version(files: Files) -> dict[str, bytes]:
    """The files as if written with another version of the library that writes ONNX."""
    return resigned(files, tools=json.loads(files[MANIFEST])["tools"] | {"onnx": "0.0.9"})


@pytest.mark.parametrize("name", ["innage.onnx", "innage_scan.onnx", "innage_prepare.onnx"])
def test_other_onnx_is_caught_by_running(small_bundle: Files, name: str) -> None:
    """ONNX with a wrong number is not loaded where this version wrote it, and where another did it gives
    other readings or prepared values in both runtimes.
    """
    model = onnx.load_model_from_string(small_bundle[name])
    for table in model.graph.initializer:
        if table.name in ("step.v18.values", "number.1048576", "prepare.v0.values"):
            numbers = np.frombuffer(table.raw_data, dtype="<i8").copy()
            numbers.flat[0] += 4096 if name == "innage_prepare.onnx" else 64
            table.raw_data = numbers.tobytes()
    changed = model.SerializeToString(deterministic=True)
    assert changed != small_bundle[name]
    names = {"ONNX, onnxruntime", "ONNX, reference"}
    here = failed({**small_bundle, name: changed}, names)
    assert all(f"{name} differs from byte " in said and "it is not loaded" in said for said in here.values())
    answers = failed(by_another_version({**small_bundle, name: changed}), names)
    assert set(answers) == {"ONNX, onnxruntime", "ONNX, reference"}
    assert "differ, the first is" in answers["ONNX, onnxruntime"]
    assert ("scanned over time" in answers["ONNX, onnxruntime"]) == (name == "innage_scan.onnx")


def test_damaged_onnx_never_stops_the_verification(small_bundle: Files) -> None:
    """ONNX that loads but indexes outside its tables, or has lost its end, fails as a check and not with a
    traceback.
    """
    model = onnx.load_model_from_string(small_bundle["innage.onnx"])
    (columns,) = (table for table in model.graph.initializer if table.name == "prepared.reciprocal.columns")
    columns.raw_data = np.asarray([0, 1, 2, 99], dtype="<i8").tobytes()
    for changed in (
        model.SerializeToString(),
        small_bundle["innage.onnx"][:-700],
        small_bundle["innage_prepare.onnx"],
        small_bundle["innage_float.onnx"],
    ):
        answers = failed(
            by_another_version({**small_bundle, "innage.onnx": changed}),
            {"ONNX, onnxruntime", "ONNX, reference"},
        )
        assert set(answers) == {"ONNX, onnxruntime", "ONNX, reference"}
        assert all(sentence.startswith("could not be made: ") for sentence in answers.values())


def test_c_that_does_not_compile_is_a_failed_check(
    small_bundle: Files, emitting: Callable[[bytes], dict[str, bytes]]
) -> None:
    """C that the compiler refuses fails with the compiler's words instead of stopping the verification."""
    answers = failed(emitting(b"this is no C\n"), {"C on the core", "C on this host"})
    assert "the C compiler" in answers["C on the core"]
    assert "the C compiler" in answers["C on this host"]


def test_float_model_is_as_far_away_as_stated(small_bundle: Files) -> None:
    """The float model passes with its distance from the integer one, as the manifest states it; one that
    cannot be loaded, that says nothing of the program, or that is another, fails.
    """
    (answer,) = verify_files(small_bundle, {"float ONNX"}).checks
    assert answer.passed
    assert re.fullmatch(
        r"on 128 fills that are held its level differs from the integer program's by [\d.]+ mm in the "
        r"median, [\d.]+ mm at most, as the manifest states",
        answer.sentence,
    )
    nothing = failed({**small_bundle, "innage_float.onnx": b"nothing"}, {"float ONNX"})
    assert "7 bytes that are no ONNX model" in nothing["float ONNX"]
    model = onnx.load_model_from_string(small_bundle["innage_float.onnx"])
    (weights,) = model.graph.initializer
    weights.raw_data = (np.frombuffer(weights.raw_data, "<f4") * 1.5).astype("<f4").tobytes()
    other = resigned({**small_bundle, "innage_float.onnx": model.SerializeToString(deterministic=True)})
    assert failed(other, {"float ONNX"})["float ONNX"].endswith("that is not what the manifest states")
    del model.metadata_props[:]
    bare = {**small_bundle, "innage_float.onnx": model.SerializeToString(deterministic=True)}
    assert "does not carry the facts" in failed(bare, {"float ONNX"})["float ONNX"]
    unstated = json.loads(small_bundle[MANIFEST])
    del unstated["float_onnx"]
    rest = {name: content for name, content in small_bundle.items() if name != MANIFEST}
    silent = {**rest, MANIFEST: seal(unstated, rest)}
    assert failed(silent, {"float ONNX"})["float ONNX"].endswith("that is not what the manifest states")


def test_float_model_is_near_the_program_that_it_was_made_into() -> None:
    """A line in float and the same line in integers of 1/64 mm are not apart at all."""
    b = Builder("line", count_bits=12, channels=1, period_ms=100, span=6400)
    level = b.node("clip", b.node("mul", "counts", b.const(1)), low=0, high=6400)
    program = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    weights = onnx.numpy_helper.from_array(np.full((1, 1), 1 / 64, dtype=np.float32), "w")
    ends = [
        onnx.helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, [None, 1])
        for name in ("counts", "level_mm")
    ]
    node = onnx.helper.make_node("MatMul", ["counts", "w"], ["level_mm"])
    graph = onnx.helper.make_graph([node], "line", ends[:1], ends[1:], [weights])
    opsets = [onnx.helper.make_opsetid("", 18)]
    model = onnx.helper.make_model(graph, opset_imports=opsets, ir_version=8)
    found = apart(program, model.SerializeToString())
    assert found is not None
    assert found.fills > 200
    assert (found.median_mm, found.most_mm) == (0.0, 0.0)  # counts up to 4095 are exact in single precision


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
        assert said in failed(resigned(small_bundle, **changed), {"manifest", "program"})[name]


def test_a_table_of_volumes_reaches_the_span_and_rises(small_bundle: Files) -> None:
    """One that is too short for the levels that the C can be asked for, or that falls, is refused."""
    c = json.loads(small_bundle[MANIFEST])["c"]
    whole = {"tank": "canister@2", "shift": 10, "values": [0, 1, 2, 3, 4, 5, 6, 7], "error_ml": 0.5}
    for table, said in (
        (whole | {"values": [0, 1, 2]}, "3 values; expected 8, for a span of 6400"),
        (whole | {"values": [0, 1, 2, 3, 2, 5, 6, 7]}, "volumes that fall or leap"),
        (whole | {"values": [0, 1, 2, 3, 2**31 - 1, 2**31 - 1, 2**31 - 1, 2**31 - 1]}, "fall or leap"),
    ):
        assert said in failed(resigned(small_bundle, c=c | {"volume": table}), {"program"})["program"]
    assert failed(resigned(small_bundle, c=c | {"volume": whole}), {"program"}) == {}
