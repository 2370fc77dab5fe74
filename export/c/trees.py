"""Tree ensembles in C: complete trees of equal depth in packed words where that is smaller, else a table of
nodes.

A complete tree of depth d is 2^d - 1 nodes, the root first and the children of node i at 2 i and 2 i + 1,
then 2^d leaves. A node is a
word: the place of its feature in the row in bytes, and a threshold in the upper half; a word holds two
leaves, or four where they fit a byte. A walk needs no child pointers. A leaf that lies higher up is repeated
below itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from export.c.text import fill
from export.c.thumb import TYPES, tree_walk
from training.program import Interval, Node, scalar, vector

MOST_DEPTH = 5  # offsets inside a tree fit the short forms of the instructions


@dataclass(frozen=True)
class Forest:
    """Trees in words for a row of ``ctype``; ``signed``: a threshold is t of x > t, else t + 1 of x >= t + 1,
    which needs no sign.
    """

    words: tuple[int, ...]
    trees: int
    depth: int
    ctype: str
    signed: bool
    leaf_bytes: int

    @property
    def name(self) -> str:
        return f"trees_{self.depth}_{self.ctype.removesuffix('_t')}{'_signed' if self.signed else ''}_{8 * self.leaf_bytes}"

    @property
    def size(self) -> int:
        """Words of one tree."""
        return len(self.words) // self.trees


@dataclass(frozen=True)
class _Nodes:
    """The program's table of nodes, and what each feature can be."""

    feature: Sequence[int]
    threshold: Sequence[int]
    child: Sequence[int]
    value: Sequence[int]
    x: Interval

    def below(self, node: int) -> tuple[int, int]:
        """The children that inputs in range can reach; both the same where only one can be."""
        low, high = self.x.at(self.feature[node])
        left = self.child[node]
        if left == node or self.threshold[node] >= high:
            return left, left
        return (left + 1, left + 1) if self.threshold[node] < low else (left, left + 1)


def pack_forest(node: Node, x: Interval, ctype: str, most_bytes: int) -> Forest | None:
    """The ensemble in words; None where a feature, a threshold or a leaf has no room, or where it takes more
    than ``most_bytes``.
    """
    roots, depth = vector(node.attributes, "roots"), scalar(node.attributes, "depth")
    if depth > MOST_DEPTH or 5 * len(roots) << depth > 2 * most_bytes:  # before a deep tree is written out
        return None
    feature, threshold, child, value = (
        vector(node.attributes, n) for n in ("feature", "threshold", "child", "value")
    )
    nodes = _Nodes(feature, threshold, child, value, x)
    signed, trees = min(x.low) < 0, [_complete(nodes, root, depth) for root in roots]
    leaves = [v for _, row in trees for v in row]
    leaf_bytes = 1 if depth > 1 and all(-0x80 <= v <= 0x7F for v in leaves) else 2
    packed = list[int]()
    for inner, row in trees:
        words = [_word(nodes, k, TYPES[ctype].size, signed) for k in inner]
        if None in words or not all(-0x8000 <= v <= 0x7FFF for v in row):
            return None
        packed += [word for word in words if word is not None]
        packed += np.asarray(row, dtype=f"<i{leaf_bytes}").view("<u4").tolist()
    return (
        Forest(tuple(packed), len(roots), depth, ctype, signed, leaf_bytes)
        if 4 * len(packed) <= most_bytes
        else None
    )


def _complete(nodes: _Nodes, root: int, depth: int) -> tuple[list[int], list[int]]:
    """The nodes of a tree, level after level, and the values of its leaves."""
    inner, level = list[int](), [root]
    for _ in range(depth):
        inner += level
        level = [below for k in level for below in nodes.below(k)]
    return inner, [nodes.value[k] for k in level]


def _word(nodes: _Nodes, k: int, size: int, signed: bool) -> int | None:
    """The word of a node; one that decides nothing may compare with anything."""
    if len(set(nodes.below(k))) == 1:
        return 0
    place, limit = nodes.feature[k] * size, nodes.threshold[k] + (0 if signed else 1)
    fits = place <= 0xFF and (-0x8000 <= limit <= 0x7FFF if signed else 0 <= limit <= 0xFFFF)
    return place | (limit & 0xFFFF) << 16 if fits else None


_HALF = "(int32_t)(int16_t)((tree[(node / 2U) + @first@U] >> (16U * (node & 1U))) & 0xFFFFU)"
_BYTE = "(int32_t)(int8_t)((tree[(node / 4U) + @first@U] >> (8U * (node & 3U))) & 0xFFU)"

# A level of the walk: unrolled, and the feature read at its place in bytes, it takes 14.5 cycles on a core of
# ARMv6-M where a loop that indexes takes 24.
_LEVEL = """\
        word = tree[node - 1U];
        /* the sign: set where the feature is above the threshold */
        node = (2U * node) + ((uint32_t)(@limit@ - (int32_t)*(const @x@ *)(const void *)&row[word & 0xFFU]) >> 31U);"""

_FUNCTION = """
/* The sum over complete trees of depth @depth@ of the leaf that x reaches; a node's word is its feature's place in bytes and its threshold. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static int32_t @prefix@_@name@(const uint32_t *tree, const @x@ *x, uint32_t trees)
{
    const uint32_t *const end = &tree[trees * @words@U];
    int32_t sum = 0;
#if defined(@PREFIX@_ASM) && defined(__GNUC__) && defined(__ARM_ARCH_6M__)
@thumb@
#else
    const uint8_t *const row = (const uint8_t *)x;
    while (tree != end) {
        uint32_t word;
        uint32_t node = 1U;
@levels@
        sum += @leaf@;
        tree = &tree[@words@U];
    }
#endif
    return sum;
}
"""


def forest_function(forest: Forest, prefix: str) -> str:
    """The C of the walk that every forest of this depth and row shares."""
    count = 1 << forest.depth
    limit = "(int32_t)(int16_t)(word >> 16U)" if forest.signed else "((int32_t)(word >> 16U) - 1)"
    lines = tree_walk(forest.depth, TYPES[forest.ctype], forest.signed, forest.leaf_bytes)
    leaf = _BYTE if forest.leaf_bytes == 1 else _HALF
    assembly = [
        "    __asm__ volatile(",
        *(f'        "{line}\\n"' for line in lines),
        '        : "=l"(sum)',
        '        : "l"(tree), "l"(x), "l"(end)',
        '        : "r0", "r1", "r2", "r3", "r12", "cc", "memory");',
    ]
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "name": forest.name,
        "x": forest.ctype,
        "depth": str(forest.depth),
        "levels": "\n".join([fill(_LEVEL, {"limit": limit, "x": forest.ctype})] * forest.depth),
        "words": str(forest.size),
        "leaf": fill(leaf, {"first": str(count - 1 - count * forest.leaf_bytes // 4)}),
        "thumb": "\n".join(assembly),
    }
    return fill(_FUNCTION, gaps)
