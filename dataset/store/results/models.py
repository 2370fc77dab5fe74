"""Models and the files of their exports, between rows and records. No pickles: JSON texts and ONNX bytes."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical import model_sha256
from dataset.errors import InputError, NotFoundError
from dataset.records import ExportedFile, Model
from dataset.store.frozen_sets import checked_row
from dataset.store.proof import keep
from dataset.store.reading.results import of_frozen, to_model, to_models
from dataset.store.reading.sets import to_frozen_set
from dataset.store.registry import limits_row, named, same_record, to_limits
from dataset.store.tables import ExportedFileRow, ExportRow, ModelRow
from dataset.values import check_day, check_name

_SHA256 = re.compile(r"[0-9a-f]{64}")


def models(orm: OrmSession) -> tuple[Model, ...]:
    """All models, by name."""
    return to_models(orm.scalars(select(ModelRow).order_by(ModelRow.name)))


def add_model(orm: OrmSession, model: Model) -> Model:
    check_name("model", model.name)
    where = f"model {model.name}"
    existing = orm.scalar(select(ModelRow).where(ModelRow.name == model.name))
    if existing is not None:
        raise InputError(
            where,
            "is in the store already, exactly as it is"
            if replace(to_model(existing), date=model.date) == model
            else f"exists already, with another program or recipe (program {existing.sha256[:12]})",
            "a new name",
            "models never change; give this one another name",
        )
    row = write_model(orm, model, model_sha256(model))
    return of_frozen(row, to_frozen_set(row.frozen_set, model.frozen))


def write_model(
    orm: OrmSession, model: Model, content_sha256: str, unseen: Mapping[str, str] | None = None
) -> ModelRow:
    """Write a model of a name that is not here, whose content has this hash. ``unseen`` is as of
    :func:`dataset.store.proof.keep`, in a transaction that is undone.
    """
    _check(model)
    for column, digest in (unseen or {}).items():
        check_digest(f"model {model.name}, {column}", digest)
    row = _new_row(orm, model, content_sha256)
    keep(orm, row, unseen)
    return row


def _check(model: Model) -> None:
    check_name("model", model.name)
    where = f"model {model.name}"
    check_digest(where, model.sha256)
    if model.date is not None:
        check_day(f"{where}, date", model.date)
    for what in ("recipe", "versions", "metrics", "program"):
        _check_json(f"{where}, {what}", getattr(model, what))


def _new_row(orm: OrmSession, model: Model, content_sha256: str) -> ModelRow:
    """The row, not yet written, of a model whose parent, set and limits are here."""
    if model.parent is not None:
        model_row(orm, model.parent)
    row = ModelRow(
        name=model.name,
        sha256=model.sha256,
        frozen_set=checked_row(orm, model.frozen),
        recipe=model.recipe,
        versions=model.versions,
        metrics=model.metrics,
        program=model.program,
        float_onnx=model.float_onnx,
        parent=model.parent,
        date=model.date,
        content_sha256=content_sha256,
    )
    if model.limits is not None:
        row.limits = limits_row(orm, model.limits.ref)
        same_record("limits", model.limits, to_limits(row.limits))
    return row


def model_row(orm: OrmSession, name: str) -> ModelRow:
    row = orm.scalar(select(ModelRow).where(ModelRow.name == name))
    return row or named(
        "model",
        name,
        orm.scalars(select(ModelRow).order_by(ModelRow.name)).all(),
        "make it with innage.train",
        ("innage.train",),
    )


def add_export(orm: OrmSession, model: Model, bundle_sha256: str, files: Mapping[str, str]) -> None:
    """Record what an export wrote; the same bundle again is nothing new."""
    row = model_row(orm, model.name)
    if row.sha256 != model.sha256:
        raise InputError(
            f"model {model.name}",
            f"program {model.sha256[:12]}",
            f"{row.sha256[:12]}, as the store has it",
            "take it from the store",
        )
    add_files(orm, row, bundle_sha256, files)


def add_files(orm: OrmSession, row: ModelRow, bundle_sha256: str, files: Mapping[str, str]) -> None:
    """As :func:`add_export`, of the model of a row."""
    where = f"export of {row.name}"
    if not files:
        raise InputError(where, "no files", "at least one")
    check_digest(where, bundle_sha256)
    for name, digest in files.items():
        check_digest(f"{where}, {name}", digest)
    known = orm.scalar(
        select(ExportRow).where(ExportRow.model_id == row.id, ExportRow.bundle_sha256 == bundle_sha256)
    )
    if known is not None:
        if {f.name: f.sha256 for f in known.files} != dict(files):
            raise InputError(
                where,
                f"bundle {bundle_sha256[:12]} is recorded with other files",
                "the same files for the same bundle",
            )
        return
    written = [ExportedFileRow(name=name, sha256=digest) for name, digest in sorted(files.items())]
    keep(orm, ExportRow(model=row, bundle_sha256=bundle_sha256, files=written))


def exported(orm: OrmSession, sha256: str) -> tuple[ExportedFile, ...]:
    """Every exported file with this hash, in the order of their exports; NotFoundError when there is none."""
    wanted = sha256.lower()
    check_digest("file", wanted)
    rows = orm.scalars(
        select(ExportedFileRow)
        .where(ExportedFileRow.sha256 == wanted)
        .order_by(ExportedFileRow.export_id, ExportedFileRow.name)
    ).all()
    if not rows:
        raise NotFoundError(
            f"file {wanted[:12]}",
            "was not written by an export of this store",
            "",
            "a changed file has another hash; name another store with store_path",
            fields=("store_path",),
        )
    return tuple(
        ExportedFile(r.sha256, r.name, r.export.bundle_sha256, to_model(r.export.model)) for r in rows
    )


def check_digest(where: str, digest: str) -> None:
    """InputError unless ``digest`` is the hex of a SHA-256."""
    if not _SHA256.fullmatch(digest):
        raise InputError(f"{where}, hash", repr(digest), "64 hexadecimal digits of a SHA-256")


def _check_json(where: str, text: str) -> None:
    try:
        content = json.loads(text)
    except ValueError as error:
        raise InputError(where, f"not JSON ({error})", "a JSON object") from error
    if not isinstance(content, dict):
        raise InputError(where, "JSON, but not an object", "a JSON object")
