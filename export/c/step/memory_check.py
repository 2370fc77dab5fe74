"""The check of state and prepared values in each frame, on request: that they are in the ranges for which the
arithmetic of a step was shown not to overflow, and that the prepared ones are those that prepare left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from export.c.layout import Tables
from export.c.memory import SUM_WORD, member_type
from export.c.ops import local, loop
from export.c.text import TYPE_RANGE, fill
from training.program import Interval, Program

_SUM = """
/*
 * The prepared values one after another, the sum turned by one binary digit before each: a change of any one
 * of them changes it.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_prepared_sum(
    const @prefix@_prepared_t *prepared)
{
    uint32_t sum = @PREFIX@_PREPARED_CHECK;
@terms@
    return sum;
}
"""

_CHECK = """
/*
 * Whether state and prepared values lie in the ranges that the arithmetic of step was proven for, and the
 * prepared ones are as they were made. Less the least and without a sign, one comparison sees both ends.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static bool @prefix@_memory_whole(
    const @prefix@_state_t *state, const @prefix@_prepared_t *prepared)
{
    bool whole = @start@;
@tests@
    return whole;
}
"""


def memory_check(program: Program, prefix: str, tables: Tables) -> str:
    """The functions; a program that keeps nothing has none."""
    if not keeps(program):
        return ""
    gaps = {"prefix": prefix, "PREFIX": prefix.upper(), "start": "true"}
    text = ""
    states = {state.name: state.interval for state in program.states}
    if sums(program):
        terms = {name: _term(name, interval) for name, interval in program.prepared_intervals.items()}
        gaps |= {"terms": _indented(_by_size(program.prepared_intervals, terms))}
        gaps["start"] = f"({prefix}_prepared_sum(prepared) == prepared->{SUM_WORD})"
        text = fill(_SUM, gaps)
    lines = list[str]()
    for owner, intervals in (("prepared", program.prepared_intervals), ("state", states)):
        tests = {name: _test(owner, name, i, tables) for name, i in intervals.items()}
        lines += _by_size(intervals, {name: test for name, test in tests.items() if test})
    said = [gaps["start"], *lines]
    unused = [f"(void){owner};" for owner in ("state", "prepared") if f"{owner}->" not in "".join(said)]
    return text + fill(_CHECK, gaps | {"tests": _indented([*unused, *lines])})


def sums(program: Program) -> bool:
    """Whether there is anything that the sum goes over."""
    return bool(program.prepared_intervals)


def keeps(program: Program) -> bool:
    """Whether there is anything to check."""
    return bool(program.prepared_intervals) or bool(program.states)


def _term(name: str, interval: Interval) -> str:
    index = "[k]" if interval.size > 1 else ""
    return f"sum = ((sum << 1U) | (sum >> 31U)) ^ (uint32_t)prepared->{local(name)}{index};"


def _test(owner: str, name: str, interval: Interval, tables: Tables) -> str:
    """The comparison of a value, or of element k of it; none where the type holds nothing else."""
    ctype = member_type(interval)
    widths = [high - low for low, high in zip(interval.low, interval.high, strict=True)]
    least, most = TYPE_RANGE[ctype]
    if max(interval.low) == least and min(interval.high) == most:
        return ""
    index = "[k]" if interval.size > 1 else ""
    value = f"(uint32_t){owner}->{local(name)}{index}"
    above = value
    if set(interval.low) != {0}:
        above = f"({value} - {_numbers(interval.low, f'm_{name}_low', tables)})"
    return f"whole = whole && ({above} <= {_numbers(widths, f'm_{name}_width', tables)});"


def _numbers(values: Sequence[int], name: str, tables: Tables) -> str:
    """A number modulo 2^32 where all elements have the same, else a table of them."""
    if len(set(values)) == 1:
        return f"0x{values[0] & 0xFFFFFFFF:08X}U"
    table = tables.add(name, values, "of the range of each element, for the check of memory")
    return f"(uint32_t){table.base}[k]"


def _by_size(intervals: Mapping[str, Interval], lines: Mapping[str, str]) -> list[str]:
    """A line for each value; those of one size share a loop."""
    result = list[str]()
    for size in dict.fromkeys(intervals[name].size for name in lines):
        same = [line for name, line in lines.items() if intervals[name].size == size]
        result += loop("k", size, same) if size > 1 else same
    return result


def _indented(lines: Sequence[str]) -> str:
    return "\n".join(f"    {line}" for line in lines)
