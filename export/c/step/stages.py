"""The stages of a step, in the words of the trade: conditioning, nets, decisions, reading. Each is a function
of its own, so that step reads as the list of them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from export.c.layout import POOLS, Slots, Unit, Value, outermost_row
from export.c.step.schedule import OUTPUT, RENEW
from training.program import Node, matrix

_TITLES = {
    "conditioning": "Conditioning: from counts to what the model looks at.",
    "watcher": "Watch: how far the level is to be believed, and what is on the liquid and the wall.",
    "error": "Watch, first net: how far the level is to be believed.",
    "condition": "Watch, second net: what is on the liquid and the wall.",
    "level": "Level: the raw level from the features.",
    "level_foam": "Level under foam: a second raw level, for when foam stands on the liquid.",
    "decisions": "Decisions: what is flagged, and whether a level is given.",
    "reading": "Reading: the level with its band, or nothing.",
    "net": "Net: a layer after the other.",
}
_NAMES = {"watcher": "watch", "error": "watch_error", "condition": "watch_condition"}
_LAYER = re.compile(r"(\w+)_layer_\d+")


@dataclass(frozen=True)
class Stage:
    """Neighbouring units with a name and a sentence."""

    name: str
    title: str
    units: tuple[Unit, ...]


@dataclass(frozen=True)
class Written:
    """A stage as C: name, sentence, lines."""

    name: str
    title: str
    lines: tuple[str, ...]


def stages(units: Sequence[Unit], values: Mapping[str, Value]) -> tuple[Stage, ...]:
    """``units`` cut into stages: what stands before the first net, each net, and what stands behind the last,
    from where the reading is written on a stage of its own.
    """
    nets = [_net(unit) for unit in units]
    places = [k for k, net in enumerate(nets) if net]
    first, last = (places[0], places[-1]) if places else (len(units), len(units) - 1)
    if not places:
        first = next((k for k, unit in enumerate(units) if _decides(unit)), len(units))
        last = first - 1
    given = next(
        (k for k in range(last + 1, len(units)) if _gives(units[k], values)),
        len(units),
    )
    keys = list[str]()
    for k in range(len(units)):
        if k < first:
            keys.append("conditioning")
        elif k <= last:
            keys.append(nets[k] or keys[-1])
        else:
            keys.append("decisions" if k < given else "reading")
    result = list[Stage]()
    for key, unit in zip(keys, units, strict=True):
        if result and result[-1].name == _NAMES.get(key, key):
            result[-1] = replace(result[-1], units=(*result[-1].units, unit))
        else:
            result.append(Stage(_NAMES.get(key, key), _TITLES[key], (unit,)))
    return _told_apart(result)


def _told_apart(found: Sequence[Stage]) -> tuple[Stage, ...]:
    """A stage that comes again has a number."""
    seen, result = dict[str, int](), list[Stage]()
    for stage in found:
        seen[stage.name] = seen.get(stage.name, 0) + 1
        again = f"{stage.name}_{seen[stage.name]}" if seen[stage.name] > 1 else stage.name
        result.append(replace(stage, name=again))
    return tuple(result)


def _net(unit: Unit) -> str:
    """The net that a unit belongs to; empty for none."""
    for node in unit.nodes:
        named = _LAYER.fullmatch(node.name)
        if node.op == "dense" and named:
            return named[1] if named[1] in _TITLES else "net"
        if unit.kind == "layer" or node.op in ("trees", "hinge"):
            return "level"
        if node.op == "dense" and len(node.inputs) == 1 and set(matrix(node.attributes, "weights")[0]) != {1}:
            return "level"
    return ""


def _decides(unit: Unit) -> bool:
    return unit.kind in ("choice", "ladder") or unit.nodes[-1].op in (OUTPUT, "greater")


def _gives(unit: Unit, values: Mapping[str, Value]) -> bool:
    """Whether a unit writes what the reading says when it is given."""
    return any(values[node.name].base.startswith("reading->") for node in unit.chosen)


def made(unit: Unit) -> tuple[Node, ...]:
    """The single values that a unit makes for others."""
    if unit.kind == "choice":
        return unit.chosen
    if unit.kind == "loop":
        return tuple(node for node in unit.nodes if node.size == 1)
    last = unit.nodes[-1]
    return (last,) if unit.kind != "layer" and last.size == 1 and last.op not in (RENEW, OUTPUT) else ()


def handed_on(found: Sequence[Stage], values: Mapping[str, Value]) -> dict[str, Node]:
    """The single values that one stage makes and a later one reads."""
    home = {node.name: (k, node) for k, stage in enumerate(found) for u in stage.units for node in made(u)}
    result = dict[str, Node]()
    for k, stage in enumerate(found):
        for name in (name for unit in stage.units for node in unit.nodes for name in node.inputs):
            at, node = home.get(name, (k, None))
            if node is not None and at < k and not values[name].member:
                result[name] = node
    return {name: node for name, (_, node) in home.items() if name in result}


def scratch_map(
    found: Sequence[Stage],
    slots: Slots,
    through: Mapping[str, tuple[str, int]],
    sizes: Mapping[str, int],
    kept: Iterable[str],
) -> list[str]:
    """Where each row lies in the scratch, and from which stage to which."""
    spans = dict[str, tuple[int, int]]()
    lasting = {outermost_row(name, through) for name in kept}
    for k, stage in enumerate(found):
        for node in (node for unit in stage.units for node in unit.nodes):
            for name in (node.name, *node.inputs):
                row = outermost_row(name, through)
                if row in slots.at:
                    for each in {name, row}:
                        first, last = spans.get(each, (k, k))
                        spans[each] = (min(first, k), max(last, k))
    places = list[tuple[str, int, int, str, str]]()
    for name, (first, last) in spans.items():
        row, start = name, 0
        while row in through:
            row, more = through[row]
            start += more
        ctype, offset = slots.at[row]
        end = "the self-test" if row in lasting else found[last].name
        span = found[first].name if end == found[first].name else f"{found[first].name} to {end}"
        places.append((POOLS[ctype], offset + start, sizes[name], name, span))
    places.sort(key=lambda place: (place[0], place[1], -place[2], place[3]))
    slot = [f"{pool}[{at}..{at + size - 1}]" for pool, at, size, _, _ in places]
    wide, long = max(map(len, slot), default=0), max((len(p[3]) for p in places), default=0)
    return [f"{s:<{wide}}  {p[3]:<{long}}  {p[4]}" for s, p in zip(slot, places, strict=True)]
