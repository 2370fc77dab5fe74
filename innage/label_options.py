"""Options that say how masses and poured volumes become levels, the same wherever they are given."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dataset.labels.marking import Labelling
    from dataset.records import Liquid

TareOption = Annotated[float, typer.Option("--tare-g", help="What the scale shows with the tank empty, g.")]
ScaleOption = Annotated[
    float, typer.Option("--scale-half-width-g", help="The scale is right within +- this, g.")
]
PouredOption = Annotated[
    float, typer.Option("--poured-half-width-ml", help="The poured volume is right within +- this, mL.")
]
DimensionOption = Annotated[
    float,
    typer.Option(
        "--dimension-half-width-mm",
        help="The tank's inner diameter is right within +- this, mm: one error for all marks.",
    ),
]
LabelTemperatureOption = Annotated[
    float | None,
    typer.Option(
        "--label-temperature-c", help="Temperature of the liquid that was weighed. Default: the frames' own."
    ),
]
TemperatureOption = Annotated[
    float, typer.Option("--temperature-half-width-k", help="That temperature is right within +- this, K.")
]
AirOption = Annotated[
    float, typer.Option("--air-density", help="Density of the air around the scale, kg/m3.")
]


def labelling_of(liquid: Liquid, *given: float | None) -> Labelling:
    """The values of these options, in their order, checked."""
    from dataset.labels.marking import Labelling, check_labelling

    made = Labelling(liquid, *given)  # type: ignore[arg-type]
    check_labelling(made)
    return made
