"""Pad layouts: reading them from CSV, and how pads stand beside a tank."""

from __future__ import annotations

from pathlib import Path

from dataset.errors import InputError, quoted
from dataset.records import Mounting, Pad, PadRole
from dataset.tanks.profile import from_json
from dataset.tanks.strapping import csv_number, csv_rows

NEEDED = ("channel", "pad", "bottom_mm", "height_mm")
OPTIONAL = ("width_mm", "frequency_hz", "role")


def read_layout(path: Path) -> tuple[Pad, ...]:
    """The pads in a CSV file, one row a channel in any order; ``width_mm``, ``frequency_hz`` and ``role`` may
    be left out or empty.

    Raises InputError that names line and column.
    """
    pads: dict[int, Pad] = {}
    for line, row in csv_rows(path, NEEDED, OPTIONAL):
        channel = _channel(path, line, row["channel"])
        if channel in pads:
            raise InputError(
                f"{path}, line {line}, column channel",
                f"{channel} for the second time",
                "one row for each channel",
            )
        if not row["pad"]:
            raise InputError(f"{path}, line {line}, column pad", "nothing", "the pad's name")
        bottom, height = (csv_number(path, line, row, column) for column in ("bottom_mm", "height_mm"))
        width, frequency = (
            csv_number(path, line, row, column) if row.get(column) else None
            for column in ("width_mm", "frequency_hz")
        )
        pads[channel] = Pad(
            channel, row["pad"], bottom, height, width, frequency, _role(path, line, row.get("role", ""))
        )
    missing = [k for k in range(len(pads)) if k not in pads]
    if missing:
        raise InputError(
            str(path), f"no row for channel {missing[0]}", f"channels 0 to {len(pads) - 1}, one row each"
        )
    return tuple(pads[k] for k in range(len(pads)))


def _channel(path: Path, line: int, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 9):
        raise InputError(f"{path}, line {line}, column channel", quoted(text[:80]), "a whole number from 0")
    return int(text)


def _role(path: Path, line: int, text: str) -> PadRole:
    if text not in ("", *PadRole):
        raise InputError(
            f"{path}, line {line}, column role", quoted(text), "level, reference or nothing (level)"
        )
    return PadRole(text or PadRole.LEVEL)


def mounting_warnings(mounting: Mounting) -> tuple[str, ...]:
    """A sentence for each pad that can't see what it is there for.

    That is a level pad which lies wholly below the datum or above the span, and any pad wholly above the
    tank's inner top, where that is known (a reference pad may well lie above the span, or below the datum).
    """
    tank = mounting.tank
    top = (
        from_json(tank.profile).height_mm
        if tank.profile is not None
        else tank.span_mm + (tank.headspace_mm or 0.0)
    )
    known = tank.profile is not None or tank.headspace_mm is not None
    sentences: dict[str, str] = {}
    for pad in mounting.sensor.pads:
        low = pad.bottom_mm + mounting.offset_mm
        reach = f"pad {pad.name} reaches from {low:g} to {low + pad.height_mm:g} mm above the datum"
        if known and low >= top:
            sentences[pad.name] = f"{reach}, wholly above the tank, whose inner top is at {top:g} mm"
        elif pad.role is PadRole.LEVEL and low >= tank.span_mm:
            sentences[pad.name] = f"{reach}, wholly above the tank's span of {tank.span_mm:g} mm"
        elif pad.role is PadRole.LEVEL and low + pad.height_mm <= 0:
            sentences[pad.name] = f"{reach}, wholly below it"
    return tuple(sentences.values())
