"""The structs that exported C keeps its memory in: members, types and offsets, as compilers lay them
out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import prod

import numpy as np

from export.c.layout import POOLS, Tables
from export.c.ops import local
from export.c.text import TYPE_BYTES, narrowest, span_text
from training.program import OUTPUTS, Array, Interval, Program

# Members of state and prepared that are none of the program's values.
CHECK_WORD, SUM_WORD = "check", "sum"


@dataclass(frozen=True)
class Member:
    """One member of a struct. ``shape`` is empty for a single value; ``offset`` and the ``width`` of one
    element are bytes.
    """

    name: str
    ctype: str
    shape: tuple[int, ...] = ()
    comment: str = ""
    offset: int = 0

    @property
    def width(self) -> int:
        return TYPE_BYTES[self.ctype]

    @property
    def elements(self) -> int:
        return prod(self.shape)

    @property
    def end(self) -> int:
        return self.offset + self.width * self.elements

    @property
    def declaration(self) -> str:
        return f"{self.ctype} {self.name}{''.join(f'[{n}]' for n in self.shape)};"


@dataclass(frozen=True)
class Struct:
    """Members in the order of their offsets; see :func:`placed`."""

    members: tuple[Member, ...] = ()

    @property
    def end(self) -> int:
        """Bytes up to the end of the last member, without what pads the struct behind it."""
        return max((member.end for member in self.members), default=0)

    @property
    def size(self) -> int:
        """``sizeof`` the struct."""
        return _aligned(self.end, max((member.width for member in self.members), default=1))

    @property
    def values(self) -> tuple[Member, ...]:
        """The members that are values of the program."""
        return tuple(member for member in self.members if member.name not in (CHECK_WORD, SUM_WORD))

    @property
    def elements(self) -> int:
        """How many numbers the program's values are."""
        return sum(member.elements for member in self.values)

    @property
    def dtype(self) -> np.dtype[np.void]:
        """The struct for numpy, little-endian."""
        return np.dtype(
            {
                "names": [member.name for member in self.members],
                "formats": [(_number(member.ctype), member.shape) for member in self.members],
                "offsets": [member.offset for member in self.members],
                "itemsize": self.size,
            }
        )

    def table(self, copies: bytes) -> Array:
        """The program's values in copies of the struct one behind the other, int64 (copies, elements)."""
        if not self.values:
            return np.zeros((len(copies) // max(self.size, 1), 0), np.int64)
        rows = np.frombuffer(copies, self.dtype)
        columns = [
            rows[member.name].reshape(len(rows), member.elements).astype(np.int64) for member in self.values
        ]
        return np.concatenate(columns, axis=1)

    def packed(self, values: Sequence[int]) -> bytes:
        """One struct of single values, up to its end."""
        return np.array([tuple(values)], self.dtype).tobytes()[: self.end]


def placed(members: Iterable[Member]) -> Struct:
    """A struct of ``members``, each at the next multiple of its own width."""
    end, result = 0, list[Member]()
    for member in members:
        result.append(replace(member, offset=_aligned(end, member.width)))
        end = result[-1].end
    return Struct(tuple(result))


def _aligned(offset: int, width: int) -> int:
    return -(-offset // width) * width


def _number(ctype: str) -> np.dtype[np.generic]:
    return np.dtype(ctype.removesuffix("_t")).newbyteorder("<")


_READING_TYPES = dict.fromkeys(("validity", "flags", "reason"), "uint8_t")
READING = placed(Member(name, _READING_TYPES.get(name, "int32_t")) for name in OUTPUTS)


@dataclass(frozen=True)
class MemoryLayout:
    """Where a model's numbers lie: in the caller's ``state``, ``prepared``, ``scratch`` and ``reading``, and
    in its own ``tables``.
    """

    state: Struct = Struct()
    prepared: Struct = Struct()
    scratch: Struct = Struct()
    reading: Struct = READING
    tables: Struct = Struct()


def memory_layout(
    program: Program, pools: Mapping[str, int], tables: Tables, summed: bool = False
) -> MemoryLayout:
    """The layout of ``program``: ``pools`` has the elements of each type in the scratch, ``tables`` are
    complete; ``summed``: the prepared values have their sum beside them.
    """
    rows = [Member(POOLS[ctype], ctype, (length,)) for ctype, length in pools.items()]
    unused = Member("unused", "uint8_t", comment="this model needs none; C has no empty struct")
    return MemoryLayout(
        state=_checked({state.name: state.interval for state in program.states}),
        prepared=_checked(program.prepared_intervals, summed),
        scratch=placed(rows or [unused]),
        tables=placed(Member(t.name, t.ctype, t.shape, t.formula) for t in tables.members),
    )


def _checked(intervals: Mapping[str, Interval], summed: bool = False) -> Struct:
    """A check word, the sum where there is one, then values as narrow as their ranges."""
    check = Member(CHECK_WORD, "uint32_t", comment="tells memory that this model set up from any other")
    values = (
        Member(local(name), member_type(i), (i.size,) if i.size > 1 else (), span_text(i))
        for name, i in intervals.items()
    )
    total = Member(SUM_WORD, "uint32_t", comment="of the values below")
    return placed([check, *([total] if summed else []), *values])


def member_type(interval: Interval) -> str:
    """The type of a member of the state or of the prepared values."""
    return narrowest((min(interval.low), max(interval.high)))[0]
