"""Verification of a bundle: is it whole, does it follow from its program, and does every rendering give the
same numbers?
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from dataset.errors import InnageError, InputError
from export.bundle import checks
from export.bundle.build import Progress, silent
from export.bundle.checks import Bundle, Failed
from export.bundle.checks_c import on_core, on_every_core, on_host
from export.bundle.checks_twin import on_twin
from export.bundle.manifest import MANIFEST
from export.bundle.packing import MAX_FILE, unpack

# In the order they are made and shown.
CHECKS: Mapping[str, Callable[[Bundle], str]] = {
    "manifest": checks.manifest,
    "files": checks.files,
    "program": checks.program,
    "made again": checks.regenerated,
    "vectors": checks.vectors,
    "C on the core": on_core,
    "C on this host": on_host,
    "C, checked": on_twin,
    "ONNX, onnxruntime": checks.onnx,
    "ONNX, reference": checks.onnx_reference,
    "float ONNX": checks.float_onnx,
}
ON_REQUEST: Mapping[str, Callable[[Bundle], str]] = {"C on every core": on_every_core}


@dataclass(frozen=True)
class Check:
    """One question and its answer, as a sentence that says what was found."""

    name: str
    passed: bool
    sentence: str


@dataclass(frozen=True)
class VerifyReport:
    """The checks in the order they were made."""

    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        return all(check.passed for check in self.checks)


def verify_bundle(
    path: Path | str, only: Collection[str] | None = None, progress: Progress = silent
) -> VerifyReport:
    """Verify the bundle at ``path``, a folder or a zip file; ``only`` names the checks to make, by default
    all of ``CHECKS``; those of ``ON_REQUEST`` are made when named.

    Raises InputError when there is no bundle to read.
    """
    return verify_files(read_bundle(Path(path)), only, progress)


def verify_files(
    files: Mapping[str, bytes], only: Collection[str] | None = None, progress: Progress = silent
) -> VerifyReport:
    """Verify a bundle given as file names and bytes. A check that fails, or cannot be made, does not stop the
    others.
    """
    bundle, answers = Bundle(files), []
    chosen = {
        name: check
        for name, check in ({**CHECKS, **ON_REQUEST}).items()
        if (name in CHECKS if only is None else name in only)
    }
    for done, (name, check) in enumerate(chosen.items()):
        progress(name, done, len(chosen))
        answers.append(_answer(name, check, bundle))
    progress("done", len(chosen), len(chosen))
    return VerifyReport(tuple(answers))


def _answer(name: str, check: Callable[[Bundle], str], bundle: Bundle) -> Check:
    try:
        return Check(name, True, check(bundle))
    except Failed as failed:
        return Check(name, False, str(failed))
    except InnageError as error:
        return Check(name, False, f"could not be made: {error}")


def read_bundle(path: Path) -> dict[str, bytes]:
    """Every file of a bundle by name, from its folder or its zip file; InputError when ``path`` is neither,
    or no bundle.
    """
    if not path.is_file():
        return read_folder(path)
    size = path.stat().st_size
    if size > 2 * MAX_FILE:
        raise InputError(str(path), f"{size} bytes", f"at most {2 * MAX_FILE}")
    try:
        return unpack(path.read_bytes(), str(path))
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "a bundle's zip file") from error


def read_folder(directory: Path) -> dict[str, bytes]:
    """Every entry of a bundle's folder by name.

    Raises InputError when it is no folder, holds no manifest, or an entry is not a plain file.
    """
    expected = "the folder of an exported bundle, or its zip file"
    if not directory.is_dir():
        raise InputError(str(directory), "is no folder", expected)
    if not (directory / MANIFEST).is_file():
        raise InputError(str(directory), f"holds no {MANIFEST}", expected)
    files = {}
    for path in sorted(directory.iterdir()):
        if path.is_symlink() or not path.is_file():
            raise InputError(str(path), "is no plain file", "nothing but the files of a bundle")
        try:
            if path.stat().st_size > MAX_FILE:
                raise InputError(str(path), f"{path.stat().st_size} bytes", f"at most {MAX_FILE}")
            files[path.name] = path.read_bytes()
        except OSError as error:
            raise InputError(str(path), f"cannot be read ({error.strerror})", expected) from error
    return files
