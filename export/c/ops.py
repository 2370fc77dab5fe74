"""The operations in C. ``ELEMENT`` gives the expression of one element, ``WHOLE`` the lines of a whole value.

All values are int32_t. The range analysis has shown that no sum, product or rounding addend in these lines
can leave it, in the order in which they stand here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from export.c.kernels import Kernels
from export.c.layers import layer_of
from export.c.layout import Tables, Value
from export.c.text import literal, narrowest, span_text
from export.c.trees import pack_forest
from training.program import INT32_MAX, Interval, Node, matrix, scalar, vector

_WHOLE = Interval((0,), (INT32_MAX,))
_UNROLLED = 4  # stores written out instead of an index table


@dataclass(frozen=True)
class Context:
    """What an operation may use besides its inputs: the prefix of helpers, the tables, the ranges of its
    inputs.
    """

    prefix: str
    tables: Tables
    stem: str  # starts the names of this section's tables
    inputs: tuple[Interval, ...] = ()
    reach: Mapping[str, Interval] = field(default_factory=dict)  # of every value of this section
    kernels: Kernels = field(default_factory=Kernels)

    def table(self, node: Node, what: str, values: Sequence[int], formula: str, row: int = 0) -> Value:
        return self.tables.add(f"{self.stem}_{node.name}_{what}", values, f"{node.name}: {formula}", row)


Element = Callable[[Node, Sequence[str], Context], tuple[list[str], str]]
Whole = Callable[[Node, Sequence[Value], Value, Context], list[str]]


def local(name: str) -> str:
    """The C name of a value: a prefix keeps it clear of keywords and of every other name."""
    return f"v_{name}"


def note(node: Node, named: bool = False) -> str:
    """The comment beside a value: its range, and its name where no local has it."""
    return f"/* {span_text(node.interval, node.scale)}{f': {node.name}' if named else ''} */"


def _divide(node: Node, args: Sequence[str], context: Context) -> tuple[list[str], str]:
    """As many steps as the largest quotient has digits: what leads them in the numerator is below the
    denominator.
    """
    digits = max(max(node.interval.high).bit_length(), 1)
    return [], f"{context.prefix}_divide({args[0]}, {args[1]}, {digits}U)"


def _plain(pattern: str) -> Element:
    return lambda node, args, context: ([], pattern.format(*args, p=context.prefix))


def _unless_equal(pattern: str, equal: str) -> Element:
    """Comparing a value with itself is what compilers warn about; the answer is known, and the value counts
    as used.
    """
    return lambda node, args, context: ([], (equal if args[0] == args[1] else pattern).format(*args))


def _clip(node: Node, args: Sequence[str], context: Context) -> tuple[list[str], str]:
    """Only with the ends that the range of the input passes is it compared."""
    (x,) = args
    low, high = scalar(node.attributes, "low"), scalar(node.attributes, "high")
    reach = context.reach.get(node.inputs[0])
    below, above = (True, True) if reach is None else (min(reach.low) < low, max(reach.high) > high)
    if below and above:
        return [], f"{context.prefix}_clip({x}, {literal(low)}, {literal(high)})"
    if below:
        return [], f"({x} < {literal(low)}) ? {literal(low)} : {x}"
    return [], f"({x} > {literal(high)}) ? {literal(high)} : {x}" if above else x


def _shift(node: Node, args: Sequence[str], context: Context) -> tuple[list[str], str]:
    return [], _rounded(args[0], scalar(node.attributes, "shift"), context)


def _rounded(value: str, shift: int, context: Context) -> str:
    return f"{context.prefix}_shift_round({value}, {shift}U)" if shift else value


def _ratio(node: Node, args: Sequence[str], context: Context) -> tuple[list[str], str]:
    floor, bits = scalar(node.attributes, "floor"), scalar(node.attributes, "bits")
    return [], f"{context.prefix}_ratio({args[0]}, {args[1]}, {literal(floor)}, {bits}U)"


def _running(node: Node, args: Sequence[str], context: Context) -> tuple[list[str], str]:
    x, total = args
    return [], f"({total} - {_rounded(total, scalar(node.attributes, 'shift'), context)}) + {x}"


def _lookup(node: Node, args: Sequence[str], context: Context) -> tuple[list[str], str]:
    values = vector(node.attributes, "table")
    table = context.table(node, "table", values, f"result = table[a], a limited to [0, {len(values) - 1}]")
    return [], table.at(f"{context.prefix}_clip({args[0]}, 0, {len(values) - 1})")


def _hinge(node: Node, args: Sequence[str], context: Context) -> tuple[list[str], str]:
    """The last segment whose knot is not above x, found from the bottom; a single segment needs no search."""
    knots, values, slopes = (vector(node.attributes, n) for n in ("knots", "values", "slopes"))
    shift, last = scalar(node.attributes, "shift"), len(values) - 1
    x, i = f"x_{node.name}", f"i_{node.name}"
    lines = [
        f"const int32_t {x} = {context.prefix}_clip({args[0]}, {literal(knots[0])}, {literal(knots[-1])});"
    ]
    if last == 0:
        return (
            lines,
            (
                f"{literal(values[0])} + "
                f"{_rounded(f'({literal(slopes[0])} * ({x} - {literal(knots[0])}))', shift, context)}"
            ),
        )
    where = f"i the last with knots[i] <= x, x limited to [{knots[0]}, {knots[-1]}]"
    knot = context.table(node, "knots", knots[:-1], where)
    value = context.table(
        node, "values", values, f"result = values[i] + shift_round(slopes[i] * (x - knots[i]), {shift})"
    )
    slope = context.table(node, "slopes", slopes, f"rise of each segment over one step of x, times 2^{shift}")
    lines += [
        f"uint32_t {i} = 0U;",
        f"while (({i} < {last}U) && ({x} >= {knot.at(f'{i} + 1U')})) {{",
        f"    ++{i};",
        "}",
        f"const int32_t d_{node.name} = {x} - {knot.at(i)};",
    ]
    rise = f"{slope.at(i)} * d_{node.name}"
    return lines, f"{value.at(i)} + {_rounded(rise if shift else f'({rise})', shift, context)}"


ELEMENT: Mapping[str, Element] = {
    "add": _plain("{0} + {1}"),
    "sub": _plain("{0} - {1}"),
    "mul": _plain("{0} * {1}"),
    "abs": _plain("({0} < 0) ? -{0} : {0}"),
    "max": _unless_equal("({0} > {1}) ? {0} : {1}", "{0}"),
    "greater": _unless_equal("({0} > {1}) ? 1 : 0", "0 * {0}"),
    "where": _plain("({0} != 0) ? {1} : {2}"),
    "divide": _divide,
    "clip": _clip,
    "shift": _shift,
    "ratio": _ratio,
    "running": _running,
    "lookup": _lookup,
    "hinge": _hinge,
}


def loop(counter: str, length: int, body: Sequence[str]) -> list[str]:
    """A counted loop around ``body``."""
    return [
        f"for (uint32_t {counter} = 0U; {counter} < {length}U; ++{counter}) {{",
        *(f"    {line}" for line in body),
        "}",
    ]


def _take(node: Node, inputs: Sequence[Value], out: Value, context: Context) -> list[str]:
    source, indices = inputs[0], vector(node.attributes, "indices")
    if out.single:
        return [f"const int32_t {out.base} = {source.at(indices[0])}; {note(node)}"]
    if len(indices) <= _UNROLLED or source.single:
        return [out.put(k, source.at(index)) for k, index in enumerate(indices)]
    table = context.table(node, "indices", indices, "result[k] = a[indices[k]]")
    place = f"{table.base}[k]"
    if source.offset:
        place = f"(uint32_t){place}"
    return loop("k", len(indices), [f"{out.put('k', source.at(place))} {note(node)}"])


def _concat(node: Node, inputs: Sequence[Value], out: Value, context: Context) -> list[str]:
    if out.single:
        return [f"const int32_t {out.base} = {inputs[0].at(0)}; {note(node)}"]
    lines, start = [], 0
    for source, interval in zip(inputs, context.inputs, strict=True):
        target = replace(out, offset=out.offset + start)
        if interval.size == 1:
            lines.append(target.put(0, source.at(0)))
        elif source != target:  # else it was made where it belongs
            lines += loop("k", interval.size, [target.put("k", source.at("k"))])
        start += interval.size
    return [f"/* {node.name} {span_text(node.interval, node.scale)} */", *lines]


def _reduce_max(node: Node, inputs: Sequence[Value], out: Value, context: Context) -> list[str]:
    (source,), size = inputs, context.inputs[0].size
    if size == 1:
        return [f"const int32_t {out.base} = {source.at(0)}; {note(node)}"]
    one = source.at("(k + 1U)" if source.offset else "k + 1U")
    return [
        f"int32_t {out.base} = {source.at(0)}; {note(node)}",
        *loop("k", size - 1, [f"if ({one} > {out.base}) {{", f"    {out.base} = {one};", "}"]),
    ]


def _argmax(node: Node, inputs: Sequence[Value], out: Value, context: Context) -> list[str]:
    (source,), size = inputs, context.inputs[0].size
    if size == 1:
        return [f"const int32_t {out.base} = 0 * {source.at(0)}; {note(node)}"]
    best = f"best_{node.name}"
    return [
        f"int32_t {out.base} = 0; {note(node)}",
        f"int32_t {best} = {source.at(0)};",
        *loop(
            "k",
            size,
            [
                f"if ({source.at('k')} > {best}) {{",
                f"    {best} = {source.at('k')};",
                f"    {out.base} = (int32_t)k;",
                "}",
            ],
        ),
    ]


def _dense(node: Node, inputs: Sequence[Value], out: Value, context: Context) -> list[str]:
    """The sum starts with the bias and runs up the inputs: the order in which the partial sums were shown to
    fit. Several inputs are single values that would have been joined for it (see ``summed``).
    """
    weights, bias = matrix(node.attributes, "weights"), vector(node.attributes, "bias")
    if len(inputs) > 1:
        terms = [_weighted(w, one) for w, one in zip(weights[0], inputs, strict=True)]
        total = " + ".join([literal(bias[0])] * (bias[0] != 0) + terms)
        return [f"const int32_t {out.base} = {total}; {note(node)}"]
    (x,), columns = inputs, len(weights[0])
    formula = "result[j] = bias[j] + sum over k of weights[j][k] * x[k]"
    if out.single and columns == 1:
        return [
            (
                f"const int32_t {out.base} = {literal(bias[0])} + ({literal(weights[0][0])} * "
                f"{x.at(0)}); {note(node)}"
            )
        ]
    if out.single:
        product = x.at("k")
        if set(weights[0]) != {1}:
            row = context.table(node, "weights", weights[0], formula.replace("[j]", ""))
            product = f"{row.at('k')} * {product}"
        return [
            f"int32_t {out.base} = {literal(bias[0])}; {note(node)}",
            *loop("k", columns, [f"{out.base} += {product};"]),
        ]
    biases = context.table(node, "bias", bias, formula)
    if columns == 1:
        column = context.table(node, "weights", [row[0] for row in weights], formula)
        product = f"{biases.at('j')} + ({column.at('j')} * {x.at(0)})"
        return loop("j", len(bias), [f"{out.put('j', product)} {note(node)}"])
    table = context.table(node, "weights", [w for row in weights for w in row], formula, columns)
    entry = f"{'(int32_t)' if table.narrow else ''}{table.base}[j][k]"
    inner = loop("k", columns, [f"sum += {entry} * {x.at('k')};"])
    return loop(
        "j", len(bias), [f"int32_t sum = {biases.at('j')}; {note(node)}", *inner, out.put("j", "sum")]
    )


def _weighted(weight: int, value: Value) -> str:
    if value.truth:
        return f"({value.base} ? {literal(weight)} : 0)"
    return value.at(0) if weight == 1 else f"({literal(weight)} * {value.at(0)})"


def layer(chain: Sequence[Node], x: Value, out: Value, context: Context) -> list[str]:
    """A dense layer with its shift and its clip: through a kernel on packed words where the layer can have
    one, the rest of its rows one by one.
    """
    dense, shift, clip = chain
    spans = (
        f"{span_text(dense.interval)}, shifted {span_text(shift.interval)}, clipped "
        f"{span_text(clip.interval, clip.scale)}"
    )
    lines, inputs = [f"/* {dense.name} {spans} */"], context.reach[dense.inputs[0]]
    packed = context.kernels.pack(chain, inputs)
    if packed:
        stream = context.tables.add(
            f"{context.stem}_{dense.name}_words",
            packed.words,
            f"{dense.name}: the stream that {packed.kind} reads",
            ctype="uint32_t",
        )
        lines.append(context.kernels.call(packed, stream, x, out, inputs, context.prefix))
    done = packed.rows if packed else 0
    return lines + (_other_rows(chain, x, out, context, done) if done < dense.size else [])


def _other_rows(chain: Sequence[Node], x: Value, out: Value, context: Context, first: int) -> list[str]:
    """The rows from ``first`` on, on weights as they are."""
    layer, dense = layer_of(chain, context.reach[chain[0].inputs[0]]), chain[0]
    target, kernels = replace(out, offset=out.offset + first), context.kernels
    left = None if layer is None else layer.rows(first, len(layer.weights))
    tables = None if left is None else kernels.row_tables(left, x, target)
    if tables is None:
        return _plain_rows(chain, x, out, context, first)
    name, add = f"{context.stem}_{dense.name}", context.tables.add
    formula = f"{dense.name}: columns, rows, shift and width, a byte each; limits; where each sum starts"
    starts = add(f"{name}_layer", tables.head, formula, ctype=tables.types.starts)
    formula = f"{dense.name}: weights[j][k] of sum[j] = start[j] + sum over k of weights[j][k] * x[k]"
    if tables.form == "threes":
        formula += ", three rows column by column, raised by half their range"
    weights = add(f"{name}_weights", tables.weights, formula, ctype=tables.ctype)
    return [kernels.run_rows(tables, starts, weights, x, target, context.prefix)]


def _plain_rows(chain: Sequence[Node], x: Value, out: Value, context: Context, first: int) -> list[str]:
    """The rows from ``first`` on where sums fit in their order only, or a weight is wide: through the kernel
    that all such layers of the same types share.
    """
    dense, shift, clip = chain
    weights, bias = matrix(dense.attributes, "weights")[first:], vector(dense.attributes, "bias")[first:]
    columns, by = len(weights[0]), scalar(shift.attributes, "shift")
    low, high = scalar(clip.attributes, "low"), scalar(clip.attributes, "high")
    formula = f"sum[j] = bias[j] + sum over k of weights[j][k] * x[k], then shift {by}, then clip"
    biases = context.table(dense, "bias", bias, formula)
    table = context.table(dense, "weights", [w for row in weights for w in row], formula)
    kernel = "layer_" + "_".join(
        t.removesuffix("_t") for t in (table.ctype, biases.ctype, x.ctype, out.ctype)
    )
    target = replace(out, offset=out.offset + first)
    where = f"{table.base}, {biases.base}, {x.pointer()}, {target.pointer()}"
    return [
        f"{context.prefix}_{kernel}({where},",
        f"    {len(bias)}U, {columns}U, {by}U, {literal(low)}, {literal(high)});",
    ]


def _trees(node: Node, inputs: Sequence[Value], out: Value, context: Context) -> list[str]:
    """In tables, every tree takes the same number of steps, so a frame takes the same time whatever the path;
    as code it takes no more than the dearest path.
    """
    (x,), depth = inputs, scalar(node.attributes, "depth")
    total = context.kernels.compare(node, context.inputs[0], x, context.prefix)
    if total is not None:
        return [f"const int32_t {out.base} = {total}; {note(node)}"]
    feature, threshold, child, value, roots = (
        vector(node.attributes, n) for n in ("feature", "threshold", "child", "value", "roots")
    )
    # A comparison with a threshold outside what the input can reach decides as one with the nearest that it
    # can, and is narrower.
    reach = [context.inputs[0].at(f) for f in feature]
    threshold = tuple(min(max(t, low - 1), high) for t, (low, high) in zip(threshold, reach, strict=True))
    sizes = [narrowest(values)[1] for values in (threshold, child, value, feature)]
    forest = None if x.single else pack_forest(node, context.inputs[0], x.ctype, len(child) * sum(sizes))
    if forest:
        formula = (
            f"complete trees of depth {depth}, nodes before leaves; a node goes on to 2 i + "
            "(x[feature] > threshold)"
        )
        stream = context.tables.add(
            f"{context.stem}_{node.name}_words", forest.words, f"{node.name}: {formula}", ctype="uint32_t"
        )
        return [
            (
                f"const int32_t {out.base} = {context.kernels.walk(forest, stream, x, context.prefix)}; "
                f"{note(node)}"
            )
        ]
    step = "node = child[node] + (x[feature[node]] > threshold[node])"
    children = context.table(
        node, "child", child, f"{step}, {depth} steps from each root; a leaf is its own child"
    )
    limits = context.table(node, "threshold", threshold, f"{step}; limited to what the input can reach")
    leaves = context.table(node, "value", value, "result = sum over the trees of value[node]")
    if x.single:
        tested = x.at(0)
    else:
        features = context.table(node, "feature", feature, step)
        tested = x.at(f"(uint32_t){features.base}[node]" if x.offset else f"{features.base}[node]")
    starts = context.table(node, "roots", roots, "the first node of each tree") if len(roots) > 1 else None
    start = f"(uint32_t){starts.base}[t]" if starts else f"{roots[0]}U"
    walk = [f"node = (uint32_t){children.base}[node] + (({tested} > {limits.at('node')}) ? 1U : 0U);"]
    tree = [f"uint32_t node = {start};", *loop("d", depth, walk), f"{out.base} += {leaves.at('node')};"]
    return [f"int32_t {out.base} = 0; {note(node)}", *loop("t", len(roots), tree)]


WHOLE: Mapping[str, Whole] = {
    "take": _take,
    "concat": _concat,
    "reduce_max": _reduce_max,
    "argmax": _argmax,
    "dense": _dense,
    "trees": _trees,
}
