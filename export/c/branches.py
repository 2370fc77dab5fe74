"""Tree ensembles as code: nested comparisons with constants, which take fewer cycles than a walk through
tables and more flash.

A comparison that the ranges of the features, or those above it, decide already is left out, and so is one
whose two sides give the same. The trees are spread over functions of bounded size, so that compilers and the
bound on cycles take them in little time; an ensemble that is too large stays in tables.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from export.c.text import fill, literal
from training.program import INT32_MAX, INT32_MIN, Interval, Node, scalar, vector

MOST_COMPARISONS = 1024  # of all ensembles of one source: about 16 KiB of code for ARMv6-M
_A_FUNCTION = 128  # comparisons; the last tree of a function may pass it
_DEEPEST = 12  # comparisons above each other; C99 compilers nest 127 blocks


@dataclass(frozen=True)
class Branch:
    """A comparison that decides: x[feature] > threshold goes on ``above``, else ``below``; either may be
    a leaf's value.
    """

    feature: int
    threshold: int
    below: Branch | int
    above: Branch | int

    @property
    def size(self) -> int:
        """Comparisons, this one and those under it."""
        return 1 + _size(self.below) + _size(self.above)


def _size(tree: Branch | int) -> int:
    return 0 if isinstance(tree, int) else tree.size


def _leaves(tree: Branch | int) -> Iterator[int]:
    if isinstance(tree, int):
        yield tree
    else:
        yield from _leaves(tree.below)
        yield from _leaves(tree.above)


@dataclass
class _Reader:
    """Reads trees from a node's tables as far as ``left`` comparisons go."""

    feature: Sequence[int]
    threshold: Sequence[int]
    child: Sequence[int]
    value: Sequence[int]
    left: int

    def tree(self, k: int, depth: int, ranges: dict[int, tuple[int, int]]) -> Branch | int:
        """The tree below node ``k`` where the features lie in ``ranges``. Raises OverflowError when it has
        too many comparisons.
        """
        if depth == 0 or self.child[k] == k:
            return self.value[k]
        f, t = self.feature[k], self.threshold[k]
        low, high = ranges[f]
        if t >= high:
            return self.tree(self.child[k], depth - 1, ranges)
        if t < low:
            return self.tree(self.child[k] + 1, depth - 1, ranges)
        self.left -= 1
        if self.left < 0:
            raise OverflowError
        below = self.tree(self.child[k], depth - 1, ranges | {f: (low, t)})
        above = self.tree(self.child[k] + 1, depth - 1, ranges | {f: (t + 1, high)})
        return below if below == above else Branch(f, t, below, above)


def read_trees(node: Node, x: Interval, most: int) -> tuple[Branch | int, ...] | None:
    """The trees of an ensemble on features in ``x``; None for one that is too deep, that takes more than
    ``most`` comparisons, or whose sum could leave int32 on the way.
    """
    depth = scalar(node.attributes, "depth")
    if depth > _DEEPEST:
        return None
    feature, threshold, child, value, roots = (
        vector(node.attributes, n) for n in ("feature", "threshold", "child", "value", "roots")
    )
    reader, ranges = _Reader(feature, threshold, child, value, most), {k: x.at(k) for k in range(x.size)}
    try:
        trees = tuple(reader.tree(root, depth, ranges) for root in roots)
    except OverflowError:
        return None
    leaves = [list(_leaves(tree)) for tree in trees]
    least, most = (sum(end(0, *row) for row in leaves) for end in (min, max))
    return trees if least >= INT32_MIN and most <= INT32_MAX else None  # in whatever order they are added


def shared_out(trees: Sequence[Branch | int]) -> Iterator[tuple[Branch | int, ...]]:
    """The trees of each function."""
    some, size = list[Branch | int](), 0
    for tree in trees:
        some.append(tree)
        size += _size(tree)
        if size >= _A_FUNCTION:
            yield tuple(some)
            some, size = [], 0
    if some:
        yield tuple(some)


@dataclass
class BranchFunctions:
    """The functions of one source, in the order of their calls."""

    trees: list[tuple[str, tuple[Branch | int, ...]]] = field(default_factory=list)  # type of x, trees
    left: int = MOST_COMPARISONS

    def call(self, node: Node, x: Interval, ctype: str, place: str, prefix: str) -> str | None:
        """The expression that sums the leaves of an ensemble on the row at ``place``; None where it stays in
        tables.
        """
        trees = read_trees(node, x, self.left)
        if trees is None:
            return None
        self.left -= sum(_size(tree) for tree in trees)
        calls = []
        for some in shared_out(trees):
            calls.append(f"{prefix}_branches_{len(self.trees)}({place})")
            self.trees.append((ctype, some))
        return " + ".join(calls)

    def text(self, prefix: str) -> str:
        """Their C."""
        return "".join(_function(k, ctype, trees, prefix) for k, (ctype, trees) in enumerate(self.trees))


_FUNCTION = """
/* The sum over trees of the leaf that x reaches; the trees as comparisons. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static int32_t @prefix@_branches_@k@(const @x@ *x)
{
    int32_t sum = 0;
@trees@
    return sum;
}
"""


def _function(k: int, ctype: str, trees: Sequence[Branch | int], prefix: str) -> str:
    always = sum(tree for tree in trees if isinstance(tree, int))
    lines = [] if any(isinstance(tree, Branch) for tree in trees) else ["    (void)x;"]
    lines += [f"    sum += {literal(always)};"] if always else []
    read = "x" if ctype == "int32_t" else "(int32_t)x"
    lines += [line for tree in trees if isinstance(tree, Branch) for line in _lines(tree, read, "    ")]
    gaps = {"prefix": prefix, "PREFIX": prefix.upper(), "k": str(k), "x": ctype, "trees": "\n".join(lines)}
    return fill(_FUNCTION, gaps)


def _lines(tree: Branch | int, x: str, indent: str) -> Iterator[str]:
    if isinstance(tree, int):
        yield f"{indent}sum += {literal(tree)};"
        return
    yield f"{indent}if ({x}[{tree.feature}U] > {literal(tree.threshold)}) {{"
    yield from _lines(tree.above, x, f"{indent}    ")
    yield f"{indent}}} else {{"
    yield from _lines(tree.below, x, f"{indent}    ")
    yield f"{indent}}}"
