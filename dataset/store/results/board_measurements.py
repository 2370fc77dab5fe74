"""What boards measured of exported models, between rows and records."""

from __future__ import annotations

import math
from dataclasses import asdict

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError
from dataset.records import BoardMeasurement
from dataset.store.proof import keep
from dataset.store.reading.results import to_measurement
from dataset.store.results.models import check_digest, model_row
from dataset.store.tables import BoardMeasurementRow
from dataset.values import check_text

LONGEST_TEXT = 200  # characters


def of_model(orm: OrmSession, model: str | None) -> tuple[BoardMeasurement, ...]:
    """Those of a model, or all, in the order in which they were recorded."""
    query = select(BoardMeasurementRow).order_by(BoardMeasurementRow.id)
    if model is not None:
        query = query.where(BoardMeasurementRow.model_id == model_row(orm, model).id)
    return tuple(to_measurement(row) for row in orm.scalars(query))


def add(orm: OrmSession, measured: BoardMeasurement) -> None:
    """Record a measurement, unless it is there already."""
    _check(measured)
    if measured in of_model(orm, measured.model):
        return
    facts = {name: value for name, value in asdict(measured).items() if name != "model"}
    keep(orm, BoardMeasurementRow(model=model_row(orm, measured.model), **facts))


def _check(measured: BoardMeasurement) -> None:
    """InputError for what no board can have measured, and for texts that are none."""
    where = f"what a board measured of {measured.model}"
    check_digest(where, measured.bundle_sha256)
    for what in ("board", "firmware", "compiler", "built"):
        check_board_text(f"{where}, {what}", getattr(measured, what), what)
    numbers = (measured.clock_hz, measured.cycles, measured.prepare_cycles, measured.stack_bytes)
    mean = measured.cycles_mean
    if measured.vectors < 1 or any(number is not None and number < 0 for number in numbers):
        raise InputError(where, "a number below 0, or no vectors", "counts of bytes, cycles and vectors")
    if mean is not None and not (math.isfinite(mean) and 0 <= mean <= (measured.cycles or 0)):
        raise InputError(where, f"{mean:g} cycles in the mean", "at most those of the costliest step")


def check_board_text(where: str, text: str, field: str) -> None:
    """InputError unless ``text`` is a line of at most ``LONGEST_TEXT`` printable characters."""
    check_text(where, text)
    if len(text) > LONGEST_TEXT or not text.isprintable():
        raise InputError(
            where,
            repr(text)[:40],
            f"one line of at most {LONGEST_TEXT} printable characters",
            fields=(field,),
        )
