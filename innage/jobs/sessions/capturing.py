"""Live captures: begun or gone on with, from a board's port to a sealed session."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError

if TYPE_CHECKING:
    from dataset.labels.instruments import Calibrations
    from dataset.labels.marking import Labelling
    from dataset.live.board import ByteSource
    from dataset.live.capture import Capture
    from dataset.live.plans import Step
    from dataset.live.stated import Stated, View
    from dataset.records import Sensor, Session, Tank
    from dataset.store import Store
    from innage.jobs.sessions.circumstances import Circumstances

BAUD = 115200
STANDARD_INPUT = "-"


@dataclass(frozen=True)
class Port:
    """Where a board's lines come from: a serial port, an address such as socket://HOST:PORT, or ``-`` for
    standard input.
    """

    name: str
    baud: int = BAUD

    def open(self) -> ByteSource:
        """The source of bytes; InputError where it can't be opened."""
        from dataset.live.board import SerialSource, StreamSource

        if self.name == STANDARD_INPUT:
            return StreamSource("standard input", sys.stdin.buffer)
        return SerialSource(self.name, self.baud)


@dataclass(frozen=True)
class FillPlan:
    """Where to fill to: a plan from a file, or levels in mm; ``hold_s`` seconds at each that doesn't say."""

    plan: Path | None = None
    levels_mm: tuple[float, ...] | None = None
    hold_s: float | None = None

    def steps(self, sensor: Sensor, tank: Tank) -> tuple[Step, ...]:
        """The steps of the plan; none without one."""
        from dataset.live.plans import HOLD_S, plan_of_levels, read_plan

        hold_s = HOLD_S if self.hold_s is None else self.hold_s
        if self.plan is not None and self.levels_mm is not None:
            raise InputError("plan and levels_mm", "both", "one of them", fields=("plan", "levels_mm"))
        if self.plan is not None:
            return read_plan(self.plan, sensor, tank, hold_s)
        return () if self.levels_mm is None else plan_of_levels(self.levels_mm, sensor, tank, hold_s)


@dataclass(frozen=True)
class ReadOff:
    """How sure levels are that an operator enters: those read off, and those that follow from a mass; and
    the instruments that they are measured with.
    """

    level_u_mm: float | None = None
    labelling: Labelling | None = None
    instruments: tuple[Calibrations, ...] = ()


def stated_of(about: Circumstances, read_off: ReadOff, *, simulated: bool = False) -> Stated:
    """What is stated of a live capture that begins as ``about`` says, or now.

    Raises:
        InputError: an instrument that was not calibrated yet, or two of one kind; a labelling that cannot be.
    """
    from dataset.labels.instruments import used_at
    from dataset.labels.marking import Labelling, check_labelling
    from dataset.live.stated import Stated
    from dataset.values import now_instant

    used = used_at(read_off.instruments, about.occasion.started or now_instant())
    labelling = read_off.labelling
    if used.calibrations:
        labelling = used.over(labelling or Labelling(about.liquid))
    if labelling is not None:
        check_labelling(labelling)
    return Stated(
        read_off.level_u_mm if labelling is None else labelling.level_u(read_off.level_u_mm),
        labelling,
        about.condition,
        about.note,
        simulated,
        about.occasion,
        about.tags,
        used,
    )


@dataclass(frozen=True)
class LiveCapture:
    """A capture that is open, its channels in order, and where its bytes come from."""

    name: str
    channels: tuple[str, ...]
    capture: Capture
    source: ByteSource


def begin_capture(
    store: Store, name: str, circumstances: Circumstances, port: Port, plan: FillPlan, read_off: ReadOff
) -> LiveCapture:
    """Begin a live capture under ``name``.

    Raises:
        InputError: a plan that doesn't fit, a name that an open capture has, or a port that can't be opened;
            there is no capture then.
    """
    from dataset.live.capture import Capture

    stated = stated_of(circumstances, read_off)
    sensor, tank = circumstances.mounting.sensor, circumstances.mounting.tank
    steps = plan.steps(sensor, tank)
    source = port.open()  # before there is a capture that nothing could come into
    unit, liquid, mounting = circumstances.unit, circumstances.liquid, circumstances.mounting
    capture = Capture.begin(store, name, unit, liquid, mounting, steps, stated)
    return LiveCapture(name, sensor.channel_names, capture, source)


def resume_capture(store: Store, name: str, port: Port) -> LiveCapture:
    """Go on with the open capture ``name``; NotFoundError where there is none."""
    from dataset.live.capture import Capture

    channels = store.open_capture(name).mounting.sensor.channel_names
    source = port.open()
    return LiveCapture(name, channels, Capture.resume(store, name), source)


def run_capture(
    live: LiveCapture,
    entry: Callable[[View], str | None],
    show: Callable[[View], None],
    *,
    frames: int | None,
    stop: Callable[[], bool],
) -> bool:
    """Capture to the end of the plan or of the stream, to ``frames`` frames, or until told to stop.

    Returns:
        Whether it came to its end, so that it may be sealed; it is kept open either way.
    """
    from dataset.live.loop import run

    try:
        run(live.capture, live.source, entry, show, stop_at=frames, stop=stop)
    finally:
        live.source.close()
    return not stop()


def seal_capture(store: Store, name: str) -> Session:
    """Make the open capture ``name`` a session, with the marks it has."""
    from dataset.live.capture import Capture

    return Capture.open(store, name).seal()
