"""The lines of a section: what is computed, unit by unit, and where each value lies meanwhile."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from export.c.layout import (
    ELEMENTWISE,
    POOLS,
    Slots,
    Unit,
    Value,
    atom,
    fusions,
    literals,
    live,
    negated,
    outermost_row,
    placed_in_concat,
    scratch_slots,
    windows,
)
from export.c.ops import ELEMENT, WHOLE, Context, layer, local, loop, note
from export.c.step.schedule import ASSIGN, LOAD, OUTPUT, RENEW, reduces, schedule
from export.c.step.simplify import limits, simplified
from export.c.step.stages import Stage, Written, handed_on, made, scratch_map, stages
from export.c.step.truths import truth_text, truths
from export.c.text import TYPE_BYTES, literal, span_text
from training.program import Interval, Node, matrix, vector


@dataclass(frozen=True)
class Section:
    """What is to be computed: ``keep`` of ``nodes``. ``known`` values are there already, ``loads`` among them
    are read into locals by the C given; ``placed`` rows go where the caller wants them; ``renewed`` states
    take a value each, in this order, and ``outputs`` members of the reading. ``layers`` are left in the
    scratch, for the self-test.
    """

    nodes: Sequence[Node]
    keep: Sequence[str]
    known: Mapping[str, Value]
    intervals: Mapping[str, Interval]
    loads: Mapping[str, str] = field(default_factory=dict)
    placed: Mapping[str, Value] = field(default_factory=dict)
    renewed: Mapping[str, str] = field(default_factory=dict)
    states: Mapping[str, Value] = field(default_factory=dict)  # the members
    outputs: Mapping[str, tuple[str, Value]] = field(default_factory=dict)
    layers: Sequence[str] = ()
    pool: str = ""
    anonymous: Collection[str] = ()  # what the program has only numbered


@dataclass(frozen=True)
class Body:
    """The lines of one function, where it leaves its values, and the scratch it needs."""

    lines: tuple[str, ...]
    values: Mapping[str, Value]
    pools: Mapping[str, int]  # elements of the scratch by their type
    kept: Mapping[str, Value] = field(default_factory=dict)  # where last layers lie in the scratch
    stages: Sequence[Written] = ()  # in place of lines, where there are several
    handed_on: Sequence[str] = ()  # what stages hand on, as members of a struct
    scratch: Sequence[str] = ()  # where each row lies


def section_body(section: Section, context: Context) -> Body:
    """The C of ``section``."""
    wanted = (*section.keep, *section.renewed.values(), *(n for n, _ in section.outputs.values()))
    wanted = (*wanted, *section.layers)
    nodes = live(section.nodes, wanted)
    nodes = live(simplified(nodes, section.intervals, wanted), wanted)
    intervals = dict(section.intervals) | {n.name: n.interval for n in nodes}
    sizes = {name: i.size for name, i in intervals.items()}
    through = windows(nodes, sizes, wanted)
    seen = {row for row, _ in through.values()}
    computed = [n for n in nodes if n.name not in through]
    chains = fusions(computed, {*wanted, *seen})
    steps = _with_members(section, computed, intervals)
    after = _after(section, steps, through)
    units = schedule(
        steps, chains, through, sizes, after, {*section.keep, *section.layers}, section.anonymous
    )
    lasting = (*section.keep, *section.layers)
    if not section.placed:  # what goes where the caller wants it stays out of rows that are made here
        through = through | placed_in_concat(units, sizes, {s.name for s in steps if s.op == RENEW})
    slots = scratch_slots(units, lasting, section.placed, through)
    values: dict[str, Value] = dict(section.known) | literals(nodes)
    lines: list[str] = []
    for node in nodes:
        if node.op == "const" and node.size > 1:
            formula = f"constants{' of ' + node.scale if node.scale else ''}"
            values[node.name] = context.table(node, "values", node.interval.low, formula)
            if node.name in section.placed:
                put = section.placed[node.name].put("k", values[node.name].at("k"))
                lines += loop("k", node.size, [put])
    known_truths = truths(steps)
    for node in nodes:
        if node.op != "const":
            truth = node.name in known_truths
            values[node.name] = (
                _row(node, section.placed, slots, section.pool)
                if node.size > 1
                else Value(local(node.name), True, truth=truth)
            )
    for name in through:
        values[name] = _inside(name, through, values)
    stored = {n.name for n in nodes if outermost_row(n.name, through) in slots.at or n.name in section.placed}
    pools, kept = _kept_members(section, units, values, slots, known_truths)
    _output_members(section, units, values)
    writer = _Writer(section, values, intervals, stored, kept, replace(context, reach=intervals))
    last = {n: kept.get(n, values[n]) for n in section.layers}
    if not section.outputs:
        return Body((*lines, *writer.block(units)), values, pools, last)
    found = stages(units, values)
    placed = scratch_map(found, slots, through, sizes, lasting)
    if len(found) == 1:
        return Body((*lines, *writer.block(units)), values, pools, last, scratch=placed)
    crossing = handed_on(found, values)
    members = [_declared(node, values[name]) for name, node in crossing.items()]
    written = [Written(s.name, s.title, tuple(writer.stage(s, crossing))) for s in found]
    return Body((), values, pools, last, written, members, placed)


def _declared(node: Node, value: Value) -> str:
    """The member by which a stage hands a value on."""
    if value.truth:
        return f"bool {value.base};"
    return f"int32_t {value.base}; /* in {span_text(node.interval, node.scale)} */"


def _with_members(
    section: Section, computed: Sequence[Node], intervals: Mapping[str, Interval]
) -> list[Node]:
    """The nodes, and as nodes too the members that are read, renewed and written."""
    renewals = [
        Node(f"{state}_{RENEW}", RENEW, (value,), {}, intervals[state])
        for state, value in section.renewed.items()
    ]
    outputs = [
        Node(f"{output}_{OUTPUT}", OUTPUT, (value,), {}, intervals[value])
        for output, (value, _) in section.outputs.items()
    ]
    used = {name for node in (*computed, *renewals, *outputs) for name in node.inputs}
    used |= {*section.keep, *section.layers}
    loads = [Node(name, LOAD, (), {}, intervals[name]) for name in section.loads if name in used]
    return [*loads, *computed, *renewals, *outputs]


def _after(
    section: Section, nodes: Sequence[Node], through: Mapping[str, tuple[str, int]]
) -> dict[str, set[str]]:
    """A state is renewed after everybody has read it."""
    after: dict[str, set[str]] = {}
    for state in section.renewed:
        renewal = f"{state}_{RENEW}"
        readers = {n.name for n in nodes for i in n.inputs if outermost_row(i, through) == state}
        after[renewal] = {state} if state in section.loads else readers - {renewal}
    return after


def _row(node: Node, placed: Mapping[str, Value], slots: Slots, pool: str) -> Value:
    ctype, offset = slots.at.get(node.name, ("int32_t", 0))
    return placed.get(node.name, Value(f"{pool}{POOLS[ctype]}", False, offset, ctype))


def _inside(name: str, through: Mapping[str, tuple[str, int]], values: Mapping[str, Value]) -> Value:
    """Where ``name`` lies, which has its place inside another row, maybe of one that lies in a third."""
    offset = 0
    while name in through:
        name, start = through[name]
        offset += start
    return replace(values[name], offset=values[name].offset + offset)


def _kept_members(
    section: Section,
    units: Sequence[Unit],
    values: dict[str, Value],
    slots: Slots,
    known_truths: Collection[str],
) -> tuple[dict[str, int], dict[str, Value]]:
    """The pools of the scratch with single values of the last layers behind its words; one that is computed
    in a line of its own is put there at once, the others, which are given back, when they are there.
    """
    pools, copied = dict(slots.lengths), dict[str, Value]()
    alone = {u.nodes[-1].name: u.nodes[-1] for u in units if u.kind == "single"}
    for name in section.layers:
        if section.intervals.get(name) or values[name].single:
            at = pools.get("int32_t", 0)
            pools["int32_t"] = at + 1
            place = Value(f"{section.pool}{POOLS['int32_t']}[{at}U]", True, member=True)
            node = alone.get(name)
            if node is not None and node.op in ELEMENTWISE and name not in known_truths:
                values[name] = place
            else:
                copied[name] = place
    return {t: pools[t] for t in sorted(pools, key=lambda t: (-TYPE_BYTES[t], t))}, copied


def _output_members(section: Section, units: Sequence[Unit], values: dict[str, Value]) -> None:
    """What only one member of the reading takes is put there at once."""
    uses: dict[str, int] = {}
    for unit in units:
        for node in unit.nodes:
            for name in node.inputs:
                uses[name] = uses.get(name, 0) + 1
    made = {n.name for u in units if u.kind == "choice" for n in u.chosen}
    made |= {u.nodes[-1].name for u in units if u.kind == "single" and u.nodes[-1].op in ELEMENTWISE}
    for name, member in section.outputs.values():
        own = values[name].single and not values[name].truth and not values[name].member
        if own and name in made and uses.get(name) == 1 and name not in section.layers:
            values[name] = member


@dataclass
class _Writer:
    section: Section
    values: dict[str, Value]
    intervals: Mapping[str, Interval]
    stored: Collection[str]  # rows that have a place
    copied: Mapping[str, Value]  # single values that are put into the scratch too
    context: Context

    def stage(self, stage: Stage, crossing: Mapping[str, Node]) -> list[str]:
        """The lines of a stage: what another has handed on is read where it lies, what is handed on is put
        there.
        """
        mine = [node.name for unit in stage.units for node in made(unit)]
        values, lines = dict(self.values), list[str]()
        for name in crossing:
            place = replace(values[name], base=f"frame->{values[name].base}", member=True)
            if name in mine:
                value = values[name]
                lines.append(place.define(value.base if value.truth else value.at(0)))
            else:
                values[name] = place
        return [*replace(self, values=values).block(stage.units), *lines]

    def block(self, units: Iterable[Unit]) -> list[str]:
        """The lines of ``units``, one after the other."""
        return [line for unit in units for line in self.unit(unit)]

    def unit(self, unit: Unit) -> list[str]:
        """The lines of one."""
        write = {"layer": self._layer, "loop": self._loop, "choice": self._choice, "ladder": self._ladder}
        lines = write.get(unit.kind, self._single)(unit)
        for name in (n.name for n in unit.nodes if n.name in self.copied):
            place, value = self.copied[name], self.values[name]
            text = value.base if place.truth else value.at(0)
            lines.append(
                place.define(text) + (" /* for the self-test */" if name in self.section.layers else "")
            )
        return lines

    def _layer(self, unit: Unit) -> list[str]:
        x = self.values[unit.nodes[0].inputs[0]]
        return layer(unit.nodes, x, self.values[unit.nodes[-1].name], self.context)

    def _bits(self) -> dict[str, int]:
        return {
            name: int(value.base)
            for name, value in self.values.items()
            if value.literal and value.base in ("0", "1")
        }

    def _text(self, node: Node, values: Mapping[str, Value], index: str) -> tuple[list[str], str]:
        """Lines before, and the expression of one element."""
        if node.op == "OUTSIDE":
            return [], _outside(node, values[node.inputs[0]].at(index), self.intervals[node.inputs[0]])
        if node.size == 1 and values[node.name].truth:
            return [], truth_text(node, values, self._bits())
        if node.op == "where":
            condition, then, other = (values[name] for name in node.inputs)
            asked = condition.holds() if condition.single else f"({condition.at(index)} != 0)"
            return [], f"{asked} ? {then.at(index)} : {other.at(index)}"
        return ELEMENT[node.op](node, [values[name].at(index) for name in node.inputs], self.context)

    def _single(self, unit: Unit) -> list[str]:
        *inner, node = unit.nodes
        values, before = dict(self.values), list[str]()
        for one in inner:  # written inside the last
            more, text = self._text(one, values, "0")
            before += more
            truth = values[one.name].truth
            values[one.name] = Value(atom(text) if truth else text, True, truth=truth)
        if node.op == LOAD:
            return [self.section.loads[node.name]]
        if node.op == RENEW:
            member = self.section.states[node.name.removesuffix(f"_{RENEW}")]
            return [member.define(values[node.inputs[0]].at(0))]
        if node.op == OUTPUT:
            return self._output(node)
        if node.op == ASSIGN:
            text = values[node.inputs[0]].at(0)
            target = replace(self.values[node.name], member=True)
            return [*before, f"{target.define(text)} {note(inner[0])}" if inner else target.define(text)]
        if node.op in WHOLE:
            own = replace(self.context, inputs=tuple(self.intervals[i] for i in node.inputs))
            return WHOLE[node.op](node, [values[i] for i in node.inputs], values[node.name], own)
        more, text = self._text(node, values, "0")
        target = values[node.name]
        ending = "" if target.truth else f" {note(node, target.member and node.name in self.section.layers)}"
        return [*before, *more, f"{target.define(text)}{ending}"]

    def _output(self, node: Node) -> list[str]:
        _, member = self.section.outputs[node.name.removesuffix(f"_{OUTPUT}")]
        value = self.values[node.inputs[0]]
        return [] if value == member else [member.define(value.at(0))]

    def _loop(self, unit: Unit) -> list[str]:
        seen, before, body, after = dict(self.values), list[str](), list[str](), list[str]()
        for node in unit.nodes:
            if node.op == RENEW:
                member = self.section.states[node.name.removesuffix(f"_{RENEW}")]
                after.append(member.put("k", seen[node.inputs[0]].at("k")))
            elif reduces(node, {name: i.size for name, i in self.intervals.items()}):
                start, lines = self._reduced(node, seen[node.inputs[0]])
                before.append(start)
                body += lines
            else:
                lines, text = self._text(node, seen, "k")
                body += [*lines, f"const int32_t {local(node.name)} = {text}; {note(node)}"]
                seen[node.name] = Value(local(node.name), True)
        # stored last: a result may lie over what another node, or a renewal, of this loop still reads
        stores = [self.values[n.name].put("k", local(n.name)) for n in unit.nodes if n.name in self.stored]
        return [*before, *loop("k", unit.length, [*body, *after, *stores])]

    def _reduced(self, node: Node, source: Value) -> tuple[str, list[str]]:
        """How a value starts that a loop builds up, and what each round does."""
        name, x = self.values[node.name].base, source.at("k")
        if node.op == "OUTSIDE":
            asked = _outside(node, x, self.intervals[node.inputs[0]])
            return f"bool {name} = false;", [f"if ({asked}) {{", f"    {name} = true;", "}"]
        if node.op == "reduce_max":
            start = f"int32_t {name} = {literal(node.interval.low[0])}; {note(node)}"
            return start, [f"if ({x} > {name}) {{", f"    {name} = {x};", "}"]
        (weights,), (bias,) = matrix(node.attributes, "weights"), vector(node.attributes, "bias")
        product = x
        if set(weights) != {1}:
            formula = "result = bias + sum over k of weights[k] * x[k]"
            product = f"{self.context.table(node, 'weights', weights, formula).at('k')} * {x}"
        return f"int32_t {name} = {literal(bias)}; {note(node)}", [f"{name} += {product};"]

    def _ladder(self, unit: Unit) -> list[str]:
        top, constants = unit.nodes[-1], {n for n, v in self.values.items() if v.literal}
        name = self.values[top.name].base
        lines = list[str]()
        for node in unit.nodes:
            condition, then, other = (self.values[i] for i in node.inputs)
            given, below = (then, other) if node.inputs[1] in constants else (other, then)
            if not lines:
                lines.append(f"int32_t {name} = {below.at(0)}; {note(top)}")
            asked = condition.holds() if given is then else negated(condition.holds())
            lines += [f"if {_parenthesised(asked)} {{", f"    {name} = {given.at(0)};", "}"]
        return lines

    def _choice(self, unit: Unit) -> list[str]:
        targets = [node for node in unit.chosen if not self.values[node.name].member]
        condition = self.values[unit.condition].holds()
        then, other = unit.then, unit.other
        if len(targets) == len(unit.chosen) and (self._plain(then) or self._plain(other)):
            if not self._plain(other):
                then, other, condition = other, then, negated(condition)
            starts = {node.name: self.values[node.inputs[0]].at(0) for u in other for node in u.nodes}
            lines = [f"int32_t {self.values[n.name].base} = {starts[n.name]}; {note(n)}" for n in targets]
            return [*lines, f"if {_parenthesised(condition)} {{", *_inner(self.block(then)), "}"]
        lines = [f"int32_t {self.values[n.name].base}; {note(n)}" for n in targets]
        lines += [f"if {_parenthesised(condition)} {{", *_inner(self.block(then))]
        return [*lines, "} else {", *_inner(self.block(other)), "}"]

    def _plain(self, units: Sequence[Unit]) -> bool:
        """Whether a branch gives nothing but constants."""
        return all(
            len(u.nodes) == 1 and u.nodes[0].op == ASSIGN and self.values[u.nodes[0].inputs[0]].literal
            for u in units
        )


def _parenthesised(condition: str) -> str:
    return condition if condition.startswith("(") else f"({condition})"


def _inner(lines: Sequence[str]) -> list[str]:
    return [f"    {line}" for line in lines]


def _outside(node: Node, x: str, reach: Interval) -> str:
    """Only what the range of ``x`` passes is compared."""
    low, high = limits(node)
    tests = [f"({x} < {literal(low)})"] if min(reach.low) < low else []
    tests += [f"({x} > {literal(high)})"] if max(reach.high) > high or not tests else []
    return " || ".join(tests)
