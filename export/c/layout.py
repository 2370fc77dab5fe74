"""What the C templates need to know of a program: where each value lives, which nodes share a loop, and the
tables.

Vectors that outlive the loop that makes them live in the scratch words, whose slots are used again as soon as
a value is dead; single values are locals.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from export.c.text import TYPE_BYTES, hex_words, literal, narrowest, numbers
from training.program import Interval, Node, matrix, scalar, vector
from training.program.ops import Ints

# Operations whose element k needs only elements k of its inputs, so that neighbours can share one loop.
ELEMENTWISE = frozenset(
    (
        "add",
        "sub",
        "mul",
        "abs",
        "max",
        "greater",
        "where",
        "clip",
        "shift",
        "divide",
        "ratio",
        "lookup",
        "hinge",
        "running",
    )
)

POOLS = {
    "int32_t": "words",
    "int16_t": "halves",
    "uint16_t": "counts",
    "int8_t": "bytes",
    "uint8_t": "octets",
}  # their names in the scratch
_PACK = {"uint8_t": "B", "int8_t": "b", "uint16_t": "H", "int16_t": "h", "uint32_t": "I", "int32_t": "i"}


@dataclass(frozen=True)
class Value:
    """Where C finds a value: ``base`` itself when it is single, else element ``offset + index`` of the array
    ``base``.
    """

    base: str
    single: bool
    offset: int = 0
    ctype: str = "int32_t"  # of the array's elements, or of the member that a single value is put into
    truth: bool = False  # a single value that is a bool
    member: bool = False  # a single value that has its place, and is no local
    literal: bool = False

    @property
    def narrow(self) -> bool:
        return self.ctype != "int32_t"

    def at(self, index: str | int) -> str:
        """The C expression of one element; ``index`` is a number or the name of a loop's counter."""
        if self.truth:
            return f"({self.base} ? 1 : 0)"
        where = self.base if self.single else self._element(index)
        return f"(int32_t){where}" if self.narrow else where

    def holds(self) -> str:
        """The C condition that the single value is not 0."""
        return atom(self.base) if self.truth else f"({self.at(0)} != 0)"

    def define(self, text: str) -> str:
        """The C statement that gives a single value what it is, without what stands behind it."""
        if self.truth and not self.member:
            return f"const bool {self.base} = {text};"
        if self.member:
            return f"{self.base} = {f'({self.ctype}){atom(text)}' if self.narrow else text};"
        return f"const int32_t {self.base} = {text};"

    def put(self, index: str | int, text: str) -> str:
        """The C statement that stores ``text`` in one element; ranges have shown that it fits."""
        if not self.narrow:
            return f"{self._element(index)} = {text};"
        return f"{self._element(index)} = ({self.ctype}){atom(text)};"

    def pointer(self) -> str:
        """The C expression of the address of the first element."""
        return f"&{self.base}[{self.offset}U]"

    def _element(self, index: str | int) -> str:
        if isinstance(index, int):
            return f"{self.base}[{self.offset + index}U]"
        return f"{self.base}[{self.offset}U + {index}]" if self.offset else f"{self.base}[{index}]"


@dataclass(frozen=True)
class Unit:
    """Nodes that are computed together: one node, a layer with its shift and its clip ('layer'), a loop over
    ``length`` elements ('loop'), what one condition chooses ('choice'), or constants chosen by one condition
    after the other ('ladder', from the weakest on).
    """

    nodes: tuple[Node, ...]  # those of branches too
    length: int = 1
    kind: str = "single"
    condition: str = ""  # of a choice
    chosen: tuple[Node, ...] = ()
    then: tuple[Unit, ...] = ()
    other: tuple[Unit, ...] = ()


def atom(text: str) -> str:
    """``text`` so that an operator before it takes all of it."""
    plain = re.fullmatch(r"\w+(->\w+(\[\d+U\])?)?|\(-\d+\)", text)
    return text if plain or _in_parentheses(text) else f"({text})"


def _in_parentheses(text: str) -> bool:
    """Whether one pair of parentheses stands around all of ``text``."""
    depth = 0
    for k, c in enumerate(text):
        depth += (c == "(") - (c == ")")
        if depth == 0 and k < len(text) - 1:
            return False
    return text[:1] == "("


def negated(condition: str) -> str:
    """The opposite of a condition in parentheses or of a name."""
    same = re.fullmatch(r"\(([^()]+) != 0\)", condition)
    return f"({same[1]} == 0)" if same else f"(!{condition})"


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


def windows(
    nodes: Sequence[Node], sizes: Mapping[str, int], keep: Iterable[str]
) -> dict[str, tuple[str, int]]:
    """Takes that need no copy, as (row, offset): neighbours taken from a longer row are read where the row
    lies.

    A take of the whole row is copied: its reader could share a loop with the row's maker, before the row is
    stored. What is kept is copied too, since the row behind it may be a state that is renewed first.
    """
    kept, in_row = set(keep), dict[str, tuple[str, int]]()
    for node in nodes:
        if (
            node.op != "take"
            or node.size == 1
            or sizes[node.inputs[0]] in (1, node.size)
            or node.name in kept
        ):
            continue
        indices = vector(node.attributes, "indices")
        if indices == tuple(range(indices[0], indices[0] + node.size)):
            row, offset = in_row.get(node.inputs[0], (node.inputs[0], 0))
            in_row[node.name] = (row, offset + indices[0])
    return in_row


def fusions(nodes: Sequence[Node], keep: Iterable[str]) -> dict[str, tuple[Node, ...]]:
    """Dense layers of several rows and columns whose sums go nowhere but into one shift and one clip: by the
    layer's name, all three.
    """
    readers: dict[str, list[Node]] = {}
    for node in nodes:
        for name in node.inputs:
            readers.setdefault(name, []).append(node)
    kept, chains = set(keep), dict[str, tuple[Node, ...]]()
    for node in nodes:
        if node.op != "dense" or node.size == 1 or len(matrix(node.attributes, "weights")[0]) == 1:
            continue
        chain = [node]
        for op in ("shift", "clip"):
            then = readers.get(chain[-1].name, [])
            if len(then) == 1 and then[0].op == op and chain[-1].name not in kept:
                chain.append(then[0])
        if len(chain) == 3 and scalar(chain[1].attributes, "shift"):
            chains[node.name] = tuple(chain)
    return chains


def last_uses(
    parts: Sequence[Unit], keep: Iterable[str], through: Mapping[str, tuple[str, int]]
) -> dict[str, int]:
    """The index of the last group that reads each value, itself or ``through`` its place in a row; one past
    the end for what is kept.
    """
    last: dict[str, int] = {}
    for k, group in enumerate(parts):
        for name in (name for node in group.nodes for name in node.inputs):
            last[outermost_row(name, through)] = k
    return last | {outermost_row(name, through): len(parts) for name in keep}


def outermost_row(name: str, through: Mapping[str, tuple[str, int]]) -> str:
    """The row in which ``name`` lies, its own when it lies in no other."""
    while name in through:
        name = through[name][0]
    return name


def placed_in_concat(
    parts: Sequence[Unit], sizes: Mapping[str, int], unplaced: Collection[str] = ()
) -> dict[str, tuple[str, int]]:
    """Rows that are made where a concatenation wants them, as (concatenation, offset), so that it need not
    copy them; ``unplaced`` ones are no rows of the scratch. What is kept keeps the whole concatenation in its
    place to the end.
    """
    places = dict[str, tuple[str, int]]()
    movable = {
        node.name
        for group in parts
        for node in (group.nodes[-1:] if group.kind == "layer" else group.nodes)
        if node.size > 1 and node.name not in unplaced
    }
    for joined in (
        group.nodes[0] for group in parts if group.nodes[0].op == "concat" and group.nodes[0].size > 1
    ):
        start = 0
        for name in joined.inputs:
            if name in movable and name not in places and joined.inputs.count(name) == 1:
                places[name] = (joined.name, start)
            start += sizes[name]
    return places


def storage(interval: Interval) -> str:
    """The type in which a row is kept: signed before unsigned of the same width, so that layers can share a
    kernel.
    """
    low, high = min(interval.low), max(interval.high)
    signed = next(
        t
        for t, most in (("int8_t", 0x7F), ("int16_t", 0x7FFF), ("int32_t", 0x7FFFFFFF))
        if -most - 1 <= low and high <= most
    )
    narrow, width = narrowest((low, high))
    return narrow if width < TYPE_BYTES[signed] else signed


@dataclass(frozen=True)
class Slots:
    """Where rows lie in the scratch: type and first element of each, and the elements of each type in all."""

    at: Mapping[str, tuple[str, int]]
    lengths: Mapping[str, int]


def scratch_slots(
    parts: Sequence[Unit],
    keep: Iterable[str],
    placed: Iterable[str],
    through: Mapping[str, tuple[str, int]],
) -> Slots:
    """Places in the scratch of the rows that need one, each type in an array of its own, first fit.

    Values in ``placed`` have a place elsewhere, those in ``through`` lie in another row. A loop may store a
    result over an operand of
    the same length that nobody reads later: it reads element k of everything before it stores element k. (A
    window onto part of a row never has the row's length, so a row is not stored over while it is read at
    another place.)
    """
    last, elsewhere = last_uses(parts, keep, through), set(placed)
    nodes = {node.name: node for group in parts for node in group.nodes}
    at: dict[str, tuple[str, int]] = {}
    alive: dict[str, int] = {}  # name -> elements
    lengths: dict[str, int] = {}
    for k, group in enumerate(parts):
        dying = [n for n, size in alive.items() if last.get(n, k) <= k and size == group.length > 1]
        for result in group.nodes:
            row = outermost_row(result.name, through)
            if result.size == 1 or row in elsewhere or row in at or last.get(row, k) <= k:
                continue
            node = nodes[row]
            ctype = storage(node.interval)
            over = next((n for n in dying if at[n][0] == ctype and node.size == alive[n]), None)
            if over is not None:
                dying.remove(over)
                at[row] = at[over]
            else:
                at[row] = (
                    ctype,
                    _first_gap(
                        ((at[n][1], size) for n, size in alive.items() if at[n][0] == ctype), node.size
                    ),
                )
            alive[row] = node.size
            lengths[ctype] = max(lengths.get(ctype, 0), at[row][1] + node.size)
        alive = {n: size for n, size in alive.items() if last[n] > k}
    return Slots(at, {t: lengths[t] for t in sorted(lengths, key=lambda t: (-TYPE_BYTES[t], t))})


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
    values: Ints
    row: int  # entries a row; 0 for a plain row of numbers
    formula: str

    @property
    def width(self) -> int:
        """Bytes of an entry."""
        return TYPE_BYTES[self.ctype]

    @property
    def shape(self) -> tuple[int, ...]:
        return (len(self.values) // self.row, self.row) if self.row else (len(self.values),)

    @property
    def initialiser(self) -> str:
        if not self.row:
            return "    " + (
                hex_words(self.values, "    ") if self.ctype == "uint32_t" else numbers(self.values, "    ")
            )
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

    def add(self, name: str, values: Sequence[int], formula: str, row: int = 0, ctype: str = "") -> Value:
        """Keep ``values``; gives where C finds them. ``row`` > 0 makes an array of rows of that length;
        ``ctype`` asks for a type.
        """
        ctype = ctype or narrowest(values)[0]
        table = Table(self._free(name), ctype, tuple(values), row, formula)
        for known in self._members.values():
            if (known.ctype, known.values, known.row) == (table.ctype, table.values, table.row):
                table = known
        self._members[table.name] = table
        return Value(f"{self.symbol}.{table.name}", single=False, ctype=ctype)

    def _free(self, name: str) -> str:
        k, free = 2, name
        while free in self._members:
            free, k = f"{name}_{k}", k + 1
        return free

    @property
    def members(self) -> tuple[Table, ...]:
        """By falling alignment, and filled up to the widest with zeros, so that the compiler
        adds no padding.
        """
        ordered = sorted(self._members.values(), key=lambda t: -t.width)
        if not ordered:
            return ()
        over = sum(len(t.content) for t in ordered) % ordered[0].width
        if over:
            ordered.append(
                Table(
                    "filler",
                    "uint8_t",
                    (0,) * (ordered[0].width - over),
                    0,
                    "fills the last word, so that every byte counts in the CRC",
                )
            )
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
    return {
        n.name: Value(literal(n.interval.low[0]), single=True, literal=True) for n in nodes if is_literal(n)
    }
