"""The checks of a bundle, each a function from the bundle to a sentence; ``Failed`` carries the sentence of a
no.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import version
from typing import Any

import numpy as np

from dataset.errors import InputError
from dataset.records import Trim
from export.bundle.build import generate
from export.bundle.manifest import (
    FIRST_FORMAT,
    MANIFEST,
    SIGNATURES,
    Manifest,
    c_facts,
    contradiction,
    known_files,
    program_facts,
    read_manifest,
    units_of,
    why_unsealed,
)
from export.c.source import CSource, emit_c
from export.cautions import CAUTION
from export.evidence.drawing import corners
from export.evidence.excerpts import Capture, Origins, origins
from export.evidence.streams import Streams, streams_of
from export.evidence.visited import BAND_GIVEN, BAND_WIDENED, Visited, visited_by
from export.onnx.run import state_before
from export.report.page import render_report
from export.vectors import Vectors, expect, from_csv
from export.volume import check_table
from training.program import OUTPUTS, Array, Program, digest, from_json, to_json


@dataclass(frozen=True)
class Known:
    """What a store has on a model: entries of its manifest by name, and the float model as it was trained."""

    entries: Mapping[str, Any]
    float_onnx: bytes


@dataclass(frozen=True)
class Held:
    """What a store holds of the sessions that streams are said to be taken of, by hash, and all its trims, by
    hash. ``members``: the sessions of the frozen set, by hash, where it has that and so knows which frames
    belong to 'prove'; else None.
    """

    captures: Mapping[str, Capture]
    trims: Mapping[str, Trim]
    members: frozenset[str] | None


Recorded = Callable[[Manifest], Known | None]
Holding = Callable[[Manifest], Held]

LEAST_VECTORS = 10_000
ENOUGH_BYTES = 800_000  # of vectors.csv: where rows are so long that fewer than LEAST_VECTORS fill it


class Failed(Exception):  # noqa: N818 - an answer, not an error
    """The answer is no; the text says what was found."""


class NotEnoughEvidence(Exception):  # noqa: N818 - an answer, not an error
    """Neither yes nor no: the evidence is missing, and the text says why."""


class Stated(Exception):  # noqa: N818 - an answer, not an error
    """The bundle says so, and nothing here can prove it or the contrary."""


class Bundle:
    """The bundle under test: its files by name, and what has been read from them.

    ``recorded`` gives what a store has on the model that a manifest names, None for a model that it doesn't
    have; ``held`` what it holds of the sessions behind the vectors. Without a store both are None.
    """

    def __init__(
        self, files: Mapping[str, bytes], recorded: Recorded | None = None, held: Holding | None = None
    ) -> None:
        self.files, self.recorded, self.held = files, recorded, held

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
    def visited(self) -> Visited:
        """What the vectors visit, counted here."""
        return visited_by(self.program, self.vectors)

    @cached_property
    def taken(self) -> Streams | None:
        """The inputs of the streams that are said to be taken of sessions, which are the last ones; None
        where there are none.
        """
        places = self.manifest.excerpts
        if not places:
            return None
        streams = streams_of(self.vectors)
        lengths = sorted({place.frames for place in places})
        if len(places) > len(streams) or lengths != [streams.frames]:
            raise InputError(
                f"{MANIFEST}, vectors, excerpts",
                f"{len(places)} of {', '.join(map(str, lengths))} frames",
                f"at most {len(streams)} of {streams.frames} frames, as vectors.csv has them",
            )
        return streams.take(slice(len(streams) - len(places), None))

    @cached_property
    def origins(self) -> Origins:
        """Where the streams of the vectors are said to be from."""
        read, frames = self.manifest, self.vectors.stream_frames
        return origins(read.excerpts, len(self.vectors) // frames, frames, made_only=read.made_only)

    @cached_property
    def again(self) -> dict[str, bytes]:
        """The files that follow from the program, the manifest, and the inputs of the streams that are said
        to be taken of sessions, as this installation writes them.
        """
        read = self.manifest
        return generate(
            self.program, read.prefix, read.vectors_count, read.vectors_seed, read.written, given=self.taken
        )

    @cached_property
    def emitted(self) -> CSource:
        """The C that this installation makes of the bundle's program, written as its manifest says."""
        prefix, written = self.manifest.prefix, self.manifest.written
        how = (written.volume, written.kernels, written.assembly, written.unproven, written.stamp)
        return emit_c(self.program, prefix, *how, written.extras)

    @property
    def source(self) -> CSource:
        """The C, made anew: the only one that is compiled.

        Raises InputError where the bundle's own is another, NotEnoughEvidence where another version wrote it.
        """
        if self.manifest.format == FIRST_FORMAT:
            raise NotEnoughEvidence(f"not run: {self.written_by()}")
        for role, text in (("source", self.emitted.source), ("header", self.emitted.header)):
            if self.content(role) == text.encode():
                continue
            differs = where_differs(
                known_files(self.manifest.prefix)[role], text.encode(), self.content(role)
            )
            if self.other_version():
                raise NotEnoughEvidence(f"not run: {differs} ({self.other_version()})")
            hint = "C from elsewhere is neither compiled nor run"
            raise InputError(differs, "", "what is made of program.json here", hint)
        return self.emitted

    def written_by(self) -> str:
        """Who wrote a bundle of the first format."""
        return f"written by innage {'.'.join(self.manifest.innage_version.split('.')[:2])}"

    def other_version(self, *tools: str) -> str:
        """Which version, of innage or of one of ``tools``, wrote the bundle when it wasn't the one here; else
        empty.
        """
        here, wrote = version("innage"), self.manifest.innage_version
        if wrote != here:
            return f"written by innage {wrote}, this is {here}"
        stated = self.manifest.body["tools"]
        for tool in tools:
            if stated.get(tool) != version(tool):
                return f"written with {tool} {stated.get(tool)}, here is {version(tool)}"
        return ""

    @property
    def optimise(self) -> str:
        """For size or for speed, as it was exported."""
        cost = self.manifest.body["cost"]
        return "size" if cost is None else str(cost["optimise"])

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
    """The manifest can be read, every entry of its kind, and is as it was sealed: its hash covers all of it,
    the hashes of all files too.
    """
    read, changed = bundle.manifest, why_unsealed(bundle.files[MANIFEST])
    if changed:
        raise Failed(f"the manifest was changed: {changed}")
    odd = contradiction(read.body)
    if odd:
        raise Failed(f"the manifest's entry '{odd}' does not follow from its other entries")
    return f"format {read.format}, written by innage {read.innage_version}, bundle {read.bundle_sha256[:12]}"


def files(bundle: Bundle) -> str:
    """Every file is there with its hash, and no other file."""
    listed, present = bundle.manifest.files, set(bundle.files) - {MANIFEST, SIGNATURES}
    names = known_files(bundle.manifest.prefix)
    # a bundle has a prepare model with a trim alone; the others are younger than the first bundles
    spared = {"prepare_onnx", "readme"}
    spared |= {"linker", "board"} if bundle.manifest.format == FIRST_FORMAT else set()
    needed = {name for role, name in names.items() if role not in spared}
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
    """The program can be read, its ranges follow from its tables, and what the manifest says of the model and
    its C is true of it.
    """
    own, body = bundle.program, bundle.manifest.body
    if to_json(own) != bundle.text("program"):
        raise Failed("program.json is not in its canonical form")
    if digest(own) != bundle.manifest.model_sha256:
        raise Failed(
            f"the program's digest is {digest(own)[:12]}, the manifest says "
            f"{bundle.manifest.model_sha256[:12]}"
        )
    facts: dict[str, Any] = {
        "model": {**body["model"], **program_facts(own)},
        "units": units_of(own),
    }
    if not bundle.other_version() and bundle.manifest.format != FIRST_FORMAT:
        c = c_facts(bundle.manifest.written, bundle.emitted.layout)
        facts |= {"caution": CAUTION, "c": json.loads(json.dumps(c))}
    differing = [name for name, value in facts.items() if body[name] != value]
    if differing:
        raise Failed(f"the manifest's entry '{differing[0]}' is not what follows from program.json")
    table = bundle.manifest.written.volume
    if table is not None:
        check_table(table, own.span, "manifest.json, c, volume")
    nodes = len(own.prepare) + len(own.step)
    return f"{nodes} operations, every range analysed again and inside int32, digest {digest(own)[:12]}"


def regenerated(bundle: Bundle) -> str:
    """C, header, harness, README, ONNX, vectors and report, made again from the program and the manifest,
    are the same bytes; of the streams taken of sessions what the program answers.
    """
    read = bundle.manifest
    if read.format == FIRST_FORMAT:
        raise NotEnoughEvidence(f"{bundle.written_by()}, which wrote its files otherwise: {_WITH_ITS_OWN}")
    again = bundle.again | {"report.html": _report_again(bundle)}
    names = known_files(read.prefix)
    if names["readme"] not in read.files:  # as an earlier version exported it
        again.pop(names["readme"])
    differing = {
        name: where_differs(name, content, bundle.files.get(name))
        for name, content in sorted(again.items())
        if bundle.files.get(name) != content
    }
    unexpected = set(read.files) - set(again) - {names["float_onnx"]}
    differing |= {name: f"{name} does not follow from the program" for name in sorted(unexpected)}
    if differing:
        sentence = "; ".join(differing.values())
        graphs = {names[role] for role in ("onnx", "scan_onnx", "prepare_onnx")}
        other = bundle.other_version(*(("onnx",) if set(differing) <= graphs else ()))
        if other:
            raise NotEnoughEvidence(f"{sentence} ({other}): {_WITH_ITS_OWN}")
        raise Failed(sentence)
    return f"{len(again)} files made again from program.json, byte for byte the same"


_WITH_ITS_OWN = "verify it with that version, or export the model again"


def _report_again(bundle: Bundle) -> bytes:
    try:
        return render_report(bundle.manifest.body).encode()
    except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError) as error:
        raise InputError(
            MANIFEST,
            f"an entry that the report needs is missing or misplaced ({error})"[:200],
            "the entries that an export writes",
        ) from error


def where_differs(name: str, again: bytes, content: bytes | None) -> str:
    """From which line, or byte, on ``found`` is another than ``made``."""
    if content is None:
        return f"{name} is missing"
    at = next(
        (k for k, (a, b) in enumerate(zip(again, content, strict=False)) if a != b),
        min(len(again), len(content)),
    )
    where = f"byte {at}" if b"\0" in again else f"line {again[:at].count(10) + 1}"
    return f"{name} differs from {where} on"


def vectors(bundle: Bundle) -> str:
    """There are enough vectors, the corners of the domain are among them, and the interpreter gives what they
    expect.
    """
    stated, own = bundle.vectors, bundle.program
    if len(stated) < LEAST_VECTORS and len(bundle.content("vectors")) < ENOUGH_BYTES:
        raise Failed(f"{len(stated)} vectors; at least {LEAST_VECTORS} are needed")
    rows = {tuple(row) for row in stated.inputs.tolist()}
    missing = [row for row in corners(own).tolist() if tuple(row) not in rows]
    if missing:
        raise Failed(
            f"the corner {missing[0]} ({', '.join(own.inputs)}) of the input domain is not among the vectors"
        )
    frames = stated.stream_frames
    given = streams_of(stated)
    inputs = (given.counts, given.temperature, given.faults, given.since_pour)
    again = expect(own, frames, stated.trim[::frames], *inputs)
    equal(own, stated, "the interpreter", again.readings, again.state)
    if not np.array_equal(again.trim, stated.trim):
        raise Failed("the trim changes within a stream")
    equal_prepared(stated, "the interpreter", again.prepared)
    _visited_as_stated(bundle)
    return (
        f"{len(stated)} vectors in {len(stated) // frames} streams, corners included; the interpreter "
        "gives every expected number"
    )


def _visited_as_stated(bundle: Bundle) -> None:
    """Raise Failed where the manifest states other counts of visits than are found here."""
    if bundle.manifest.format == FIRST_FORMAT or bundle.other_version():
        return
    stated, found = bundle.manifest.body["vectors"].get("visited"), bundle.visited.facts()
    if stated is not None and not bundle.program.has_band:  # which earlier exports counted all the same
        kept = [row for row in stated["branches"] if row["says"] not in (BAND_GIVEN, BAND_WIDENED)]
        stated = stated | {"branches": kept}
    if stated != found:
        raise Failed("the manifest's counts of what the vectors visit are not those of vectors.csv")


def equal(of: Program, stated: Vectors, who: str, readings: Array, state: Array) -> None:
    """Raise Failed, naming the first vector on which ``who`` gives other numbers than expected."""
    if readings.shape != stated.readings.shape or state.shape != stated.state.shape:
        raise Failed(
            f"{who} gives numbers of shape {readings.shape} and {state.shape}, expected "
            f"{stated.readings.shape} and {stated.state.shape}"
        )
    wrong = np.flatnonzero((readings != stated.readings).any(axis=1) | (state != stated.state).any(axis=1))
    if not wrong.size:
        return
    k = int(wrong[0])
    inputs = (
        f"counts {row_text(stated.counts[k])}, temperature {stated.temperature[k]}, faults {stated.faults[k]}"
    )
    if stated.since_pour is not None:
        inputs += f", since_pour {stated.since_pour[k]}"
    if stated.trim.shape[1]:
        inputs += f", trim {row_text(stated.trim[k])}"
    if stated.state.shape[1]:
        inputs += f", state {row_text(state_before(of, stated)[k])}"
    got, expected = (
        f"{row_text(r[k])}" + (f" and state {row_text(s[k])}" if stated.state.shape[1] else "")
        for r, s in ((readings, state), (stated.readings, stated.state))
    )
    raise Failed(
        f"{who}: {len(wrong)} of {len(stated)} vectors differ, the first is {k}: {inputs}: got "
        f"{got}, expected {expected} ({', '.join(OUTPUTS)})"
    )


def equal_prepared(stated: Vectors, who: str, prepared: Array) -> None:
    if prepared.shape != stated.prepared.shape:
        raise Failed(
            f"{who} gives prepared values of shape {prepared.shape}, expected {stated.prepared.shape}"
        )
    wrong = np.flatnonzero((prepared != stated.prepared).any(axis=1))
    if wrong.size:
        k = int(wrong[0])
        given = (
            f"trim {row_text(stated.trim[k])}: got {row_text(prepared[k])}, "
            f"expected {row_text(stated.prepared[k])}"
        )
        raise Failed(
            f"{who}: the prepared values of {len(wrong)} of {len(stated)} vectors differ, the "
            f"first is {k}: {given}"
        )


def row_text(values: Array) -> str:
    return "[" + " ".join(str(v) for v in values.tolist()) + "]"
