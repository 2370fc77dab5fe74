"""Models, their exports, and what boards measured."""

from __future__ import annotations

from collections.abc import Mapping

from dataset.records import (
    BoardMeasurement,
    ExportedFile,
    FrozenSet,
    Model,
    ModelStatus,
    StatusEvent,
)
from dataset.store.doors.transactions import Transactions
from dataset.store.events import statuses
from dataset.store.reading import results as results_read
from dataset.store.reading import statuses as statuses_read
from dataset.store.results import board_measurements, models


class ResultsDoor(Transactions):
    """Models: kept, said to be something, exported, measured."""

    def add_model(self, model: Model) -> Model:
        """Keep a model under a new name; its frozen set and limits are records that the store has."""
        return self._write(lambda orm: models.add_model(orm, model))

    def model(self, name: str, frozen: FrozenSet | None = None) -> Model:
        """The model called ``name``; where ``frozen`` is its frozen set, as this store gave it, that is not
        read again.
        """
        found = self._read_rows(lambda rows: results_read.called(rows, name, frozen))
        return found or self._read(lambda orm: results_read.to_model(models.model_row(orm, name)))

    def models(self) -> tuple[Model, ...]:
        """All models, by name."""
        return self._read(models.models)

    def model_digests(self) -> dict[str, str]:
        """By the name of each model the hash over all of it, by name; none is read, or checked."""
        return self._read_rows(results_read.digests)

    def state_of_models(self) -> tuple[int, ...]:
        """Numbers that are others once a model came in, or was said to be something."""
        return self._read_rows(results_read.state_of_models)

    def set_status(self, model: str, status: ModelStatus, author: str, reason: str) -> StatusEvent:
        """Record what a model is from now on, who says so and why.

        Raises:
            InputError: no author or reason, or what it is already. NotFoundError: no such model.
        """
        return self._write(lambda orm: statuses.set_status(orm, model, status, author, reason))

    def status(self, model: str) -> StatusEvent | None:
        """What a model is said to be; None where nobody said."""
        return self._read(lambda orm: statuses_read.current(models.model_row(orm, model).statuses))

    def statuses(self) -> dict[str, StatusEvent]:
        """What each model is said to be of which somebody said something, by its name."""
        return self._read_rows(statuses_read.every_current)

    def status_events(self, model: str) -> tuple[StatusEvent, ...]:
        """What was said of a model, in the order it came into this store, every hash checked."""
        return self._read(
            lambda orm: tuple(map(statuses_read.to_event, models.model_row(orm, model).statuses))
        )

    def add_export(self, model: Model, bundle_sha256: str, files: Mapping[str, str]) -> None:
        """Record the files (name -> SHA-256) that an export of ``model`` wrote; the same bundle again changes
        nothing.
        """
        self._write(lambda orm: models.add_export(orm, model, bundle_sha256, files))

    def exported(self, sha256: str) -> tuple[ExportedFile, ...]:
        """Every exported file with this SHA-256; NotFoundError when this store exported none."""
        return self._read(lambda orm: models.exported(orm, sha256))

    def add_board_measurement(self, measured: BoardMeasurement) -> None:
        """Record what a board measured; the same again changes nothing."""
        self._write(lambda orm: board_measurements.add(orm, measured))

    def board_measurements(self, model: str | None = None) -> tuple[BoardMeasurement, ...]:
        """What boards measured of a model, or of all of them, in the order in which it was recorded."""
        return self._read(lambda orm: board_measurements.of_model(orm, model))
