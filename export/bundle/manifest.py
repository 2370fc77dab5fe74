"""The manifest of a bundle: what the model is, what it was made from, and the hash of every file.

Everything in it follows from the model's record, the budget and the files; no clock, no folder names.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib.metadata import version
from typing import Any

from dataset.errors import InputError
from dataset.records import Budget, Model, Session, Trim
from export.c.prefix import check_prefix
from export.cautions import CAUTIONS
from export.volume import VolumeTable
from training.costs import Cost, against
from training.program import FORMAT, INT32_MAX, LEVEL_UNITS_PER_MM, Program, digest, model_id

MANIFEST = "manifest.json"
MANIFEST_FORMAT = 2  # raised when a manifest of the old form would be read wrongly
TOOLS = (
    "capstone",
    "innage",
    "numpy",
    "onnx",
    "pyelftools",
    "unicorn",
    "ziglang",
)  # what the files and the measured cost depend on
_OWN = "manifest_sha256"  # the hash of all other entries
_MAX_MANIFEST = 8_000_000  # bytes
_LONGEST_VERSION = 40
_MOST_SHIFT, _MOST_VOLUMES = 24, 4096  # far above any table of volumes
_HASH = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Provenance:
    """Where a bundle comes from. ``voided``: (session id, reason) of sessions that were voided after
    training.
    """

    innage_version: str
    model: Model
    budget: Budget
    cost: Cost | None = None
    voided: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Written:
    """How the C of a bundle is written beside what its program says; see ``emit_c``."""

    kernels: str = "small"
    assembly: bool = False
    volume: VolumeTable | None = None


PLAIN = Written()


@dataclass(frozen=True)
class Manifest:
    """A manifest as read: its whole body, and the parts that verification needs."""

    body: Mapping[str, Any]
    innage_version: str
    model_sha256: str
    prefix: str
    core: str
    vectors_count: int
    vectors_seed: int
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
        "example": f"{prefix}_example.c",
    }


def describe(
    program: Program, provenance: Provenance, prefix: str, vectors: int, seed: int, written: Written = PLAIN
) -> dict[str, Any]:
    """The body of a manifest, files left out: JSON-ready facts that the report shows too."""
    facts = model_facts(
        program, provenance.model, provenance.budget, provenance.cost, dict(provenance.voided)
    )
    return facts | {
        "format": MANIFEST_FORMAT,
        "innage": provenance.innage_version,
        "prefix": prefix,
        "c": asdict(written),
        "vectors": {"count": vectors, "seed": seed},
    }


def model_facts(
    program: Program, model: Model, budget: Budget | None, cost: Cost | None, voided: Mapping[str, str]
) -> dict[str, Any]:
    """What a manifest and a report say of a model, exported or not; ``voided``: reasons by session id."""
    frozen = model.frozen
    lines = () if cost is None or budget is None else against(cost, budget)
    return {
        "caution": " ".join(CAUTIONS),
        "origin": frozen.origin,
        "model": {
            "name": model.name,
            "sha256": digest(program),
            "model_id": f"0x{model_id(program):08x}",
            "program_format": FORMAT,
            "parent": model.parent,
            "float_onnx_sha256": hashlib.sha256(model.float_onnx).hexdigest(),
        },
        "units": {
            "level_units_per_mm": LEVEL_UNITS_PER_MM,
            "span_mm": program.span / LEVEL_UNITS_PER_MM,
            "period_ms": program.period_ms,
        },
        "frozen_set": {
            "name": frozen.name,
            "sha256": frozen.sha256,
            "group_by": frozen.group_by.value,
            "seed": frozen.seed,
            "roles": {group: role.value for group, role in frozen.roles},
            **({"edges_c": list(frozen.edges_c)} if frozen.edges_c else {}),
        },
        "sessions": [_session(s, voided) for s in frozen.sessions],
        "trims": [_trim(trim) for trim in frozen.trims],
        "limits": None if model.limits is None else asdict(model.limits),
        "budget": None if budget is None else asdict(budget),
        "cost": None
        if cost is None
        else asdict(cost) | {"lines": [asdict(line) | {"within": line.within} for line in lines]},
        "recipe": json.loads(model.recipe),
        "libraries": json.loads(model.versions),
        "tools": {library: version(library) for library in TOOLS},
        "metrics": json.loads(model.metrics),
    }


def _session(session: Session, voided: Mapping[str, str]) -> dict[str, Any]:
    mounting = session.mounting
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
    }


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
    """The manifest's bytes: ``body`` with the SHA-256 of every file and of the bundle."""
    hashes = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    whole = {name: value for name, value in body.items() if name != _OWN} | {
        "files": hashes,
        "bundle_sha256": bundle_sha256(hashes),
    }
    return _canonical({**whole, _OWN: hashlib.sha256(_canonical(whole)).hexdigest()})


def is_sealed(content: bytes) -> bool:
    """Whether a manifest stands byte for byte as it was sealed: in its canonical form, and with the hash of
    everything else in it.
    """
    body = _json_object(content, MANIFEST)
    rest = {name: value for name, value in body.items() if name != _OWN}
    return _canonical(body) == content and body.get(_OWN) == hashlib.sha256(_canonical(rest)).hexdigest()


def _canonical(body: Mapping[str, Any]) -> bytes:
    return (json.dumps(body, indent=2, sort_keys=True, ensure_ascii=False) + "\n").encode()


def bundle_sha256(files: Mapping[str, str]) -> str:
    """SHA-256 over the files' hashes and names, sorted by name, a line each: the bundle's identity."""
    return hashlib.sha256("".join(f"{files[name]}  {name}\n" for name in sorted(files)).encode()).hexdigest()


def read_manifest(content: bytes, where: str = MANIFEST) -> Manifest:
    """Read a manifest strictly; InputError says what is wrong. File names must be plain names that a bundle
    can have.
    """
    body = _json_object(content, where)
    if body.get("format") != MANIFEST_FORMAT:
        raise _other_format(body, where)
    try:
        files = {str(name): str(value) for name, value in body["files"].items()}
        model, budget, vectors = body["model"], body["budget"], body["vectors"]
        read = Manifest(
            body=body,
            innage_version=str(body["innage"]),
            model_sha256=str(model["sha256"]),
            prefix=str(body["prefix"]),
            core=str(budget["core"]),
            vectors_count=vectors["count"],
            vectors_seed=vectors["seed"],
            written=_written(body["c"], where),
            files=files,
            bundle_sha256=str(body["bundle_sha256"]),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise InputError(
            where, f"a missing or misplaced entry ({error})", "the entries that an export writes"
        ) from error
    if (
        type(read.vectors_count) is not int
        or type(read.vectors_seed) is not int
        or not (0 < read.vectors_count <= 10_000_000 and read.vectors_seed >= 0)
    ):
        raise InputError(f"{where}, vectors", str(body["vectors"]), "a count and a seed")
    names = set(known_files(check_prefix(read.prefix)).values())
    odd = [name for name in files if name not in names]
    if odd:
        raise InputError(
            f"{where}, files",
            repr(odd[0]),
            "one of " + ", ".join(sorted(names)),
            "a bundle holds no other files",
        )
    for name, value in files.items():
        if not _HASH.fullmatch(value):
            raise InputError(f"{where}, files, {name}", repr(value[:70]), "a SHA-256 in hex")
    return read


def _written(body: Mapping[str, Any], where: str) -> Written:
    """How the C is written, as it stands in a manifest; InputError for values of another kind."""
    kernels, assembly, table = body["kernels"], body["assembly"], body["volume"]
    right = isinstance(kernels, str) and type(assembly) is bool
    if table is not None:
        right = (
            right
            and isinstance(table["tank"], str)
            and type(table["shift"]) is int
            and 0 < table["shift"] <= _MOST_SHIFT
        )
        right = (
            right
            and isinstance(table["values"], list)
            and 1 < len(table["values"]) <= _MOST_VOLUMES
            and type(table["error_ml"]) is float
        )
        right = right and all(type(v) is int and abs(v) <= INT32_MAX for v in table["values"])
    if not right:
        raise InputError(
            f"{where}, c", repr(dict(body))[:80], "kernels, assembly and a table of volumes, or none"
        )
    return Written(
        kernels,
        assembly,
        None
        if table is None
        else VolumeTable(table["tank"], table["shift"], tuple(table["values"]), table["error_ml"]),
    )


def _other_format(body: Mapping[str, Any], where: str) -> InputError:
    """What to do with a bundle of another version: its own version can verify it, this one can export its
    model anew.
    """
    found, wrote, here = body.get("format"), body.get("innage"), version("innage")
    if type(found) is not int or not isinstance(wrote, str) or len(wrote) > _LONGEST_VERSION:
        return InputError(
            where,
            f"format {found!r}"[:80],
            f"format {MANIFEST_FORMAT}",
            "take the manifest as innage wrote it",
        )
    hint = f"verify it with innage {wrote}, or export the model again with this one (innage {here})"
    if found > MANIFEST_FORMAT:
        hint = f"this is innage {here}: use innage {wrote} or a later one"
    return InputError(where, f"format {found}, written by innage {wrote}", f"format {MANIFEST_FORMAT}", hint)


def _json_object(content: bytes, where: str) -> dict[str, Any]:
    if len(content) > _MAX_MANIFEST:
        raise InputError(where, f"{len(content)} bytes", f"at most {_MAX_MANIFEST}")
    try:
        body = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise InputError(where, f"not JSON ({error})", "a manifest written by innage") from error
    if not isinstance(body, dict):
        raise InputError(where, "not a JSON object", "a manifest written by innage")
    return body
