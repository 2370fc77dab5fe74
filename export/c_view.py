"""What the C templates need to know of a program: where each value lives, which nodes share a loop, and the tables.

Vectors that outlive the loop that makes them live in the scratch words, whose slots are used again as soon as a value is
dead; single values are locals.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from export.c_text import comment_text, literal, narrowest, numbers
from training.program import Node, vector
from training.program.ops import Ints

# Operations whose element k needs only elements k of its inputs, so that neighbours can share one loop.
ELEMENTWISE = frozenset(
    ("add", "sub", "mul", "abs", "max", "greater", "where", "clip", "shift", "divide", "ratio", "lookup", "hinge", "running")
)  # fmt: skip

_PACK = {"uint8_t": "B", "int8_t": "b", "uint16_t": "H", "int16_t": "h", "int32_t": "i"}


@dataclass(frozen=True)
class Value:
    """Where C finds a value: ``base`` itself when it is single, else element ``offset + index`` of the array ``base``."""

    base: str
    single: bool
    offset: int = 0
    narrow: bool = False  # the array's elements are not int32_t

    def at(self, index: str | int) -> str:
        """The C expression of one element; ``index`` is a number or the name of a loop's counter."""
        if self.single:
            return self.base
        if isinstance(index, int):
            place = f"{self.offset + index}U"
        elif self.offset:
            place = f"{self.offset}U + {index}"
        else:
            place = index
        return f"(int32_t){self.base}[{place}]" if self.narrow else f"{self.base}[{place}]"


@dataclass(frozen=True)
class Unit:
    """Nodes that are computed together: one node, or neighbours that share a loop over ``length`` elements."""

    nodes: tuple[Node, ...]
    length: int

    @property
    def names(self) -> frozenset[str]:
        return frozenset(node.name for node in self.nodes)


def is_literal(node: Node) -> bool:
    """Whether ``node`` is a single constant, which stands where it is used and has no place of its own."""
    return node.op == "const" and node.size == 1


def live(nodes: Sequence[Node], keep: Iterable[str]) -> tuple[Node, ...]:
    """The nodes that a value in ``keep`` depends on, in their order."""
    needed, result = set(keep), []
    for node in reversed(nodes):
        if node.name in needed:
            needed |= set(node.inputs)
            result.append(node)
    return tuple(reversed(result))


def windows(nodes: Sequence[Node], sizes: Mapping[str, int], keep: Iterable[str]) -> dict[str, tuple[str, int]]:
    """Takes that need no copy, as (row, offset): neighbours taken from a longer row are read where the row lies.

    A take of the whole row is copied: its reader could share a loop with the row's maker, before the row is stored. What is
    kept is copied too, since the row behind it may be a state that is renewed first.
    """
    kept, found = set(keep), dict[str, tuple[str, int]]()
    for node in nodes:
        if node.op != "take" or node.size == 1 or sizes[node.inputs[0]] in (1, node.size) or node.name in kept:
            continue
        indices = vector(node.attributes, "indices")
        if indices == tuple(range(indices[0], indices[0] + node.size)):
            row, offset = found.get(node.inputs[0], (node.inputs[0], 0))
            found[node.name] = (row, offset + indices[0])
    return found


def units(nodes: Sequence[Node]) -> tuple[Unit, ...]:
    """Group neighbouring elementwise nodes of equal length; constants are no units, they are literals or tables."""
    result: list[Unit] = []
    for node in nodes:
        if node.op == "const":
            continue
        loops = node.op in ELEMENTWISE and node.size > 1
        if loops and result and result[-1].length == node.size:
            result[-1] = replace(result[-1], nodes=(*result[-1].nodes, node))
        else:
            result.append(Unit((node,), node.size if loops else 1))
    return tuple(result)


def last_uses(parts: Sequence[Unit], keep: Iterable[str], through: Mapping[str, tuple[str, int]]) -> dict[str, int]:
    """The index of the last unit that reads each value, itself or ``through`` a window; one past the end for what is kept."""
    found = {through.get(name, (name, 0))[0]: k for k, unit in enumerate(parts) for node in unit.nodes for name in node.inputs}
    return found | dict.fromkeys(keep, len(parts))


def scratch_slots(parts: Sequence[Unit], keep: Iterable[str], placed: Iterable[str], through: Mapping[str, tuple[str, int]]) -> tuple[dict[str, int], int]:
    """Offsets in scratch words of the vectors that need one, first fit, and the words needed in all.

    Values in ``placed`` have a place elsewhere. A loop may store a result over an operand of the same length that nobody
    reads later: it reads element k of everything before it stores element k. (A window onto part of a row never has the
    row's length, so a row is not stored over while it is read at another place.)
    """
    last, elsewhere = last_uses(parts, keep, through), set(placed)
    slots: dict[str, int] = {}
    alive: dict[str, int] = {}  # name -> words
    words = 0
    for k, unit in enumerate(parts):
        dying = [n for n, size in alive.items() if last.get(n, k) <= k and size == unit.length > 1]
        for node in unit.nodes:
            if node.size == 1 or node.name in elsewhere or last[node.name] <= k:
                continue
            if dying:
                slots[node.name] = slots[dying.pop(0)]
            else:
                slots[node.name] = _first_gap(((slots[n], size) for n, size in alive.items()), node.size)
            alive[node.name] = node.size
            words = max(words, slots[node.name] + node.size)
        alive = {n: size for n, size in alive.items() if last[n] > k}
    return slots, words


def _first_gap(taken: Iterable[tuple[int, int]], size: int) -> int:
    start = 0
    for offset, length in sorted(taken):
        if start + size <= offset:
            break
        start = max(start, offset + length)
    return start


@dataclass(frozen=True)
class Table:
    """One member of the tables: its C type, its entries, its shape, and the formula that uses it."""

    name: str
    ctype: str
    width: int
    values: Ints
    row: int  # entries a row; 0 for a plain row of numbers
    formula: str

    @property
    def declaration(self) -> str:
        shape = f"[{len(self.values) // self.row}][{self.row}]" if self.row else f"[{len(self.values)}]"
        return f"    /* {comment_text(self.formula)} */\n    {self.ctype} {self.name}{shape};"

    @property
    def initialiser(self) -> str:
        if not self.row:
            return "    " + numbers(self.values, "    ")
        rows = [self.values[k : k + self.row] for k in range(0, len(self.values), self.row)]
        return "    {\n" + ",\n".join("        " + numbers(row, "        ") for row in rows) + "\n    }"

    @property
    def content(self) -> bytes:
        return struct.pack(f"<{len(self.values)}{_PACK[self.ctype]}", *self.values)


@dataclass
class Tables:
    """Collects the tables of one program while its C is written; equal tables are kept once."""

    symbol: str
    _members: dict[str, Table] = field(default_factory=dict)

    def add(self, name: str, values: Sequence[int], formula: str, row: int = 0) -> Value:
        """Keep ``values``; gives where C finds them. ``row`` > 0 makes an array of rows of that length."""
        ctype, width = narrowest(values)
        table = Table(self._free(name), ctype, width, tuple(values), row, formula)
        for known in self._members.values():
            if (known.ctype, known.values, known.row) == (table.ctype, table.values, table.row):
                table = known
        self._members[table.name] = table
        return Value(f"{self.symbol}.{table.name}", single=False, narrow=ctype != "int32_t")

    def _free(self, name: str) -> str:
        k, free = 2, name
        while free in self._members:
            free, k = f"{name}_{k}", k + 1
        return free

    @property
    def members(self) -> tuple[Table, ...]:
        """By falling alignment, and filled up to the widest with zeros, so that the compiler adds no padding."""
        ordered = sorted(self._members.values(), key=lambda t: -t.width)
        if not ordered:
            return ()
        over = sum(len(t.content) for t in ordered) % ordered[0].width
        if over:
            ordered.append(Table("filler", "uint8_t", 1, (0,) * (ordered[0].width - over), 0, "fills the last word, so that every byte counts in the CRC"))
        return tuple(ordered)

    @property
    def content(self) -> bytes:
        """The bytes as they lie in the memory of a little-endian core."""
        return b"".join(t.content for t in self.members)

    @property
    def crc(self) -> int:
        """CRC-32 of the bytes (IEEE 802.3, reflected, as ``zlib.crc32``)."""
        return zlib.crc32(self.content)


def literals(nodes: Iterable[Node]) -> dict[str, Value]:
    """Where single constants are found: in the expressions themselves."""
    return {n.name: Value(literal(n.interval.low[0]), single=True) for n in nodes if is_literal(n)}
