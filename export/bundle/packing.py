"""A bundle as one file: a zip archive with the same bytes for the same bundle, and archives from elsewhere
read with care.

Files are stored, not compressed: what a compressor makes of them differs between versions of its library, and
the archive's hash is one that ``trace`` knows. Reading accepts compressed archives too.
"""

from __future__ import annotations

import io
import re
import stat
import zipfile
import zlib
from collections.abc import Mapping

from dataset.errors import InputError
from export.bundle.manifest import MANIFEST

MAX_FILE = 64_000_000  # bytes; far above any file of a bundle
_MAX_FILES, _MAX_ALL = 64, 2 * MAX_FILE
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest time a zip archive can state
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}")
_EXPECTED = "an archive as 'innage export --zip' writes it"
_REGULAR, _UNIX, _MODE = stat.S_IFREG | 0o644, 3, 16


def pack(files: Mapping[str, bytes]) -> bytes:
    """The archive of ``files``, sorted by name, with one fixed time and mode."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(files):
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.create_system, entry.external_attr = _UNIX, _REGULAR << _MODE
            archive.writestr(entry, files[name])
    return packed.getvalue()


def unpack(content: bytes, where: str) -> dict[str, bytes]:
    """The files of an archive by name, nothing written anywhere.

    Raises InputError for what is no archive or damaged, for names that are not plain file names, for entries
    that stand twice, are folders, links or encrypted, for more or larger files than a bundle can have, and
    when there is no manifest.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
            _check(entries, where)
            files = {entry.filename: _read(archive, entry, where) for entry in entries}
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        ValueError,
        OverflowError,
    ) as error:
        raise InputError(where, f"cannot be unpacked ({error})", _EXPECTED) from error
    if MANIFEST not in files:
        raise InputError(where, f"holds no {MANIFEST}", _EXPECTED)
    return files


def _check(entries: list[zipfile.ZipInfo], where: str) -> None:
    if len(entries) > _MAX_FILES:
        raise InputError(where, f"{len(entries)} entries", f"at most {_MAX_FILES}")
    names = set[str]()
    for entry in entries:
        name, kind = entry.filename, stat.S_IFMT(entry.external_attr >> _MODE)
        if not _NAME.fullmatch(name):
            raise InputError(
                where,
                f"an entry named {name[:80]!r}",
                "plain file names",
                "an archive may not reach outside its own folder",
            )
        if name in names:
            raise InputError(f"{where}, {name}", "stands in it twice", "each file once")
        if kind not in (0, stat.S_IFREG):
            raise InputError(f"{where}, {name}", "is no plain file", "nothing but the files of a bundle")
        if entry.flag_bits & 1:
            raise InputError(f"{where}, {name}", "is encrypted", _EXPECTED)
        names.add(name)
    whole = sum(entry.file_size for entry in entries)
    if whole > _MAX_ALL:
        raise InputError(where, f"{whole} bytes when unpacked", f"at most {_MAX_ALL}")


def _read(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, where: str) -> bytes:
    """What an entry holds; the size it states is not believed."""
    most = min(entry.file_size, MAX_FILE)
    with archive.open(entry) as stream:
        content = stream.read(most + 1)
    if len(content) > most or entry.file_size > MAX_FILE:
        raise InputError(
            f"{where}, {entry.filename}",
            f"more than {most} bytes",
            "the size that the archive states, and no more than a bundle's file has",
        )
    return content
