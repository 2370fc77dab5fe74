"""Objects as documents: what one store can hand to another, in canonical JSON.

Each object has a *name*, the hash that others refer to it by, and a *document*, which says all of it. What
was released with a hash keeps that for its name; a registry entry is named by what it is, without a note
where stores may note different things about one entry. The hash of a document changes with any of its fields,
its name only with those that make it what it is. Numbers that a store counts itself, such as revisions, are
in neither.

What refers to another object does so by that object's name, so that documents are read in order of reference:
``known`` then holds what was read. Frames and bytes travel beside documents, which hold their hashes.
"""

from dataset.documents.captured import (
    amendment_document,
    amendment_from_document,
    event_document,
    mark_revision_document,
    mark_revision_from,
    retirement_document,
    session_document,
    session_from,
    unit_event_document,
)
from dataset.documents.records import Document, document_from, document_of, name_of, record_of
from dataset.documents.results import (
    bundle_document,
    check_frozen,
    frozen_document,
    model_document,
    model_from,
    opening_document,
    sign_off_document,
    sign_off_from,
    status_document,
)

__all__ = [
    "Document",
    "amendment_document",
    "amendment_from_document",
    "bundle_document",
    "check_frozen",
    "document_from",
    "document_of",
    "event_document",
    "frozen_document",
    "mark_revision_document",
    "mark_revision_from",
    "model_document",
    "model_from",
    "name_of",
    "opening_document",
    "record_of",
    "retirement_document",
    "session_document",
    "session_from",
    "sign_off_document",
    "sign_off_from",
    "status_document",
    "unit_event_document",
]
