"""The checks of a bundle, each a function from the bundle to a sentence; ``Failed`` carries the sentence of a
no.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from functools import cached_property
from importlib.metadata import version

import numpy as np

from dataset.errors import InputError
from export.bundle.build import generate
from export.bundle.manifest import (
    MANIFEST,
    MANIFEST_FORMAT,
    Manifest,
    bundle_sha256,
    is_sealed,
    known_files,
    read_manifest,
)
from export.c.source import CSource, emit_c
from export.compilers.toolchain import OPTIMISE
from export.onnx.graph import label_float_onnx
from export.onnx.run import (
    Runtime,
    float_levels,
    in_onnxruntime,
    in_reference,
    run_prepare,
    run_scan,
    run_step,
    state_before,
)
from export.report.page import render_report
from export.vectors import Vectors, corners, expect, from_csv
from training.program import LEVEL_UNITS_PER_MM, OUTPUTS, VALID, Array, Program, digest, from_json, to_json

LEAST_VECTORS = 10_000
REFERENCE_VECTORS = 512


class Failed(Exception):  # noqa: N818 - an answer, not an error
    """The answer is no; the text says what was found."""


class Bundle:
    """The bundle under test: its files by name, and what has been read from them."""

    def __init__(self, files: Mapping[str, bytes]) -> None:
        self.files = files

    @cached_property
    def manifest(self) -> Manifest:
        return read_manifest(self.files[MANIFEST])

    @cached_property
    def program(self) -> Program:
        return from_json(self.text("program"), "program.json")

    @cached_property
    def vectors(self) -> Vectors:
        return from_csv(self.program, self.text("vectors"), "vectors.csv")

    @cached_property
    def made(self) -> CSource:
        """The C that this installation makes of the bundle's program, written as its manifest says."""
        written = self.manifest.written
        return emit_c(self.program, self.manifest.prefix, written.volume, written.kernels, written.assembly)

    @property
    def source(self) -> CSource:
        """The C, made anew: the only one that is compiled. InputError where the bundle's own is another."""
        for role, text in (("source", self.made.source), ("header", self.made.header)):
            if self.content(role) != text.encode():
                name = known_files(self.manifest.prefix)[role]
                raise InputError(
                    name,
                    _where_differs("it", text.encode(), self.content(role)),
                    "what is made of program.json here",
                    "C from elsewhere is neither compiled nor run",
                )
        return self.made

    @property
    def optimise(self) -> str:
        """For size or for speed, as it was exported."""
        cost = self.manifest.body.get("cost")
        named = cost.get("optimise") if isinstance(cost, dict) else None
        return named if named in OPTIMISE else "size"

    def content(self, role: str) -> bytes:
        """The file that plays ``role`` (see ``known_files``)."""
        name = known_files(self.manifest.prefix)[role]
        if name not in self.files:
            raise InputError(name, "is missing")
        return self.files[name]

    def text(self, role: str) -> str:
        try:
            return self.content(role).decode()
        except UnicodeDecodeError as error:
            raise InputError(
                known_files(self.manifest.prefix)[role], f"is no text ({error.reason})", "UTF-8"
            ) from error


def manifest(bundle: Bundle) -> str:
    """The manifest can be read, is as it was sealed, and the bundle's hash is that of its list of files."""
    read = bundle.manifest
    if bundle_sha256(read.files) != read.bundle_sha256:
        raise Failed(
            f"the bundle's hash is {bundle_sha256(read.files)[:12]}, the manifest says "
            f"{read.bundle_sha256[:12]}"
        )
    if not is_sealed(bundle.files[MANIFEST]):
        raise Failed("the manifest was changed: it does not have the hash that it states")
    return (
        f"format {MANIFEST_FORMAT}, written by innage {read.innage_version}, bundle {read.bundle_sha256[:12]}"
    )


def files(bundle: Bundle) -> str:
    """Every file is there with its hash, and no other file."""
    listed, present = bundle.manifest.files, set(bundle.files) - {MANIFEST}
    names = known_files(bundle.manifest.prefix)
    needed = {name for role, name in names.items() if role != "prepare_onnx"}
    problems = [f"{name} is missing" for name in sorted((set(listed) | needed) - present)]
    problems += [f"{name} is not in the manifest" for name in sorted(present - set(listed))]
    problems += [
        f"{name} was changed"
        for name in sorted(present & set(listed))
        if hashlib.sha256(bundle.files[name]).hexdigest() != listed[name]
    ]
    if problems:
        raise Failed("; ".join(problems))
    return f"{len(listed)} files, every SHA-256 as listed, none beside them"


def program(bundle: Bundle) -> str:
    """The program can be read, its ranges follow from its tables, and it is the model that the manifest
    names.
    """
    found = bundle.program
    if to_json(found) != bundle.text("program"):
        raise Failed("program.json is not in its canonical form")
    if digest(found) != bundle.manifest.model_sha256:
        raise Failed(
            f"the program's digest is {digest(found)[:12]}, the manifest says "
            f"{bundle.manifest.model_sha256[:12]}"
        )
    nodes = len(found.prepare) + len(found.step)
    return f"{nodes} operations, every range analysed again and inside int32, digest {digest(found)[:12]}"


def regenerated(bundle: Bundle) -> str:
    """C, header, harness, ONNX, vectors and report, made again from the program and the manifest, are the
    same bytes.
    """
    read = bundle.manifest
    made = generate(bundle.program, read.prefix, read.vectors_count, read.vectors_seed, read.written)
    made["report.html"] = _report_again(bundle)
    differing = [
        _where_differs(name, content, bundle.files.get(name))
        for name, content in sorted(made.items())
        if bundle.files.get(name) != content
    ]
    unexpected = set(read.files) - set(made) - {known_files(read.prefix)["float_onnx"]}
    differing += [f"{name} does not follow from the program" for name in sorted(unexpected)]
    if differing:
        here = version("innage")
        other = (
            ""
            if here == read.innage_version
            else f" (written by innage {read.innage_version}, this is {here}: versions may write "
            "files differently)"
        )
        raise Failed("; ".join(differing) + other)
    return f"{len(made)} files made again from program.json, byte for byte the same"


def _report_again(bundle: Bundle) -> bytes:
    try:
        return render_report(bundle.manifest.body).encode()
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise InputError(
            MANIFEST,
            f"an entry that the report needs is missing or misplaced ({error})",
            "the entries that an export writes",
        ) from error


def _where_differs(name: str, made: bytes, found: bytes | None) -> str:
    if found is None:
        return f"{name} is missing"
    at = next(
        (k for k, (a, b) in enumerate(zip(made, found, strict=False)) if a != b), min(len(made), len(found))
    )
    where = f"byte {at}" if b"\0" in made else f"line {made[:at].count(10) + 1}"
    return f"{name} differs from {where} on"


def vectors(bundle: Bundle) -> str:
    """There are enough vectors, the corners of the domain are among them, and the interpreter gives what they
    expect.
    """
    its, of = bundle.vectors, bundle.program
    if len(its) < LEAST_VECTORS:
        raise Failed(f"{len(its)} vectors; at least {LEAST_VECTORS} are needed")
    given = {tuple(row) for row in np.column_stack([its.counts, its.temperature, its.faults]).tolist()}
    missing = [row for row in corners(of).tolist() if tuple(row) not in given]
    if missing:
        raise Failed(
            f"the corner {missing[0]} (counts, temperature, faults) of the input domain is not "
            "among the vectors"
        )
    frames = its.stream_frames
    shaped = [
        part.reshape(len(its) // frames, frames, -1) for part in (its.counts, its.temperature, its.faults)
    ]
    again = expect(of, frames, its.trim[::frames], *shaped)
    equal(of, its, "the interpreter", again.readings, again.state)
    if not np.array_equal(again.trim, its.trim):
        raise Failed("the trim changes within a stream")
    _equal_prepared(its, "the interpreter", again.prepared)
    return (
        f"{len(its)} vectors in {len(its) // frames} streams, corners included; the interpreter "
        "gives every expected number"
    )


def onnx(bundle: Bundle) -> str:
    """The integer ONNX in onnxruntime gives the expected numbers."""
    return _onnx(bundle, in_onnxruntime, bundle.vectors, "onnxruntime")


def onnx_reference(bundle: Bundle) -> str:
    """The integer ONNX in the reference evaluator gives the expected numbers, on a shorter run."""
    its = bundle.vectors
    return _onnx(
        bundle,
        in_reference,
        its.head(max(1, REFERENCE_VECTORS // its.stream_frames)),
        "the reference evaluator",
    )


def _onnx(bundle: Bundle, load: Callable[[bytes], Runtime], its: Vectors, who: str) -> str:
    readings, state = run_step(load(bundle.content("onnx")), bundle.program, its)
    equal(bundle.program, its, who, readings, state)
    _equal_scan(its, who, *run_scan(load(bundle.content("scan_onnx")), bundle.program, its))
    said = f"{len(its)} vectors equal, readings and state, one step at a time and scanned over time"
    if known_files(bundle.manifest.prefix)["prepare_onnx"] in bundle.files:
        _equal_prepared(its, who, run_prepare(load(bundle.content("prepare_onnx")), its))
        said += "; prepared values too"
    return said


def float_onnx(bundle: Bundle) -> str:
    """The float ONNX loads and says that it belongs to the program; how far it lies from the integer program
    is reported, not judged.
    """
    its, content = bundle.vectors, bundle.content("float_onnx")
    level = float_levels(content, its.counts)
    if label_float_onnx(bundle.program, content) != content:
        raise Failed(
            "it does not carry the facts of this program: it belongs to another model, or was changed"
        )
    if level is None:
        return "loads; it takes other inputs than counts, so it is not compared"
    rows = its.readings[:, OUTPUTS.index("validity")] == VALID
    if not rows.any():
        return "loads; no vector has a valid level to compare with"
    apart = np.abs(its.readings[rows, OUTPUTS.index("level")] / LEVEL_UNITS_PER_MM - level[rows])
    median, most = float(np.median(apart)), float(apart.max())
    return (
        f"loads; on {rows.sum()} vectors with a valid level it differs from the integer program by "
        f"{median:.3g} mm in the median, {most:.3g} mm at most"
    )


def equal(of: Program, its: Vectors, who: str, readings: Array, state: Array) -> None:
    """Raise Failed, naming the first vector on which ``who`` gives other numbers than expected."""
    if readings.shape != its.readings.shape or state.shape != its.state.shape:
        raise Failed(
            f"{who} gives numbers of shape {readings.shape} and {state.shape}, expected "
            f"{its.readings.shape} and {its.state.shape}"
        )
    wrong = np.flatnonzero((readings != its.readings).any(axis=1) | (state != its.state).any(axis=1))
    if not wrong.size:
        return
    k = int(wrong[0])
    inputs = f"counts {_row(its.counts[k])}, temperature {its.temperature[k]}, faults {its.faults[k]}"
    if its.trim.shape[1]:
        inputs += f", trim {_row(its.trim[k])}"
    if its.state.shape[1]:
        inputs += f", state {_row(state_before(of, its)[k])}"
    got, expected = (
        f"{_row(r[k])}" + (f" and state {_row(s[k])}" if its.state.shape[1] else "")
        for r, s in ((readings, state), (its.readings, its.state))
    )
    raise Failed(
        f"{who}: {len(wrong)} of {len(its)} vectors differ, the first is {k}: {inputs}: got "
        f"{got}, expected {expected} ({', '.join(OUTPUTS)})"
    )


def _equal_scan(its: Vectors, who: str, readings: Array, last: Array) -> None:
    expected = its.state[its.stream_frames - 1 :: its.stream_frames]
    if readings.shape != its.readings.shape or last.shape != expected.shape:
        raise Failed(
            f"{who}, scanned over time, gives numbers of shape {readings.shape} and "
            f"{last.shape}, expected {its.readings.shape} and {expected.shape}"
        )
    wrong = np.flatnonzero((readings != its.readings).any(axis=1))
    if wrong.size or not np.array_equal(last, expected):
        where = (
            f"{len(wrong)} of {len(its)} readings differ, the first is {wrong[0]}"
            if wrong.size
            else "the last states differ"
        )
        raise Failed(f"{who}, scanned over time: {where}")


def _equal_prepared(its: Vectors, who: str, prepared: Array) -> None:
    if prepared.shape != its.prepared.shape:
        raise Failed(f"{who} gives prepared values of shape {prepared.shape}, expected {its.prepared.shape}")
    wrong = np.flatnonzero((prepared != its.prepared).any(axis=1))
    if wrong.size:
        k = int(wrong[0])
        given = f"trim {_row(its.trim[k])}: got {_row(prepared[k])}, expected {_row(its.prepared[k])}"
        raise Failed(
            f"{who}: the prepared values of {len(wrong)} of {len(its)} vectors differ, the "
            f"first is {k}: {given}"
        )


def _row(values: Array) -> str:
    return "[" + " ".join(str(v) for v in values.tolist()) + "]"
