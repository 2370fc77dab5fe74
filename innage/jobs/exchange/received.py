"""Objects that came over a line: documents, and blobs by their hashes, as parcels that a store can take."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial

from dataset.documents import Document
from dataset.errors import InputError
from dataset.exchange.objects import KINDS, Offered, Parcel
from dataset.exchange.reading import as_written, read_document, shape_of
from dataset.records import ID_DIGITS
from dataset.store.exchange.packs import MOST_BYTES, from_packs
from innage.jobs.exchange.peer import Sent

MOST_DEPTH = 32  # of a document; those of innage go to 8
WITH_BLOBS = ("session", "model")
_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*+"', re.DOTALL)
_BRACKET = re.compile(r"[\[\]{}]")
Blob = Callable[[Offered, str], bytes]


def read_sent(where: str, sent: Sent) -> Document:
    """The document of an object on its way.

    Raises:
        InputError: another form than innage writes, a kind that there is not, or too deep.
    """
    if _deeper(sent.document, MOST_DEPTH):
        raise InputError(where, f"is nested deeper than {MOST_DEPTH}", "a document of innage's")
    try:
        document = read_document(where, sent.document)
    except InputError as error:
        raise InputError(where, error.found, error.expected, error.hint) from error
    if document.kind not in KINDS:
        raise InputError(where, f"is a {document.kind[:40]!r}", "one of " + ", ".join(KINDS))
    with as_written(where):
        Parcel(document).offered  # noqa: B018 - its key must be found
    return document


def parcel_of(document: Document, sent: Sent, blob: Callable[[str], bytes], most_bytes: int) -> Parcel:
    """An object whole.

    Args:
        document: its document.
        sent: how it was sent.
        blob: gives a blob, which has its hash.
        most_bytes: what travels beside it takes unpacked at most.

    Raises:
        InputError: blobs that make no frames, or other ones, or too many.
    """
    where = f"{document.kind} {document.name[:ID_DIGITS]}"
    if not sent.blobs or document.kind not in WITH_BLOBS:
        return Parcel(document, hashed_by_upgrade=sent.hashed_by_upgrade)
    if document.kind == "model":
        content = b"".join(_pieces(where, sent.blobs, blob, most_bytes))
        return Parcel(document, content=content, hashed_by_upgrade=sent.hashed_by_upgrade)
    _check_size(where, _frames_bytes(document), most_bytes)
    frames = from_packs(document, _pieces(where, sent.blobs, blob, most_bytes))
    return Parcel(document, frames, hashed_by_upgrade=sent.hashed_by_upgrade)


def _pieces(where: str, names: Sequence[str], blob: Callable[[str], bytes], most: int) -> Iterator[bytes]:
    """The blobs of an object, in order; one that is named again and again counts each time."""
    size = 0
    for name in names:
        piece = blob(name)
        size += len(piece)
        _check_size(where, size, most)
        yield piece


def _frames_bytes(document: Document) -> int:
    """How many bytes the frames of a session take; InputError where its document does not say it."""
    with as_written(f"session {document.name[:ID_DIGITS]}"):
        rows, channels, _ = shape_of(document)
    return rows * (16 + 4 * channels)


def _check_size(where: str, size: int, most: int) -> None:
    if size > most:
        raise InputError(where, f"{size >> 20} MiB", f"at most {most >> 20} MiB in one object")


def _deeper(text: str, most: int) -> bool:
    """Whether JSON is nested deeper than that, found without reading it, as deep as it may be."""
    if text.count("[") + text.count("{") <= most:
        return False
    depth = 0
    for bracket in _BRACKET.findall(_QUOTED.sub("", text)):
        depth += 1 if bracket in "[{" else -1
        if depth > most:
            return True
    return False


class Received:
    """Objects that arrived, as a :class:`dataset.exchange.objects.Source`; frames are unpacked when they are
    asked for.
    """

    def __init__(
        self, name: str, objects: Sequence[tuple[Document, Sent]], blob: Blob, most_bytes: int
    ) -> None:
        self._name, self._blob, self._most_bytes = name, blob, most_bytes
        place = {kind: at for at, kind in enumerate(KINDS)}
        ordered = sorted(objects, key=lambda one: place[one[0].kind])
        self._objects: Mapping[Offered, tuple[Document, Sent]] = {
            Parcel(document).offered: (document, sent) for document, sent in ordered
        }

    @property
    def name(self) -> str:
        """What sentences call it."""
        return self._name

    def objects(self) -> Sequence[Offered]:
        """What arrived, in order of reference."""
        return tuple(self._objects)

    def blobs(self, one: Offered) -> tuple[str, ...]:
        """The names of an object's blobs."""
        return self._objects[one][1].blobs

    def unpacked_bytes(self, one: Offered) -> int:
        """How many bytes what travels beside an object takes unpacked, as its document says, roughly.

        Raises:
            InputError: a session's document that says nothing of the kind.
        """
        document, sent = self._objects[one]
        if document.kind == "session":
            return _frames_bytes(document)
        return len(sent.blobs) * MOST_BYTES

    def check_size(self, one: Offered) -> None:
        """InputError for a session whose document says that its frames are more than is taken."""
        document, _ = self._objects[one]
        if document.kind == "session":
            _check_size(f"session {document.name[:ID_DIGITS]}", _frames_bytes(document), self._most_bytes)

    def parcel(self, one: Offered, *, with_blobs: bool) -> Parcel:
        """An object, whole or as its document alone."""
        document, sent = self._objects[one]
        given = sent if with_blobs else replace(sent, blobs=())
        return parcel_of(document, given, partial(self._blob, one), self._most_bytes)

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        """The wanted objects, whole."""
        for one in self._objects:
            if one in wanted:
                yield self.parcel(one, with_blobs=True)
