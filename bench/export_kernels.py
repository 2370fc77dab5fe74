"""The exported C on the emulated core beside C with software floating point written out naively for the same nets, in one run.

    python -P bench/export_kernels.py

Cycles are those of the core's timing table with a single-cycle multiplier and no wait states; flash counts everything that was linked.
The weights are drawn, not trained: sizes and cycles do not depend on what they say.
"""

from __future__ import annotations

from dataclasses import replace

from net_program import PADS, net_program

from export.c_source import CSource, emit_c
from export.emulator import Machine
from export.toolchain import build_core
from export.vectors import make_vectors
from training.program import Program, matrix, vector

FRAMES = 200

_FLOAT = """#include "innage.h"
@tables@
static void layer(const float *w, const float *b, const float *x, float *out, int rows, int columns, int last)
{
    for (int j = 0; j < rows; ++j) {
        float sum = b[j];
        for (int k = 0; k < columns; ++k) {
            sum += w[j * columns + k] * x[k];
        }
        out[j] = (!last && sum < 0.0f) ? 0.0f : sum;
    }
}
uint32_t innage_api_version(void) { return 1U; }
uint32_t innage_model_id(void) { return 1U; }
const void *innage_tables_start(void) { return NULL; }
bool innage_selftest(void) { return true; }
bool innage_prepare(innage_prepared_t *prepared, const innage_count_t *trim) { (void)prepared; (void)trim; return true; }
void innage_init(innage_state_t *state) { (void)state; }
uint8_t innage_step(innage_state_t *state, const innage_prepared_t *prepared, innage_scratch_t *scratch,
                    const innage_count_t *counts, int16_t temperature, uint32_t faults, innage_reading_t *reading)
{
    float x[@inputs@], a[32], c[32];
    float wettest = 1.0f;
    (void)state; (void)prepared; (void)scratch; (void)temperature; (void)faults;
    for (int k = 0; k < @pads@; ++k) {
        x[k] = (float)counts[k] / 65536.0f;
        wettest = (x[k] > wettest) ? x[k] : wettest;
    }
    for (int k = @pads@; k < @inputs@; ++k) {
        x[k] = x[k - @pads@] / wettest;
    }
@calls@
    reading->low = reading->level = reading->high = (int32_t)(@level@[0] * 64.0f);
    reading->validity = (uint8_t)(@score@[0] > 0.5f);
    reading->flags = (uint8_t)((@score@[1] > 0.5f) + 2 * (@score@[2] > 0.5f) + 4 * (@score@[3] > 0.5f));
    return reading->validity;
}
"""


def float_source(program: Program, header: str) -> CSource:
    """Plain C in float for the dense layers of ``program``, behind the same interface."""
    tables, calls, inputs = [], [], 0
    held = {"level": "x", "score": "x"}
    layers = [node for node in program.step if node.op == "dense"]
    for node in layers:
        weights, bias = matrix(node.attributes, "weights"), vector(node.attributes, "bias")
        inputs = inputs or len(weights[0])
        for what, values in (("w", [v for row in weights for v in row]), ("b", bias)):
            tables.append(f"static const float {what}_{node.name}[] = {{{', '.join(f'{v / 128}f' for v in values)}}};")
        net = node.name[:5]
        out = {("level", "x"): "a", ("level", "a"): "c", ("level", "c"): "a", ("score", "x"): "s1", ("score", "s1"): "s2"}[net, held[net]]
        last = int(node is [other for other in layers if other.name.startswith(net)][-1])
        calls.append(f"    layer(w_{node.name}, b_{node.name}, {held[net]}, {out}, {len(weights)}, {len(weights[0])}, {last});")
        held[net] = out
    text = _FLOAT.replace("a[32], c[32]", "a[32], c[32], s1[32], s2[32]")
    gaps = {"tables": "\n".join(tables), "calls": "\n".join(calls), "inputs": str(inputs), "pads": str(PADS)} | held
    for name, value in gaps.items():
        text = text.replace(f"@{name}@", value)
    return CSource("innage", header, text)


def row(what: str, program: Program, source: CSource, checked: bool, base: int = 0) -> int:
    """Print one line of the table; gives the dearest frame's cycles."""
    image, vectors = build_core(source), make_vectors(program, FRAMES)
    run = Machine(image).run(vectors)
    if checked and (run.readings != vectors.readings).any():
        raise SystemExit(f"{what}: readings differ from the interpreter's")
    cycles = int(run.cycles.max())
    ratio = f"{base / cycles:6.1f}" if base else "     1"
    print(f"{what:34} {image.code:6} {image.tables:6} {image.helpers:7} {len(image.flash):6} {image.ram:5} {run.stack:6} {cycles:8} {ratio}")
    return cycles


def main() -> None:
    print(f"{'net':34} {'code':>6} {'tables':>6} {'helpers':>7} {'flash':>6} {'RAM':>5} {'stack':>6} {'cycles':>8} {'fewer':>6}")
    for hidden in ((), (16,)):
        program = net_program(hidden)
        source, name = emit_c(program), "-".join(str(n) for n in (16, *hidden, 12, 1)) + " and 16-8-4"
        base = row(f"{name}, naive float", program, float_source(program, source.header), False)
        row(f"{name}, exported", program, source, True, base)
        row(f"{name}, exported, FAST", program, replace(source, source="#define INNAGE_FAST\n" + source.source), True, base)


if __name__ == "__main__":
    main()
