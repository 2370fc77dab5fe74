"""C written out naively, put into the step of an otherwise empty model: what the exported kernels are
measured against.

Readings are compared where the naive form can give the same ones: integers, and trees in double, which hold
the integers exactly.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from export.c.source import CSource, emit_c
from training.program import Builder, Node, Program, matrix, scalar, vector


def empty_program(channels: int, count_bits: int) -> Program:
    """A model of constants with the inputs of the others: what every model carries besides what
    it computes.
    """
    b = Builder("empty", count_bits=count_bits, channels=channels, period_ms=100, span=6400)
    zero = b.const(0)
    return b.finish(low=zero, level=zero, high=b.const(6400), validity=zero, flags=zero)


def with_step(program: Program, tables: str, body: str) -> CSource:
    """The C of an empty model like ``program`` whose step is ``body`` and stores ``result`` as the level."""
    source = emit_c(empty_program(program.channels, program.count_bits))
    stores = (
        "low = 0",
        "level = (int32_t)result",
        "high = 6400",
        "validity = 0U",
        "flags = 0U",
        "reason = 1U",
    )
    body += "".join(f"\n    reading->{store};" for store in stores) + "\n    return 0U;"
    step = r"(uint8_t innage_step\([^{]*\)\n\{\n).*?(\n\}\n)"
    text, replaced = re.subn(
        step, lambda m: f"{tables}{m[1]}{body}{m[2]}", source.source, count=1, flags=re.DOTALL
    )
    if not replaced:
        raise SystemExit("the exported C has no step to replace")
    return replace(source, source=text)


def float_net(program: Program) -> CSource:
    """The dense layers of ``bench/net_program.py`` in float, without conditioning, validity and flags."""
    tables, calls, inputs, pads = [_FLOAT_LAYER], [], 0, program.channels
    held = {"level": "x", "score": "x"}
    layers = [node for node in program.step if node.op == "dense"]
    for node in layers:
        weights, bias = matrix(node.attributes, "weights"), vector(node.attributes, "bias")
        inputs = inputs or len(weights[0])
        for what, values in (("w", [v for row in weights for v in row]), ("b", bias)):
            tables.append(
                f"static const float {what}_{node.name}[] = {{{', '.join(f'{v / 128}f' for v in values)}}};"
            )
        net = node.name[:5]
        out = {
            ("level", "x"): "a",
            ("level", "a"): "c",
            ("level", "c"): "a",
            ("score", "x"): "s1",
            ("score", "s1"): "s2",
        }[net, held[net]]
        last = int(node is [other for other in layers if other.name.startswith(net)][-1])
        calls.append(
            f"    layer(w_{node.name}, b_{node.name}, {held[net]}, {out}, {len(weights)}, "
            f"{len(weights[0])}, {last});"
        )
        held[net] = out
    body = f"""    float x[{inputs}], a[32], c[32], s1[32], s2[32];
    float wettest = 1.0f;
    for (int k = 0; k < {pads}; ++k) {{
        x[k] = (float)counts[k] / 65536.0f;
        wettest = (x[k] > wettest) ? x[k] : wettest;
    }}
    for (int k = {pads}; k < {inputs}; ++k) {{
        x[k] = x[k - {pads}] / wettest;
    }}
{chr(10).join(calls)}
    const float result = {held["level"]}[0] * 64.0f + {held["score"]}[0] + {held["score"]}[1] + {held["score"]}[2] + {held["score"]}[3];"""  # noqa: E501 - a text as it is written out
    return with_step(program, "\n".join(tables) + "\n", body)


_FLOAT_LAYER = """static void layer(const float *w, const float *b, const float *x, float *out, int rows, int columns, int last)
{
    for (int j = 0; j < rows; ++j) {
        float sum = b[j];
        for (int k = 0; k < columns; ++k) {
            sum += w[j * columns + k] * x[k];
        }
        out[j] = (!last && sum < 0.0f) ? 0.0f : sum;
    }
}"""  # noqa: E501 - a text as it is written out

FORMS = ("plain loop", "unrolled", "four rows at once")


def integer_layers(program: Program, form: str) -> CSource:
    """The layers of ``layers_program`` in C as one would write it, in one of ``FORMS``."""
    tables, calls = list[str](), list[str]()
    dense = [node for node in program.step if node.op == "dense"]
    shift = scalar(
        next(
            node for node in program.step if node.op == "shift" and node.inputs[0] == dense[0].name
        ).attributes,
        "shift",
    )
    n = len(matrix(dense[0].attributes, "weights"))
    for k, node in enumerate(dense):
        rows, bias = matrix(node.attributes, "weights"), vector(node.attributes, "bias")
        tables.append(f"static const int8_t w{k}[] = {{{', '.join(str(v) for row in rows for v in row)}}};")
        tables.append(f"static const int16_t b{k}[] = {{{', '.join(map(str, bias))}}};")
        calls.append(f"    layer(w{k}, b{k}, {'ac'[k % 2]}, {'ca'[k % 2]});")
    return with_step(
        program,
        "\n".join(tables) + "\n" + _layer_text(form, n, shift),
        f"""    uint8_t a[{n}], c[{n}];
    int32_t result = 0;
    for (int k = 0; k < {n}; ++k) {{
        const int32_t v = (counts[k] + 4) >> 3;
        a[k] = (uint8_t)((v > 127) ? 127 : v);
    }}
{chr(10).join(calls)}
    for (int k = 0; k < {n}; ++k) {{
        result = ({"ac"[len(dense) % 2]}[k] > result) ? {"ac"[len(dense) % 2]}[k] : result;
    }}""",
    )


def _layer_text(form: str, n: int, shift: int) -> str:
    """One function for all layers: ``n`` rows of ``n`` columns."""
    half = (1 << shift) >> 1
    stored = (
        f"{{ const int32_t v = (sum@ + {half}) >> {shift}; out[j + @] = (uint8_t)((v < 0) ? 0 : (v "
        f"> 127) ? 127 : v); }}"
    )
    at_once = 4 if form == "four rows at once" else 1
    sums = [f"int32_t sum{r} = b[j + {r}];" for r in range(at_once)]
    if form == "unrolled":
        products = [f"sum0 += w[(j * {n}) + {k}] * x[{k}];" for k in range(n)]
    else:
        inner = " ".join(f"sum{r} += w[((j + {r}) * {n}) + k] * x[k];" for r in range(at_once))
        products = [f"for (int k = 0; k < {n}; ++k) {{ {inner} }}"]
    lines = [*sums, *products, *(stored.replace("@", str(r)) for r in range(at_once))]
    body = "\n        ".join(lines)
    head = (
        "static __attribute__((noinline)) void layer(const int8_t *w, const int16_t *b, const "
        "uint8_t *x, uint8_t *out)"
    )
    return f"{head}\n{{\n    for (int j = 0; j < {n}; j += {at_once}) {{\n        {body}\n    }}\n}}\n"


def float_trees(program: Program) -> CSource:
    """The forest of ``forest_program`` as nested comparisons in double."""
    (node,) = [n for n in program.step if n.op == "trees"]
    lines = [line for root in vector(node.attributes, "roots") for line in _nested(node, root, "    ")]
    body = f"""    double x[{program.channels}];
    double result = 3000.0;
    for (int k = 0; k < {program.channels}; ++k) {{
        x[k] = (double)counts[k];
    }}
{chr(10).join(lines)}"""
    return with_step(program, "", body)


def _nested(node: Node, k: int, lead: str) -> Sequence[str]:
    feature, threshold, child, value = (
        vector(node.attributes, n) for n in ("feature", "threshold", "child", "value")
    )
    if child[k] == k:
        return [f"{lead}result += {value[k]}.0;"]
    below = lead + "    "
    return [
        f"{lead}if (x[{feature[k]}] > {threshold[k]}.0) {{",
        *_nested(node, child[k] + 1, below),
        f"{lead}}} else {{",
        *_nested(node, child[k], below),
        f"{lead}}}",
    ]
