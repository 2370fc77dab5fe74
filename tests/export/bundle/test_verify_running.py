"""Verification fails on single flipped bits in exported tables, and on renderings that compute otherwise."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import onnx
import pytest
from bundles import Files, failed, resealed

from export.bundle.checks import Bundle
from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import verify_files
from export.compilers.core_build import build_core
from export.core.emulator import Machine
from export.onnx.beside import apart
from training.program import Builder


def rejected_both_ways(files: Files, changed: Mapping[str, bytes], **body: Any) -> bool:
    """Whether the change is noticed by the checks that run nothing, with the manifest left alone and with it
    made to fit.
    """
    left_alone, fitting = {**files, **changed}, resealed({**files, **changed}, **body)
    return (
        bool(failed(left_alone, {"files"}))
        and not failed(fitting, {"manifest", "files"})
        and bool(failed(fitting, {"program", "made again"}))
    )


# --- single flipped bits in exported tables ---


@pytest.fixture
def emitting(small_bundle: Files, monkeypatch: pytest.MonkeyPatch) -> Callable[[bytes], dict[str, bytes]]:
    """Lets this installation write other C than it does, and gives the bundle it would then export: what the
    checks that run C are worth shows on C that is wrong.
    """

    def change(source: bytes) -> dict[str, bytes]:
        wrong = replace(Bundle(small_bundle).emitted, source=source.decode())
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
        for bit in (0, 5)
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
    flips = list(program_flips(small_bundle["program.json"], (0,)))
    assert len(flips) > 80
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
    for byte in range(image.layout.tables.size):
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
        b"(int16_t)((int32_t)temperature)",
        b"(int16_t)((int32_t)(temperature & 0xFF))",
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


@pytest.mark.longer
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
            b"/* [0, 2047] */\n        scratch",
            b"/* [0, 1000] */\n        scratch",
            "stopped with code 70 (v_pads: ",
        ),
        (
            b"const int32_t v_pads_0 = ",
            b"const int32_t v_pads_0 =\n",
            "ranges in its comments, of which ",
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
    return resealed(files, tools=json.loads(files[MANIFEST])["tools"] | {"onnx": "0.0.9"})


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


@pytest.mark.longer
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
    other = resealed({**small_bundle, "innage_float.onnx": model.SerializeToString(deterministic=True)})
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
