"""Objects on their way from one store to another: what there is of them, in which order, and what travels.

Merging, pushing and pulling are one exchange: the side that gives says what it has, the side that takes says
what of it it lacks, and is given that, in order of reference. A store gives and takes; so can anything else
that keeps to :class:`Source`, such as a folder of open files or a connection.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from dataset.canonical_text import sha256
from dataset.documents import Document
from dataset.records import Recording

# what an object refers to is of a kind before its own, or of its own kind and came earlier
KINDS = (
    "bench",
    "operator",
    "unit",
    "tank",
    "liquid",
    "sensor",
    "mounting",
    "instrument",
    "check standard",
    "check measurement",
    "budget",
    "mapping",
    "limits",
    "sign-off",
    "retirement",
    "session",
    "void",
    "tag",
    "amendment",
    "mark revision",
    "trim",
    "unit assignment",
    "unit union",
    "frozen set",
    "opening",
    "model",
    "status",
    "bundle",
    "board measurement",
)
REGISTRY = frozenset(KINDS[: KINDS.index("retirement")])
_CALLED = frozenset({"frozen set", "model", "bundle"})  # one content may stand under several names


class Offered(NamedTuple):
    """What is said of an object before anybody asks for it: its kind, and the hash that it is kept under."""

    kind: str
    key: str


@dataclass(frozen=True)
class Parcel:
    """An object whole: its document and what travels beside that, the ``frames`` of a session and the float
    ONNX of a model as ``content``.

    ``hashed_by_upgrade`` says that the hash of its record was made when a store was upgraded to hold hashes:
    it proves only what stood there then, wherever it goes.
    """

    document: Document
    frames: Recording | None = None
    content: bytes | None = None
    hashed_by_upgrade: bool = False

    @property
    def offered(self) -> Offered:
        """How it is offered."""
        return Offered(self.document.kind, key_of(self.document))


class Source(Protocol):
    """What objects can be had from."""

    @property
    def name(self) -> str:
        """What sentences call it."""
        ...

    def objects(self) -> Sequence[Offered]:
        """Everything that it has, in order of reference."""
        ...

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        """Those of its objects that are ``wanted``, in order of reference."""
        ...


def key_of(document: Document) -> str:
    """The hash that an object is kept under, 64 hexadecimal digits: the name of its document, with what it is
    called where one content may stand under several names.
    """
    if document.kind not in _CALLED:
        return document.name
    called = document.facts["name"] if document.kind == "frozen set" else document.facts["called"]
    return called_key(document.kind, document.name, called)


def called_key(kind: str, name: str, called: str) -> str:
    """The key of a frozen set, model or bundle by its hash and what it, or its model, is called."""
    return sha256({"kind": kind, "name": name, "called": called})
