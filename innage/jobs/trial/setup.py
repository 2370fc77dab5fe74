"""What a trial is made of, found in the store and checked before a port is opened."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.live.scale import Steadiness
from dataset.records import UNSTATED, Occasion, TrimKind
from innage.jobs.sessions.capturing import Port, ReadOff, stated_of

if TYPE_CHECKING:
    from dataset.labels.instruments import Calibrations
    from dataset.labels.marking import Labelling
    from dataset.live.board import ByteSource
    from dataset.records import Liquid, Model, Mounting
    from dataset.store import Store
    from innage.jobs.sessions.circumstances import Circumstances
    from innage.jobs.trial.trial import Trial
    from innage.jobs.trial.weighing import Scale


@dataclass(frozen=True)
class Tried:
    """What is tried: a ``model`` with the newest trims of a ``unit``, or with the counts of ``trim``; on a
    mounting, None: the one that the model and the unit's trims are of.
    """

    model: str
    unit: str | None = None
    trim: Mapping[TrimKind, Sequence[int]] | None = None
    mounting: str | None = None


@dataclass(frozen=True)
class Beside:
    """What it is held against and kept as. ``labelling`` turns a mass into the level of a liquid; ``scale``
    None: there is none; ``name``: what the names of stretches begin with. ``occasion`` is who, where and with
    what; its start is when the trial's first frame comes. ``instruments`` are what levels are read with.
    """

    labelling: Callable[[Liquid], Labelling]
    liquid: str | None = None
    scale: Port | None = None
    rule: Steadiness = field(default_factory=Steadiness)
    name: str = "trial"
    condition: str | None = None
    note: str = ""
    occasion: Occasion = UNSTATED
    tags: tuple[str, ...] = ()
    instruments: tuple[Calibrations, ...] = ()


@dataclass(frozen=True)
class ReadyTrial:
    """A trial whose ports are open."""

    trial: Trial
    board: ByteSource
    scale: Callable[[], Scale] | None


def begin_trial(store: Store, tried: Tried, port: Port, beside: Beside) -> ReadyTrial:
    """Make a trial ready, and open its ports.

    Raises:
        InputError: a trim that is lacking or refused, a mounting with another sensor than the model's, a
            scale without a liquid, or a port that can't be opened. NotFoundError: a name that the store does
            not have.
    """
    from dataset.live.bars import Bars
    from innage.jobs.models.replaying import program_of, stated_trim
    from innage.jobs.trial.keeping import Keeper, KeptAs
    from innage.jobs.trial.stepping import Stepper
    from innage.jobs.trial.trial import Trial
    from innage.jobs.trial.weighing import Reference

    beside.rule.check()
    model = store.model(tried.model)
    mounting = _mounting(store, model, tried)
    program = program_of(model)
    known = {mounting.name} if tried.mounting else {s.mounting.name for s in model.frozen.sessions}
    if tried.unit is not None and program.trim is not None:
        _refuse_other_revision(store, model, known, tried.unit)
    taken = stated_trim(store, program, f"model {model.name}", mounting, known, tried.unit, tried.trim)
    labelling = None if beside.liquid is None else beside.labelling(store.liquid(beside.liquid))
    if beside.scale is not None and labelling is None:
        raise InputError("liquid", "none is stated", "the liquid that the scale weighs", fields=("liquid",))
    about = _circumstances(store, tried.unit, mounting, beside)
    kept = None
    if about is not None:
        kept = KeptAs(beside.name, about, ReadOff(None, labelling, beside.instruments))
        stated_of(about, kept.read_off)  # what cannot be is said before a port is opened
    title = model.name if tried.unit is None else f"{model.name} on unit {tried.unit}"
    trial = Trial(
        title,
        mounting,
        Stepper(program, taken, mounting.sensor.count_scale),
        Bars(() if tried.unit is None else store.trims(store.unit(tried.unit).name), mounting),
        Reference(mounting.tank, labelling),
        Keeper(store, kept),
    )
    return _opened(trial, port, beside)


def _mounting(store: Store, model: Model, tried: Tried) -> Mounting:
    """The mounting that is named, else the model's own on which the unit has its newest trim."""
    own = list({s.mounting.name: s.mounting for s in model.frozen.sessions}.values())
    if tried.mounting is not None:
        mounting, sensor = store.mounting(tried.mounting), own[0].sensor
        if mounting.sensor != sensor:
            raise InputError(
                f"mounting {mounting.name}",
                f"sensor {mounting.sensor.ref}",
                f"sensor {sensor.ref}, which model {model.name} was trained on",
            )
        return mounting
    trims = () if tried.unit is None else store.trims(store.unit(tried.unit).name)
    ours = [trim for trim in trims if trim.mounting in own]
    return max(ours, key=lambda trim: trim.date).mounting if ours else own[0]


def _refuse_other_revision(store: Store, model: Model, known: set[str], unit: str) -> None:
    """InputError where the unit's trims are all of another revision of the model's sensor."""
    trims = store.trims(store.unit(unit).name)
    sensor = model.frozen.sessions[0].mounting.sensor
    others = [t.mounting for t in trims if t.mounting.sensor.name == sensor.name]
    if any(t.mounting.name in known for t in trims) or not others or others[-1].sensor == sensor:
        return
    raise InputError(
        f"unit {unit}",
        f"its trims are on {others[-1].name}, of sensor {others[-1].sensor.ref}",
        f"sensor {sensor.ref}, which model {model.name} was trained on",
        "train a model for that revision, or try a unit of this one",
    )


def _circumstances(
    store: Store, unit: str | None, mounting: Mounting, beside: Beside
) -> Circumstances | None:
    """What is stated of stretches that are kept; None where unit or liquid is not."""
    from dataset.labels.conditions import read_conditions
    from innage.jobs.sessions.circumstances import Circumstances

    if beside.condition is not None:
        read_conditions("condition", beside.condition)
    if unit is None or beside.liquid is None:
        return None
    return Circumstances(
        store.unit(unit),
        store.liquid(beside.liquid),
        mounting,
        beside.condition,
        beside.note,
        beside.occasion,
        beside.tags,
    )


def _opened(trial: Trial, port: Port, beside: Beside) -> ReadyTrial:
    """Both ports open, or none."""
    import time

    from dataset.live.board import SerialSource
    from dataset.live.feeds import Feed
    from innage.jobs.trial.weighing import Scale

    board = port.open()
    if beside.scale is None:
        return ReadyTrial(trial, board, None)
    try:
        source = SerialSource(beside.scale.name, beside.scale.baud)
    except InputError as error:
        board.close()
        raise InputError(f"scale {beside.scale.name}", error.found, error.expected) from error
    return ReadyTrial(trial, board, lambda: Scale(Feed(source, time.monotonic), beside.rule, time.monotonic))
