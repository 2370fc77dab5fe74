"""The program: the integer-only description of a trained model, and the only definition of what the chip
computes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from training.program.ops import INT32_MAX, Attributes, Interval, Ints

FORMAT = 2
READABLE = (1, FORMAT)  # a program of format 1 has no reason of its own: see ``reasons``
LEVEL_UNITS_PER_MM = 64  # levels are integers of 1/64 mm, so that a 0.5 m tank fits 16 bits
NO_LEVEL = -1  # the level of a withheld reading
TEMPERATURE_RANGE = (-1000, 2000)  # tenths of a degree Celsius
NO_TEMPERATURE = -1000  # what a board without a thermometer passes
NO_POUR = -1  # the seconds since the last pour of an appliance that does not know them

WITHHELD, VALID, EMPTY = 0, 1, 2
VALIDITY_NAMES = {WITHHELD: "withheld", VALID: "valid", EMPTY: "empty"}
FLAG_BITS = {"foam": 1, "film": 2, "out_of_range": 4, "sensor_fault": 8}  # 16 is not given again

# Why a reading is withheld; where several hold, the largest.
GIVEN, DOUBT, STRANGE, RANGE, FAULT = 0, 1, 2, 3, 4
REASON_NAMES = {GIVEN: "none", DOUBT: "doubt", STRANGE: "strange", RANGE: "range", FAULT: "fault"}

DEFAULT_TRIM_KIND = "dry"

OUTPUTS = ("low", "level", "high", "validity", "flags", "reason")


def flag_names(flags: int) -> tuple[str, ...]:
    """The names of the flags set in ``flags``."""
    return tuple(name for name, bit in FLAG_BITS.items() if flags & bit)


@dataclass(frozen=True)
class Node:
    """One operation, its operands by name, and the interval its result is declared to lie in.

    ``scale`` says what an integer step of the result stands for, such as '1/64 mm'; empty means a plain
    number.
    """

    name: str
    op: str
    inputs: tuple[str, ...]
    attributes: Attributes
    interval: Interval
    scale: str = ""

    @property
    def size(self) -> int:
        return self.interval.size


@dataclass(frozen=True)
class State:
    """Integers carried from frame to frame: what they start as, where they stay, and the node that renews
    them.
    """

    name: str
    initial: Ints
    interval: Interval
    next: str

    @property
    def size(self) -> int:
        return self.interval.size


@dataclass(frozen=True)
class Program:
    """Everything that decides a reading, in integers.

    ``prepare`` runs once at start-up on the unit's trim (for each of ``trim_kinds`` one count per channel,
    kind after kind) and yields the values named in ``prepared``; ``step`` runs once a frame on counts,
    temperature, fault mask, prepared values and state. ``trim`` bounds the trim counts that are accepted
    (None: the program uses no trim), ``swing`` for
    each channel the count of the second kind less that of the first (None: any). ``span`` is the tank's span
    in level units. ``sensor_key`` is what stored trims of the sensor carry, ``sensor_key_1`` what those of
    format 1 do (see ``dataset.canonical``; 0: none). Counts and trims are whole numbers of steps, of which
    ``count_scale`` make one count of the board. ``longest_pour_s``: the program is told how many whole
    seconds ago liquid last came in, and takes what is longer ago than this as this long; 0: it is not told.
    ``outputs`` names the node
    behind each of low, level, high, validity, flags and reason. ``format`` is that of the text it was
    read from; it is kept, and so is the digest.
    """

    name: str
    count_bits: int
    channels: int
    period_ms: int
    period_tolerance_pct: int
    settling_frames: int
    span: int
    trim: Interval | None
    prepare: tuple[Node, ...]
    prepared: tuple[str, ...]
    states: tuple[State, ...]
    step: tuple[Node, ...]
    outputs: Mapping[str, str]
    notes: Mapping[str, str] = field(default_factory=dict)
    trim_kinds: tuple[str, ...] = (DEFAULT_TRIM_KIND,)
    format: int = FORMAT
    swing: Interval | None = None
    sensor_key: int = 0
    sensor_key_1: int = 0
    count_scale: int = 1
    longest_pour_s: int = 0

    @property
    def trim_size(self) -> int:
        """How many counts the trim has; 0 for a program without."""
        return 0 if self.trim is None else self.trim.size

    @property
    def count_max(self) -> int:
        return (1 << self.count_bits) - 1

    @property
    def has_band(self) -> bool:
        """Whether low and high come of a band that was calibrated. Without one low is 0 and high the span in
        every reading, which an analysed program shows by their intervals.
        """
        intervals = {node.name: node.interval for node in self.step}
        low, high = intervals.get(self.outputs["low"]), intervals.get(self.outputs["high"])
        return low is None or high is None or max(low.high) > 0 or min(high.low) < self.span

    @property
    def inputs(self) -> dict[str, Interval]:
        """The declared domain of what ``step`` is given each frame, besides prepared values and state."""
        given = {
            "counts": Interval((0,) * self.channels, (self.count_max,) * self.channels),
            "temperature": Interval(TEMPERATURE_RANGE[:1], TEMPERATURE_RANGE[1:]),
            "faults": Interval((0,), ((1 << self.channels) - 1,)),
        }
        # a clock of seconds that nothing stops must stay inside for as long as an appliance runs
        return given | ({"since_pour": Interval((NO_POUR,), (INT32_MAX,))} if self.longest_pour_s else {})

    @property
    def prepared_intervals(self) -> dict[str, Interval]:
        """The interval of each prepared value, by name."""
        nodes = {node.name: node.interval for node in self.prepare}
        return {name: nodes[name] for name in self.prepared}

    @property
    def state_size(self) -> int:
        return sum(state.size for state in self.states)

    @property
    def prepared_size(self) -> int:
        return sum(i.size for i in self.prepared_intervals.values())
