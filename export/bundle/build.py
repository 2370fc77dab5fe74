"""The bundle: everything that is handed over for one model, as file names and bytes.

The same model and budget give the same bytes: no clock, no random names, no folder names.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

from dataset.errors import ProgramError
from export.bundle.manifest import (
    MANIFEST,
    PLAIN,
    Provenance,
    Written,
    c_facts,
    describe,
    known_files,
    seal,
)
from export.bundle.readme import readme
from export.bundle.scoring import sample_score
from export.bundle.stamp import extras_of, optimise_of, stamp_of
from export.c.fragments import fragments
from export.c.prefix import check_prefix
from export.c.source import CSource, emit_c
from export.compilers.host_build import emit_harness
from export.evidence.drawing import draw, make_vectors, vectors_of
from export.evidence.excerpts import Excerpt, Excerpts
from export.evidence.streams import Streams
from export.evidence.visited import visited_by
from export.onnx.beside import apart
from export.onnx.graph import emit_onnx, emit_prepare_onnx, emit_scan_onnx, label_float_onnx
from export.report.page import render_report
from export.vectors import Vectors, to_csv
from training.program import Program, digest, to_json
from training.search.metrics import read_metrics

VECTORS, SEED = 10_000, 0
MOST_BYTES = 1_000_000  # of vectors.csv

Progress = Callable[[str, int, int], None]


def silent(what: str, done: int, total: int) -> None:
    """No progress shown."""


def build_bundle(
    program: Program,
    float_onnx: bytes,
    provenance: Provenance,
    prefix: str = "innage",
    vectors: int = VECTORS,
    progress: Progress = silent,
    written: Written = PLAIN,
    given: Excerpts | None = None,
) -> dict[str, bytes]:
    """The files of a bundle by name, manifest included, in the order of their names.

    Args:
        program: The analysed program; its digest must be that of the model in ``provenance``.
        float_onnx: The float model as it was trained, a serialised ONNX model; the facts of the program are
            written into it.
        provenance: The model's record, the budget it was checked against, and what was measured.
        prefix: Begins the C identifiers and the file names.
        vectors: How many test vectors at least; fewer where their file would be larger than ``MOST_BYTES``.
        progress: Called with (what, done, total).
        written: How the C is written; what its header says of limits follows from the model.
        given: Streams taken of sessions, of which the vectors may hold half; None: all are to be made.

    Raises:
        InputError: The prefix cannot be used, or ``float_onnx`` is no ONNX model.
        ProgramError: The program is not the model's, or has an operation that cannot be written.
    """
    check_prefix(prefix)
    if digest(program) != provenance.model.sha256:
        raise ProgramError(
            f"model '{provenance.model.name}'",
            f"a program with digest {digest(program)[:12]}",
            provenance.model.sha256[:12],
        )
    written = replace(
        written,
        unproven=read_metrics(json.loads(provenance.model.metrics)).unproven,
        uneven_spans_mm=tuple(provenance.model.frozen.uneven_spans_mm.items()),
    )
    progress("vectors", 0, 1)
    count, drawn, places = _fitting(program, vectors, SEED, given)
    layout = _emitted(program, prefix, written).layout
    facts = describe(program, provenance, prefix, count, SEED, written, layout)
    facts["vectors"] |= {
        "made_only": given is None,
        "excerpts": [asdict(place) | {"trims": list(place.trims)} for place in places],
        "visited": visited_by(program, drawn).facts(),
    }
    written = replace(written, stamp=stamp_of(facts), extras=extras_of(facts), optimise=optimise_of(facts))
    facts["c"] = c_facts(written, layout)
    files = generate(program, prefix, count, SEED, written, progress, drawn=drawn)
    files[known_files(prefix)["float_onnx"]] = label_float_onnx(program, float_onnx)
    facts["score"] = sample_score(program, drawn, progress)
    beside = apart(program, float_onnx)
    facts["float_onnx"] = None if beside is None else asdict(beside)
    files["report.html"] = render_report(facts).encode()
    files[MANIFEST] = seal(facts, files)
    return dict(sorted(files.items()))


def score_of(program: Program, progress: Progress = silent) -> dict[str, Any] | None:
    """What a bundle of ``program`` would state of its evidence, on vectors made from the program alone; None
    where the program is too large for a sample of breaks.
    """
    _, drawn, _ = _fitting(program, VECTORS, SEED, None)
    return sample_score(program, drawn, progress)


def generate(
    program: Program,
    prefix: str,
    vectors: int,
    seed: int,
    written: Written = PLAIN,
    progress: Progress = silent,
    given: Streams | None = None,
    drawn: Vectors | None = None,
) -> dict[str, bytes]:
    """The files that follow from the program and how its C is written. Verification makes them again and
    compares. ``given``: the streams of sessions among the vectors. ``drawn``: the vectors of this count, seed
    and streams, where they are at hand.
    """
    names = known_files(prefix)
    steps: list[tuple[str, Callable[[], dict[str, bytes]]]] = [
        ("program", lambda: {names["program"]: to_json(program).encode()}),
        ("C", lambda: _c_files(program, prefix, written)),
        ("ONNX", lambda: _onnx_files(program, prefix)),
        (
            "vectors",
            lambda: {names["vectors"]: to_csv(drawn or make_vectors(program, vectors, seed, given)).encode()},
        ),
    ]
    files: dict[str, bytes] = {}
    for done, (what, make) in enumerate(steps):
        progress(what, done, len(steps))
        files |= make()
    progress("done", len(steps), len(steps))
    return files


def _fitting(
    program: Program, count: int, seed: int, given: Excerpts | None
) -> tuple[int, Vectors, tuple[Excerpt, ...]]:
    """Vectors whose file has at most ``MOST_BYTES``, the count that draws them (``count``, or what fits of
    it), and where those at their end were taken. Corners stay even where they alone are more.
    """
    while True:
        drawn = draw(program, count, seed, None if given is None else given.streams)
        vectors = vectors_of(program, drawn.streams)
        size = len(to_csv(vectors))
        if size <= MOST_BYTES or count == 1:
            return count, vectors, tuple(given.places[k] for k in drawn.sources) if given else ()
        count = max(min(count - 1, int(0.98 * count * MOST_BYTES / size)), 1)


def _emitted(program: Program, prefix: str, written: Written) -> CSource:
    return emit_c(
        program,
        prefix,
        written.volume,
        written.kernels,
        written.assembly,
        written.unproven,
        written.stamp,
        written.extras,
    )


def _c_files(program: Program, prefix: str, written: Written) -> dict[str, bytes]:
    names, emitted = known_files(prefix), _emitted(program, prefix, written)
    files = {
        names["source"]: emitted.source,
        names["header"]: emitted.header,
        names["harness"]: emit_harness(emitted),
        names["readme"]: readme(program, prefix, written),
        **fragments(prefix, written.optimise, told=program.longest_pour_s > 0),
    }
    return {name: text.encode() for name, text in files.items()}


def _onnx_files(program: Program, prefix: str) -> dict[str, bytes]:
    names = known_files(prefix)
    files = {names["onnx"]: emit_onnx(program), names["scan_onnx"]: emit_scan_onnx(program)}
    prepare = emit_prepare_onnx(program)
    return files if prepare is None else files | {names["prepare_onnx"]: prepare}
