"""Copies of a whole store: one file, made while others go on working, and proved to hold what the store held.

Content is compared by a hash over every row of every table in the order of its primary key: SQLite is free to
lay the same rows out on other pages.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from dataset.errors import InputError, StoreError
from dataset.files.disk import sync_folder
from dataset.store.database import HISTORY, TIMEOUT_S, no_such_file, revision_of, translated
from dataset.store.reachable import connect

_PIECE = 1 << 20
_BESIDE = ("-wal", "-shm")  # what SQLite keeps beside a store


@dataclass(frozen=True)
class Backup:
    """A copy that was made: the SHA-256 of its bytes, that of its content, its revision of the schema and its
    size in bytes.
    """

    path: Path
    sha256: str
    content_sha256: str
    revision: str
    size: int


def backup(path: Path, target: Path, *, timeout_s: float = TIMEOUT_S) -> Backup:
    """Copy the store at ``path`` to the new file ``target``, whole or not at all; what is written to the
    store meanwhile is not in it.

    Raises:
        InputError: ``target`` is there already, or cannot be written.
        StoreError: there is no store, it is damaged or busy, or the copy does not hold the same content.
    """
    path, target = path.absolute(), target.absolute()
    if target.exists() or target.is_symlink():
        raise InputError(
            str(target), "is there already", "a new file", "name another; a backup is never overwritten"
        )
    if not path.exists():
        raise no_such_file(path)
    revision = revision_of(path, timeout_s, HISTORY)
    with _aside(target) as draft:
        with (
            translated(path, timeout_s),
            closing(connect(path, timeout_s)) as source,
        ):
            source.execute("BEGIN")  # the copy and the hash see one and the same state
            kept = content_sha256(source)
            _copy(source, draft, target)
            source.execute("ROLLBACK")
        _compare(draft, kept, target)
        draft.chmod(_mode(path))
        draft.replace(target)
        sync_folder(target.parent)
    return Backup(target, file_sha256(target), kept, revision, target.stat().st_size)


def restore(
    copy: Path, path: Path, sha256: str, *, replace: bool = False, timeout_s: float = TIMEOUT_S
) -> Path | None:
    """Put the backup ``copy`` in the place of the store at ``path``, whole or not at all.

    Args:
        copy: a file that :func:`backup` made; it is only read.
        path: where the store is to be.
        sha256: the hash of the copy's bytes, as it was made.
        replace: a store that is there is set aside; without it, it is refused.
        timeout_s: how long to wait while another process writes to the store that is there.

    Returns:
        Where the store that was there is now; None when there was none.

    Raises:
        InputError: the copy's bytes hash to something else, or a store is there and not to be replaced.
        StoreError: the copy is no store, or the store that is there is busy.
    """
    copy, path = copy.absolute(), path.absolute()
    if path.is_symlink():
        path = path.resolve()  # the store itself: in the link's place there would be two of them
    actual = file_sha256(copy)
    if actual != sha256.strip().lower():
        raise InputError(
            str(copy),
            f"its bytes hash to {actual}",
            sha256,
            "the file was changed or not copied to its end; take another copy",
        )
    revision_of(copy, timeout_s, HISTORY, lambda: _immutable(copy))
    if (path.exists() or path.is_symlink()) and not replace:
        raise InputError(
            str(path),
            "is there already",
            "no store in the way",
            "say replace=True to set it aside, or name another with store_path",
            fields=("replace=True", "store_path"),
        )
    with _aside(path) as draft:
        with translated(copy, timeout_s), closing(_immutable(copy)) as source:
            kept = content_sha256(source)
            _copy(source, draft, path)
        _compare(draft, kept, path)
        try:
            draft.chmod(_mode(path if path.exists() else copy))
            before = _put(draft, path, timeout_s)
            sync_folder(path.parent)
        except OSError as error:
            raise InputError(
                str(path), f"cannot be written ({error.strerror})", "a folder that may be written to"
            ) from error
    return before


def content_sha256(connection: sqlite3.Connection) -> str:
    """SHA-256 over the schema and every row of every table, by table name and primary key; bytes, texts and
    numbers told apart.
    """
    total = hashlib.sha256()
    for kind, name, sql in connection.execute(
        "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%' ORDER BY type, name"
    ):
        total.update(repr((kind, name, sql)).encode())
    for (table,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
    ).fetchall():
        keys = [
            name for _, name, _, _, _, place in connection.execute(f'PRAGMA table_info("{table}")') if place
        ]
        order = ", ".join(f'"{name}"' for name in keys) or "rowid"
        for row in connection.execute(f'SELECT * FROM "{table}" ORDER BY {order}'):  # noqa: S608 - names from the schema itself
            total.update(repr((table, row)).encode())
    return total.hexdigest()


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, a piece at a time."""
    total = hashlib.sha256()
    try:
        if path.exists() and not path.is_file():
            raise InputError(str(path), "is no plain file", "a backup")
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                total.update(piece)
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "a backup") from error
    return total.hexdigest()


@contextmanager
def _aside(target: Path) -> Iterator[Path]:
    """A new file's path in a folder of its own beside ``target``, which goes away again."""
    try:
        folder = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    except FileNotFoundError as error:
        raise InputError(
            str(target), f"there is no folder {target.parent}", "a folder that is there", "make it first"
        ) from error
    except OSError as error:
        raise InputError(
            str(target), f"cannot be written ({error.strerror})", "a folder that may be written to"
        ) from error
    try:
        yield folder / "made.db"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _mode(path: Path) -> int:
    """Who may read and write a file: what nobody else may read, nobody may read a copy of."""
    return stat.S_IMODE(path.stat().st_mode) & 0o777


def _copy(source: sqlite3.Connection, draft: Path, target: Path) -> None:
    """Copy through SQLite's backup interface, into one file with nothing kept beside it, down to the disk."""
    try:
        with closing(sqlite3.connect(draft, isolation_level=None)) as connection:
            source.backup(connection)
            connection.execute("PRAGMA journal_mode=DELETE")
        with draft.open("rb+") as file:
            os.fsync(file.fileno())
    except (sqlite3.OperationalError, OSError) as error:
        if "malformed" in str(error):
            raise
        raise InputError(
            str(target), f"cannot be written ({error})", "a folder with room, that may be written to"
        ) from error


def _compare(draft: Path, kept: str, target: Path) -> None:
    with closing(_immutable(draft)) as connection:
        copied = content_sha256(connection)
    if copied != kept:
        raise StoreError(
            str(target),
            f"the copy's content hashes to {copied[:12]}",
            kept[:12],
            "the disk may be failing; nothing was kept",
        )


def _immutable(path: Path) -> sqlite3.Connection:
    """A connection that leaves nothing beside the file, and changes nothing in it."""
    return sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True, isolation_level=None)


def _put(draft: Path, path: Path, timeout_s: float) -> Path | None:
    """Move ``made`` to ``path``; a store that is there keeps its content under the new name that is returned.

    At no moment is there no store at ``path``, where another process would begin an empty one.
    """
    if not path.exists():
        for end in _BESIDE:  # of a store that was removed by hand: SQLite would write it into the new one
            path.with_name(path.name + end).unlink(missing_ok=True)
        draft.replace(path)
        return None
    number = 1
    while (kept := path.with_name(f"{path.name}.before-restore{number}")).exists():
        number += 1
    with closing(sqlite3.connect(path, timeout=timeout_s, isolation_level=None)) as connection:
        try:
            connection.execute("PRAGMA journal_mode=DELETE")  # writes what waits beside the store into it
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.DatabaseError as error:
            if "locked" in str(error) or "busy" in str(error):
                raise StoreError(
                    str(path),
                    f"another process was using it for more than {timeout_s:g} s",
                    "",
                    "nothing was changed; try again when the other process is done",
                ) from error
            # damaged beyond that: it is kept as it is
        os.link(path, kept)
        for end in _BESIDE:
            beside = path.with_name(path.name + end)
            if beside.exists():
                beside.rename(kept.with_name(kept.name + end))
        draft.replace(path)
    return kept
