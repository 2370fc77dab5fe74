"""Writes a bundle's folder whole or not at all, and never over something else."""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from dataset.errors import InputError
from dataset.files.disk import sync_folder
from innage.outputs import cannot_be_written, write_new


def check_target(out: Path, model_sha256: str | None) -> None:
    """Raise InputError unless ``out`` is new, empty, or a bundle of the same model (None: of any) with
    nothing else in it.
    """
    from export.bundle.manifest import MANIFEST, SIGNATURES, read_manifest

    if not out.exists() and not out.is_symlink():
        return
    if not out.is_dir():
        raise InputError(
            str(out),
            "is no folder",
            "a folder to write the bundle to",
            "name another with out",
            fields=("out",),
        )
    present = {entry.name for entry in out.iterdir()}
    if not present:
        return
    hint = "name another with out"
    if MANIFEST not in present:
        raise InputError(
            str(out),
            "is not empty and holds no bundle",
            "a new or empty folder, or a bundle of this model",
            hint,
            fields=("out",),
        )
    manifest = read_manifest((out / MANIFEST).read_bytes(), str(out / MANIFEST))
    if model_sha256 not in (None, manifest.model_sha256):
        raise InputError(
            str(out),
            "holds the bundle of another model",
            "a new or empty folder, or a bundle of this model",
            hint,
            fields=("out",),
        )
    other = sorted(present - {MANIFEST, SIGNATURES, *manifest.files})
    if other:
        raise InputError(
            str(out),
            f"holds '{other[0]}', which is no file of the bundle",
            "nothing that would be lost",
            "move it away, or " + hint,
            fields=("out",),
        )


def check_zip_target(out: Path, model_sha256: str) -> None:
    """Raise InputError unless ``out`` is new, or the zip file of a bundle of the same model."""
    from export.bundle.manifest import MANIFEST, read_manifest
    from export.bundle.verify import read_bundle

    if not out.exists() and not out.is_symlink():
        return
    expected, hint = "a new file, or the zipped bundle of this model", "name another with out"
    if out.is_symlink() or not out.is_file():
        raise InputError(str(out), "is no plain file", expected, hint, fields=("out",))
    try:
        manifest = read_manifest(read_bundle(out)[MANIFEST], str(out))
    except InputError as error:
        raise InputError(
            str(out), "is there and is no zipped bundle", expected, hint, fields=("out",)
        ) from error
    if manifest.model_sha256 != model_sha256:
        raise InputError(str(out), "holds the bundle of another model", expected, hint, fields=("out",))


def write_bundle(out: Path, files: Mapping[str, bytes]) -> None:
    """Write ``files`` to a folder beside ``out``, down to the disk, then put it in its place.
    ``check_target`` comes first.
    """
    out = out.resolve()
    if _holds(out, files):
        return
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=f".{out.name}.", dir=out.parent))
    except OSError as error:
        raise cannot_be_written(out, error) from error
    fresh, old = aside / "new", aside / "old"
    try:
        fresh.mkdir()
        for name, content in files.items():
            write_new(fresh / name, content)
        sync_folder(fresh)
        if not (out.is_dir() and _exchange(fresh, out)):
            if out.is_dir():
                out.rename(old)
            fresh.rename(out)
        sync_folder(out.parent)
        shutil.rmtree(aside)
    except OSError as error:
        raise cannot_be_written(out, error) from error
    finally:
        if old.exists() and not out.exists():
            old.rename(out)
        if not old.exists():
            shutil.rmtree(aside, ignore_errors=True)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two folders in a single step, so that neither is ever missing; False where the system cannot (man
    2 renameat2).
    """
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if sys.platform == "linux" else None
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
    return call is not None and call(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0


def _holds(out: Path, files: Mapping[str, bytes]) -> bool:
    """Whether ``out`` already holds exactly ``files``, and signatures over them at most."""
    from export.bundle.manifest import SIGNATURES

    if not out.is_dir() or {entry.name for entry in out.iterdir()} - {SIGNATURES} != set(files):
        return False
    return all((out / name).read_bytes() == content for name, content in files.items())
