"""What both ends of the line agree on: the version of the protocol, its limits, and the form of what travels.

A client of one minor version works with a server of another; of another major version with none.
"""

from __future__ import annotations

import re

from pydantic import BaseModel, ConfigDict

from dataset.errors import InputError, quoted

PROTOCOL = (1, 0)
MOST_NAMED = 1000  # objects in one request
MOST_BLOB = 8 << 20  # bytes
MOST_GROUP = 16 << 20  # bytes of a request with documents
MOST_OTHER = 1 << 20  # bytes of any other request
_VERSION = re.compile(r"([0-9]{1,4})\.([0-9]{1,4})")


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
