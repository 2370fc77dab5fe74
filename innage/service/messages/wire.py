"""What both ends of the line agree on: the version of the protocol, its limits, and the form of what travels.

A client of one minor version works with a server of another; of another major version with none. Documents
travel as texts, since their hashes are those of their bytes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from datetime import date
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema

from dataset.errors import InputError, quoted
from dataset.exchange.objects import KINDS, Offered
from innage.jobs.sessions.finding import SessionFilter

PROTOCOL = (1, 1)
JUDGES = (1, 1)  # what judges groups before they are sent, by 'POST /v1/groups/judged'
MOST_NAMED = 1000  # objects in one request
MOST_GROUPS = 100  # in one request
MOST_BLOB = 8 << 20  # bytes
MOST_GROUP = 16 << 20  # bytes of a request with documents
MOST_BUNDLE = 16 << 20  # bytes of a bundle's zip file
MOST_OTHER = 1 << 20  # bytes of any other request
MOST_LISTED = 5000  # objects in one page
_VERSION = re.compile(r"([0-9]{1,4})\.([0-9]{1,4})")


def _known(kind: str) -> str:
    if kind not in KINDS:
        raise ValueError("expected one of " + ", ".join(KINDS))
    return kind


Hash = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$", min_length=64, max_length=64)]
Kind = Annotated[str, AfterValidator(_known), WithJsonSchema({"type": "string", "enum": list(KINDS)})]
Word = Annotated[str, StringConstraints(max_length=200)]
Words = Annotated[list[Word], Field(max_length=100)]


class Message(BaseModel):
    """What travels as JSON: of this form and no other."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Answer(BaseModel):
    """What a server answers as JSON; one of a later version may say more."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)


class Limits(Answer):
    """What a server takes at most.

    Attributes:
        objects: named in one request.
        blob_bytes: of one blob.
        group_bytes: of one request with documents.
        staged_hours: how long a blob waits for the document that names it.
    """

    objects: int = MOST_NAMED
    blob_bytes: int = MOST_BLOB
    group_bytes: int = MOST_GROUP
    staged_hours: int = 168


class Protocol(Answer):
    """What a server says of itself.

    Attributes:
        protocol: its version, MAJOR.MINOR.
        innage: the version of the program.
        store: the identity of the store's own bench.
        limits: what it takes at most.
    """

    protocol: str
    innage: str
    store: str
    limits: Limits


def check_protocol(where: str, version: str) -> None:
    """InputError for a server of another major version, or for what is no version."""
    match = _VERSION.fullmatch(version)
    if match is None:
        raise InputError(where, f"speaks {quoted(version)}", "the protocol of a store of innage")
    if int(match[1]) != PROTOCOL[0]:
        raise InputError(
            where,
            f"speaks version {version} of the protocol",
            f"version {PROTOCOL[0]}",
            "install the innage that the server has, or ask for the server to be upgraded",
        )


def is_at_least(version: str, wanted: tuple[int, int]) -> bool:
    """Whether a version of the protocol that was checked has what came with another."""
    match = _VERSION.fullmatch(version)
    return match is not None and (int(match[1]), int(match[2])) >= wanted


class Named(Message):
    """An object: its kind, and the hash that it is kept under."""

    kind: Kind
    key: Hash

    @property
    def offered(self) -> Offered:
        """As stores know it."""
        return Offered(self.kind, self.key)


class Asked(Message):
    """Objects that are asked about."""

    objects: list[Named] = Field(max_length=MOST_NAMED)


class Listed(Answer):
    """Objects, in order of reference."""

    objects: list[Named]


class BlobsAsked(Message):
    """Blobs that are asked about, by their hashes."""

    blobs: list[Hash] = Field(max_length=MOST_NAMED)


class BlobsListed(Answer):
    """Blobs, in order."""

    blobs: list[Hash]


class SentObject(Message):
    """An object on its way.

    Attributes:
        document: its document, as canonical JSON.
        blobs: what travels beside it, by hashes, in order: the packs of a session's frames, the pieces of a
            model's float ONNX.
        hashed_by_upgrade: the hash of its record was made when a store was upgraded.
    """

    document: str
    blobs: list[Hash] = Field(default=[], max_length=MOST_NAMED)
    hashed_by_upgrade: bool = False


class Group(Message):
    """Objects that are sent together, in order of reference."""

    objects: list[SentObject] = Field(min_length=1, max_length=MOST_NAMED)


class Groups(Message):
    """Groups that are taken one after the other, each by itself."""

    groups: list[Group] = Field(min_length=1, max_length=MOST_GROUPS)


class Documents(Answer):
    """Objects without their blobs; those that were asked for and are not among them did not fit."""

    objects: list[SentObject]


class Counted(Answer):
    """How many objects of a kind came in, and how many were there."""

    kind: Kind
    new: int
    known: int


class HeldBack(Answer):
    """An object that was not taken, and the parts of the error that says why."""

    kind: Kind
    key: Hash
    where: str
    found: str
    expected: str
    hint: str
    fields: list[str]


class Acknowledged(Answer):
    """An object that the store has.

    Attributes:
        kind: its kind.
        key: the hash that it is kept under.
        digest: the SHA-256 of the document that was sent.
        audit_number: the place of its row in the audit chain; None where it came in before one was kept.
        audit_sha256: the hash of that row.
    """

    kind: Kind
    key: Hash
    digest: Hash
    audit_number: int | None = None
    audit_sha256: Hash | None = None


class Taken(Answer):
    """What was done with a group.

    Attributes:
        received: when, by the server's clock, UTC.
        taken: by kind, what came in and what was there.
        held: what was not taken.
        remarks: sentences on what a reader must know.
        acknowledged: what of the group the store has now.
    """

    received: str
    taken: list[Counted]
    held: list[HeldBack]
    remarks: list[str]
    acknowledged: list[Acknowledged]


class GroupOutcome(Answer):
    """What became of a group: it was taken, or a problem."""

    taken: Taken | None = None
    problem: dict[str, Any] | None = None


class GroupsTaken(Answer):
    """What became of each group, in their order."""

    groups: list[GroupOutcome]


class Filter(Message):
    """Which sessions; as :class:`innage.jobs.sessions.finding.SessionFilter`."""

    unit: Words = []
    tank: Words = []
    liquid: Words = []
    condition: Words = []
    tag: Words = []
    operator: Words = []
    bench: Words = []
    since: date | None = Field(default=None, strict=False)
    until: date | None = Field(default=None, strict=False)
    warning: Word | None = None
    void: bool | None = None
    simulated: bool | None = None

    @property
    def filter(self) -> SessionFilter:
        """As lists know it."""
        given: dict[str, Any] = {name: getattr(self, name) for name in type(self).model_fields}
        lists = {name: tuple(value) for name, value in given.items() if isinstance(value, list)}
        return SessionFilter(**given | lists)


def filter_of(wanted: SessionFilter) -> Filter:
    """A filter as it travels."""
    given: dict[str, Any] = {name: getattr(wanted, name) for name in Filter.model_fields}
    tuples = {name: list(value) for name, value in given.items() if isinstance(value, tuple)}
    return Filter(**given | tuples)


def named(objects: Iterable[Offered]) -> list[Named]:
    """Objects as they travel; they are known to be of this form."""
    return [Named.model_construct(kind=one.kind, key=one.key) for one in objects]


def dashed(kind: str) -> str:
    """A kind as it stands in a path."""
    return kind.replace(" ", "-")


def read_problem(body: bytes) -> dict[str, Any]:
    """The members of a problem document; ValueError for what is none."""
    try:
        members = json.loads(body)
    except RecursionError as error:
        raise ValueError("too deep") from error
    if not isinstance(members, dict):
        raise ValueError("no object")
    return members
