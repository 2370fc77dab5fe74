"""What is stated of a live capture as it begins, and what a front end may show of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dataset.labels.instruments import NOTHING_USED, Used
from dataset.labels.marking import Labelling
from dataset.records import UNSTATED, Occasion


@dataclass(frozen=True)
class Stated:
    """What is stated of a live capture as it begins, and holds for the whole of it.

    Attributes:
        level_u_mm: standard uncertainty of levels that are read off.
        labelling: how a mass becomes a level; None: as the scale shows it.
        condition: conditions, as :func:`dataset.labels.conditions.read_conditions` reads them.
        note: kept with the session.
        simulated: the frames are made by the virtual rig, not measured.
        occasion: who, where and with what; a start that is not stated is the host's time at the first frame,
            unless the frames are simulated.
        tags: of the session.
        used: instruments that its levels are measured with; ``labelling`` has their uncertainties.
    """

    level_u_mm: float | None = None
    labelling: Labelling | None = None
    condition: str | None = None
    note: str = ""
    simulated: bool = False
    occasion: Occasion = UNSTATED
    tags: tuple[str, ...] = ()
    used: Used = NOTHING_USED


@dataclass(frozen=True)
class View:
    """What a front end may show.

    ``bars`` has a channel's place between dry (0) and full (1) by the unit's trims; without them between the
    first frame and the farthest count seen. ``settled``: of each channel, whether it stands still; () while
    too few frames came. ``holding``: a step's mark is running, for ``step_s`` seconds more; ``plan_s`` are
    the seconds of all holds that are left. ``ready``: frames come in, so that an entry can be taken.
    """

    name: str
    connected: bool
    frames: int
    committed: int
    session_ms: int
    rate_hz: float
    bad: Mapping[str, int]
    counts: tuple[int, ...]
    bars: tuple[float, ...]
    temperature_c: float
    prompt: str
    message: str
    marks: int
    holding: bool
    ready: bool
    finished: bool
    settled: tuple[bool, ...] = ()
    step_s: float | None = None
    plan_s: float | None = None
