"""The manifest of a bundle: what the model is, what it was made from, and the hash of every file.

Everything in it follows from the model's record, the budget and the files; no clock, no folder names.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from importlib.metadata import version
from typing import Any

from dataset.canonical import model_sha256
from dataset.coverage.roles import bench_group
from dataset.errors import InputError
from dataset.records import Budget, GroupBy, Model, Session, Trim
from export.bundle.excerpt_entries import excerpts_in, misplaced
from export.bundle.forms import read_json
from export.bundle.manifest_form import MANIFEST_FORM, VERSION
from export.bundle.stamp import extras_of, optimise_of, stamp_of
from export.c.extras import PLAIN_EXTRAS, Extras
from export.c.fragments import SIZE
from export.c.memory import MemoryLayout
from export.c.prefix import check_prefix
from export.cautions import CAUTION
from export.evidence.excerpts import Excerpt
from export.identity import PLAIN_STAMP, Stamp
from export.volume import VolumeTable
from training.costs import Cost, CostLine, against, judged
from training.judging.figures import FaultTable
from training.program import LEVEL_UNITS_PER_MM, Program, digest, model_id
from training.search.metrics import read_metrics

MANIFEST = "manifest.json"
SIGNATURES = "signatures.json"  # beside the files of a bundle that was signed, and none of them
MANIFEST_FORMAT = 3  # raised when a manifest of the old form would be read wrongly
README_FORM = 2  # the first, of manifests that state none, says nothing of the example
FIRST_FORMAT = 2  # of the bundles that innage 0.1 wrote, whose C is written otherwise
READABLE = (FIRST_FORMAT, MANIFEST_FORMAT)
TOOLS = (
    "capstone",
    "innage",
    "numpy",
    "onnx",
    "pyelftools",
    "unicorn",
    "ziglang",
)  # what the files and the measured cost depend on
_IDENTITY = "bundle_sha256"  # the hash of all other entries
_HASHES_OF_IT = (_IDENTITY, "manifest_sha256")
_MAX_MANIFEST = 8_000_000  # bytes


@dataclass(frozen=True)
class Provenance:
    """Where a bundle comes from. ``voided``: (session id, reason) of sessions that were voided after
    training. ``faults``: what the model makes of a broken sensor chain; None where nobody measured it.
    ``status``: what the model is said to be (status, author, reason), where it is exported although it is
    retired.
    """

    innage_version: str
    model: Model
    budget: Budget
    cost: Cost | None = None
    voided: tuple[tuple[str, str], ...] = ()
    faults: FaultTable | None = None
    status: Mapping[str, str] | None = None


@dataclass(frozen=True)
class Written:
    """How the C of a bundle is written beside what its program says, and what its header says of limits
    without enough evidence, its identity of the export, and what the export asks besides; see ``emit_c``.
    ``optimise``: what its build files compile for. ``readme``: the form of its README, which says the
    spans of tanks that differ in height, ``uneven_spans_mm``.
    """

    kernels: str = "small"
    assembly: bool = False
    volume: VolumeTable | None = None
    unproven: tuple[str, ...] = ()
    stamp: Stamp = PLAIN_STAMP
    extras: Extras = PLAIN_EXTRAS
    optimise: str = SIZE
    readme: int = README_FORM
    uneven_spans_mm: tuple[tuple[str, float], ...] = ()


PLAIN = Written()
_NO_LAYOUT = MemoryLayout()


@dataclass(frozen=True)
class Manifest:
    """A manifest as read: its whole body, and the parts that verification needs."""

    body: Mapping[str, Any]
    format: int
    innage_version: str
    model_sha256: str
    prefix: str
    core: str
    vectors_count: int
    vectors_seed: int
    made_only: bool
    excerpts: tuple[Excerpt, ...]
    written: Written
    files: Mapping[str, str]
    bundle_sha256: str


def known_files(prefix: str) -> dict[str, str]:
    """What a bundle may hold besides its manifest: role of each file, and its name."""
    return {
        "source": f"{prefix}.c",
        "header": f"{prefix}.h",
        "onnx": f"{prefix}.onnx",
        "scan_onnx": f"{prefix}_scan.onnx",
        "prepare_onnx": f"{prefix}_prepare.onnx",
        "float_onnx": f"{prefix}_float.onnx",
        "program": "program.json",
        "vectors": "vectors.csv",
        "harness": "harness.c",
        "report": "report.html",
        "cmake": f"{prefix}.cmake",
        "make": f"{prefix}.mk",
        "linker": f"{prefix}.ld",
        "example": f"{prefix}_example.c",
        "board": f"{prefix}_board.c",
        "readme": "README.md",
    }


def describe(
    program: Program,
    provenance: Provenance,
    prefix: str,
    vectors: int,
    seed: int,
    written: Written = PLAIN,
    layout: MemoryLayout = _NO_LAYOUT,
) -> dict[str, Any]:
    """The body of a manifest, files left out: JSON-ready facts that the report shows too. ``layout`` is that
    of the program's C.
    """
    facts = model_facts(
        program, provenance.model, provenance.budget, provenance.cost, dict(provenance.voided)
    )
    status = {} if provenance.status is None else {"status": dict(provenance.status)}
    return facts | {
        **status,
        "format": MANIFEST_FORMAT,
        "innage": provenance.innage_version,
        "prefix": prefix,
        "readme": written.readme,
        "c": c_facts(written, layout),
        "unproven": list(written.unproven),
        "vectors": {"count": vectors, "seed": seed},
        "faults": None if provenance.faults is None else provenance.faults.to_json(),
    }


def c_facts(written: Written, layout: MemoryLayout) -> dict[str, Any]:
    """The entry of a manifest on its C: how it is written, and where the members of its structs lie."""
    structs = {name: getattr(layout, name) for name in ("state", "prepared", "scratch", "reading")}
    form = {"kernels": written.kernels, "assembly": written.assembly}
    form |= {"fast_crc": written.extras.fast_crc, "memory_check": written.extras.memory_check}
    return form | {
        "gates": list(written.stamp.gates),
        "limits_sha256": written.stamp.limits_sha256 or None,
        "volume": None if written.volume is None else asdict(written.volume),
        "layout": {
            name: {
                "size": struct.size,
                "members": [
                    {"name": m.name, "type": m.ctype, "shape": list(m.shape), "offset": m.offset}
                    for m in struct.members
                ],
            }
            for name, struct in structs.items()
        },
    }


def model_facts(
    program: Program, model: Model, budget: Budget | None, cost: Cost | None, voided: Mapping[str, str]
) -> dict[str, Any]:
    """What a manifest and a report say of a model, exported or not; ``voided``: reasons by session id."""
    frozen = model.frozen
    uneven = {"uneven_spans_mm": frozen.uneven_spans_mm} if frozen.uneven_spans_mm else {}
    return uneven | {
        "caution": CAUTION,
        "origin": frozen.origin,
        "model": {
            "name": model.name,
            "parent": model.parent,
            "content_sha256": model_sha256(model),
            "float_onnx_sha256": hashlib.sha256(model.float_onnx).hexdigest(),
            **program_facts(program),
        },
        "units": units_of(program),
        "frozen_set": {
            "name": frozen.name,
            "sha256": frozen.sha256,
            "group_by": frozen.group_by.value,
            "seed": frozen.seed,
            "roles": {group: role.value for group, role in frozen.roles},
            **({"edges_c": list(frozen.edges_c)} if frozen.edges_c else {}),
        },
        "sessions": [_session(s, frozen.group_by, voided) for s in frozen.sessions],
        "trims": [_trim(trim) for trim in frozen.trims],
        "limits": None if model.limits is None else asdict(model.limits),
        "budget": None if budget is None else asdict(budget),
        "cost": None if cost is None else asdict(cost) | {"lines": _lines(cost, budget)},
        "recipe": json.loads(model.recipe),
        "libraries": json.loads(model.versions),
        "tools": {library: version(library) for library in TOOLS},
        "metrics": json.loads(model.metrics),
    }


def program_facts(program: Program) -> dict[str, Any]:
    """What a manifest says of the program itself."""
    sha256 = digest(program)
    return {"sha256": sha256, "model_id": f"0x{model_id(program):08x}", "program_format": program.format}


def units_of(program: Program) -> dict[str, Any]:
    """The units of the program's levels and of its time."""
    return {
        "level_units_per_mm": LEVEL_UNITS_PER_MM,
        "span_mm": program.span / LEVEL_UNITS_PER_MM,
        "period_ms": program.period_ms,
    }


def _lines(cost: Cost, budget: Budget | None) -> list[dict[str, Any]]:
    return _as_stated(() if budget is None else judged(cost, budget))


def _as_stated(lines: Iterable[CostLine]) -> list[dict[str, Any]]:
    return [asdict(line) | {"within": line.within} for line in lines]


def contradiction(body: Mapping[str, Any]) -> str:
    """The entry of a manifest that does not follow from others in it though it should; empty when all do."""
    kinds = {session["simulated"] for session in body["sessions"]}
    origin = "partly simulated" if len(kinds) > 1 else "simulated" if True in kinds else "measured"
    if body["origin"] != origin:
        return "origin"
    if body["format"] != FIRST_FORMAT and body.get("unproven") != list(
        read_metrics(body["metrics"]).unproven
    ):
        return "unproven"
    if _uneven_otherwise(body):
        return "uneven_spans_mm"
    if misplaced(body):
        return "vectors, excerpts"
    if not _faults_add_up(body.get("faults")):
        return "faults, rows"
    return _contradicting_cost(body)


def _uneven_otherwise(body: Mapping[str, Any]) -> bool:
    """Whether stated spans of tanks are not of the sessions' tanks, all alike, or above or below the model's:
    the manifests of tanks that are alike state none, nor do those of earlier exports.
    """
    spans = body.get("uneven_spans_mm")
    if spans is None:
        return False
    alike = len(set(spans.values())) < 2
    tanks = {session["tank"] for session in body["sessions"]}
    return alike or set(spans) != tanks or _in_units(max(spans.values())) != body["units"]["span_mm"]


def _in_units(span_mm: float) -> float:
    """A span as a program has it, in whole units of its level."""
    return round(span_mm * LEVEL_UNITS_PER_MM) / LEVEL_UNITS_PER_MM


def _contradicting_cost(body: Mapping[str, Any]) -> str:
    """The same, of what was measured."""
    if body["cost"] is None:
        return ""
    rest = {name: value for name, value in body["cost"].items() if name != "lines"}
    lines = against if body["format"] == FIRST_FORMAT else judged  # 0.1 held no dearest frame to the budget
    if body["cost"]["lines"] != _as_stated(lines(Cost(**rest), Budget(**body["budget"]))):
        return "cost, lines"
    same = (rest["kernels"], rest["assembly"]) == (body["c"]["kernels"], body["c"]["assembly"])
    return "" if same else "c, kernels"


def _faults_add_up(stated: Mapping[str, Any] | None) -> bool:
    """Whether each frame of the fault table became one thing, and no more episodes did than there are."""
    table = FaultTable.from_json(stated)
    if table is None:
        return stated is None
    return len(table.rows) == len((stated or {})["rows"]) and all(
        row.frames == sum(row.withheld.values()) + row.harmless + row.flagged + row.silent
        and max(row.altered, row.too_high) <= row.frames
        and max(row.noticed, row.wrong, row.refused) <= row.episodes
        and row.unnoticed <= row.wrong
        for row in table.rows
    )


def _session(session: Session, group_by: GroupBy, voided: Mapping[str, str]) -> dict[str, Any]:
    mounting = session.mounting
    group = bench_group(session) if group_by is GroupBy.BENCH else session.tank_group
    return {
        "id": session.id,
        "sha256": session.sha256,
        "unit": session.unit.name,
        "liquid": session.liquid.name,
        "mounting": mounting.name,
        "tank": mounting.tank.ref,
        "sensor": mounting.sensor.ref,
        "frames": session.frames,
        "marks_sha256": session.mark_revision,
        "simulated": session.simulated,
        "source": asdict(session.source),
        "void": voided.get(session.id, session.void_reason),
    } | {what: said for what, said in (("group", group), ("started", session.occasion.started)) if said}


def _trim(trim: Trim) -> dict[str, Any]:
    facts = {
        "unit": trim.unit.name,
        "mounting": trim.mounting.name,
        "kind": trim.kind.value,
        "date": trim.date,
        "stage": trim.stage,
    }
    return facts | {"session": trim.session, "sha256": trim.sha256}


def seal(body: Mapping[str, Any], files: Mapping[str, bytes]) -> bytes:
    """The manifest's bytes: ``body`` with the SHA-256 of every file, and the bundle's hash over all of it."""
    hashes = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    whole = {name: value for name, value in body.items() if name not in _HASHES_OF_IT} | {"files": hashes}
    return _canonical(whole | {_IDENTITY: bundle_sha256(whole)})


def bundle_sha256(body: Mapping[str, Any]) -> str:
    """What identifies a bundle: the SHA-256 of its manifest's canonical form without this hash itself, the
    hashes of all files among it.
    """
    rest = {name: value for name, value in body.items() if name != _IDENTITY}
    return hashlib.sha256(_canonical(rest)).hexdigest()


def why_unsealed(content: bytes) -> str:
    """What shows that a manifest was changed since it was sealed; empty when nothing does."""
    body = read_json(content, MANIFEST, _MAX_MANIFEST)
    hashed = (
        _sealed_in_format_2(body) if body.get("format") == FIRST_FORMAT else {_IDENTITY: bundle_sha256(body)}
    )
    for name, value in hashed.items():
        if body.get(name) != value:
            return f"its hash {name} is {value[:12]}, it says {str(body.get(name))[:12]}"
    return "" if _canonical(body) == content else "it is not in its canonical form"


def _sealed_in_format_2(body: Mapping[str, Any]) -> dict[str, str]:
    """The two hashes of a manifest by 0.1: over the files alone, and over all other entries."""
    files = body["files"]
    listing = "".join(f"{files[name]}  {name}\n" for name in sorted(files))
    rest = {name: value for name, value in body.items() if name != "manifest_sha256"}
    return {
        _IDENTITY: hashlib.sha256(listing.encode()).hexdigest(),
        "manifest_sha256": hashlib.sha256(_canonical(rest)).hexdigest(),
    }


def _canonical(body: Mapping[str, Any]) -> bytes:
    return (json.dumps(body, indent=2, sort_keys=True, ensure_ascii=False) + "\n").encode()


def read_manifest(content: bytes, where: str = MANIFEST) -> Manifest:
    """Read a manifest strictly: every entry of its kind and nothing beside them, and files only under the
    names that a bundle can have. InputError says what is wrong, FormatError that another version wrote it.
    """
    body = read_json(content, where, _MAX_MANIFEST)
    number = body.get("format")
    if type(number) is not int or number not in READABLE:
        raise _other_format(body, where)
    MANIFEST_FORM(body, where)
    try:
        check_prefix(body["prefix"])
    except InputError as error:
        raise InputError(f"{where}, prefix", error.found, error.expected) from error
    names = set(known_files(body["prefix"]).values())
    odd = [name for name in body["files"] if name not in names]
    if odd:
        raise InputError(
            f"{where}, files",
            repr(odd[0]),
            "one of " + ", ".join(sorted(names)),
            "a bundle holds no other files",
        )
    return Manifest(
        body=body,
        format=number,
        innage_version=body["innage"],
        model_sha256=body["model"]["sha256"],
        prefix=body["prefix"],
        core=body["budget"]["core"],
        vectors_count=body["vectors"]["count"],
        vectors_seed=body["vectors"]["seed"],
        made_only=body["vectors"].get("made_only", True),
        excerpts=excerpts_in(body),
        written=_written(body),
        files=body["files"],
        bundle_sha256=body[_IDENTITY],
    )


def _written(body: Mapping[str, Any]) -> Written:
    """How the C is written, as a manifest in its form says; the identity in it follows from the rest."""
    form, lacking = body["c"], tuple(body.get("unproven", ()))
    table = form["volume"]
    volume = (
        None
        if table is None
        else VolumeTable(table["tank"], table["shift"], tuple(table["values"]), table["error_ml"])
    )
    return Written(
        form["kernels"],
        form["assembly"],
        volume,
        lacking,
        stamp_of(body),
        extras_of(body),
        optimise_of(body),
        body.get("readme", 1),
        tuple(body.get("uneven_spans_mm", {}).items()),
    )


class FormatError(InputError):
    """A manifest of a format that this version doesn't read: no sign of a change, and no evidence either."""


def _other_format(body: Mapping[str, Any], where: str) -> InputError:
    """What to do with a bundle of another version: its own version can verify it, this one can export its
    model anew.
    """
    number, wrote, here = body.get("format"), body.get("innage"), version("innage")
    if type(number) is not int or not isinstance(wrote, str) or not re.fullmatch(VERSION, wrote):
        return InputError(
            where,
            f"format {number!r}"[:80],
            f"format {MANIFEST_FORMAT}",
            "take the manifest as innage wrote it",
        )
    hint = f"verify it with innage {wrote}, or export the model again with this one (innage {here})"
    if number > MANIFEST_FORMAT:
        hint = f"this is innage {here}: use innage {wrote} or a later one"
    stands = f"format {number}, written by innage {wrote}"
    return FormatError(where, stands, f"format {MANIFEST_FORMAT}", hint)
