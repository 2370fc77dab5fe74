"""Faults of the sensor chain put on captured counts: what a model makes of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError, StoreError
from dataset.records import Role, TrimKind
from innage.jobs import Progress, silent
from innage.jobs.models.set_reference import set_reference

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from dataset.records import FrozenData, FrozenSet, Model, Trim
    from dataset.store import Store
    from training.judging.figures import FaultTable
    from training.program import Program


@dataclass(frozen=True)
class ModelFaults:
    """How a model fares with faults of its sensor chain, with ``figures`` of
    :func:`training.judging.fault_table.fault_table`.
    """

    model: str
    frozen: FrozenSet
    openings: int
    figures: FaultTable

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            **self.figures.to_json(),
            "model": self.model,
            "frozen": set_reference(self.frozen),
            "openings": self.openings,
        }


def faults(
    store: Store,
    model: str,
    *,
    role: Role | None = None,
    seed: int = 0,
    progress: Progress = silent,
) -> ModelFaults:
    """Put each fault on the captured counts, and count how often the model notices it, takes no harm, or is
    silently wrong. The prove groups, where they are asked for, are opened and counted.

    Args:
        store: the open store.
        model: its name.
        role: whose groups it is judged on; None means those that it was not fitted on, 'prove' left out.
        seed: of the sessions where there are too many, and of what a floating pad reads.
        progress: told how far it is.

    Raises:
        InputError: no such groups, or a unit without a trim that the model takes. NotFoundError: no such
            model.
    """
    from training.judging.fault_table import fault_table, unfitted
    from training.program import from_json

    judged = store.model(model)
    frozen, data = judged.frozen, store.frozen_data(judged.frozen)
    program = from_json(judged.program, f"model '{model}'")
    roles = unfitted(data) if role is None else (role,)
    if not any(data.rows(one).any() for one in roles):
        raise InputError(
            f"frozen set {frozen.name}",
            f"no labelled frames of '{roles[0]}' groups",
            "groups to judge on",
            "name others with role",
            fields=("role",),
        )
    figures = fault_table(program, data, roles, foreign_trims(store, data, program), seed, progress)
    opened = role is Role.PROVE
    openings = store.open_prove(frozen, f"faults {model}") if opened else store.prove_openings(frozen)
    return ModelFaults(model, frozen, openings, figures)


def stated_faults(store: Store, model: Model, progress: Progress = silent) -> FaultTable | None:
    """The fault table that a bundle states, 'prove' left out; None where the set has no labelled frames for
    it, a session of it is void or damaged by now, or a unit lacks a trim that the model takes.
    """
    from training.judging.fault_table import fault_table, unfitted
    from training.program import from_json

    program = from_json(model.program, f"model '{model.name}'")
    try:
        data = store.frozen_data(model.frozen)
        roles = unfitted(data)
        if not any(data.rows(role).any() for role in roles):
            return None
        return fault_table(program, data, roles, foreign_trims(store, data, program), progress=progress)
    except (
        InputError,
        StoreError,
    ):  # sessions voided or damaged since, trims never taken: nothing to measure
        return None


def foreign_trims(store: Store, data: FrozenData, program: Program) -> NDArray[np.int64]:
    """The newest trims of units on tanks that are not of the set, by unit, of sensors with as many channels
    and the same count width and law; int64 (units, trim size).
    """
    import numpy as np

    sensor = data.frozen.sessions[0].mounting.sensor
    tanks = {session.mounting.tank.ref for session in data.frozen.sessions}
    kinds = tuple(map(TrimKind, program.trim_kinds)) if program.trim is not None else ()
    newest: dict[tuple[str, str], dict[TrimKind, Trim]] = {}
    for trim in sorted(store.trims() if kinds else (), key=lambda trim: (trim.date, trim.sha256)):
        other = trim.mounting.sensor
        alike = (other.channels, other.count_bits, other.count_law) == (
            sensor.channels,
            sensor.count_bits,
            sensor.count_law,
        )
        if alike and trim.mounting.tank.ref not in tanks:
            newest.setdefault((trim.unit.name, trim.mounting.name), {})[trim.kind] = trim
    rows = [
        [count for kind in kinds for count in held[kind].counts]
        for _, held in sorted(newest.items())
        if set(kinds) <= set(held)
    ]
    return np.asarray(rows, np.int64).reshape(len(rows), program.trim_size)
