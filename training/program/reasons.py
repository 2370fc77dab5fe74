"""The reason of withholding of a program that has none of its own: what its validity and flags say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from training.program.model import DOUBT, FAULT, FLAG_BITS, GIVEN, RANGE, WITHHELD, Node, Program
from training.program.ops import Array, Attribute
from training.program.ranges import node_interval

_NODES = 4
_MOST_FLAGS = 31


def reason_of_flags(flags: int) -> int:
    """Why a reading with these flags is withheld: a fault before a range, else doubt."""
    if flags & FLAG_BITS["sensor_fault"]:
        return FAULT
    return RANGE if flags & FLAG_BITS["out_of_range"] else DOUBT


def reasons_of(validity: Array, flags: Array) -> Array:
    """The reasons of readings that came without, as bundles of the first format have them; equal shapes."""
    table = np.asarray([reason_of_flags(f) for f in range(_MOST_FLAGS + 1)], dtype=np.int64)
    return np.where(validity == WITHHELD, table[np.clip(flags, 0, _MOST_FLAGS)], GIVEN)


def with_reason(program: Program) -> Program:
    """``program`` with the reason computed behind its last node; unchanged where it has no validity or flags.

    Raises ProgramError where validity or flags are no single values.
    """
    known = program.inputs | program.prepared_intervals | {s.name: s.interval for s in program.states}
    known |= {node.name: node.interval for node in program.step}
    validity, flags = (program.outputs.get(name, "") for name in ("validity", "flags"))
    if validity not in known or flags not in known:
        return program
    taken = set(known) | {node.name for node in program.prepare}
    added: list[Node] = []

    def node(op: str, *inputs: str, **attributes: Attribute) -> str:
        k = len(taken)
        while (name := f"reason_{k}") in taken:
            k += 1
        interval = node_interval(name, op, attributes, [known[i] for i in inputs])
        added.append(Node(name, op, inputs, attributes, interval))
        known[name] = interval
        taken.add(name)
        return name

    most = min(max(known[flags].high[0], 0), _MOST_FLAGS)
    withheld = node("greater", node("const", values=(WITHHELD + 1,)), validity)
    why = node("lookup", flags, table=tuple(reason_of_flags(f) for f in range(most + 1)))
    reason = node("mul", withheld, why)
    return replace(program, step=(*program.step, *added), outputs=dict(program.outputs) | {"reason": reason})


def without_reason(program: Program) -> Program:
    """What :func:`with_reason` was given."""
    outputs = {name: node for name, node in program.outputs.items() if name != "reason"}
    return replace(program, step=program.step[:-_NODES], outputs=outputs)
