"""Builds programs node by node, computing each range as it goes, so that a mistake is met where
it is made.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from training.program.model import DEFAULT_TRIM_KIND, Node, Program, State
from training.program.ops import Attribute, Interval, Ints
from training.program.ranges import analyse, node_interval
from training.program.reasons import with_reason


@dataclass
class Builder:
    """Collects the nodes of one program. Values are referred to by name; ``node`` returns the name it gave.

    ``trim_range``: (low, high) count accepted of every channel's trim, or an interval with bounds for each
        count of each of
    ``trim_kinds``; None for a program without trim. ``swing``, the keys of
    the sensor and ``longest_pour_s``: see ``Program``.
    """

    name: str
    count_bits: int
    channels: int
    period_ms: int
    span: int
    period_tolerance_pct: int = 10
    settling_frames: int = 0
    trim_range: tuple[int, int] | Interval | None = None
    notes: Mapping[str, str] = field(default_factory=dict)
    trim_kinds: tuple[str, ...] = (DEFAULT_TRIM_KIND,)
    swing: Interval | None = None
    sensor_key: int = 0
    sensor_key_1: int = 0
    longest_pour_s: int = 0
    _prepare: list[Node] = field(default_factory=list)
    _prepared: list[str] = field(default_factory=list)
    _step: list[Node] = field(default_factory=list)
    _states: list[State] = field(default_factory=list)
    _known: dict[str, Interval] = field(default_factory=dict)

    def __post_init__(self) -> None:
        program = self._program({})
        self._known |= program.inputs
        if program.trim is not None:
            self._known["trim"] = program.trim

    def node(self, op: str, *inputs: str, name: str = "", scale: str = "", **attributes: Attribute) -> str:
        """Append an operation to the step section; returns its name (made up when not given)."""
        return self._append(self._step, op, inputs, name, scale, attributes)

    def prepare_node(
        self,
        op: str,
        *inputs: str,
        name: str = "",
        scale: str = "",
        keep: bool = False,
        **attributes: Attribute,
    ) -> str:
        """Append an operation to the prepare section; ``keep`` hands its value on to step."""
        node = self._append(self._prepare, op, inputs, name, scale, attributes)
        if keep:
            self._prepared.append(node)
        return node

    def const(self, *values: int, name: str = "", scale: str = "") -> str:
        """A row of constants in the step section."""
        return self.node("const", name=name, scale=scale, values=tuple(values))

    def state(self, name: str, initial: Ints, low: Ints, high: Ints) -> str:
        """Declare a state; ``renew`` must name its next value before ``finish``."""
        self._known[name] = Interval(low, high)
        self._states.append(State(name, initial, Interval(low, high), ""))
        return name

    def renew(self, name: str, value: str) -> None:
        """Say which value the state ``name`` takes for the next frame."""
        self._states = [
            State(s.name, s.initial, s.interval, value) if s.name == name else s for s in self._states
        ]

    def interval(self, name: str) -> Interval:
        """The interval of a value built so far."""
        return self._known[name]

    def finish(self, **outputs: str) -> Program:
        """The analysed program; ``outputs`` gives low, level, high, validity, flags and reason.

        Where no reason is given, it follows from validity and flags (see ``reasons``).
        """
        program = self._program(outputs)
        return analyse(program if "reason" in outputs else with_reason(program))

    def _append(
        self,
        section: list[Node],
        op: str,
        inputs: tuple[str, ...],
        name: str,
        scale: str,
        attributes: Mapping[str, Attribute],
    ) -> str:
        name = name or f"v{len(self._prepare) + len(self._step)}"
        interval = node_interval(name, op, attributes, [self._known[i] for i in inputs])
        section.append(Node(name, op, inputs, dict(attributes), interval, scale))
        self._known[name] = interval
        return name

    def _program(self, outputs: Mapping[str, str]) -> Program:
        trim, size = self.trim_range, self.channels * len(self.trim_kinds)
        if trim is not None and not isinstance(trim, Interval):
            trim = Interval((trim[0],) * size, (trim[1],) * size)
        return Program(
            name=self.name,
            count_bits=self.count_bits,
            channels=self.channels,
            period_ms=self.period_ms,
            period_tolerance_pct=self.period_tolerance_pct,
            settling_frames=self.settling_frames,
            span=self.span,
            trim=trim,
            prepare=tuple(self._prepare),
            prepared=tuple(self._prepared),
            states=tuple(self._states),
            step=tuple(self._step),
            outputs=dict(outputs),
            notes=dict(self.notes),
            trim_kinds=self.trim_kinds,
            swing=self.swing,
            sensor_key=self.sensor_key,
            sensor_key_1=self.sensor_key_1,
            longest_pour_s=self.longest_pour_s,
        )
