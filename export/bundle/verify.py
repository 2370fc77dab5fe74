"""Verification of a bundle: is it whole, does it follow from its program, and does every rendering give the
same numbers?
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from dataset.errors import InnageError, InputError
from dataset.words import LimitAnswer
from export.bundle import checks
from export.bundle.build import Progress, silent
from export.bundle.checking.board import BoardChecks, OnBoard
from export.bundle.checking.c import on_core, on_every_core, on_host
from export.bundle.checking.onnx import float_onnx, onnx, onnx_reference
from export.bundle.checking.score import score
from export.bundle.checking.sources import sources
from export.bundle.checking.store import figures
from export.bundle.checking.twin import on_twin
from export.bundle.checks import Bundle, Failed, Holding, NotEnoughEvidence, Recorded, Stated
from export.bundle.manifest import MANIFEST, FormatError
from export.bundle.packing import MAX_FILE, unpack
from export.evidence.excerpts import Origins
from export.evidence.visited import Visited

# In the order they are made and shown.
CHECKS: Mapping[str, Callable[[Bundle], str]] = {
    "manifest": checks.manifest,
    "files": checks.files,
    "program": checks.program,
    "made again": checks.regenerated,
    "vectors": checks.vectors,
    "sources": sources,
    "score": score,
    "C on the core": on_core,
    "C on this host": on_host,
    "C, checked": on_twin,
    "ONNX, onnxruntime": onnx,
    "ONNX, reference": onnx_reference,
    "float ONNX": float_onnx,
    "figures": figures,
}
ON_REQUEST: Mapping[str, Callable[[Bundle], str]] = {"C on every core": on_every_core}


class Answer(StrEnum):
    """What a check found. ``stated``: what the bundle says, which nothing here can prove; it stops nobody."""

    PASSED = "passed"
    FAILED = "failed"
    UNPROVEN = LimitAnswer.UNPROVEN.value
    STATED = "stated"


@dataclass(frozen=True)
class Check:
    """One question and its answer, with a sentence that says what was found."""

    name: str
    answer: Answer
    sentence: str

    @property
    def passed(self) -> bool:
        """Whether nothing speaks against the bundle here: it did not fail, and no evidence is missing."""
        return self.answer in (Answer.PASSED, Answer.STATED)

    def facts(self) -> dict[str, Any]:
        """The check as JSON."""
        return {
            "name": self.name,
            "answer": str(self.answer),
            "passed": self.passed,
            "sentence": self.sentence,
        }


@dataclass(frozen=True)
class VerifyReport:
    """The checks in the order they were made. ``visited``: what the vectors visit, and ``origins``: where
    their streams are said to be from, where their check was made and passed. ``on_board``: what a board
    measured that gave every expected number.
    """

    checks: tuple[Check, ...]
    visited: Visited | None = None
    origins: Origins | None = None
    on_board: OnBoard | None = None

    def having(self, answer: Answer) -> tuple[Check, ...]:
        """The checks with this answer."""
        return tuple(check for check in self.checks if check.answer is answer)

    @property
    def passed(self) -> bool:
        return all(check.passed for check in self.checks)


def verify_bundle(
    path: Path | str,
    only: Collection[str] | None = None,
    progress: Progress = silent,
    recorded: Recorded | None = None,
    held: Holding | None = None,
    board: BoardChecks | None = None,
) -> VerifyReport:
    """Verify the bundle at ``path``, a folder or a zip file; ``only`` names the checks to make, by default
    all of ``CHECKS``; those of ``ON_REQUEST`` are made when named. ``recorded`` says what a store has on the
    model, ``held`` what it holds of sessions, see ``Bundle``; ``board`` has the checks on a board, which are
    made last.

    Raises InputError when there is no bundle to read.
    """
    return verify_files(read_bundle(Path(path)), only, progress, recorded, held, board)


def verify_files(
    files: Mapping[str, bytes],
    only: Collection[str] | None = None,
    progress: Progress = silent,
    recorded: Recorded | None = None,
    held: Holding | None = None,
    board: BoardChecks | None = None,
) -> VerifyReport:
    """Verify a bundle given as file names and bytes. A check that fails, or cannot be made, does not stop the
    others.
    """
    bundle, answers = Bundle(files, recorded, held), []
    chosen = {
        name: check
        for name, check in ({**CHECKS, **ON_REQUEST}).items()
        if (name in CHECKS if only is None else name in only)
    }
    chosen |= {} if board is None else board.checks
    for done, (name, check) in enumerate(chosen.items()):
        progress(name, done, len(chosen))
        answers.append(_answer(name, check, bundle))
    progress("done", len(chosen), len(chosen))
    sound = any(a.name == "vectors" and a.answer is Answer.PASSED for a in answers)
    measured = None if board is None else board.measured
    if not sound:
        return VerifyReport(tuple(answers), on_board=measured)
    return VerifyReport(tuple(answers), bundle.visited, bundle.origins, measured)


def _answer(name: str, check: Callable[[Bundle], str], bundle: Bundle) -> Check:
    try:
        return Check(name, Answer.PASSED, check(bundle))
    except Failed as failed:
        return Check(name, Answer.FAILED, str(failed))
    except NotEnoughEvidence as missing:
        return Check(name, Answer.UNPROVEN, str(missing))
    except Stated as stated:
        return Check(name, Answer.STATED, str(stated))
    except FormatError as error:
        return Check(name, Answer.UNPROVEN, f"could not be made: {error}")
    except InnageError as error:
        return Check(name, Answer.FAILED, f"could not be made: {error}")


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
