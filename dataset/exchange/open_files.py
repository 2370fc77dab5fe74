"""A store as a folder of open files: documents as JSON, frames as Parquet, models as ONNX, and an index with
the hash of every file.

    index.json                       what there is, in order of reference; index.json.sha256 has its hash
    documents/KIND/KEY.json          an object's document, canonical JSON
    frames/KEY.parquet               the frames of a session
    models/KEY.onnx                  the float ONNX of a model
    models/KEY.program.json          its program, as its document has it too

The index has no path that is not made from a kind and a key, so that nothing in it leads out of the folder.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from dataset.errors import InputError, quoted
from dataset.exchange.frames_table import from_parquet, to_parquet
from dataset.exchange.objects import KINDS, Offered, Parcel, Source
from dataset.exchange.reading import as_written, read_document, shape_of
from dataset.files.disk import read_at_most

FORMAT = 1
INDEX, HASH = "index.json", "index.json.sha256"
MOST_HASH = 4096  # bytes
MOST_DOCUMENT = 64 << 20  # bytes; the largest hold the program of a model
MOST_BESIDE = 1 << 30  # of the frames of a session, of a model
_FACTS = {"kind", "key", "files", "hashed_by_upgrade"}  # of an object in the index
_KEY = re.compile(r"[0-9a-f]{64}")


def files_of(source: Source, own_bench: str) -> Iterator[tuple[str, bytes]]:
    """The files of everything that ``source`` has, by their paths in a folder, the index last.

    Args:
        source: what gives the objects.
        own_bench: the identity of the bench that the store is of, for the one that takes its place.
    """
    index: list[dict[str, Any]] = []
    for parcel in source.parcels(source.objects()):
        files = _files(parcel)
        yield from files.items()
        entry = {"kind": parcel.document.kind, "key": parcel.offered.key}
        hashes = {path: hashlib.sha256(content).hexdigest() for path, content in files.items()}
        mark = {"hashed_by_upgrade": True} if parcel.hashed_by_upgrade else {}
        index.append(entry | {"files": hashes} | mark)
    content = {"format": FORMAT, "own_bench": own_bench, "objects": index}
    text = (json.dumps(content, indent=1, sort_keys=True) + "\n").encode()
    yield INDEX, text
    yield HASH, f"{hashlib.sha256(text).hexdigest()}  {INDEX}\n".encode()


def _files(parcel: Parcel) -> dict[str, bytes]:
    """The files of one object, its document first."""
    paths = _paths(*parcel.offered)
    contents = [parcel.document.text.encode()]
    if parcel.frames is not None:
        contents.append(to_parquet(parcel.frames))
    if parcel.content is not None:
        contents += [parcel.content, str(parcel.document.facts["program"]).encode()]
    return dict(zip(paths, contents, strict=True))


def _paths(kind: str, key: str) -> list[str]:
    """Where the files of an object lie."""
    beside = {
        "session": [f"frames/{key}.parquet"],
        "model": [f"models/{key}.onnx", f"models/{key}.program.json"],
    }
    return [f"documents/{kind.replace(' ', '-')}/{key}.json", *beside.get(kind, [])]


class OpenFiles:
    """Such a folder as a :class:`dataset.exchange.objects.Source`.

    Raises:
        InputError: no such folder, or its index cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        with as_written(str(folder / INDEX)):
            kept = self._read(HASH, MOST_HASH).split()[0].decode("ascii")
            content = json.loads(self._checked(INDEX, {INDEX: kept}, MOST_BESIDE).decode("utf-8"))
            if content["format"] != FORMAT:
                raise InputError(
                    str(folder / INDEX), f"format {quoted(content['format'])}", f"format {FORMAT}"
                )
            self._entries = dict(map(self._entry, content["objects"]))
            self.own_bench = str(content["own_bench"])

    @property
    def name(self) -> str:
        """What sentences call it."""
        return self._folder.name

    def objects(self) -> Sequence[Offered]:
        """Everything that the index names."""
        return tuple(self._entries)

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        """The wanted objects, in the order of the index, every file held against its hash there.

        Raises:
            InputError: a file is missing, is another than it was, too long, or cannot be read.
        """
        chosen = frozenset(wanted)
        for one, entry in self._entries.items():
            if one in chosen:
                yield self._parcel(one, entry["files"], entry.get("hashed_by_upgrade", False))

    def _entry(self, entry: Mapping[str, Any]) -> tuple[Offered, Mapping[str, Any]]:
        where = str(self._folder / INDEX)
        one = Offered(entry["kind"], entry["key"])
        if one.kind not in KINDS or not _KEY.fullmatch(one.key):
            raise InputError(where, f"an object {quoted(tuple(one))}", "a kind and 64 hexadecimal digits")
        paths = _paths(*one)
        if sorted(entry["files"]) != sorted(paths):
            other = min(set(entry["files"]) ^ set(paths))
            raise InputError(where, f"{one.kind} {one.key[:12]}, file {quoted(other)}", ", ".join(paths))
        if not all(_KEY.fullmatch(digest) for digest in entry["files"].values()):
            raise InputError(
                where, f"{one.kind} {one.key[:12]} without hashes", "64 hexadecimal digits a file"
            )
        if entry.get("hashed_by_upgrade", True) is not True or not entry.keys() <= _FACTS:
            raise InputError(where, f"{one.kind} {one.key[:12]} with other facts", "kind, key and files")
        return one, entry

    def _parcel(self, one: Offered, hashes: Mapping[str, str], by_upgrade: bool) -> Parcel:
        path, *beside = _paths(*one)
        where = str(self._folder / path)
        with as_written(where):
            document = read_document(where, self._checked(path, hashes, MOST_DOCUMENT).decode("utf-8"))
            parcel = Parcel(document, hashed_by_upgrade=by_upgrade)
            if parcel.offered != one:
                raise InputError(
                    where, f"is {document.kind} {parcel.offered.key[:12]}", f"{one.kind} {one.key[:12]}"
                )
        contents = [self._checked(path, hashes, MOST_BESIDE) for path in beside]
        if one.kind == "session":
            with as_written(where):
                rows, channels, warm = shape_of(document)
            frames = from_parquet(str(self._folder / beside[0]), contents[0], rows, channels, warm)
            return Parcel(document, frames, hashed_by_upgrade=by_upgrade)
        if one.kind == "model":
            if contents[1] != str(document.facts.get("program")).encode():
                raise InputError(str(self._folder / beside[1]), "is another program", "that of the document")
            return Parcel(document, content=contents[0], hashed_by_upgrade=by_upgrade)
        return parcel

    def _checked(self, path: str, hashes: Mapping[str, str], most: int) -> bytes:
        content = self._read(path, most)
        if hashlib.sha256(content).hexdigest() != hashes[path]:
            raise InputError(
                str(self._folder / path),
                "was changed: its hash is another",
                f"{hashes[path][:12]}, as in {HASH if path == INDEX else INDEX}",
            )
        return content

    def _read(self, path: str, most: int) -> bytes:
        file = self._folder / path
        try:
            if file.is_symlink() or (file.exists() and not file.is_file()):
                raise InputError(str(file), "is no plain file", "a file as it was exported")
            if file.exists() and file.stat().st_size > most:
                raise InputError(
                    str(file),
                    f"{file.stat().st_size >> 20} MiB",
                    f"at most {most >> 20} MiB, as exports have",
                )
            return read_at_most(file, most)
        except FileNotFoundError as error:
            hint = (
                "name the folder that an export made" if path == INDEX else "export again, or find the file"
            )
            raise InputError(str(file), "is missing", "a file of the export", hint) from error
        except OSError as error:
            raise InputError(
                str(file), f"cannot be read ({error.strerror})", "a file that can be read"
            ) from error
