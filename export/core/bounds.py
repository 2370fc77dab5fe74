"""What a function of the interface can cost at most: its stack from the call graph, its cycles from the
dearest way through its blocks.

The stack bound is proven on the linked code: every write to the stack pointer is followed, through every
call. The bound on cycles takes the dearest way at every branch, in every function as often as it is called,
each call priced by itself; that much is proven. How often a loop goes round is not read from the code but
observed: the most rounds seen at any entry, apart for each chain of calls. Loops of generated C are counted
by constants, so all entries of one chain of calls see the same number of rounds; where they do not, the bound
says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from export.compilers.image import Image
from export.core.blocks_run import SIZE_BITS
from export.core.flow import LEAVES, Code, Function, Loop, NotFollowed, in_order
from export.core.machine_code import ControlFlow
from export.core.timing import Timing

STEP_ARGUMENTS = {
    "thumb": 16,
    "riscv": 0,
}  # seven words, four or eight of them in registers, the rest kept to 8 bytes


@dataclass(frozen=True)
class Bound:
    """Cycles at most, None where the code could not be followed (``why``).

    ``loops`` were observed, ``varying`` of them with different numbers of rounds.
    """

    cycles: int | None
    loops: int = 0
    varying: int = 0
    why: str = ""


@dataclass
class _Chain:
    """One function as called through one chain of calls: rounds of its loops (fewest, most), and what it
    calls, by call site.
    """

    function: Function
    rounds: dict[int, list[int]] = field(default_factory=dict)
    calls: dict[int, _Chain] = field(default_factory=dict)


@dataclass
class _Entered:
    """A call that has not come back: the rounds that its loops have done so far, and the block before."""

    chain: _Chain
    counts: dict[int, int] = field(default_factory=dict)
    last: int = LEAVES


@dataclass(frozen=True)
class _Piece:
    """A run of code as the emulator executes it: its blocks, headers of loops among them, how it ends."""

    blocks: tuple[int, ...]
    headers: bool
    last: int
    site: int
    end: int
    flow: ControlFlow
    tail: bool


class Bounds:
    """Bounds of one image on one core; ``watch`` has to see calls first, for the rounds of loops."""

    def __init__(self, image: Image, timing: Timing) -> None:
        self.code = Code(image)
        self._image, self._timing = image, timing
        self._roots: dict[str, _Chain] = {}
        self._pieces: dict[tuple[int, int], _Piece] = {}
        self._bodies: dict[int, Mapping[int, frozenset[int]]] = {}
        self._most: dict[tuple[int, int], int] = {}  # function, header: over all chains of calls
        self._runs: dict[
            str, dict[int, tuple[int, int]]
        ] = {}  # function of the interface, run of code: least and most often in one call
        self._lost = ""

    # --- stack ---

    def stack(self, name: str) -> int:
        """Bytes that a call of ``name`` takes, arguments left on the stack included. Raises NotFollowed where
        the pointer cannot be followed.
        """
        return self._depth(self.code.named(name), ()) + (
            STEP_ARGUMENTS[self._image.core.isa] if name == "step" else 0
        )

    def _depth(self, function: Function, above: tuple[int, ...]) -> int:
        if function.start in above:
            raise NotFollowed(f"recursion at {self.code.place(function.start)}")
        deepest, entry, waiting = 0, {function.start: 0}, [function.start]
        while waiting:
            block = function.blocks[waiting.pop()]
            depth = entry[block.start]
            for instruction in block.instructions:
                if instruction.flow in (ControlFlow.RETURN, ControlFlow.RETURN_OR_NEXT):
                    continue  # a pop that returns gives back what it was entered with
                change = self.code.disassembler.stack_change(instruction)
                if change is None:
                    raise NotFollowed(f"'{instruction.text}' at {self.code.place(instruction.address)}")
                depth += change
                deepest = max(deepest, depth)
            below = function.tails.get(block.start, block.callee)
            if below is not None:
                deepest = max(
                    deepest, depth + self._depth(self.code.function(below), (*above, function.start))
                )
            for to in (to for to, _ in block.follows if to != LEAVES):
                if to not in entry:
                    entry[to] = depth
                    waiting.append(to)
                elif entry[to] != depth:
                    raise NotFollowed(f"two depths of the stack at {self.code.place(to)}")
        return deepest

    # --- rounds of loops, observed ---

    def watch(self, name: str, blocks: list[int]) -> None:
        """Count the rounds of loops in one call of ``name``; ``blocks`` as the trace keeps them.

        A call is passed over when all that it ran was run less often in one call before and more often in
        another: its loops are known.
        """
        if self._lost or not blocks or not self._news(name, blocks):
            return
        try:
            self._count(self._roots.setdefault(name, _Chain(self.code.named(name))), blocks)
        except NotFollowed as lost:
            self._lost = str(lost)

    def _news(self, name: str, blocks: list[int]) -> bool:
        known = self._runs.setdefault(name, {})
        fresh = [
            (run, count)
            for run, count in Counter(blocks).items()
            if run not in known or not known[run][0] <= count <= known[run][1]
        ]
        for run, count in fresh:
            least, most = known.get(run, (count, count))
            known[run] = (min(least, count), max(most, count))
        return bool(fresh)

    def _count(self, root: _Chain, blocks: list[int]) -> None:
        stack = [_Entered(root)]
        for this, behind in pairwise([*blocks, 0]):
            now = stack[-1]
            piece = self._piece(now.chain.function, this)
            if piece.headers:
                self._rounds(now, piece)
            now.last = piece.last
            goes = behind >> SIZE_BITS
            if (
                piece.flow is ControlFlow.CALL
                or piece.tail
                or (piece.flow is ControlFlow.CALL_OR_NEXT and goes != piece.end)
            ):
                if piece.tail:
                    self._leave(stack.pop())
                chain = now.chain.calls.get(piece.site)
                if chain is None:
                    chain = now.chain.calls[piece.site] = _Chain(self.code.function(goes))
                stack.append(_Entered(chain))
            elif piece.flow is ControlFlow.RETURN or (
                piece.flow is ControlFlow.RETURN_OR_NEXT and goes != piece.end
            ):
                self._leave(stack.pop())
            if not stack:
                return

    def _rounds(self, now: _Entered, piece: _Piece) -> None:
        bodies, last = self._headers(now.chain.function), now.last
        for block in piece.blocks:
            body = bodies.get(block)
            if body is not None:
                if last in body:
                    now.counts[block] += 1
                else:
                    self._close(now, block)
                    now.counts[block] = 1
            last = block

    def _close(self, now: _Entered, header: int) -> None:
        count = now.counts.pop(header, 0)
        if count:
            seen = now.chain.rounds.setdefault(header, [count, count])
            seen[0], seen[1] = min(seen[0], count), max(seen[1], count)
            key = (now.chain.function.start, header)
            self._most[key] = max(count, self._most.get(key, 0))

    def _leave(self, now: _Entered) -> None:
        for header in tuple(now.counts):
            self._close(now, header)

    def _headers(self, function: Function) -> Mapping[int, frozenset[int]]:
        if function.start not in self._bodies:
            self._bodies[function.start] = {loop.header: loop.body for loop in function.loops}
        return self._bodies[function.start]

    def _piece(self, function: Function, run: int) -> _Piece:
        key = (function.start, run)
        if key not in self._pieces:
            start, end = run >> SIZE_BITS, (run >> SIZE_BITS) + (run & ((1 << SIZE_BITS) - 1))
            inside = tuple(block for block in function.starts if start <= block < end)
            last = max(block for block in function.starts if block < end)
            closing = function.blocks[last].instructions[-1]
            flow = closing.flow if closing.end == end else ControlFlow.NEXT
            headers = any(block in self._headers(function) for block in inside)
            tail = closing.end == end and last in function.tails
            self._pieces[key] = _Piece(inside, headers, last, closing.address, end, flow, tail)
        return self._pieces[key]

    # --- cycles ---

    def cycles(self, name: str, without: str = "") -> Bound:
        """The most cycles that one call of ``name`` can take, as far as its loops were seen; of the ways that
        do not call the function ``without``, where one is named.
        """
        if self._lost or name not in self._roots:
            return Bound(None, why=self._lost or "never called")
        try:
            closed = self.code.named(without).start if without else LEAVES
            most = self._worst_case(self._roots[name].function, self._roots[name], (), closed)
        except NotFollowed as lost:
            return Bound(None, why=str(lost))
        rounds = [seen for chain in _chains(self._roots[name]) for seen in chain.rounds.values()]
        return Bound(most, len(rounds), sum(fewest != most for fewest, most in rounds))

    def _worst_case(
        self, function: Function, chain: _Chain | None, above: tuple[int, ...], closed: int = LEAVES
    ) -> int:
        """The dearest way from the function's start to its caller, past every call of ``closed``."""
        if function.start in above:
            raise NotFollowed(f"recursion at {self.code.place(function.start)}")
        prices = {
            start: self._price(function, start, chain, (*above, function.start))
            for start, block in function.blocks.items()
            if function.tails.get(start, block.callee) != closed
        }
        taken = {start: self._taken(function, start) for start in function.blocks}
        done: dict[Loop, dict[tuple[int, int], int]] = {}
        for loop in function.loops:
            back, exits = _through(function, loop.header, loop.body, done, prices, taken)
            rounds = self._rounds_of(function, chain, loop.header)
            done[loop] = {edge: (rounds - 1) * back + cost for edge, cost in exits.items()}
        _, exits = _through(function, function.start, frozenset(function.blocks), done, prices, taken)
        if not exits:
            raise NotFollowed(f"no way out of the function at {self.code.place(function.start)}")
        return max(exits.values())

    def _price(self, function: Function, start: int, chain: _Chain | None, above: tuple[int, ...]) -> int:
        """One block, the functions that it calls included; a load from anywhere but the stack is taken as one
        from flash.
        """
        block = function.blocks[start]
        cycles = self._timing.block(
            self._image.content(block.start, block.end - block.start), block.start
        ).cycles
        cycles += self._timing.wait_states * sum(
            self.code.disassembler.loads(instruction) for instruction in block.instructions
        )
        below = function.tails.get(start, block.callee)
        if below is not None:
            called = None if chain is None else chain.calls.get(block.instructions[-1].address)
            cycles += self._worst_case(self.code.function(below), called, above)
        return cycles

    def _taken(self, function: Function, start: int) -> int:
        last = function.blocks[start].instructions[-1]
        return self._timing.instruction(last.mnemonic, last.operands, last.address).taken

    def _rounds_of(self, function: Function, chain: _Chain | None, header: int) -> int:
        """As seen in this chain of calls, else the most seen in any."""
        if chain is not None and header in chain.rounds:
            return chain.rounds[header][1]
        if (function.start, header) not in self._most:
            raise NotFollowed(f"a loop that never ran at {self.code.place(header)}")
        return self._most[function.start, header]


def _chains(root: _Chain) -> list[_Chain]:
    return [root, *(chain for called in root.calls.values() for chain in _chains(called))]


def _through(
    function: Function,
    header: int,
    body: frozenset[int],
    done: Mapping[Loop, Mapping[tuple[int, int], int]],
    prices: Mapping[int, int],
    taken: Mapping[int, int],
) -> tuple[int, dict[tuple[int, int], int]]:
    """The dearest way from ``header`` through ``body`` back to it, and to each edge that leaves; inner loops
    are priced as wholes in ``done``. No way goes on from a block without a price.
    """
    owner, held = {block: block for block in body}, {}
    for loop in done:  # inner ones first, so that the outermost stays
        if loop.body <= body:
            owner |= dict.fromkeys(loop.body, loop.header)
            held[loop.header] = loop
    nodes = sorted(set(owner.values()))
    edges: dict[int, list[tuple[int, int, int]]] = {}
    for node in nodes:
        if node in held:
            edges[node] = [(start, to, cost) for (start, to), cost in done[held[node]].items()]
        elif node not in prices:
            edges[node] = []
        else:
            edges[node] = [
                (node, to, prices[node] + (taken[node] if jumped else 0))
                for to, jumped in function.blocks[node].follows
            ]
    inside = {node: [owner[to] for _, to, _ in edges[node] if to in body and to != header] for node in nodes}
    back, exits, costs = 0, dict[tuple[int, int], int](), {owner[header]: 0}
    for node in in_order(nodes, inside):
        for start, to, cost in edges[node] if node in costs else ():
            total = costs[node] + cost
            if to == header:
                back = max(back, total)
            elif to in body:
                costs[owner[to]] = max(total, costs.get(owner[to], 0))
            else:
                exits[start, to] = max(total, exits.get((start, to), 0))
    return back, exits
