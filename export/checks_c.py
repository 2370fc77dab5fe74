"""The checks of a bundle's C: compiled for the core and run on the emulated one, and compiled for this computer."""

from __future__ import annotations

from export.c_source import CSource
from export.checks import Bundle, Failed, equal
from export.cores import find_core
from export.emulator import Machine
from export.toolchain import build_core, build_host, run_host
from training.program import model_id


def on_core(bundle: Bundle) -> str:
    """Compiled for the budget's core, the C passes its self-test and gives the expected numbers on the emulated core."""
    its, core = bundle.vectors, find_core(bundle.manifest.core)
    image = build_core(_source(bundle), core.name)
    machine = Machine(image)
    if not machine.selftest():
        raise Failed(f"the self-test on {core.name} says no: the tables do not have their CRC")
    if machine.call("model_id") != model_id(bundle.program):
        raise Failed(f"the C says it is model 0x{machine.call('model_id'):08x}, the program is 0x{model_id(bundle.program):08x}")
    run = machine.run(its)
    equal(bundle.program, its, f"the C on {core.name}", run.readings, run.state)
    return f"compiled for {core.name}, {len(image.flash)} bytes; self-test true; {len(its)} vectors equal, readings and state"


def on_host(bundle: Bundle) -> str:
    """Compiled for this computer with a trap on undefined behaviour, the C gives the expected numbers."""
    its = bundle.vectors
    readings, state = run_host(build_host(_source(bundle)), its)
    equal(bundle.program, its, "the C on this computer", readings, state)
    return f"{len(its)} vectors equal, readings and state, with a trap on undefined behaviour"


def _source(bundle: Bundle) -> CSource:
    return CSource(bundle.manifest.prefix, bundle.text("header"), bundle.text("source"))
