"""Rows of models and of what boards measured as records."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from dataset.canonical import model_sha256
from dataset.records import BoardMeasurement, FrozenSet, Model
from dataset.store.proof import check, check_row
from dataset.store.reading.registry import to_limits
from dataset.store.reading.sets import to_frozen_set

if TYPE_CHECKING:
    from dataset.store.reading.rows import Rows
    from dataset.store.tables import BoardMeasurementRow, ModelRow


def to_models(rows: Iterable[ModelRow]) -> tuple[Model, ...]:
    """The records; a frozen set that several models share is read and hashed once."""
    known: dict[int, FrozenSet] = {}
    records: list[Model] = []
    for row in rows:
        if row.frozen_set_id not in known:
            known[row.frozen_set_id] = to_frozen_set(row.frozen_set)
        records.append(of_frozen(row, known[row.frozen_set_id]))
    return tuple(records)


def called(rows: Rows, name: str, frozen: FrozenSet | None = None) -> Model | None:
    """The model of that name, its hashes checked again; None where there is none. Where ``frozen`` is its
    frozen set, that is not read again.
    """
    for row in rows.select("model", "WHERE name = ?", name):
        of = row.frozen_set
        if frozen is None or (frozen.name, frozen.sha256) != (of.name, of.sha256):
            frozen = to_frozen_set(of)
        return of_frozen(row, frozen)
    return None


def digests(rows: Rows) -> dict[str, str]:
    """By the name of each model the hash over all of it."""
    return dict(rows.execute("SELECT name, content_sha256 FROM model ORDER BY name").fetchall())


def state_of_models(rows: Rows) -> tuple[int, ...]:
    """The newest row of models, and of what was said of them."""
    newest = ("SELECT coalesce(max(id), 0) FROM model", "SELECT coalesce(max(sequence), 0) FROM status_event")
    return tuple(int(rows.execute(query).fetchone()[0]) for query in newest)


def to_model(row: ModelRow) -> Model:
    """The record, its hashes checked again."""
    return of_frozen(row, to_frozen_set(row.frozen_set))


def of_frozen(row: ModelRow, frozen: FrozenSet) -> Model:
    check_row(row, f"model {row.name}")
    model = Model(
        name=row.name,
        sha256=row.sha256,
        frozen=frozen,
        limits=None if row.limits is None else to_limits(row.limits),
        recipe=row.recipe,
        versions=row.versions,
        metrics=row.metrics,
        program=row.program,
        float_onnx=row.float_onnx,
        parent=row.parent,
        date=row.date,
    )
    check(f"model {row.name}", model_sha256(model), row.content_sha256)
    return model


def to_measurement(row: BoardMeasurementRow) -> BoardMeasurement:
    """The record, its hash checked again."""
    check_row(row, f"what a board measured of {row.model.name}")
    facts = {name: getattr(row, name) for name in BoardMeasurement.__dataclass_fields__ if name != "model"}
    return BoardMeasurement(model=row.model.name, **facts)
