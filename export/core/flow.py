"""Linked code as functions, blocks, calls and loops, read from its disassembly."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property

from dataset.errors import ToolError
from export.compilers.image import Image
from export.core.machine_code import ControlFlow, Disassembler, Instruction

LEAVES = -1  # stands for the caller where an edge leaves the function


class NotFollowed(Exception):  # noqa: N818 - an answer, not an error
    """The code does what this reading of it cannot follow; the text says what and where."""


_CALLS = (ControlFlow.CALL, ControlFlow.CALL_OR_NEXT)
_WITH_TARGET = (*_CALLS, ControlFlow.JUMP, ControlFlow.BRANCH)


@dataclass(frozen=True)
class BasicBlock:
    """A straight run of instructions that is entered at its first one only."""

    instructions: tuple[Instruction, ...]
    follows: tuple[
        tuple[int, bool], ...
    ]  # where control goes: a block's address or LEAVES, and whether a branch was taken to it
    callee: int | None = None

    @property
    def start(self) -> int:
        return self.instructions[0].address

    @property
    def end(self) -> int:
        return self.instructions[-1].end


@dataclass(frozen=True)
class Loop:
    """A natural loop: entered at its header only."""

    header: int
    body: frozenset[int]


@dataclass(frozen=True)
class Function:
    """One function: its blocks by address; ``jumps_to`` of a block's address is the function that it ends
    with (a tail call).
    """

    start: int
    blocks: dict[int, BasicBlock]
    tails: dict[int, int] = field(default_factory=dict)

    @cached_property
    def loops(self) -> tuple[Loop, ...]:
        """Its loops, inner ones before those around them. Raises NotFollowed where code jumps into the middle
        of one.
        """
        return _loops(self)

    @cached_property
    def starts(self) -> tuple[int, ...]:
        return tuple(sorted(self.blocks))


class Code:
    """The functions of an image, read when asked for."""

    def __init__(self, image: Image) -> None:
        self.image = image
        self.disassembler = Disassembler(image.core)
        self._entries = frozenset(image.functions)
        self._functions: dict[int, Function] = {}

    def function(self, start: int) -> Function:
        """The function at ``start``. Raises NotFollowed for a jump by a register."""
        if start not in self._functions:
            self._functions[start] = self._read(start)
        return self._functions[start]

    def named(self, name: str) -> Function:
        """A function of the interface."""
        return self.function(self.image.symbols[f"{self.image.prefix}_{name}"])

    def place(self, address: int) -> str:
        """An address with the function that it lies in."""
        below = [(start, name) for name, start in self.image.symbols.items() if start <= address]
        return f"0x{address:08x} ({max(below)[1]})" if below else f"0x{address:08x}"

    def _read(self, start: int) -> Function:
        instructions: dict[int, Instruction] = {}
        leaders, waiting = {start}, [start]
        while waiting:
            for instruction in self._run(waiting.pop()):
                if instruction.address in instructions:
                    break
                instructions[instruction.address] = instruction
                fresh = (
                    [to for to, _ in self._follows(instruction, start) if to != LEAVES]
                    if instruction.flow is not ControlFlow.NEXT
                    else []
                )
                leaders.update(fresh)
                waiting += [to for to in fresh if to not in instructions]
        blocks = {block.start: block for block in self._blocks(instructions, leaders, start)}
        last = {b: block.instructions[-1] for b, block in blocks.items()}
        tails = {
            b: instruction.target
            for b, instruction in last.items()
            if self._is_tail(instruction, start) and instruction.target is not None
        }
        return Function(start, blocks, tails)

    def _run(self, start: int) -> Iterator[Instruction]:
        """The instructions from ``start`` to the first that may go elsewhere."""
        image = self.image
        offset = start - image.flash_start
        if not 0 <= offset < len(image.flash):
            raise NotFollowed(f"a jump out of the code to 0x{start:08x}")
        end = start
        for instruction in self.disassembler.decode(image.flash[offset:], start):
            yield instruction
            end = instruction.end
            if instruction.flow is not ControlFlow.NEXT:
                return
        raise NotFollowed(f"no instruction at {self.place(end)}")

    def _is_tail(self, instruction: Instruction, start: int) -> bool:
        target = instruction.target
        return instruction.flow is ControlFlow.JUMP and target != start and target in self._entries

    def _follows(self, instruction: Instruction, start: int) -> tuple[tuple[int, bool], ...]:
        if instruction.flow is ControlFlow.UNKNOWN or (
            instruction.flow in _WITH_TARGET and instruction.target is None
        ):
            raise NotFollowed(f"'{instruction.text}' at {self.place(instruction.address)}")
        if instruction.flow is ControlFlow.RETURN or self._is_tail(instruction, start):
            return ((LEAVES, False),)
        if instruction.flow is ControlFlow.RETURN_OR_NEXT:
            return ((LEAVES, False), (instruction.end, False))
        target = LEAVES if instruction.target is None else instruction.target
        if instruction.flow is ControlFlow.JUMP:
            return ((target, False),)
        if instruction.flow is ControlFlow.BRANCH:
            return ((target, True), (instruction.end, False))
        return ((instruction.end, False),)

    def _blocks(
        self, instructions: dict[int, Instruction], leaders: set[int], start: int
    ) -> Iterator[BasicBlock]:
        run: list[Instruction] = []
        for address in sorted(instructions):
            instruction = instructions[address]
            if run and (address in leaders or address != run[-1].end):
                yield BasicBlock(tuple(run), ((run[-1].end, False),))
                run = []
            run.append(instruction)
            if instruction.flow is not ControlFlow.NEXT:
                yield BasicBlock(
                    tuple(run),
                    self._follows(instruction, start),
                    instruction.target if instruction.flow in _CALLS else None,
                )
                run = []
        if run:
            raise ToolError(f"code at 0x{run[-1].end:x}", "a function that does not end", "a return")


def _loops(function: Function) -> tuple[Loop, ...]:
    before = _dominators(function)
    ahead: dict[int, set[int]] = {start: set() for start in function.blocks}
    bodies: dict[int, set[int]] = {}
    for start, block in function.blocks.items():
        for to, _ in block.follows:
            if to != LEAVES:
                ahead[to].add(start)
    for start, block in function.blocks.items():
        for to, _ in block.follows:
            if to != LEAVES and to in before[start]:
                bodies.setdefault(to, {to}).update(_reaching(start, to, ahead))
    _refuse_others(function, before)
    return tuple(
        sorted(
            (Loop(header, frozenset(body)) for header, body in bodies.items()),
            key=lambda loop: len(loop.body),
        )
    )


def _dominators(function: Function) -> dict[int, set[int]]:
    """For each block those that every way to it passes, itself included."""
    everything = set(function.blocks)
    before = {start: set(everything) for start in function.blocks}
    before[function.start] = {function.start}
    ahead: dict[int, list[int]] = {start: [] for start in function.blocks}
    for start, block in function.blocks.items():
        for to, _ in block.follows:
            if to != LEAVES:
                ahead[to].append(start)
    changed = True
    while changed:
        changed = False
        for start in function.starts:
            if start == function.start or not ahead[start]:
                continue
            fresh = set.intersection(*(before[b] for b in ahead[start])) | {start}
            changed, before[start] = changed or fresh != before[start], fresh
    return before


def _reaching(start: int, header: int, ahead: dict[int, set[int]]) -> set[int]:
    """The blocks from which ``start`` is reached without passing ``header``."""
    body, waiting = {header}, [start]
    while waiting:
        block = waiting.pop()
        if block not in body:
            body.add(block)
            waiting += ahead[block]
    return body


def _refuse_others(function: Function, before: dict[int, set[int]]) -> None:
    """Without the edges back to a header, no cycle may be left."""
    left = {
        start: [to for to, _ in block.follows if to != LEAVES and to not in before[start]]
        for start, block in function.blocks.items()
    }
    for _ in in_order(function.starts, left):
        pass


def in_order(nodes: Iterable[int], follows: dict[int, list[int]]) -> list[int]:
    """``nodes`` so that each comes before those that follow it. Raises NotFollowed when they go round."""
    names = list(nodes)
    waits = dict.fromkeys(names, 0)
    for node in names:
        for to in follows[node]:
            waits[to] += 1
    ready, order = [node for node in names if not waits[node]], []
    while ready:
        node = ready.pop()
        order.append(node)
        for to in follows[node]:
            waits[to] -= 1
            if not waits[to]:
                ready.append(to)
    if len(order) != len(names):
        raise NotFollowed("a loop that is entered in its middle")
    return order
