"""Frozen sets, models and bundles as documents."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace

from dataset.canonical import frozen_sha256, model_sha256, opening_sha256
from dataset.canonical_text import sha256
from dataset.documents.captured import event_document
from dataset.documents.records import (
    FORMAT,
    Document,
    check_hash,
    document_of,
    exactly,
    expect_kind,
    facts_from,
    name_of,
)
from dataset.errors import InputError
from dataset.records import (
    ID_DIGITS,
    FrozenSet,
    GroupBy,
    Limits,
    Model,
    Role,
    StatusEvent,
)


def frozen_document(frozen: FrozenSet) -> Document:
    """A frozen set: its sessions with their amendments and the revisions of their marks, and what the set
    calls their groups.
    """
    grouped = frozen.group_by in (GroupBy.UNIT, GroupBy.TANK)
    return Document(
        "frozen set",
        frozen.sha256,
        {
            "name": frozen.name,
            "group_by": frozen.group_by.value,
            "roles": {group: role.value for group, role in frozen.roles},
            "sessions": [
                {"session": s.sha256}
                | ({} if s.mark_revision is None else {"mark_revision": s.mark_revision})
                | ({} if s.amendment is None else {"amendment": s.amendment})
                | ({"group": s.tank_group or s.unit.name} if grouped else {})
                for s in frozen.sessions
            ],
            "trims": [trim.sha256 for trim in frozen.trims],
            "seed": frozen.seed,
            "edges_c": [float(edge) for edge in frozen.edges_c],
            "even_if_warned": frozen.even_if_warned,
            "named_by_content": frozen.named_by_content,
        },
    )


def check_frozen(document: Document, frozen: FrozenSet) -> None:
    """InputError unless a set is the one of a document: its hash covers sessions, labels, groups, roles,
    trims and edges.
    """
    where = f"frozen set {document.name[:ID_DIGITS]}"
    actual = frozen_sha256(
        frozen.group_by,
        dict[str, Role](frozen.roles),
        frozen.sessions,
        frozen.trims,
        frozen.edges_c,
        frozen.named_by_content,
    )
    check_hash(where, actual, document.name)
    check_hash(where, frozen_document(frozen).sha256, document.sha256)


def opening_document(
    frozen_set: str, name: str, purpose: str, parents: tuple[str, ...], number: int | None = None
) -> Document:
    """That the prove groups of a set, by its hash, were looked at; ``parents`` are the openings before it."""
    facts = {"frozen_set": frozen_set, "set_name": name, "purpose": purpose, "parents": list(parents)}
    return Document(
        "opening",
        opening_sha256(frozen_set, name, purpose, parents, number),
        facts if number is None else facts | {"number": number},
    )


def model_document(model: Model) -> Document:
    """A model whole. Its name covers everything but what it and its parent are called and the day on which it
    was trained, so that two models of one program are two; the bytes of its float ONNX travel beside it.
    """
    limits = model.limits
    return Document(
        "model",
        model_sha256(model),
        {
            "called": model.name,
            "parent": model.parent,
            "digest": model.sha256,
            "frozen_set": model.frozen.sha256,
            "set_name": model.frozen.name,
            "limits": None if limits is None else {"limits": name_of(limits), "signer": limits.signer},
            **{what: getattr(model, what) for what in ("program", "metrics", "recipe", "versions")},
            "float_onnx": hashlib.sha256(model.float_onnx).hexdigest(),
            "date": model.date,
        },
    )


def model_from(
    document: Document, frozen: FrozenSet, limits: Limits | None, float_onnx: bytes | None
) -> Model:
    """The model; InputError when its name is not that of its facts, set, limits and bytes. Without the bytes
    the name is not looked at, and the model has none.
    """
    where = f"model {document.name[:ID_DIGITS]}"
    expect_kind(where, "model", document)
    texts = ("program", "metrics", "recipe", "versions")
    others = ("frozen_set", "set_name", "limits", "float_onnx", "date")
    facts = exactly(where, document.facts, "called", "parent", "digest", *others, *texts)
    model = Model(
        facts["called"],
        facts["digest"],
        frozen,
        limits,
        facts["recipe"],
        facts["versions"],
        facts["metrics"],
        facts["program"],
        float_onnx or b"",
        facts["parent"],
        facts["date"],
    )
    if float_onnx is not None:
        check_hash(where, model_sha256(model), document.name)
        check_hash(where, model_document(model).sha256, document.sha256)
    return model


def sign_off_document(limits: Limits) -> Document:
    """Limits with who answers for them, which is another revision than the same limits without."""
    facts = {"limits": document_of(limits).facts, "signer": limits.signer}
    return Document("sign-off", sha256({"kind": "sign-off", "format": FORMAT, "facts": facts}), facts)


def sign_off_from(document: Document) -> Limits:
    """The limits, signed; InputError when the name is not that of the facts."""
    where = f"sign-off {document.name[:ID_DIGITS]}"
    expect_kind(where, "sign-off", document)
    content, signer = exactly(where, document.facts, "limits", "signer").values()
    if not isinstance(signer, str) or not isinstance(content, dict):
        raise InputError(where, "no limits, or nobody who answers for them", "limits and a name")
    limits: Limits = replace(facts_from(where, Limits, content, {}), signer=signer)
    check_hash(where, sign_off_document(limits).name, document.name)
    return limits


def bundle_document(model: str, called: str, bundle_sha256: str, files: Mapping[str, str]) -> Document:
    """What an export wrote of a model (by the name of its document, and what it is called): files by the
    hashes of their bytes.
    """
    return Document("bundle", bundle_sha256, {"model": model, "called": called, "files": dict(files)})


def status_document(model: str, called: str, event: StatusEvent) -> Document:
    """What was said that a model is; the model as in :func:`bundle_document`."""
    said = event_document("status", model, event)
    return replace(said, facts=said.facts | {"called": called})
