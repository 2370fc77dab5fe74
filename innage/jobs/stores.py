"""Keeping a store: checked, copied, put back, merged, written as text and read again."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError, StoreError
from dataset.files.disk import text_at_most
from dataset.files.scratch import scratch_folder
from dataset.store.places import Address, Place
from innage.jobs import Progress, silent
from innage.outputs import write_file

if TYPE_CHECKING:
    from dataset.store import Store
    from dataset.store.whole.backup import Backup
    from dataset.store.whole.integrity import IntegrityReport
    from dataset.store.whole.texts import TextReport

_MARKS = re.compile(r"[0-9a-f]{12}\.csv")
_MOST_BYTES = 200_000_000  # of one file of text


def check(path: Place, *, fill_up: Path | None = None, progress: Progress = silent) -> IntegrityReport:
    """Check every page, reference and hash of the store at ``path``.

    Args:
        path: the store.
        fill_up: of a file that was cut short: first write a copy here, zeros at its end, from which what is
            left can be read.
        progress: told how far it is.

    Raises:
        InputError: ``fill_up`` of a file that is whole, or over something that is there.
        StoreError: there is no such file, or it is no store.
    """
    from dataset.store.whole.integrity import check_store

    if fill_up is not None:
        _fill_up(_file(path, "the server looks after its own files"), fill_up)
    return check_store(path, digest_of=program_digest, progress=progress)


def _fill_up(path: Path, copy: Path) -> None:
    from dataset.store.whole.integrity import cut_short
    from dataset.store.whole.integrity import fill_up as write_copy

    missing = cut_short(path)
    if not missing or copy.exists():
        raise InputError(
            "fill_up",
            "the store is as long as it says" if not missing else f"{copy} is there already",
            "a store that was cut short, a new file",
            fields=("fill_up",),
        )
    try:
        write_copy(path, copy)
    except OSError as error:
        raise InputError(
            str(copy), f"cannot be written ({error.strerror})", "a folder that may be written to"
        ) from error


def program_digest(text: str) -> str:
    """The digest of a stored program."""
    from training.program import digest, from_json

    return digest(from_json(text))


def _file(place: Place, instead: str, *fields: str) -> Path:
    """The file that a store lies in; InputError where it is on a server, and what to do there."""
    if isinstance(place, Address):
        raise InputError(str(place), "is on a server", "a store in a file", instead, fields=fields)
    return place


def back_up(path: Place, out: Path) -> Backup:
    """Copy the whole store at ``path`` to the new file ``out``, and its hash to ``out``.sha256.

    Raises:
        InputError: one of the two is there already, or cannot be written.
        StoreError: there is no store, or it is damaged or busy.
    """
    from dataset.store.whole.backup import backup

    file = _file(path, "back it up with the server's own pg_dump --format=custom")
    beside = hash_file(out)
    if beside.exists():
        raise InputError(
            str(beside), "is there already", "a new file", "name another; a backup is never overwritten"
        )
    copied = backup(file, out)
    try:
        write_file(beside, f"{copied.sha256}  {out.name}\n".encode())
    except InputError:
        out.unlink()  # without its hash it is no backup
        raise
    return copied


@dataclass(frozen=True)
class Restored:
    """A backup that is in its place: its hash, and where the store that was there lies now."""

    sha256: str
    before: Path | None


def restore(copy: Path, path: Place, *, sha256: str | None = None, replace: bool = False) -> Restored:
    """Put a backup in the place of the store at ``path``, once everything in it is checked.

    Args:
        copy: the backup.
        path: where the store is to lie.
        sha256: the backup's hash; None means that in ``copy``.sha256.
        replace: set a store that is there aside, under a new name.

    Raises:
        InputError: another hash, or a store that is there. StoreError: something in the backup is damaged.
    """
    from dataset.store.whole.backup import restore as put_back
    from dataset.store.whole.integrity import check_store

    hint = "put it back with the server's own pg_restore, then look it over with integrity.check"
    file = _file(path, hint, "integrity.check")
    expected = sha256 or _read_hash(copy)
    with scratch_folder() as folder:
        trial = folder / "trial.db"
        put_back(copy, trial, expected)
        faults = check_store(trial, digest_of=program_digest).faults
    if faults:
        raise StoreError(
            str(trial),
            f"{faults[0].what}: {faults[0].sentence}",
            "a store as it was written",
            "see integrity.check",
            fields=("integrity.check",),
        )
    return Restored(expected, put_back(copy, file, expected, replace=replace))


def hash_file(copy: Path) -> Path:
    """Where the hash of a backup lies."""
    return copy.with_name(f"{copy.name}.sha256")


def _read_hash(copy: Path) -> str:
    beside = hash_file(copy)
    try:
        words = text_at_most(beside)[:200].split()
    except (OSError, UnicodeDecodeError) as error:
        raise _no_hash(beside, "cannot be read") from error
    if not words:
        raise _no_hash(beside, "is empty")
    return words[0]


def _no_hash(beside: Path, what: str) -> InputError:
    return InputError(
        str(beside),
        what,
        "the hash that a backup has beside it",
        "give it with sha256",
        fields=("sha256",),
    )


def write_text(store: Store, folder: Path) -> int:
    """Write registry, limits, mappings and marks as text into ``folder``, made when missing; files that are
    not of a store's text stay. Gives how many files there are.
    """
    files = store.to_text()
    for name, text in files.items():
        write_file(folder / name, text.encode())
    for path in _mark_files(folder):
        if f"marks/{path.name}" not in files:
            path.unlink()  # a session that an earlier store had
    return len(files)


def read_text(store: Store, folder: Path) -> TextReport:
    """Bring in what the text in ``folder`` holds and the store has not: all of it or nothing.

    Raises:
        InputError: no text of a store, or a file that cannot be used.
    """
    return store.from_text(_read_folder(folder))


def _read_folder(folder: Path) -> dict[str, str]:
    """The text of a store in a folder, by path; InputError when it is none, or a file cannot be read."""
    from dataset.text.events import AMENDMENTS, RETIREMENTS, UNIONS
    from dataset.text.write import REGISTRY, REVISIONS

    paths = [
        path
        for name in (*(f"{kind}.toml" for kind in REGISTRY), REVISIONS, AMENDMENTS, RETIREMENTS, UNIONS)
        if (path := folder / name).exists()
    ]
    if not paths:
        raise InputError(
            str(folder), "holds no text of a store", "a folder that the text of a store was written to"
        )
    files: dict[str, str] = {}
    for path in paths + _mark_files(folder):
        try:
            if path.is_symlink() or not path.is_file() or path.stat().st_size > _MOST_BYTES:
                raise InputError(
                    str(path), "is no plain file, or too long", f"text of at most {_MOST_BYTES} bytes"
                )
            files[path.relative_to(folder).as_posix()] = path.read_bytes().decode("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(str(path), "cannot be read", "text in UTF-8") from error
    return files


def _mark_files(folder: Path) -> list[Path]:
    marks = folder / "marks"
    return sorted(path for path in marks.iterdir() if _MARKS.fullmatch(path.name)) if marks.is_dir() else []
