"""The cores that C can be compiled, run and priced for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from dataset.errors import ToolError


@dataclass(frozen=True)
class Core:
    """A core: how it is compiled for, its instruction set, its name in the emulator, and its table of cycles,
    a file in export.data.
    """

    name: str
    target: tuple[str, ...]
    timing: str
    isa: Literal["thumb", "riscv"]
    emulated: str

    @property
    def gcc(self) -> tuple[str, ...]:
        """How arm-none-eabi-gcc names the same core; empty when it does not know it."""
        return ("-mthumb", f"-mcpu={self.name}") if self.isa == "thumb" else ()


def _cortex_m(suffix: str, emulated: str) -> Core:
    target = ("-target", "thumb-freestanding-eabi", f"-mcpu=cortex_{suffix}")
    return Core(f"cortex-{suffix}", target, f"cortex_{suffix}.toml", "thumb", f"UC_CPU_ARM_CORTEX_{emulated}")


_RISCV = ("-target", "riscv32-freestanding", "-mcpu=generic_rv32+m+c", "-mabi=ilp32")

CORES: Mapping[str, Core] = {
    core.name: core
    for core in (
        _cortex_m("m0plus", "M0"),
        _cortex_m("m3", "M3"),
        _cortex_m("m4", "M4"),
        _cortex_m("m33", "M33"),
        Core("rv32imc", _RISCV, "rv32imc.toml", "riscv", "UC_CPU_RISCV32_ANY"),
    )
}


def find_core(name: str) -> Core:
    """The core named so in a budget; 'Cortex-M0+' and 'cortex_m0plus' mean the same. Raises ToolError for an
    unknown one.
    """
    core = CORES.get(name.strip().lower().replace("+", "plus").replace("_", "-").replace(" ", "-"))
    if core is None:
        raise ToolError("core", repr(name), "one of " + ", ".join(CORES))
    return core
