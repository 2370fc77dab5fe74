"""Range analysis: the interval of every value for every input and state in the declared domain.

Intervals follow the actual weights and tables, rounding addends included. A program whose values could leave
int32, or whose state could leave its declared range, is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from dataset.errors import ProgramError
from training.program.layers import Dense, Hinge, Running, Trees
from training.program.model import NO_LEVEL, OUTPUTS, Node, Program
from training.program.ops import (
    Abs,
    Add,
    ArgMax,
    Attribute,
    Attributes,
    Clip,
    Concat,
    Const,
    Divide,
    Greater,
    Interval,
    Lookup,
    Max,
    Mul,
    Op,
    Ratio,
    ReduceMax,
    Shift,
    Sub,
    Take,
    Where,
)

_ALL: tuple[Op, ...] = (
    Const(),
    Add(),
    Sub(),
    Mul(),
    Abs(),
    Max(),
    Greater(),
    Where(),
    Clip(),
    Shift(),
    Divide(),
    Ratio(),
    Take(),
    Concat(),
    ReduceMax(),
    ArgMax(),
    Lookup(),
    Dense(),
    Hinge(),
    Trees(),
    Running(),
)
OPS: Mapping[str, Op] = {op.name: op for op in _ALL}

# What the outputs may be: a level needs no more than the span, validity, flags and reason are codes.
_VALIDITY_MAX, _REASON_MAX = 2, 4
_FLAGS_MAX = {1: 31, 2: 15}  # by format
MOST_TRIM_KINDS = 3
MOST_POUR_S = 0x7FFF
# How large a program may be: far above what fits the chips in question, and little enough that a program from
# anywhere is analysed, written and run in seconds.
MOST_WORK = 100_000  # numbers that a section looks at, NODE_WORK of them for each node
NODE_WORK = 40
MOST_KEPT = 1024  # values of the state, and of what is prepared
MOST_STEPS = 4_000_000  # roots times nodes of a forest


def node_interval(name: str, op: str, attributes: Attributes, inputs: list[Interval]) -> Interval:
    """The interval of one operation's result; ProgramError names the node when it is malformed or could
    overflow.
    """
    rules = OPS.get(op)
    if rules is None:
        raise ProgramError(f"node '{name}'", f"operation '{op}'", "one of " + ", ".join(OPS))
    if set(attributes) != set(rules.attributes):
        raise ProgramError(
            f"node '{name}' ({op})", f"attributes {sorted(attributes)}", f"{sorted(rules.attributes)}"
        )
    wrong = not inputs if rules.arity is None else len(inputs) != rules.arity
    if wrong:
        raise ProgramError(f"node '{name}' ({op})", f"{len(inputs)} inputs", f"{rules.arity or 'at least 1'}")
    try:
        size = rules.size([i.size for i in inputs], attributes)
        _check_work(work(op, size, [i.size for i in inputs], attributes))
        result = rules.bounds(inputs, attributes)
    except ProgramError as error:
        raise ProgramError(
            f"node '{name}' ({op}): {error.where}", error.found, error.expected, error.hint
        ) from error
    if result.size != size:
        raise ProgramError(f"node '{name}' ({op})", f"{result.size} elements", f"{size}")
    return result


def work(op: str, size: int, inputs: Sequence[int], attributes: Attributes) -> int:
    """How many numbers an operation looks at: elements of its inputs and its result, entries of its tables.

    Tables that are searched count once for each element; ProgramError for a forest of too many ways.
    """
    entries = {name: _entries(value) for name, value in attributes.items()}
    if op == "trees" and entries["roots"] * entries["child"] > MOST_STEPS:
        raise ProgramError("trees", f"{entries['roots']} roots", "fewer roots, or fewer nodes", "")
    searched = size if op in ("hinge", "lookup") else 1
    return NODE_WORK + size + sum(inputs) + searched * sum(entries.values())


def _entries(value: Attribute) -> int:
    if isinstance(value, int):
        return 0
    return sum(len(row) if isinstance(row, tuple) else 1 for row in value)


def _check_work(total: int) -> None:
    if total > MOST_WORK:
        raise ProgramError(
            "the size of the program", f"{total} numbers to look at", f"at most {MOST_WORK} in a section"
        )


def propagate(
    nodes: Iterable[Node], known: Mapping[str, Interval]
) -> tuple[tuple[Node, ...], dict[str, Interval]]:
    """Give every node its interval, starting from the ``known`` ones; returns the nodes and all intervals by
    name.
    """
    intervals, result, total = dict(known), [], 0
    for node in nodes:
        if node.name in intervals:
            raise ProgramError(f"node '{node.name}'", "a name used twice", "a name of its own")
        missing = [i for i in node.inputs if i not in intervals]
        if missing:
            raise ProgramError(
                f"node '{node.name}'", f"input '{missing[0]}' is not defined before it", "an earlier value"
            )
        interval = node_interval(node.name, node.op, node.attributes, [intervals[i] for i in node.inputs])
        total += work(node.op, interval.size, [intervals[i].size for i in node.inputs], node.attributes)
        _check_work(total)
        intervals[node.name] = interval
        result.append(replace(node, interval=interval))
    return tuple(result), intervals


def analyse(program: Program) -> Program:
    """The same program with every interval computed; ProgramError when it could overflow or leave its
    declarations.
    """
    _check_declarations(program)
    prepare, prepared_known = propagate(
        program.prepare, {} if program.trim is None else {"trim": program.trim}
    )
    missing = [name for name in program.prepared if name not in prepared_known]
    if missing:
        raise ProgramError("prepared", f"'{missing[0]}' is not computed by prepare", "a node of prepare")
    program = replace(program, prepare=prepare)
    if program.prepared_size > MOST_KEPT:
        raise ProgramError("prepared", f"{program.prepared_size} values", f"at most {MOST_KEPT}")
    known = program.inputs | program.prepared_intervals | {s.name: s.interval for s in program.states}
    step, intervals = propagate(program.step, known)
    for state in program.states:
        _check_state(state.name, state.initial, state.interval, intervals.get(state.next))
    _check_outputs(program, intervals)
    return replace(program, step=step)


def _check_declarations(program: Program) -> None:
    for what, value, low, high in (
        ("count_bits", program.count_bits, 1, 24),
        ("count_scale", program.count_scale, 1, 0xFFFF),
        ("channels", program.channels, 1, 24),
        ("period_ms", program.period_ms, 1, 3_600_000),
        ("period_tolerance_pct", program.period_tolerance_pct, 0, 100),
        ("settling_frames", program.settling_frames, 0, 65_535),
        ("span", program.span, 1, 2**24),
        ("longest_pour_s", program.longest_pour_s, 0, MOST_POUR_S),
    ):
        if not low <= value <= high:
            raise ProgramError(what, str(value), f"{low} to {high}")
    if program.state_size > MOST_KEPT:
        raise ProgramError("states", f"{program.state_size} values", f"at most {MOST_KEPT}")
    if program.trim is None and program.prepare:
        raise ProgramError("prepare", "operations without a trim", "a declared trim range")
    wanted = program.channels * len(program.trim_kinds)
    if program.trim is not None and program.trim.size != wanted:
        raise ProgramError("trim", f"{program.trim.size} ranges", f"{wanted}, one per channel and kind")
    if not 1 <= len(program.trim_kinds) <= MOST_TRIM_KINDS or len(set(program.trim_kinds)) < len(
        program.trim_kinds
    ):
        raise ProgramError("trim_kinds", f"{program.trim_kinds}", f"1 to {MOST_TRIM_KINDS} different kinds")
    _check_swing(program)


def _check_swing(program: Program) -> None:
    """A swing needs two kinds of trim, and some trim inside the limits must have one that is accepted."""
    swing, trim, n = program.swing, program.trim, program.channels
    if swing is None:
        return
    if trim is None or len(program.trim_kinds) < 2:
        raise ProgramError("swing", "a range of swings", "none, without a second kind of trim")
    if swing.size != n:
        raise ProgramError("swing", f"{swing.size} ranges", f"{n}, one per channel")
    for k in range(n):
        least, most = trim.low[n + k] - trim.high[k], trim.high[n + k] - trim.low[k]
        if max(least, swing.low[k]) > min(most, swing.high[k]):
            raise ProgramError(
                f"swing, channel {k}",
                f"[{swing.low[k]}, {swing.high[k]}]",
                f"a range that trims inside the limits can have, [{least}, {most}]",
            )


def _check_state(name: str, initial: tuple[int, ...], declared: Interval, renewed: Interval | None) -> None:
    if renewed is None or renewed.size != declared.size or len(initial) != declared.size:
        raise ProgramError(
            f"state '{name}'",
            "no next value of its size",
            "a node of step and an initial value of equal size",
        )
    for k, (low, high) in enumerate(zip(declared.low, declared.high, strict=True)):
        if not low <= initial[k] <= high:
            raise ProgramError(
                f"state '{name}'[{k}]", f"starts at {initial[k]}", f"a start inside [{low}, {high}]"
            )
        if renewed.low[k] < low or renewed.high[k] > high:
            raise ProgramError(
                f"state '{name}'[{k}]",
                f"can become [{renewed.low[k]}, {renewed.high[k]}]",
                f"values inside its declared [{low}, {high}]",
            )


def _check_outputs(program: Program, intervals: Mapping[str, Interval]) -> None:
    if set(program.outputs) != set(OUTPUTS):
        raise ProgramError("outputs", f"{sorted(program.outputs)}", f"{sorted(OUTPUTS)}")
    allowed = dict.fromkeys(OUTPUTS, (NO_LEVEL, program.span)) | {
        "validity": (0, _VALIDITY_MAX),
        "flags": (0, _FLAGS_MAX[program.format]),
        "reason": (0, _REASON_MAX),
    }
    for output, node in program.outputs.items():
        interval = intervals.get(node)
        low, high = allowed[output]
        if interval is None or interval.size != 1:
            raise ProgramError(
                f"output '{output}'", f"'{node}' is not a single value of step", "a node of size 1"
            )
        if interval.low[0] < low or interval.high[0] > high:
            raise ProgramError(
                f"output '{output}'",
                f"can reach [{interval.low[0]}, {interval.high[0]}]",
                f"values inside [{low}, {high}]",
            )
