"""Program -> C99: a header and a source, as text. Equal programs give equal text."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from dataset.errors import ProgramError
from export.c import blocks, interface, trims
from export.c.extras import PLAIN_EXTRAS, Extras
from export.c.header import count_type, header_gaps, identity, layer_lines, since_pour_parameter
from export.c.kernels import Kernels
from export.c.layout import POOLS, Tables, Value, atom
from export.c.memory import READING, SUM_WORD, MemoryLayout, member_type, memory_layout
from export.c.ops import ELEMENT, WHOLE, Context, local, loop
from export.c.prefix import check_prefix
from export.c.step import memory_check
from export.c.step.body import Body, Section, section_body
from export.c.step.names import readable
from export.c.text import TYPE_BYTES, WIDTH, fill, literal, span_text, template
from export.evidence.known_answer import known_answer
from export.identity import PLAIN_STAMP, Stamp
from export.volume import VolumeTable
from training.program import (
    NO_POUR,
    OPS,
    OUTPUTS,
    TEMPERATURE_RANGE,
    Interval,
    Node,
    Program,
    analyse,
    model_id,
)

_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")


@dataclass(frozen=True)
class CSource:
    """A model in C99: ``header`` is the text of ``<prefix>.h``, ``source`` that of ``<prefix>.c``, ``layout``
    where their numbers lie. ``told``: step takes the seconds since the last pour.
    """

    prefix: str
    header: str
    source: str
    layout: MemoryLayout
    told: bool = False


def emit_c(
    program: Program,
    prefix: str = "innage",
    volume: VolumeTable | None = None,
    kernels: str = "small",
    assembly: bool = False,
    unproven: Sequence[str] = (),
    stamp: Stamp = PLAIN_STAMP,
    extras: Extras = PLAIN_EXTRAS,
) -> CSource:
    """The C of ``program``; all names start with ``prefix``; with ``volume`` it also turns levels into
    millilitres.

    ``kernels`` says which layers may run on packed words (see ``export.c.kernels``), and ``assembly``
    switches on their inline assembly for the cores that have it: the readings stay the same, bit for bit.
    ``unproven`` are sentences for the header's comment, on limits that lack evidence; ``stamp`` is what the
    identity says of the export. ``extras``: what else the export asks for.

    The program is analysed anew, so one that could overflow is refused. Raises ProgramError for that and for
    an operation, a name or a trim range that C cannot have, InputError for an unusable prefix or unknown
    kernels; always before any text is made.
    """
    check_prefix(prefix)
    _check(program)
    program = analyse(program)
    known, first = known_answer(program), Kernels(kernels, assembly)
    written, names = readable(program)
    layers = [names.get(name, name) for name in known.layers]
    anonymous = frozenset(names.values())
    checked = extras.memory_check
    _step(written, prefix, Tables(""), first, layers, anonymous, checked=checked)
    _prepare(written, prefix, Tables(""), first, anonymous, summed=checked)
    tables, shared = Tables(f"{prefix}_tables"), first.settled()
    step_text, step = _step(written, prefix, tables, shared, layers, anonymous, checked=checked)
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "format": str(program.format),
        "model_id": f"0x{model_id(program):08X}",
        "identity": identity(program),
        "identity_table": interface.identity_table(program, prefix, stamp),
        "prepare": _prepare(written, prefix, tables, shared, anonymous, summed=checked),
        "init": _init(written, prefix),
        "step": step_text,
        "stages": _stages(step, prefix),
        "layers": layer_lines(written),
        "trim_check": trims.trim_check(program, prefix),
        "since_pour": since_pour_parameter(program),
        "volume": "" if volume is None else interface.volume_function(volume, prefix, tables),
    }
    taking = trims.trim_helpers(program, prefix, tables)
    swings = trims.swing_check(program, prefix, tables)
    crc = interface.crc(prefix, tables, extras)
    whole = memory_check.memory_check(written, prefix, tables) if checked else ""
    if not tables.members:  # a straight line is written without any; the CRC and its macros stay
        tables.add("unused", (0,), "this model needs none", ctype="uint32_t")
    layout = memory_layout(written, step.pools, tables, checked and memory_check.sums(written))
    parts = interface.pieces(layout, _layer_rows(written, layers, step, layout))
    gaps["selftest_slice"], gaps["known"] = interface.selftest(program, known, prefix, tables, parts)
    gaps["tables"] = blocks.aggregate(tables, layout.tables, prefix)
    gaps["helpers"] = (
        crc
        + whole
        + taking
        + swings
        + blocks.helpers(gaps["prepare"] + gaps["stages"] + gaps["step"] + gaps["volume"], prefix, shared)
    )
    header_texts = header_gaps(program, prefix, layout, tables, volume, unproven)
    header_texts |= interface.slice_gaps(interface.kept_bytes(parts), extras)
    header = fill(template("model.h"), gaps | header_texts)
    return CSource(prefix, header, fill(template("model.c"), gaps), layout, program.longest_pour_s > 0)


def _check(program: Program) -> None:
    """Refuse what has no C: before the analysis, so that an unknown operation is named whatever else is
    wrong.
    """
    for node in (*program.prepare, *program.step):
        if node.op not in ELEMENT and node.op not in WHOLE and node.op != "const":
            raise ProgramError(
                f"node '{node.name}'", f"operation '{node.op}' has no C", "one of " + ", ".join(OPS)
            )
    for name in (*(n.name for n in (*program.prepare, *program.step)), *(s.name for s in program.states)):
        if not _NAME.fullmatch(name):
            raise ProgramError("a name", repr(name), "lower-case letters, digits and _, at most 40")
    if program.trim is not None and (min(program.trim.low) < 0 or max(program.trim.high) > program.count_max):
        raise ProgramError("trim", span_text(program.trim), f"counts, [0, {program.count_max}]")


def _prepare(
    program: Program,
    prefix: str,
    tables: Tables,
    shared: Kernels,
    anonymous: frozenset[str],
    *,
    summed: bool,
) -> str:
    checked = f"prepared->check = {prefix.upper()}_PREPARED_CHECK;"
    if program.trim is None:
        lines = [
            f"const bool accepted = {prefix}_little_endian();",
            "(void)trim;",
            "if (accepted) {",
            f"    {checked}",
            "}",
            "return accepted;",
        ]
        return _indented(lines)
    placed = {
        name: _member("prepared", name, i) for name, i in program.prepared_intervals.items() if i.size > 1
    }
    known = {"trim": _counts("trim", program)}
    section = Section(
        program.prepare,
        program.prepared,
        known,
        {"trim": program.trim},
        placed=placed,
        anonymous=anonymous,
    )
    body = section_body(section, Context(prefix, tables, "p", kernels=shared))
    lines = _trim_limits(program.trim, program.count_bits, tables)
    inner = [f"{ctype} {POOLS[ctype]}[{length}];" for ctype, length in body.pools.items()]
    inner += body.lines
    inner += [
        _assign(f"prepared->{local(n)}", i, body.values[n].at(0))
        for n, i in program.prepared_intervals.items()
        if i.size == 1
    ]
    if summed and memory_check.sums(program):
        inner.append(f"prepared->{SUM_WORD} = {prefix}_prepared_sum(prepared);")
    usable = f"(trim != NULL) && {prefix}_little_endian()"
    if lines or program.swing is not None:
        first = "accepted = true;" if program.swing is None else f"accepted = {prefix}_swings(trim);"
        inside = [f"    {line}" for line in (first, *lines)]
        lines = ["bool accepted = false;", f"if ({usable}) {{", *inside, "}"]
    else:
        lines = [f"const bool accepted = {usable};"]
    lines += ["if (accepted) {", *(f"    {line}" for line in (*inner, checked)), "}"]
    return _indented([*lines, "return accepted;"])


def _trim_limits(trim: Interval, count_bits: int, tables: Tables) -> list[str]:
    """Only comparisons that can fail: a count is never below 0, nor above what its type holds. One that can
    fail at both ends takes one comparison: less the lowest and unsigned, it is above the width of its range.
    """
    low, high = trim.low, trim.high
    most = 0xFFFF if count_bits <= 16 else 0xFFFFFFFF
    index = "k" if trim.size > 1 else "0"

    def limit(name: str, values: Sequence[int], text: str) -> str:
        if len(set(values)) == 1:
            return f"{values[0]}U"
        return f"(uint32_t){tables.add(f'p_trim_{name}', values, text).base}[k]"

    above, count = min(high) < most, f"trim[{index}]"
    if max(low) > 0:
        count = f"((uint32_t){count} - {limit('low', low, 'the lowest trim accepted of each channel')})"
    if max(low) > 0 and above:
        width = tuple(b - a for a, b in zip(low, high, strict=True))
        test = f"{count} > {limit('width', width, 'the highest trim accepted less the lowest')}"
    elif max(low) > 0:
        test = f"trim[{index}] < {limit('low', low, 'the lowest trim accepted of each channel')}"
    elif above:
        test = f"{count} > {limit('high', high, 'the highest trim accepted of each channel')}"
    else:
        return []
    lines = [f"if ({test}) {{", "    accepted = false;", "}"]
    return loop("k", trim.size, lines) if trim.size > 1 else lines


def _init(program: Program, prefix: str) -> str:
    lines = [f"state->check = {prefix.upper()}_STATE_CHECK;"]
    for state in program.states:
        start = state.initial
        if state.size == 1:
            lines.append(f"state->{local(state.name)} = {literal(start[0])};")
            continue
        row = _member("state", state.name, state.interval)
        if len(set(start)) == 1:
            lines += loop("k", state.size, [row.put("k", literal(start[0]))])
        else:
            lines += [row.put(k, literal(v)) for k, v in enumerate(start)]
    return _indented(lines)


def _layer_rows(
    program: Program, layers: Sequence[str], step: Body, layout: MemoryLayout
) -> tuple[tuple[str, int, int], ...]:
    """Where the scratch holds the last layers behind a step: type, offset in bytes, elements."""
    starts = {member.name: member.offset for member in layout.scratch.members}
    rows, sizes = [], {node.name: node.size for node in program.step}
    for name in layers:
        value = step.kept[name]
        pool = POOLS[value.ctype]
        at = value.offset if not value.single else int(value.base.split("[")[1].rstrip("U]"))
        rows.append((value.ctype, starts[pool] + TYPE_BYTES[value.ctype] * at, sizes[name]))
    return tuple(rows)


def _step(
    program: Program,
    prefix: str,
    tables: Tables,
    shared: Kernels,
    layers: Sequence[str],
    anonymous: frozenset[str],
    *,
    checked: bool,
) -> tuple[str, Body]:
    """``layers``: values that the self-test reads in the scratch behind the step. ``checked``: the memory is
    checked first.
    """
    nodes, renewed = _renewals(program)
    known: dict[str, Value] = {"counts": _counts("counts", program)}
    known["temperature"] = Value("temperature", True, ctype="int16_t")
    known["faults"] = Value("faults", True, ctype="uint32_t")
    if program.longest_pour_s:
        known["since_pour"] = Value("since_pour", True, ctype="int32_t")
    intervals = program.inputs | program.prepared_intervals | {s.name: s.interval for s in program.states}
    known |= {n: _place("prepared", n, i) for n, i in program.prepared_intervals.items()}
    known |= {s.name: _member("state", s.name, s.interval) for s in program.states}
    section = Section(
        nodes,
        (),
        known,
        intervals,
        _loads(program),
        renewed=renewed,
        states={name: _place("state", name, intervals[name]) for name in renewed},
        outputs={name: (program.outputs[name], _reading(name)) for name in OUTPUTS},
        layers=layers,
        pool="scratch->",
        anonymous=anonymous,
    )
    body = section_body(section, Context(prefix, tables, "t", kernels=shared))
    frame = [f"{prefix}_frame_t frame;"] if body.handed_on else []
    calls = [f"{prefix}_{stage.name}({_arguments(stage.lines, prefix)[1]});" for stage in body.stages]
    lines = [
        *_domain(program, prefix, checked=checked),
        "if (!inside) {",
        *(f"    {line}" for line in _withheld(prefix)),
        "} else {",
        *(f"    {line}" for line in (*frame, *(calls or body.lines))),
        "}",
        "return reading->validity;",
    ]
    text = _indented(lines)
    used = text + "".join(line for stage in body.stages for line in stage.lines)
    spare = [f"    (void){name};" for name, sign in _PARAMETERS.items() if not re.search(sign, used)]
    return "\n".join([*spare, text]), body


def _stages(body: Body, prefix: str) -> str:
    """The functions that step calls one after the other, and what they hand on."""
    gaps, text = {"prefix": prefix, "PREFIX": prefix.upper()}, ""
    if body.scratch:
        text += fill(_SCRATCH, {"rows": "\n".join(f" *     {row}" for row in body.scratch)})
    if body.handed_on:
        text += fill(_FRAME, gaps | {"members": _indented(body.handed_on)})
    for stage in body.stages:
        head = f"{prefix.upper()}_CODE_SECTION static void {prefix}_{stage.name}("
        head += f"{_arguments(stage.lines, prefix)[0]})"
        gaps |= {"title": stage.title, "head": _wrapped(head)}
        text += fill(_STAGE, gaps | {"lines": _indented(stage.lines)})
    return text


_SCRATCH = """
/*
 * Where rows lie in the scratch, and from which stage of a step to which:
@rows@
 */
"""

_FRAME = """
/* What the stages of a step hand on. */
typedef struct {
@members@
} @prefix@_frame_t;
"""

_STAGE = """
/* @title@ */
@head@
{
@lines@
}
"""


def _wrapped(head: str) -> str:
    """A head of a function, broken between parameters where it is too long."""
    whole = re.sub(r"(?<=[^,]) ", "\0", head)
    return "\n    ".join(textwrap.wrap(whole, WIDTH, break_long_words=False, break_on_hyphens=False)).replace(
        "\0", " "
    )


def _arguments(lines: Sequence[str], prefix: str) -> tuple[str, str]:
    """Parameters of a stage, and what step gives it: what its lines name; what they don't write is const."""
    text = "\n".join(lines)
    parameters, arguments = list[str](), list[str]()
    for name, sign, kind in _STAGE_PARAMETERS:
        if re.search(sign, text):
            only_read = not re.search(rf"^ *{name}->|[^*]&{name}->", text, re.MULTILINE)
            const = "const " if kind.endswith("*") and only_read and not kind.startswith("const") else ""
            parameters.append(
                f"{const}{fill(kind, {'prefix': prefix})}{name}" if kind.endswith("*") else f"{kind} {name}"
            )
            arguments.append("&frame" if name == "frame" else name)
    return ", ".join(parameters) or "void", ", ".join(arguments)


_PARAMETERS = {
    "state": r"state->",
    "prepared": r"prepared->",
    "scratch": r"scratch->",
    "counts": r"\bcounts\[",
}
_STAGE_PARAMETERS = (
    ("state", r"\bstate->", "@prefix@_state_t *"),
    ("prepared", r"\bprepared->", "const @prefix@_prepared_t *"),
    ("scratch", r"\bscratch->", "@prefix@_scratch_t *"),
    ("counts", r"\bcounts\[", "const @prefix@_count_t *"),
    ("temperature", r"\)temperature\b", "int16_t"),
    ("faults", r"\)faults\b", "uint32_t"),
    ("since_pour", r"\bsince_pour\b", "int32_t"),
    ("frame", r"\bframe->", "@prefix@_frame_t *"),
    ("reading", r"\breading->", "@prefix@_reading_t *"),
)


def _withheld(prefix: str) -> list[str]:
    big = prefix.upper()
    return [
        "reading->low = 0;",
        f"reading->level = {big}_NO_LEVEL;",
        f"reading->high = {big}_SPAN;",
        f"reading->validity = {big}_WITHHELD;",
        f"reading->flags = {big}_FLAG_SENSOR_FAULT;",
        f"reading->reason = {big}_REASON_FAULT;",
    ]


def _domain(program: Program, prefix: str, *, checked: bool) -> list[str]:
    """Inputs inside the domain, and memory that init and prepare of this model have set up, with values that
    are whole where these are ``checked``.
    """
    low, high = TEMPERATURE_RANGE
    faults = program.inputs["faults"].high[0]
    big = prefix.upper()
    tests = f"(state->check == {big}_STATE_CHECK) && (prepared->check == {big}_PREPARED_CHECK) && "
    if checked and memory_check.keeps(program):
        tests += f"{prefix}_memory_whole(state, prepared) && "
    tests += f"(temperature >= {literal(low)}) && (temperature <= {high}) && (faults <= {faults}U)"
    if program.longest_pour_s:
        tests += f" && (since_pour >= {literal(NO_POUR)})"
    if program.count_bits == 16:
        return _folded(f"const bool inside = {tests};")
    if program.channels == 1:
        return _folded(f"const bool inside = {tests} && (counts[0] <= {program.count_max}U);")
    return [
        *_folded(f"bool inside = {tests};"),
        *loop("k", program.channels, [f"inside = inside && (counts[k] <= {program.count_max}U);"]),
    ]


def _folded(statement: str) -> list[str]:
    """A long conjunction on a line for what was set up, and one for the inputs."""
    tests = statement.split(" && ")
    at = next(k for k, test in enumerate(tests) if test.startswith("(temperature"))
    parts = [part for part in (tests[:2], tests[2:at], tests[at:]) if part]
    return (" &&\n" + " " * statement.index("(")).join(" && ".join(part) for part in parts).split("\n")


def _renewals(program: Program) -> tuple[tuple[Node, ...], dict[str, str]]:
    """The step's nodes, and the value that renews each state, in an order in which no row is renewed before
    it was handed on.

    Rows that go round in a circle need a copy; capital letters keep its name clear of the program's.
    """
    sizes = {s.name: s.interval for s in program.states if s.size > 1}
    pending = {s.name: s.next for s in program.states if s.next != s.name}
    nodes, renewed = list(program.step), dict[str, str]()
    while pending:
        handed_on = {value for value in pending.values() if value in sizes}
        name = next((n for n in pending if n not in handed_on), "")
        if not name:
            name = next(iter(pending))
            copy = Node(f"{name}_HELD", "concat", (name,), {}, sizes[name])
            nodes.append(copy)
            pending = {n: copy.name if value == name else value for n, value in pending.items()}
        renewed[name] = pending.pop(name)
    return tuple(nodes), renewed


def _assign(target: str, interval: Interval, text: str) -> str:
    """A single value into a member that is as narrow as its range."""
    ctype = member_type(interval)
    return f"{target} = {text};" if ctype == "int32_t" else f"{target} = ({ctype}){atom(text)};"


def _counts(name: str, program: Program) -> Value:
    single = (program.trim_size if name == "trim" else program.channels) == 1
    return Value(f"{name}[0]" if single else name, single, ctype=count_type(program))


def _member(owner: str, name: str, interval: Interval) -> Value:
    return (
        Value(local(name), True)
        if interval.size == 1
        else Value(f"{owner}->{local(name)}", False, ctype=member_type(interval))
    )


def _place(owner: str, name: str, interval: Interval) -> Value:
    """A member that is written."""
    if interval.size > 1:
        return _member(owner, name, interval)
    return Value(f"{owner}->{local(name)}", True, ctype=member_type(interval), member=True)


def _reading(output: str) -> Value:
    ctype = {member.name: member.ctype for member in READING.members}[output]
    return Value(f"reading->{output}", True, ctype=ctype, member=True)


def _loads(program: Program) -> dict[str, str]:
    """The lines that read single states into locals, since they are renewed meanwhile."""
    single = {local(state.name): state for state in program.states if state.size == 1}
    return {
        state.name: f"const int32_t {name} = (int32_t)state->{name}; /* {span_text(state.interval)} */"
        for name, state in single.items()
    }


def _indented(lines: Sequence[str]) -> str:
    return "\n".join(f"    {line}" if line else "" for line in lines)
