"""From a model to a bundle on disk: checked, measured, built, written, and recorded in the store."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataset.records import Budget, Model
    from dataset.store import Store
    from export.volume import VolumeTable
    from training.costs import Cost

ZIP = "bundle.zip"  # the name under which the store keeps a zipped bundle's hash


@dataclass(frozen=True)
class Exported:
    """A bundle as it was written: where, its hash, the sizes of its files in bytes by name, and what the
    model costs in it.
    """

    out: Path
    bundle_sha256: str
    files: dict[str, int]
    cost: Cost


def export(
    store: Store,
    model: str,
    budget: str,
    out: Path | str,
    *,
    prefix: str = "innage",
    zipped: bool = False,
    optimise: str = "size",
    kernels: str = "small",
    assembly: bool = False,
    volume_table: bool = False,
    even_if_void: bool = False,
    anyway: bool = False,
) -> Exported:
    """Check limits and budget, then write the bundle of a model, as ``innage export`` does.

    Args:
        store: the open store; the hashes of what was written are recorded in it.
        model: the model's name.
        budget: the budget's name; checked before anything is written.
        out: the folder (with ``zipped`` the file) to write: new, empty, or a bundle of the same model.
        prefix: begins the C identifiers and file names.
        zipped: write one file, OUT.zip.
        optimise: ``size`` or ``speed``.
        kernels: how layers are written: ``small``, ``fast``, ``fastest`` or ``auto``.
        assembly: use the kernels' inline assembly on the cores that have it.
        volume_table: let the C turn levels into millilitres, by the tank's profile.
        even_if_void: export although sessions behind the model were voided since.
        anyway: export although limits are not met; the bundle's report says which.

    Raises:
        InputError: void sessions, limits not met, or over budget; a place that cannot be written.
        NotFoundError: a model or budget that the store does not have.
        ToolError: the compiler or the emulator did not do its part.
    """
    from dataset.errors import InputError
    from export.c.prefix import check_prefix
    from innage.jobs.budget_check import check_optimise, judge_model

    check_prefix(prefix)
    check_optimise(optimise)
    chosen, allowed, place = store.model(model), store.budget(budget), Path(out)
    void = voided(store, chosen)
    if void and not even_if_void:
        raise InputError(
            f"model {model}",
            f"session {void[0][0]} behind it is void ({void[0][1]})",
            "",
            "train again without it, or say even_if_void=True",
        )
    failed = [row for row in answers_of(chosen) if row["answer"] == "not met"]
    if failed and not anyway:
        first = f"{failed[0]['metric']} of {failed[0]['condition']}: {failed[0]['reason']}"
        raise InputError(
            f"model {model}",
            f"{len(failed)} limits are not met ({first})",
            "",
            "say anyway=True to export all the same",
        )
    place = check_place(place, zipped, chosen)
    volume = volume_of(chosen) if volume_table else None
    judged = judge_model(store, chosen, allowed, optimise, kernels, assembly, volume)
    if judged.over:
        raise InputError(
            f"model {model}",
            f"over budget {budget}: {judged.sentence()}",
            "",
            "give it more, or train a smaller model for this budget",
        )
    return write(
        store, chosen, allowed, judged.cost, void, place, zipped=zipped, prefix=prefix, volume=volume
    )


def voided(store: Store, model: Model) -> tuple[tuple[str, str], ...]:
    """Sessions behind the model that are void by now, with the reason."""
    current = {session.sha256: session.void_reason for session in store.sessions()}
    found = [(s.id, current.get(s.sha256, s.void_reason)) for s in model.frozen.sessions]
    return tuple((name, reason) for name, reason in found if reason is not None)


def answers_of(model: Model) -> list[dict[str, Any]]:
    """The rows of the model's limits with what was found."""
    return list(json.loads(model.metrics).get("limits") or [])


def check_place(out: Path, zipped: bool, model: Model) -> Path:
    """Where the bundle will lie; InputError where something else lies there."""
    from innage.jobs.folders import check_target, check_zip_target

    place = out.with_name(f"{out.name.removesuffix('.zip')}.zip") if zipped else out
    (check_zip_target if zipped else check_target)(place, model.sha256)
    return place


def volume_of(model: Model) -> VolumeTable:
    """The table of volumes of the one tank behind the model; InputError where there are several, or the tank
    has no profile.
    """
    from dataset.errors import InputError
    from dataset.tanks.profile import profile_of
    from export.volume import volume_table
    from training.program import from_json

    tanks = {s.mounting.tank.ref: s.mounting.tank for s in model.frozen.sessions}
    if len(tanks) > 1:
        raise InputError(
            "--volume-table", "sessions of " + " and ".join(sorted(tanks)), "a model of one tank revision"
        )
    ((name, tank),) = tanks.items()
    if tank.profile is None:
        raise InputError(
            "--volume-table",
            f"tank {name} has no profile",
            "a tank with a shape",
            "'innage tank add' gives one by --box, --cylinder-mm or --strapping",
        )
    return volume_table(profile_of(tank), from_json(model.program, f"model '{model.name}'").span, name)


def write(
    store: Store,
    model: Model,
    budget: Budget,
    cost: Cost,
    void: tuple[tuple[str, str], ...],
    out: Path,
    *,
    zipped: bool,
    prefix: str,
    volume: VolumeTable | None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Exported:
    """Build the bundle of a model whose limits and cost were looked at, write it to a place that was, and
    record it.
    """
    from importlib.metadata import version

    from export.bundle.build import build_bundle, silent
    from export.bundle.manifest import MANIFEST, Provenance, Written, read_manifest
    from export.bundle.packing import pack
    from innage.jobs.folders import write_bundle, write_file
    from training.program import from_json

    provenance, written = (
        Provenance(version("innage"), model, budget, cost, void),
        Written(cost.kernels, cost.assembly, volume),
    )
    program = from_json(model.program, f"model '{model.name}'")
    files = build_bundle(
        program, model.float_onnx, provenance, prefix, progress=progress or silent, written=written
    )
    packed = pack(files)
    if zipped:
        write_file(out, packed)
    else:
        write_bundle(out, files)
    bundle = read_manifest(files[MANIFEST]).bundle_sha256
    # The zip file's hash is recorded either way: whoever zips nothing now may be asked about a zipped bundle
    # later.
    hashes = {name: hashlib.sha256(content).hexdigest() for name, content in (files | {ZIP: packed}).items()}
    store.add_export(model, bundle, hashes)
    return Exported(out, bundle, {name: len(content) for name, content in files.items()}, cost)
