"""In which order a section is computed, and what is computed together: rows of one length share a loop, also
with the sums over them, and single values that a condition chooses share one ``if``.

The order is free as long as every value stands before its readers; each frame does the same work but for what
an ``if`` leaves out.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from export.c.layout import ELEMENTWISE, Unit, outermost_row
from export.c.step.truths import truths
from training.program import Node

# Besides the operations of programs, C has: a member read into a local, a state renewed, an output written, a
# value given in a branch.
LOAD, RENEW, OUTPUT, ASSIGN = "LOAD", "RENEW", "OUTPUT", "ASSIGN"

_SMALL = ELEMENTWISE - {"divide", "ratio", "hinge"} | {"take", LOAD}  # may stand in a branch: no loop in them


def reduces(node: Node, sizes: Mapping[str, int]) -> bool:
    """Whether ``node`` makes one value of a row, element by element."""
    return (
        node.size == 1
        and node.op in ("reduce_max", "dense", "OUTSIDE")
        and len(node.inputs) == 1
        and sizes[node.inputs[0]] > 1
    )


@dataclass
class _Graph:
    """Groups of nodes and what each needs of the others. ``after``: a node that must wait for others without
    reading them.
    """

    through: Mapping[str, tuple[str, int]]
    sizes: Mapping[str, int]
    after: Mapping[str, Collection[str]]
    groups: dict[int, list[Node]] = field(default_factory=dict)
    of: dict[str, int] = field(default_factory=dict)
    place: dict[str, float] = field(default_factory=dict)  # of each node in the program
    ranks: dict[int, float] = field(default_factory=dict)  # of groups that stand elsewhere than their nodes
    _needs: dict[int, set[int]] = field(default_factory=dict)
    _order: list[int] = field(default_factory=list)

    def add(self, nodes: Sequence[Node], at: int) -> None:
        self.groups[at] = list(nodes)
        for node in nodes:
            self.of[node.name] = at
        self._forget()

    def needs(self, at: int) -> set[int]:
        """The groups that group ``at`` comes after."""
        names = {outermost_row(name, self.through) for node in self.groups[at] for name in self.awaited(node)}
        return {self.of[name] for name in names if name in self.of} - {at}

    def awaited(self, node: Node) -> Iterator[str]:
        yield from node.inputs
        yield from self.after.get(node.name, ())

    def ordered(self) -> list[int]:
        """The groups, each behind those that it needs, else as the program has them."""
        if not self._order:
            self._order = self._sorted()
        return list(self._order)

    def _sorted(self) -> list[int]:
        needs = {at: self.needs(at) for at in self.groups}
        users: dict[int, list[int]] = {}
        for at, before in needs.items():
            for one in before:
                users.setdefault(one, []).append(at)
        ready = [(self._rank(at), at) for at in needs if not needs[at]]
        heapq.heapify(ready)
        left, result = {at: len(before) for at, before in needs.items()}, list[int]()
        while ready:
            _, at = heapq.heappop(ready)
            result.append(at)
            for user in users.get(at, ()):
                left[user] -= 1
                if not left[user]:
                    heapq.heappush(ready, (self._rank(user), user))
        if len(result) < len(needs):
            raise ValueError("nodes that need each other")
        return result

    def _rank(self, at: int) -> float:
        """What the program has first comes first; a state is renewed and an output written at once."""
        places = [self.place[n.name] for n in self.groups[at] if n.op not in (RENEW, OUTPUT)]
        return self.ranks.get(at, min(places, default=-1))

    def join(self, members: Sequence[int]) -> int:
        """Make one group of ``members``, in their order; gives its number."""
        order = {at: k for k, at in enumerate(self.ordered())}
        first, *others = sorted(members, key=lambda at: order[at])
        for at in others:
            self.groups[first] = [*self.groups[first], *self.groups.pop(at)]
        for node in self.groups[first]:
            self.of[node.name] = first
        self._forget()
        return first

    def _forget(self) -> None:
        self._needs.clear()
        self._order.clear()

    def can_join(self, members: Collection[int]) -> bool:
        """Whether no way leads from one of ``members`` over another group back to one of them."""
        behind, pending = set[int](), [n for at in members for n in self.needs(at) if n not in members]
        while pending:
            at = pending.pop()
            if at in behind:
                continue
            behind.add(at)
            before = self.needs(at)
            if before & set(members):
                return False
            pending += before
        return True


def schedule(
    nodes: Sequence[Node],
    chains: Mapping[str, tuple[Node, ...]],
    through: Mapping[str, tuple[str, int]],
    sizes: Mapping[str, int],
    after: Mapping[str, Collection[str]],
    kept: Collection[str] = (),
    anonymous: Collection[str] = (),
) -> tuple[Unit, ...]:
    """The units of a section in their order. ``chains``: layers with what their sums go into; ``through``:
    rows that lie in others; ``kept``: values that are wanted whatever is chosen; ``anonymous``: those that
    need no line of their own.
    """
    graph = _Graph(through, sizes, after, place=_places(nodes))
    chained = {node.name for chain in chains.values() for node in chain[1:]}
    for k, node in enumerate(nodes):
        if node.op != "const" and node.name not in chained:
            graph.add(chains.get(node.name, (node,)), k)
    for length in sorted({node.size for node in nodes if node.op in (*ELEMENTWISE, RENEW)} - {1}):
        _fuse(graph, length)
    constants = {n.name: n.interval.low[0] for n in nodes if n.op == "const" and n.size == 1}
    return _Choosing(graph, constants, truths(nodes), set(kept), set(chains), set(anonymous)).units()


def _places(nodes: Sequence[Node]) -> dict[str, float]:
    """Where each node stands in the program; a load stands just before its first reader."""
    places = dict[str, float]()
    for k, node in reversed(list(enumerate(nodes))):
        places[node.name] = places[node.name] - 0.5 if node.op == LOAD and node.name in places else k
        for name in node.inputs:
            places[name] = k
    return places


# --- loops ---


def _fuse(graph: _Graph, length: int) -> None:
    """Loops over ``length`` elements become as few as a single walk can make them: each goes into the first
    one that it need not wait for (typed fusion: Kennedy and McKinley, Maximizing Loop Parallelism and
    Improving Data Locality via Loop Fusion and Distribution, 1993).
    """
    waits: dict[int, int] = {}  # the last loop that must have ended before
    loops: dict[int, list[int]] = {}
    mine = {at: _loops(graph, at, length) for at in graph.groups}
    for at in graph.ordered():
        most = -1
        for before in graph.needs(at):
            own = mine[before] and not (mine[at] and _same_round(graph, before, at))
            most = max(most, waits[before] + (1 if own else 0))
        waits[at] = most
        if mine[at]:
            loops.setdefault(most + 1, []).append(at)
    _put_off(graph, loops)
    for members in loops.values():
        if len(members) > 1:
            graph.join(members)


def _put_off(graph: _Graph, loops: dict[int, list[int]]) -> None:
    """A row made of one other row is made where it is read, when that is in one later loop: then only the
    other row has to be stored.
    """
    loop_of = {at: number for number, members in loops.items() for at in members}
    waited = {name for names in graph.after.values() for name in names}
    for at in reversed(graph.ordered()):
        nodes = graph.groups[at]
        if at not in loop_of or len(nodes) > 1 or nodes[0].size == 1 or nodes[0].name in waited:
            continue
        users = [user for user in graph.groups if at in graph.needs(user)]
        rows = {outermost_row(i, graph.through) for i in nodes[0].inputs} & set(graph.of)
        rows = {name for name in rows if graph.sizes[name] > 1}
        later = {loop_of.get(user, -1) for user in users}
        if len(rows) > 1 or len(later) != 1 or loop_of[at] >= max(later):
            continue
        if all(_same_round(graph, at, user) for user in users):
            loops[loop_of[at]].remove(at)
            loop_of[at] = later.pop()
            loops[loop_of[at]].append(at)


def _loops(graph: _Graph, at: int, length: int) -> bool:
    """Whether the group is a loop over ``length`` elements."""
    return all(
        (node.size == length and node.op in (*ELEMENTWISE, RENEW))
        or (reduces(node, graph.sizes) and graph.sizes[node.inputs[0]] == length)
        for node in graph.groups[at]
    )


def _same_round(graph: _Graph, before: int, at: int) -> bool:
    """Whether a loop needs of another only what that has in the same round: elements k of whole rows."""
    rows = {node.name for node in graph.groups[before] if node.size > 1}
    readers = {node.name for node in graph.groups[before]}
    for node in graph.groups[at]:
        for name in node.inputs:
            row = outermost_row(name, graph.through)
            if graph.of.get(row) == before and not (name == row and name in rows):
                return False
        for name in graph.after.get(node.name, ()):
            if name in readers and any(i in graph.through for i in _node(graph, name).inputs):
                return False
    return True


def _node(graph: _Graph, name: str) -> Node:
    return next(node for node in graph.groups[graph.of[name]] if node.name == name)


# --- choices ---


@dataclass
class _Choosing:
    """Finds the single values of a block that a condition chooses, and what only one of its sides needs."""

    graph: _Graph
    constants: Mapping[str, int]
    truths: Collection[str]
    kept: Collection[str]
    layers: Collection[str]
    anonymous: Collection[str]
    done: dict[int, Unit] = field(default_factory=dict)

    def units(self) -> tuple[Unit, ...]:
        """The units of the block in their order."""
        self._join_truths()
        self._join_ladders()
        for condition in self._conditions():
            self._join_choices(condition)
        self._join_assigned()
        return tuple(self.done.get(at) or self._unit(at) for at in self.graph.ordered())

    def _unit(self, at: int) -> Unit:
        nodes = tuple(self.graph.groups[at])
        if nodes[0].name in self.layers:
            return Unit(nodes, kind="layer")
        if nodes[0].size > 1 and nodes[0].op in (*ELEMENTWISE, RENEW):
            return Unit(nodes, nodes[0].size, "loop")
        if reduces(nodes[0], self.graph.sizes):
            return Unit(nodes, self.graph.sizes[nodes[0].inputs[0]], "loop")
        return Unit(nodes)

    def _chosen(self, at: int) -> Node | None:
        """The node of a group that is one choice between numbers."""
        node = self.graph.groups[at][0]
        plain = node.op == "where" and node.size == 1 and len(self.graph.groups[at]) == 1
        return node if plain and node.name not in self.truths else None

    def _uses(self) -> dict[str, list[tuple[int, Node]]]:
        """Who reads each value: its group and itself."""
        uses: dict[str, list[tuple[int, Node]]] = {}
        for at, nodes in self.graph.groups.items():
            for node in nodes:
                for name in dict.fromkeys(node.inputs):
                    uses.setdefault(outermost_row(name, self.graph.through), []).append((at, node))
        return uses

    def _join_truths(self) -> None:
        """A truth without a name of its own that only one other truth reads is written inside that."""
        uses = self._uses()
        for node in [self.graph.groups[at][-1] for at in self.graph.ordered()]:
            readers = uses.get(node.name, ())
            if (
                node.name in self.truths
                and node.op != "OUTSIDE"
                and node.name in self.anonymous
                and node.name not in self.kept
                and len(readers) == 1
                and readers[0][1].name in self.truths
            ):
                self.graph.join([self.graph.of[name] for name in (node.name, readers[0][1].name)])

    def _join_assigned(self) -> None:
        """A value without a name that only goes into what a branch gives is written there."""
        uses = self._uses()
        for node in [nodes[0] for at, nodes in self.graph.groups.items() if at not in self.done]:
            at, readers = self.graph.of[node.name], uses.get(node.name, ())
            if (
                len(self.graph.groups[at]) == 1
                and node.size == 1
                and node.op in ELEMENTWISE
                and node.name not in self.truths
                and node.name in self.anonymous
                and len(readers) == 1
                and readers[0][1].op == ASSIGN
            ):
                self.graph.join([at, self.graph.of[readers[0][1].name]])

    def _conditions(self) -> list[str]:
        """The conditions of choices, that of the last choice first."""
        wheres = [node for at in self.graph.groups if (node := self._chosen(at)) is not None]
        wheres.sort(key=lambda node: -self.graph.place[node.name])
        return list(dict.fromkeys(node.inputs[0] for node in wheres))

    def _join_ladders(self) -> None:
        """Choices of constants one above the other, each condition used once, make one ladder."""
        uses = self._uses()
        wheres = {node.name: node for at in self.graph.groups if (node := self._chosen(at)) is not None}
        often = Counter(node.inputs[0] for node in wheres.values())
        for top in sorted(wheres, key=lambda name: -self.graph.place[name]):
            rungs, name = list[Node](), top
            while name in wheres:
                node, below = wheres[name], self._below(wheres[name])
                alone = not rungs or (len(uses.get(name, ())) == 1 and name not in self.kept)
                if below is None or often[node.inputs[0]] > 1 or not alone:
                    break
                rungs.append(node)
                del wheres[name]
                name = below
            if len(rungs) > 1:
                at = self.graph.join([self.graph.of[node.name] for node in rungs])
                self.done[at] = Unit(tuple(reversed(rungs)), kind="ladder")

    def _below(self, node: Node) -> str | None:
        """What a choice of a constant chooses else; None for a choice between two values."""
        _, then, other = node.inputs
        if then in self.constants:
            return other
        return then if other in self.constants else None

    def _join_choices(self, condition: str) -> None:
        """What one condition chooses becomes as few units as the order of needs allows."""
        wheres = [
            at
            for at in self.graph.ordered()
            if (node := self._chosen(at)) is not None and node.inputs[0] == condition
        ]
        while wheres:
            group = set[int]()
            for at in reversed(wheres):
                if self.graph.can_join((group | {at}).union(*self._sides(group | {at}))):
                    group.add(at)
            wheres = [at for at in wheres if at not in group]
            then, other = self._sides(group)
            if len(group) > 1 or then or other:
                self._join_choice(condition, group, (then, other))

    def _join_choice(self, condition: str, group: Collection[int], sides: tuple[set[int], set[int]]) -> None:
        chosen = tuple(self.graph.groups[at][0] for at in self.graph.ordered() if at in group)
        then, other = (self._branch(chosen, side, members) for side, members in enumerate(sides))
        inner = tuple(node for unit in (*then, *other) for node in unit.nodes if node.op != ASSIGN)
        at = self.graph.join([*group, *sides[0], *sides[1]])
        self.graph.ranks[at] = min(self.graph.place[node.name] for node in chosen)
        self.done[at] = Unit(
            (*inner, *chosen), kind="choice", condition=condition, chosen=chosen, then=then, other=other
        )

    def _branch(self, chosen: Sequence[Node], side: int, members: Collection[int]) -> tuple[Unit, ...]:
        """The units of one side: what only it needs, and what it gives to each of ``chosen``."""
        graph = _Graph(self.graph.through, self.graph.sizes, self.graph.after, place=self.graph.place)
        for at in members:
            graph.add(self.graph.groups[at], at)
        for node in chosen:
            given = replace(node, op=ASSIGN, inputs=(node.inputs[1 + side],), attributes={})
            graph.add([given], self.graph.of[node.name])
        names = {node.name for node in chosen}
        done = {at: unit for at, unit in self.done.items() if at in members}
        return replace(self, graph=graph, kept=names, done=done).units()

    def _sides(self, group: Collection[int]) -> tuple[set[int], set[int]]:
        """What only one side of the choices in ``group`` needs, and so may stand there."""
        uses, sides = self._uses(), (set[int](), set[int]())
        for at in reversed(self.graph.ordered()):
            if at in group or not self._may_move(at):
                continue
            reached = set[int]()
            names = {node.name for node in self.graph.groups[at]}
            for user, node in (use for name in names for use in uses.get(name, ())):
                if user in group:
                    reached |= {k - 1 for k, name in enumerate(node.inputs) if name in names}
                elif user != at:
                    reached.add(0 if user in sides[0] else 1 if user in sides[1] else -1)
            if len(reached) == 1 and -1 not in reached:
                sides[reached.pop()].add(at)
        return sides

    def _may_move(self, at: int) -> bool:
        """What joins two truths stays where they are: it is one value to keep, they would be two."""
        return all(
            node.size == 1
            and node.name not in self.kept
            and not (node.name in self.truths and node.op in ("max", "mul"))
            and (node.op in _SMALL or (node.op == "dense" and len(node.inputs) > 1))
            for node in self.graph.groups[at]
        )
