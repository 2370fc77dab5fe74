"""Pads as ``--pad`` writes them, for a sensor that is added and for a layout that is tried."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataset.records import Pad

PAD_HELP = (
    "One pad, NAME:BOTTOM_MM:HEIGHT_MM[:WIDTH_MM[:FREQUENCY_HZ]]; repeat in channel order. Heights "
    "are in the sensor's own coordinate, upwards."
)


def read_pads(texts: Sequence[str], references: Sequence[str]) -> tuple[Pad, ...]:
    """Pads from the texts of ``--pad``, in channel order."""
    from dataset.errors import InputError
    from dataset.records import Pad, PadRole
    from dataset.values import plain_float

    pads: list[Pad] = []
    for channel, text in enumerate(texts):
        name, *numbers = text.split(":")
        try:
            bottom, height, width, frequency = [plain_float(number) for number in numbers] + [None] * (
                4 - len(numbers)
            )
        except ValueError as error:
            raise InputError(
                "--pad", text, "NAME:BOTTOM_MM:HEIGHT_MM[:WIDTH_MM[:FREQUENCY_HZ]], such as p0:0:12.5"
            ) from error
        if bottom is None or height is None:
            raise InputError("--pad", text, "at least NAME:BOTTOM_MM:HEIGHT_MM, such as p0:0:12.5")
        pads.append(
            Pad(
                channel,
                name,
                bottom,
                height,
                width,
                frequency,
                PadRole.REFERENCE if name in references else PadRole.LEVEL,
            )
        )
    for name in references:
        if name not in [p.name for p in pads]:
            raise InputError("--reference", name, "one of " + ", ".join(p.name for p in pads))
    return tuple(pads)
