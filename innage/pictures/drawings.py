"""Pictures of tanks and sensors: the profile against height, and the pads where they stand."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dataset.errors import InputError
from dataset.records import Mounting, Pad, PadRole, Sensor, Tank, hertz
from innage.pictures.figures import BLUE, GREEN, ORANGE, figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEVEL, REFERENCE, WALL = ORANGE, "0.5", "0.25"
POINTS = 401


def draw_tank(path: Path, tank: Tank, mounting: Mounting | None = None) -> None:
    """Draw a tank's profile (and the pads of a mounting on it) into ``path``.

    On the left the tank as if it were round: half its width is the radius of the circle with the cut's area.
    On the right the area and the volume against height.

    Raises InputError where the tank has no profile, or the mounting is on another tank.
    """
    from dataset.tanks.profile import profile_of

    if mounting is not None and mounting.tank != tank:
        on = f"is on tank {mounting.tank.ref}"
        raise InputError(
            f"mounting {mounting.name}",
            on,
            f"one on {tank.ref}",
            f"show tank {mounting.tank.ref}",
        )
    profile = profile_of(tank)
    # both sides of a step, and the ends, where the area may jump
    heights = np.linspace(0.0, profile.height_mm, POINTS)
    areas, volumes = profile.area_mm2(heights), profile.volume_ml(heights)
    with figure(path, 8.0, 4.8) as drawn:
        shape, area_axes = drawn.subplots(1, 2, sharey=True, width_ratios=(3, 2))
        half = np.sqrt(areas / np.pi)
        shape.fill_betweenx(heights, -half, half, color=BLUE, alpha=0.12, linewidth=0)
        outline = np.concatenate([[0.0], half, [0.0]]), np.concatenate([[heights[0]], heights, [heights[-1]]])
        for side in (-1, 1):
            shape.plot(side * outline[0], outline[1], color=WALL, linewidth=1.2)
        _levels(shape, tank, profile.height_mm)
        if mounting is not None:
            _pads(shape, mounting, float(half.max()))
        shape.set(
            xlabel="radius of the circle of equal area, mm",
            ylabel="height above the datum, mm",
            title=f"tank {tank.ref}",
        )
        area_axes.plot(areas / 100, heights, color=BLUE, label="area, cm²")
        area_axes.set_xlabel("area, cm²", color=BLUE)
        area_axes.set_xlim(left=0)
        volume_axes = area_axes.twiny()
        volume_axes.plot(volumes, heights, color=GREEN, linestyle="--", label="volume, mL")
        volume_axes.set_xlabel("volume above the datum, mL", color=GREEN)
        volume_axes.set_xlim(left=0)
        volume_axes.grid(visible=False)


def _levels(axes: Axes, tank: Tank, top_mm: float) -> None:
    """Datum, span and inlet as lines with names."""
    lines = [(0.0, "datum"), (tank.span_mm, f"span {tank.span_mm:g} mm")]
    if tank.inlet_mm is not None:
        lines.append((tank.inlet_mm, f"inlet {tank.inlet_mm:g} mm"))
    for height, name in lines:
        axes.axhline(height, color=WALL, linewidth=0.7, linestyle=":")
        axes.annotate(
            name,
            (0.0, height),
            xycoords=("axes fraction", "data"),
            xytext=(3, 2),
            textcoords="offset points",
            fontsize=7.5,
        )
    axes.set_ylim(min(0.0, axes.get_ylim()[0]), max(top_mm, axes.get_ylim()[1]) * 1.02)


def shared(pads: Sequence[Pad]) -> list[tuple[Pad, str]]:
    """Each physical pad once, with its name, channels and frequencies."""
    by_name: dict[str, list[Pad]] = {}
    for pad in pads:
        by_name.setdefault(pad.name, []).append(pad)
    named = []
    for name, channels_of in by_name.items():
        frequencies = [hertz(p.frequency_hz) for p in channels_of if p.frequency_hz is not None]
        channels = "channel " if len(channels_of) == 1 else "channels "
        words = [name, channels + ", ".join(str(p.channel) for p in channels_of)]
        named.append(
            (channels_of[0], ": ".join(words) + (f" ({', '.join(frequencies)})" if frequencies else ""))
        )
    return named


def _rectangle(axes: Axes, pad: Pad, left: float, width: float, bottom: float) -> None:
    from matplotlib.patches import Rectangle

    reference = pad.role is PadRole.REFERENCE
    look: dict[str, Any] = {
        "facecolor": REFERENCE if reference else LEVEL,
        "hatch": "///" if reference else None,
        "edgecolor": "black",
        "linewidth": 0.6,
    }
    axes.add_patch(Rectangle((left, bottom), width, pad.height_mm, alpha=0.8, **look))


def _pads(axes: Axes, mounting: Mounting, widest: float) -> None:
    """The pads of a mounting to the right of the wall, with the tolerance of their height."""
    left, width = widest * 1.06, widest * 0.1
    places = shared(mounting.sensor.pads)
    for pad, name in places:
        bottom = pad.bottom_mm + mounting.offset_mm
        _rectangle(axes, pad, left, width, bottom)
        axes.text(
            left + width * 1.5,
            bottom + pad.height_mm / 2,
            name,
            va="center",
            fontsize=7 if len(places) <= 12 else 5,
        )
    if mounting.offset_tolerance_mm:
        lowest = min(p.bottom_mm for p in mounting.sensor.pads) + mounting.offset_mm
        axes.errorbar(
            left + width / 2,
            lowest,
            yerr=mounting.offset_tolerance_mm,
            color="black",
            capsize=3,
            linewidth=0.8,
        )
    tops = [p.bottom_mm + p.height_mm + mounting.offset_mm for p in mounting.sensor.pads]
    low, high = axes.get_ylim()
    axes.set_ylim(
        min(low, min(p.bottom_mm for p in mounting.sensor.pads) + mounting.offset_mm - 2),
        max(high, max(tops) + 2),
    )
    axes.set_xlim(-widest * 1.8, widest * 2.9)


def draw_sensor(path: Path, sensor: Sensor) -> None:
    """Draw a sensor's pads to scale into ``path``; pads without a width are drawn as wide as the widest, or
    half as wide as high.
    """
    widths = [p.width_mm for p in sensor.pads if p.width_mm is not None]
    usual = max(widths) if widths else min(p.height_mm for p in sensor.pads) / 2
    low, high = min(p.bottom_mm for p in sensor.pads), max(p.bottom_mm + p.height_mm for p in sensor.pads)
    places = shared(sensor.pads)
    with figure(path, 5.0, 5.5) as drawn:
        axes = drawn.subplots()
        for pad, name in places:
            width = pad.width_mm or usual
            _rectangle(axes, pad, -width / 2, width, pad.bottom_mm)
            words = name + (", reference" if pad.role is PadRole.REFERENCE else "")
            axes.text(
                usual / 2,
                pad.bottom_mm + pad.height_mm / 2,
                "  " + words,
                va="center",
                fontsize=8 if len(places) <= 16 else 5,
            )
        margin = (high - low) * 0.05
        axes.set_aspect("equal")
        axes.set(ylim=(low - margin, high + margin), xlim=(-usual, usual / 2 + (high - low) * 0.9))
        axes.set_xticks([-usual / 2, 0, usual / 2])
        axes.set(
            xlabel="across the sensor, mm",
            ylabel="along the sensor, upwards, mm",
            title=f"sensor {sensor.ref}",
        )
