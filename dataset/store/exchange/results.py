"""What was made of sessions, as it comes in: frozen sets, openings, models, exports, what boards measured."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sqlalchemy import select

from dataset import documents
from dataset.canonical_text import canonical_json
from dataset.coverage.temperature_bands import check_edges
from dataset.documents import record_of
from dataset.errors import InputError, quoted
from dataset.exchange.objects import Parcel
from dataset.exchange.reading import as_written, facts_of
from dataset.records import ID_DIGITS, GroupBy, Role
from dataset.store import frozen_sets, tables
from dataset.store.events import statuses
from dataset.store.exchange.offering import AT_ONCE
from dataset.store.exchange.registered import limits_row
from dataset.store.exchange.taking import ContradictionError, Taking, contradiction, same_hash
from dataset.store.proof import keep
from dataset.store.reading import results as results_read
from dataset.store.registry import to_limits
from dataset.store.results import board_measurements, models
from dataset.values import check_name, check_reason, check_text


def frozen_set(taking: Taking, parcel: Parcel) -> bool:
    """A frozen set by name and hash."""
    document = parcel.document
    where = taking.where(document)
    same = taking.orm.scalar(
        select(tables.FrozenSetRow).where(tables.FrozenSetRow.name == str(document.facts.get("name")))
    )
    if same is not None:
        if same.sha256 != document.name:
            names = ({"hash": str(sha256)[:ID_DIGITS]} for sha256 in (same.sha256, document.name))
            raise contradiction(taking, where, *names)
        return False
    taking.settle()  # which units are one says what its units are called
    with as_written(where):
        row = _frozen_row(taking, where, document)
    keep(taking.orm, row)
    row.sealed = True
    taking.orm.flush()
    taking.orm.refresh(row)
    with as_written(where):
        documents.check_frozen(document, taking.frozen_set(row))
    return True


def _frozen_row(taking: Taking, where: str, document: documents.Document) -> tables.FrozenSetRow:
    facts, members, edges = _frozen_facts(where, document)
    check_name("frozen set", facts["name"])
    row = tables.FrozenSetRow(
        name=facts["name"],
        sha256=document.name,
        sealed=False,
        group_by=GroupBy(facts["group_by"]),
        seed=facts["seed"],
        edges_c=canonical_json(edges) if edges else None,
        even_if_warned=facts["even_if_warned"],
        named_by_content=facts["named_by_content"] or None,
    )
    row.roles = [
        tables.FrozenRoleRow(group_name=group, role=Role(role))
        for group, role in sorted(facts["roles"].items())
    ]
    ids = _session_ids(taking, where, [member["session"] for member in members])
    row.sessions = [
        tables.FrozenSessionRow(
            position=k,
            session_id=ids[member["session"]],
            mark_revision_sha256=member["mark_revision"],
            group_name=member["group"],
            amendment_sha256=member["amendment"],
        )
        for k, member in enumerate(members)
    ]
    for trim in facts["trims"]:
        if taking.orm.scalar(select(tables.TrimRow.sequence).where(tables.TrimRow.sha256 == trim)) is None:
            raise InputError(where, f"refers to trim {str(trim)[:ID_DIGITS]}", "one that is there already")
    row.trims = [tables.FrozenTrimRow(position=k, trim_sha256=trim) for k, trim in enumerate(facts["trims"])]
    return row


def _frozen_facts(
    where: str, document: documents.Document
) -> tuple[dict[str, Any], list[dict[str, Any]], tuple[float, ...]]:
    """The facts of a frozen set, of its sessions, and the edges of its bands; InputError for other types."""
    apart = {"sessions", "edges_c"}
    plain = {key: fact for key, fact in document.facts.items() if key not in apart}
    facts = facts_of(
        replace(document, facts=plain),
        name=str,
        group_by=str,
        roles=dict,
        trims=list,
        seed_=int,
        even_if_warned_=str,
        named_by_content=bool,
    )
    members = [
        facts_of(replace(document, facts=member), session=str, mark_revision_=str, amendment_=str, group_=str)
        for member in document.facts["sessions"]
    ]
    edges = tuple(document.facts["edges_c"])
    if not all(type(edge) is float for edge in edges) or bool(edges) != (facts["group_by"] == "temperature"):
        raise InputError(f"{where}, edges_c", quoted(list(edges)), "edges where groups are temperatures")
    return facts, members, check_edges(where, edges) if edges else ()


def _session_ids(taking: Taking, where: str, hashes: list[str]) -> dict[str, int]:
    """The row ids of these sessions; InputError where one is not here."""
    ids: dict[str, int] = {}
    for at in range(0, len(hashes), AT_ONCE):
        asked = tables.SessionRow.sha256.in_(hashes[at : at + AT_ONCE])
        pairs = select(tables.SessionRow.sha256, tables.SessionRow.id).where(asked)
        ids |= {sha256: row_id for sha256, row_id in taking.orm.execute(pairs)}  # noqa: C416 - rows are no pairs to mypy
    lost = next((sha256 for sha256 in hashes if sha256 not in ids), None)
    if lost is not None:
        raise InputError(where, f"refers to session {lost[:ID_DIGITS]}", "one that is there already")
    return ids


def opening(taking: Taking, parcel: Parcel) -> bool:
    """That the prove groups of a set were looked at, by hash: all that either store knows of."""
    document = parcel.document
    facts = facts_of(document, frozen_set=str, set_name=str, purpose=str, parents=list, number_=int)
    where = f"opening of frozen set {facts['set_name']}"
    known = select(tables.ProveOpeningRow.sequence).where(tables.ProveOpeningRow.sha256 == document.name)
    if taking.orm.scalar(known) is not None:
        return False
    frozen = _frozen(taking, where, facts["frozen_set"], facts["set_name"])
    check_text(where, facts["purpose"])
    with as_written(where):
        again = documents.opening_document(
            frozen.sha256, frozen.name, facts["purpose"], tuple(facts["parents"]), facts["number"]
        )
    same_hash(where, again.name, document)
    there = {known.sha256 for known in frozen_sets.openings_of(taking.orm, frozen.sha256)}
    lost = sorted(set(facts["parents"]) - there)
    if lost:
        raise InputError(where, f"follows {lost[0][:ID_DIGITS]}", "an opening that is there already")
    taking.orm.add(
        tables.ProveOpeningRow(
            frozen_set_id=frozen.id,
            purpose=facts["purpose"],
            parents=canonical_json(facts["parents"]),
            sha256=document.name,
            number=facts["number"],
            # openings are counted only where an upgrade hashed them
            hashed_by_upgrade=None if facts["number"] is None else True,
        )
    )
    taking.orm.flush()
    return True


def _frozen(taking: Taking, where: str, sha256: object, name: object) -> tables.FrozenSetRow:
    row = taking.orm.scalar(
        select(tables.FrozenSetRow).where(
            tables.FrozenSetRow.name == str(name), tables.FrozenSetRow.sha256 == str(sha256)
        )
    )
    if row is None:
        raise InputError(where, f"refers to frozen set {name}", "one that is there already")
    return row


def model(taking: Taking, parcel: Parcel) -> bool:
    """A model by name and hash, with the bytes of its float ONNX."""
    document = parcel.document
    facts = facts_of(
        document,
        called=str,
        parent_=str,
        digest=str,
        frozen_set=str,
        set_name=str,
        limits_=dict,
        program=str,
        metrics=str,
        recipe=str,
        versions=str,
        float_onnx=str,
        date_=str,
    )
    where = taking.where(document)
    same = taking.orm.scalar(select(tables.ModelRow).where(tables.ModelRow.name == facts["called"]))
    if same is not None:
        if same.content_sha256 != document.name:
            ours = documents.model_document(results_read.to_model(same)).facts
            raise contradiction(taking, where, ours | {"date": None}, document.facts | {"date": None})
        return False
    if parcel.content is None and not taking.documents_alone:
        raise InputError(where, "has no float ONNX beside it", "a model with its bytes")
    frozen = taking.frozen_set(_frozen(taking, where, facts["frozen_set"], facts["set_name"]))
    bounds = None
    if facts["limits"] is not None:
        row = limits_row(taking, None, str(facts["limits"].get("limits")), facts["limits"].get("signer"))
        if row is None:
            raise InputError(where, "refers to limits that are not here", "limits that are there already")
        bounds = to_limits(row)
    stated = documents.model_from(document, frozen, bounds, parcel.content)
    unseen = {"float_onnx": facts["float_onnx"]} if parcel.content is None else None
    models.write_model(taking.orm, stated, document.name, unseen)
    return True


def status(taking: Taking, parcel: Parcel) -> bool:
    """What a model is said to be, by the hash of the event, in whatever order."""
    document = parcel.document
    facts = facts_of(document, model=str, called=str, parents=list, status=str, author=str, reason=str)
    where = f"status of model {facts['called']}"
    row = _model(taking, where, facts["model"], facts["called"])
    taking.orm.refresh(row, ["statuses"])
    if document.name in {event.record_sha256 for event in row.statuses}:
        return False
    check_reason(f"{where}, author", facts["author"], "who says so")
    check_reason(f"{where}, reason", facts["reason"], "why")
    event = tables.StatusRow(
        model=row,
        status=facts["status"],
        author=facts["author"],
        reason=facts["reason"],
        parents=canonical_json(facts["parents"]),
    )
    keep(taking.orm, event)
    same_hash(where, event.record_sha256, document)
    with as_written(where):
        statuses.check_parents(event)
    return True


def _model(taking: Taking, where: str, sha256: str, name: str) -> tables.ModelRow:
    row = taking.orm.scalar(
        select(tables.ModelRow).where(tables.ModelRow.name == name, tables.ModelRow.content_sha256 == sha256)
    )
    if row is None:
        raise InputError(where, f"refers to model {name}", "a model that is there already")
    return row


def bundle(taking: Taking, parcel: Parcel) -> bool:
    """What an export wrote, by model and bundle."""
    document = parcel.document
    facts = facts_of(document, model=str, called=str, files=dict)
    where = f"export of {facts['called']}"
    row = _model(taking, where, facts["model"], facts["called"])
    known = taking.orm.scalar(
        select(tables.ExportRow).where(
            tables.ExportRow.model_id == row.id, tables.ExportRow.bundle_sha256 == document.name
        )
    )
    if known is not None and {file.name: file.sha256 for file in known.files} != facts["files"]:
        raise ContradictionError(
            f"export {document.name[:ID_DIGITS]}",
            f"is recorded with other files in {taking.there} than {taking.here}",
            "the same files for the same bundle",
            "one of the two stores was changed by something else than innage",
        )
    for name, digest in facts["files"].items():
        check_text(f"{where}, file", name)
        if not isinstance(digest, str):
            raise InputError(f"{where}, {name}", "no hash", "64 hexadecimal digits of a SHA-256")
    models.add_files(taking.orm, row, document.name, facts["files"])
    return known is None


def board_measurement(taking: Taking, parcel: Parcel) -> bool:
    """What a board measured, by the hash of the record."""
    record = record_of(parcel.document, taking.known)
    models.model_row(taking.orm, record.model)
    if record in board_measurements.of_model(taking.orm, record.model):
        return False
    board_measurements.add(taking.orm, record)
    return True
