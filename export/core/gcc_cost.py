"""What the same C costs when the arm-none-eabi-gcc of this computer compiles it with the flags that the
build files pass: it stands beside the judged cost and decides nothing.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from dataset.errors import ToolError
from export.c.extras import Extras
from export.c.fragments import GCC_FLAGS
from export.c.source import CSource
from export.compilers.gcc import GCC, gcc_command, gcc_image, gcc_version
from export.core.measure import Chip, measure_images
from export.vectors import Vectors
from training.costs import Cost


@dataclass(frozen=True)
class GccCost:
    """``cost`` by the compiler's ``version``; None with its ``refusal`` when it refused."""

    version: str
    cost: Cost | None = None
    refusal: str = ""

    def facts(self) -> dict[str, Any]:
        """As JSON."""
        cost = None if self.cost is None else asdict(self.cost) | {"flash": self.cost.flash}
        return {"version": self.version, "refusal": self.refusal, "cost": cost}


def gcc_cost(
    source: CSource, vectors: Vectors, chip: Chip, optimise: str, uses: tuple[str, ...], cycles: int
) -> GccCost | None:
    """The cost of ``source`` run on ``vectors``, its slices fitted into a frame of ``cycles``; None when the
    compiler is not on the PATH or does not know the core.
    """
    command = gcc_command(chip.core.name)
    if command is None:
        return None
    version = ""
    try:
        version = gcc_version(command)
        flags = GCC_FLAGS[optimise]
        whole = gcc_image(command, source, chip.core, flags)
        linked = gcc_image(command, source, chip.core, flags, Extras(uses).functions)
        measured = measure_images(whole, linked, vectors, chip, uses)
    except ToolError as error:
        return GccCost(version, refusal=str(error))
    named = measured.compiled_by(f"{GCC} {version} {' '.join(flags)}", optimise)
    return GccCost(version, named.fitted(cycles))
