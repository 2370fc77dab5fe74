"""Names for what a program has only numbered: from the operation and from who reads it. Programs keep their
own names, and so their digests; only the C is written with these.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from training.program import FLAG_BITS, OUTPUTS, Node, Program, matrix, vector

_LONGEST = 32
_SUFFIX = re.compile(r"_(limited|rounded|scaled|raised|lowered|floored|size|given|next|raw)$")
_LAYER = ("dense", "shift", "clip")


def readable(program: Program) -> tuple[Program, dict[str, str]]:
    """``program`` with a name for every node that has only a number, and the name that each was given."""
    names = _Names(program).all()

    def named(name: str) -> str:
        return names.get(name, name)

    def renamed(nodes: Sequence[Node]) -> tuple[Node, ...]:
        return tuple(
            replace(node, name=named(node.name), inputs=tuple(named(i) for i in node.inputs))
            for node in nodes
        )

    given = replace(
        program,
        prepare=renamed(program.prepare),
        prepared=tuple(named(name) for name in program.prepared),
        step=renamed(program.step),
        states=tuple(replace(state, next=named(state.next)) for state in program.states),
        outputs={output: named(name) for output, name in program.outputs.items()},
    )
    return given, names


def numbered(name: str) -> bool:
    """Whether a node has only the number that its builder gave it."""
    return re.fullmatch(r"v\d+", name) is not None


@dataclass
class _Names:
    program: Program
    names: dict[str, str] = field(default_factory=dict)
    taken: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.nodes = {node.name: node for node in (*self.program.prepare, *self.program.step)}
        self.readers: dict[str, list[Node]] = {}
        for node in self.nodes.values():
            for name in dict.fromkeys(node.inputs):
                self.readers.setdefault(name, []).append(node)
        self.taken |= {name for name in self.nodes if not numbered(name)}
        self.taken |= {state.name for state in self.program.states} | {*self.program.inputs, "trim"}

    def all(self) -> dict[str, str]:
        """By number, the names: first what readers say, then what the operation says."""
        for old, new in (*self._by_members(), *self._by_flags(), *self._by_comparison()):
            self._give(old, new)
        for old, new in self._by_layers():
            self._give(old, new)
        for node in self.nodes.values():
            if not (node.op == "const" and node.size == 1):
                self._give(node.name, self._by_operation(node))
        return self.names

    def _give(self, old: str, new: str) -> None:
        if not numbered(old) or old in self.names or old not in self.nodes:
            return
        readers = self.readers.get(old, [])
        if len(new) > _LONGEST and len(readers) == 1 and not numbered(self._name(readers[0].name)):
            new = f"{self._name(readers[0].name)}_part"
        new = new[:_LONGEST].rstrip("_")
        free, k = new, 2
        while free in self.taken:
            free, k = f"{new}_{k}", k + 1
        self.names[old] = free
        self.taken.add(free)

    def _name(self, name: str) -> str:
        return self.names.get(name, name)

    def _constant(self, name: str) -> int | None:
        node = self.nodes.get(name)
        return node.interval.low[0] if node is not None and node.op == "const" and node.size == 1 else None

    def _by_members(self) -> Iterator[tuple[str, str]]:
        """States to come, outputs, and what an output gives where it does not withhold."""
        for state in self.program.states:
            yield state.next, f"{state.name}_next"
        for output in OUTPUTS:  # whatever order the program has them in
            name = self.program.outputs[output]
            yield name, output
            node = self.nodes.get(name)
            if node is not None and node.op == "where":
                for branch in node.inputs[1:]:
                    if self._constant(branch) is None:
                        yield branch, f"{output}_given"
                        yield from self._by_band(branch, output)

    def _by_band(self, name: str, output: str) -> Iterator[tuple[str, str]]:
        """How far an end of the band lies from the level."""
        node = self.nodes.get(name)
        if node is None or node.op != "clip" or output not in ("low", "high"):
            return
        end = self.nodes.get(node.inputs[0])
        if end is not None and end.op in ("add", "sub"):
            yield end.name, f"{output}_unlimited"
            yield end.inputs[1], "band_below" if output == "low" else "band_above"

    def _by_flags(self) -> Iterator[tuple[str, str]]:
        """The bits of the flags by their names."""
        flags = self.nodes.get(self.program.outputs["flags"])
        if flags is None or flags.op != "dense":
            return
        bits, weights = self.nodes.get(flags.inputs[0]), matrix(flags.attributes, "weights")[0]
        if bits is not None and bits.op == "concat" and len(bits.inputs) == len(weights):
            by_bit = {bit: name for name, bit in FLAG_BITS.items()}
            yield bits.name, "flag_bits"
            for name, weight in zip(bits.inputs, weights, strict=True):
                yield name, f"{by_bit.get(weight, 'other')}_flag"

    def _by_comparison(self) -> Iterator[tuple[str, str]]:
        """What a value is compared with, where that is chosen."""
        for node in self.nodes.values():
            if node.op == "greater" and self.nodes.get(node.inputs[1], node).op == "where":
                yield node.inputs[1], f"{self._name(node.inputs[0])}_limit"

    def _by_layers(self) -> Iterator[tuple[str, str]]:
        """Layers by the value that a net ends in, counted from its inputs on."""
        for node in self.nodes.values():
            first = node.op == "dense" and self._layer_before(node) is None and node.size > 1
            chain = self._net(node) if first else []
            layers = sum(part.op == "dense" for part in chain)
            if not first or not chain or (layers == 1 and node.size == 1):
                continue
            stem = re.sub(r"_(raw|given|limited)$", "", self._end(chain[-1]))
            yield node.inputs[0], f"{stem}_features"
            k = 0
            for part in chain:
                k += part.op == "dense"
                what = {"dense": "layer", "shift": "rounded", "clip": "units"}[part.op]
                yield part.name, f"{stem}_{what}_{k}"

    def _layer_before(self, node: Node) -> Node | None:
        """The layer whose outputs a layer reads, through roundings and limits only."""
        at = self.nodes.get(node.inputs[0])
        while at is not None and at.op in ("shift", "clip"):
            at = self.nodes.get(at.inputs[0])
        return at if at is not None and at.op == "dense" and at.size > 1 else None

    def _net(self, node: Node) -> list[Node]:
        """The layer ``node`` and what follows it, reader after reader, up to what has a name."""
        chain = [node]
        while numbered(chain[-1].name) and chain[-1].name not in self.names:
            then = self.readers.get(chain[-1].name, [])
            if len(then) != 1 or then[0].op not in _LAYER:
                break
            chain.append(then[0])
        return chain

    def _end(self, node: Node) -> str:
        name = self._name(node.name)
        return "net" if numbered(name) else name

    def _by_operation(self, node: Node) -> str:
        args = [self._name(name) for name in node.inputs]
        stems = [_SUFFIX.sub("", name) for name in args]
        constants = [self._constant(name) for name in node.inputs]
        x = stems[0] if stems else ""
        if node.op in ("clip", "shift", "abs", "running", "lookup", "hinge", "trees", "argmax"):
            ending = {"clip": "limited", "shift": "rounded", "abs": "size", "running": "running"}
            ending |= {"lookup": "entry", "hinge": "bent", "trees": "leaves", "argmax": "place"}
            return f"{stems[-1] if node.op == 'running' else x}_{ending[node.op]}"
        if node.op in ("reduce_max", "dense"):
            unit = node.op == "dense" and set(matrix(node.attributes, "weights")[0]) == {1}
            return (
                f"{x}_{'most' if node.op == 'reduce_max' else 'sum' if unit or node.size == 1 else 'layer'}"
            )
        if node.op in ("take", "concat", "const"):
            return self._row(node, x)
        if node.op in ("divide", "ratio"):
            return f"{stems[1]}_inverse" if constants[0] is not None else f"{x}_per_{stems[1]}"
        if node.op == "where":
            return self._choice(node, stems, constants)
        return self._of_two(node, args, stems, constants)

    def _row(self, node: Node, x: str) -> str:
        if node.op == "const":
            reader = self.readers.get(node.name, [node])[0]
            other = next((i for i in reader.inputs if i != node.name), "row")
            what = {"mul": "factors", "sub": "offsets", "add": "offsets"}.get(reader.op, "limits")
            return f"{_SUFFIX.sub('', self._name(other))}_{what}"
        if node.op == "concat":
            return "joined"
        indices = vector(node.attributes, "indices")
        channels = self.program.channels
        for k, kind in enumerate(self.program.trim_kinds):
            if x == "trim" and indices == tuple(range(k * channels, (k + 1) * channels)):
                return f"{kind}_counts"
        return f"{x}_{indices[0]}" if node.size == 1 else f"{x}_part"

    def _choice(self, node: Node, stems: Sequence[str], constants: Sequence[int | None]) -> str:
        condition = stems[0].removeprefix("is_")
        if constants[1] is not None and constants[2] is not None:
            return f"{condition}_choice"
        if constants[2] is not None:
            return f"{stems[1]}_if_{condition}"
        if constants[1] is not None:
            return f"{stems[2]}_unless_{condition}"
        return f"{stems[1]}_or_{stems[2]}"

    def _of_two(
        self, node: Node, args: Sequence[str], stems: Sequence[str], constants: Sequence[int | None]
    ) -> str:
        (x, y), (left, right) = stems, constants
        if node.op == "greater":
            return self._comparison(x, y, constants)
        if node.op == "sub" and left == 1 and y.startswith("is_"):
            return f"is_not_{y.removeprefix('is_')}"
        if node.op == "sub" and (y == f"{x}_before" or args[0] == "full_counts"):
            return f"{x}_change" if y == f"{x}_before" else "swing"
        if left is not None or right is not None:
            ending = {"add": "raised", "sub": "lowered", "mul": "scaled", "max": "floored"}[node.op]
            return f"{y if left is not None else x}_{ending}"
        if node.op == "max" and x.endswith("_flag") and y.endswith("_flag"):
            return "flagged"
        joint = {"add": f"plus_{y}", "sub": f"less_{y}", "mul": "scaled", "max": f"or_{y}"}[node.op]
        return f"{x}_{joint}"

    def _comparison(self, x: str, y: str, constants: Sequence[int | None]) -> str:
        left, right = constants
        if right is not None:
            return f"is_{x}" if "_" not in x and f"is_{x}" not in self.taken else f"{x}_high"
        return f"{y}_low" if left is not None else f"{x}_above_{y}"
