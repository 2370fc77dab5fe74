"""The options by which commands read a scale under the tank, and how a mass becomes a level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

    from dataset.labels.marking import Labelling
    from dataset.records import Liquid

SCALE = "The scale under the tank"
SCALE_BAUD = 9600
STEADY_G, SETTLE_S = 1.0, 5.0  # as dataset.live.scale has them, which loads pyserial: not for a default

ScalePortOption = Annotated[
    str | None,
    typer.Option(
        "--scale",
        help="Port of a scale under the tank; a line each, such as 431.2 g.",
        rich_help_panel=SCALE,
    ),
]
ScaleBaudOption = Annotated[
    int, typer.Option("--scale-baud", help="Speed of that port.", rich_help_panel=SCALE)
]
SteadyOption = Annotated[
    float, typer.Option("--steady-g", help="It stands still within so many grams ...", rich_help_panel=SCALE)
]
SettleOption = Annotated[
    float, typer.Option("--settle-s", help="... for so many seconds.", rich_help_panel=SCALE)
]


def labelling_by(
    *,
    tare_g: float,
    scale_half_width_g: float,
    dimension_half_width_mm: float,
    label_temperature_c: float | None,
    temperature_half_width_k: float,
    air_density_kg_m3: float,
) -> Callable[[Liquid], Labelling]:
    """How masses become levels of a liquid, by options of their names."""

    def labelling(of: Liquid) -> Labelling:
        from dataset.labels.marking import Labelling

        return Labelling(
            of,
            tare_g=tare_g,
            scale_half_width_g=scale_half_width_g,
            dimension_half_width_mm=dimension_half_width_mm,
            temperature_c=label_temperature_c,
            temperature_half_width_k=temperature_half_width_k,
            air_density=air_density_kg_m3,
        )

    return labelling
