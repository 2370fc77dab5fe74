"""The checks of a bundle's C: compiled for the core and run on the emulated one, and compiled for this
computer.
"""

from __future__ import annotations

from export.bundle.checks import Bundle, Failed, equal
from export.compilers.core_build import build_core
from export.compilers.host_build import build_host, run_host
from export.core.emulator import Machine
from export.cores import CORES, Core, find_core
from training.program import model_id


def on_core(bundle: Bundle) -> str:
    """Compiled for the budget's core, the C passes its self-test and gives the expected numbers on the
    emulated core.
    """
    core = find_core(bundle.manifest.core)
    size = _replay(bundle, core)
    return (
        f"compiled for {core.name}, {size} bytes with all of its interface; self-test true; "
        f"{len(bundle.vectors)} vectors equal, readings and state"
    )


def on_every_core(bundle: Bundle) -> str:
    """The same on every core that innage knows, whatever the budget says."""
    sizes = [f"{core.name} {_replay(bundle, core)} bytes" for core in CORES.values()]
    return (
        f"{', '.join(sizes)}; on each self-test true, {len(bundle.vectors)} vectors equal, readings and state"
    )


def on_host(bundle: Bundle) -> str:
    """Compiled for this computer with a trap on undefined behaviour, the C gives the expected numbers."""
    vectors = bundle.vectors
    readings, state = run_host(build_host(bundle.source), vectors)
    equal(bundle.program, vectors, "the C on this computer", readings, state)
    return f"{len(vectors)} vectors equal, readings and state, with a trap on undefined behaviour"


def _replay(bundle: Bundle, core: Core) -> int:
    """Run the vectors on ``core``; gives the bytes of flash. Raises Failed at the first difference."""
    image = build_core(bundle.source, core.name, bundle.optimise)
    machine = Machine(image)
    if not machine.selftest():
        raise Failed(f"the self-test on {core.name} says no: the tables do not have their CRC")
    if machine.call("model_id") != model_id(bundle.program):
        raise Failed(
            f"the C says it is model 0x{machine.call('model_id'):08x}, the program is "
            f"0x{model_id(bundle.program):08x}"
        )
    readings, state = machine.replay(bundle.vectors)
    equal(bundle.program, bundle.vectors, f"the C on {core.name}", readings, state)
    return len(image.flash)
