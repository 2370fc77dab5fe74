"""From a file of a bundle, or a firmware with a model in it, back to the readings behind it."""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError, NotFoundError, StoreError
from dataset.files.disk import read_at_most
from innage.jobs.sessions.session_facts import stated_text, void_facts

if TYPE_CHECKING:
    from dataset.records import ExportedFile, Model, Session, Trim
    from dataset.store import Store
    from export.identity import Identity
    from training.search.kept_recipe import KeptRecipe


@dataclass(frozen=True)
class Traced:
    """Where a file comes from: the exports of this store that wrote it, ready for JSON; whether it is an
    archive that was packed after the export; the sessions that were logged from it where no export wrote it;
    the identities of models in it, where it is a firmware, whose exports these are then.
    """

    file: str
    sha256: str
    exports: tuple[dict[str, Any], ...]
    repacked: bool
    logged: tuple[str, ...]
    identities: tuple[dict[str, Any], ...] = ()
    strangers: tuple[str, ...] = ()  # files in a folder that no export wrote as they are


def trace(store: Store, file: Path) -> Traced:
    """Walk from a file of a bundle, a folder with one, or a firmware that has a model in it, back to the
    readings behind it. InputError where it cannot be read.
    """
    from export.identity import find_identities

    if file.is_dir():
        return _trace_folder(store, file)
    try:
        content = read_at_most(file)
    except OSError as error:
        raise InputError(
            str(file), f"cannot be read ({error.strerror})", "a file of an exported bundle"
        ) from error
    digest = hashlib.sha256(content).hexdigest()
    exports = _exports(store, digest)
    inside = "" if exports else _manifest_inside(content)
    exports = exports or (_exports(store, inside) if inside else [])
    logged = [] if exports else [s.id for s in store.sessions() if s.source.sha256 == digest]
    if not exports and not logged and (identities := find_identities(content)):
        return _traced_by(store, identities, file.name, digest)
    return Traced(file.name, digest, tuple(exports), bool(exports and inside), tuple(logged))


def _trace_folder(store: Store, folder: Path) -> Traced:
    """Walk back from the manifest of a bundle's folder; files beside it that are other than exported are
    named.
    """
    from export.bundle.manifest import MANIFEST, SIGNATURES

    manifest = folder / MANIFEST
    if not manifest.is_file():
        raise InputError(
            str(folder), f"a folder without {MANIFEST}", "a bundle's folder, a file of it, or a firmware"
        )
    traced = trace(store, manifest)
    if not traced.exports:
        return replace(traced, file=folder.name)
    bundles = {export["bundle_sha256"] for export in traced.exports}
    beside = sorted(path for path in folder.iterdir() if path.is_file() and path.name != SIGNATURES)
    strange = [path.name for path in beside if not _written_in(store, path, bundles)]
    return replace(traced, file=folder.name, strangers=tuple(strange))


def _written_in(store: Store, file: Path, bundles: set[str]) -> bool:
    """Whether an export of one of these bundles wrote the file as it is, under its name."""
    digest = hashlib.sha256(read_at_most(file)).hexdigest()
    try:
        return any(e.bundle_sha256 in bundles and e.name == file.name for e in store.exported(digest))
    except NotFoundError:
        return False


def trace_identity(store: Store, hexadecimal: str) -> Traced:
    """Walk from the bytes of an identity, in hex as a field bus gives them, back to the readings behind the
    model. InputError for bytes that are none.
    """
    from export.identity import read_identity

    try:
        content = bytes.fromhex(hexadecimal)
    except ValueError:
        raise InputError(
            "identity", repr(hexadecimal[:40]), "bytes in hexadecimal, two digits each", fields=("identity",)
        ) from None
    identity = read_identity(content, "identity")
    return _traced_by(store, (identity,), "identity", hashlib.sha256(content).hexdigest())


def _traced_by(store: Store, identities: tuple[Identity, ...], name: str, digest: str) -> Traced:
    """The exports of the programs that identities name; an export is known by its program's file."""
    from training.program import from_json, to_json

    exports, facts = [], []
    for identity in identities:
        models = [model for model in store.models() if model.sha256.startswith(identity.program)]
        facts.append(asdict(identity) | {"models": [model.name for model in models]})
        files = {to_json(from_json(model.program, f"model '{model.name}'")).encode() for model in models}
        for program in sorted(files):
            written = _exports(store, hashlib.sha256(program).hexdigest())
            exports += [export | {"exported_as": f"identity 0x{identity.model_id:08x}"} for export in written]
    return Traced(name, digest, tuple(exports), False, (), tuple(facts))


def _exports(store: Store, digest: str) -> list[dict[str, Any]]:
    try:
        return [_export_facts(store, exported) for exported in store.exported(digest)]
    except NotFoundError:
        return []


def _manifest_inside(content: bytes) -> str:
    """The SHA-256 of the manifest of a bundle that someone zipped; '' for everything else."""
    if not zipfile.is_zipfile(io.BytesIO(content)):
        return ""
    from export.bundle.manifest import MANIFEST
    from export.bundle.packing import unpack

    try:
        return hashlib.sha256(unpack(content, "archive")[MANIFEST]).hexdigest()
    except InputError:
        return ""


def _export_facts(store: Store, exported: ExportedFile) -> dict[str, Any]:
    from innage.jobs.models.training import board_facts, status_text
    from training.search.kept_recipe import read_recipe

    model, frozen = exported.model, exported.model.frozen
    measured = [m for m in store.board_measurements(model.name) if m.bundle_sha256 == exported.bundle_sha256]
    current = {session.sha256: session for session in store.sessions()}
    trims = {trim.sha256: trim for trim in store.trims()}  # units are called as sessions call them here
    recipe = read_recipe(model.recipe)
    return {
        "exported_as": exported.name,
        "bundle_sha256": exported.bundle_sha256,
        "model": {"name": model.name, "sha256": model.sha256, "parent": model.parent},
        "status": [status_text(event) for event in store.status_events(model.name)],
        "retired": _retired(store, model),
        "frozen_set": {
            "name": frozen.name,
            "sha256": frozen.sha256,
            "origin": frozen.origin,
            "roles": {group: role.value for group, role in frozen.roles},
            "trims": [_trim_facts(trims.get(trim.sha256, trim)) for trim in frozen.trims],
        },
        "earlier": None if recipe.earlier is None else _earlier_facts(recipe),
        "boards": [board_facts(one) for one in measured],
        "sessions": [
            _session_facts(current.get(s.sha256, s)) | _since(store, s, current.get(s.sha256, s))
            for s in frozen.sessions
        ],
    }


def _earlier_facts(recipe: KeptRecipe) -> dict[str, Any]:
    """What of an earlier tank a model was fitted on too, and what of it was computed."""
    assert recipe.earlier is not None
    superposed = None if recipe.superposed is None else recipe.superposed.to_json()
    return {
        "frozen_set": recipe.earlier.name,
        "superposed": superposed,
        "told": recipe.earlier_told(),
    }


def _since(store: Store, frozen: Session, current: Session) -> dict[str, Any]:
    """What became of a session since it was frozen: amendments of its marks and of what is stated of it,
    voids and their taking back, what check standards say of its bench day since it came in, and in what its
    readings are not as they were sealed.
    """
    damage = None
    try:
        store.frames(frozen.sha256, verify=True)
    except StoreError as error:
        damage = f"{error.found}; expected {error.expected}" if error.expected else error.found
    revisions = store.mark_revisions(frozen.sha256) if current.mark_revision != frozen.mark_revision else ()
    known = [revision.sha256 for revision in revisions]
    later = revisions[known.index(frozen.mark_revision) + 1 if frozen.mark_revision in known else 0 :]
    amendments = [{"author": r.author, "reason": r.reason, "sha256": r.sha256} for r in later]
    events = void_facts(store.void_events(frozen.sha256))
    stated = store.amendments(frozen.sha256)
    before = next((k + 1 for k, one in enumerate(stated) if one.sha256 == frozen.amendment), 0)
    said = [
        {"author": a.author, "reason": a.reason, "sha256": a.sha256, "states": stated_text(a.stated)}
        for a in stated[before:]
    ]
    told = [warning.sentence for warning in store.standard_warnings([current]).get(current.sha256, ())]
    since = {"amended": amendments, "restated": said, "void_events": events}
    return since | {"check_standards": told, "damage": damage}


def _retired(store: Store, model: Model) -> dict[str, str]:
    """What the model stands on that is out of use by now, and why."""
    from innage.jobs.instruments import called

    used = {name for session in model.frozen.sessions for name in session.instruments}
    names: dict[str, set[str]] = {kind: set() for kind in ("unit", "liquid", "mounting", "tank", "sensor")}
    names["instrument"] = set(map(called(store), store.calibrations(sorted(used))))
    for session in model.frozen.sessions:
        names["unit"].add(session.unit.name)
        names["liquid"].add(session.liquid.name)
        names["mounting"].add(session.mounting.name)
        names["tank"].add(session.mounting.tank.ref)
        names["sensor"].add(session.mounting.sensor.ref)
    if model.limits is not None:
        names["limits"] = {model.limits.ref}
    return {
        f"{kind} {name}": reason
        for kind, known in names.items()
        for name, reason in store.retired(kind).items()
        if name in known
    }


def _trim_facts(trim: Trim) -> dict[str, Any]:
    facts = {
        "unit": trim.unit.name,
        "mounting": trim.mounting.name,
        "kind": trim.kind.value,
        "date": trim.date,
    }
    return facts | {"counts": list(trim.counts), "session": trim.session, "sha256": trim.sha256}


def _session_facts(session: Session) -> dict[str, Any]:
    tank, sensor = session.mounting.tank, session.mounting.sensor
    return {
        "id": session.id,
        "sha256": session.sha256,
        "unit": session.unit.name,
        "liquid": session.liquid.name,
        "tank": tank.ref,
        "sensor": sensor.ref,
        "mounting": session.mounting.name,
        "frames": session.frames,
        "simulated": session.simulated,
        "levels_mm": sorted({mark.level_mm for mark in session.marks}),
        "source": {"file": session.source.file, "sha256": session.source.sha256},
        "void": session.void_reason,
        **asdict(session.occasion),
        "tags": list(session.tags),
        "instruments": list(session.instruments),
    }
