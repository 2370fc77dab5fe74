"""``innage gaps`` and ``innage plan``: what has been captured, what is missing, and what to capture next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.output import emit, say, table

if TYPE_CHECKING:
    from dataset.gaps import Gaps, Line
    from dataset.records import Session
    from dataset.store import Store
    from dataset.telling_apart import Judgement

BANDS = 10
KELVIN = 10.0

TankOption = Annotated[str | None, typer.Option(help="Only this tank, NAME (all its revisions) or NAME@REVISION.")]
LiquidOption = Annotated[str | None, typer.Option(help="Only this liquid.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.command("gaps")(gaps)


def gaps(
    tank: TankOption = None,
    liquid: LiquidOption = None,
    bands: Annotated[int, typer.Option(help="Level bands that a tank's span is cut into.")] = BANDS,
    kelvin: Annotated[float, typer.Option(min=0.1, help="Width of a temperature band, degrees.")] = KELVIN,
    picture: Annotated[Path | None, typer.Option(help="Also draw a heat map: a .png, .svg or .pdf file.")] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show what has been captured, in independent sessions and units, and what is missing."""
    from dataset.gaps import find_gaps
    from dataset.telling_apart import judge

    opened = open_store(store)
    sessions = chosen(opened, tank, liquid)
    usable = [s for s in sessions if s.void_reason is None]
    liquids, units = (opened.liquids(), opened.units()) if tank is None and liquid is None else ((), ())
    found = find_gaps(usable, opened.mark_temperatures(usable), bands=bands, kelvin=kelvin, liquids=liquids, units=units)
    pairs = {(s.liquid.name, s.mounting.sensor.name, s.mounting.sensor.revision): (s.liquid, s.mounting.sensor) for s in usable}
    judgements = [judge(*pairs[key]) for key in sorted(pairs)]
    if picture is not None and found.cells:
        from innage.heatmap import draw_gaps

        draw_gaps(found, picture)
    if json:
        emit(facts(found, judgements, len(sessions) - len(usable)))
        return
    if not found.cells:
        say(nothing(opened, tank, liquid, len(sessions)))
        return
    _print(found)
    for sentence in (*found.missing, *(j.sentence for j in judgements)):
        say(listed(sentence))
    if len(usable) < len(sessions):
        say(listed(f"void sessions left out: {len(sessions) - len(usable)}"))
    if picture is not None:
        say(f"heat map: {picture}")


def chosen(store: Store, tank: str | None, liquid: str | None) -> list[Session]:
    """The sessions of a tank and a liquid; NotFoundError when there is no such record."""
    if tank is not None:
        store.tank(tank)
    if liquid is not None:
        store.liquid(liquid)
    return [
        s
        for s in store.sessions()
        if tank in (None, s.mounting.tank.name, f"{s.mounting.tank.name}@{s.mounting.tank.revision}") and liquid in (None, s.liquid.name)
    ]


def nothing(store: Store, tank: str | None, liquid: str | None, void: int) -> str:
    """What to try when no session is left."""
    asked = " ".join([*(["with", liquid] if liquid else []), *(["on", tank] if tank else [])])
    log = f"innage log FILE --tank {tank or 'TANK'} --sensor SENSOR --liquid {liquid or 'LIQUID'} --unit UNIT"
    if void:
        return f"every session {asked or 'here'} is void ({void}): log another, '{log}'"
    if not asked or not store.sessions():
        return f"no sessions yet: try '{log}'"
    return f"no session {asked}: try '{log}', or leave out --tank and --liquid to see what there is"


def facts(found: Gaps, judgements: Sequence[Judgement], void: int) -> dict[str, object]:
    """The matrix, ready for JSON."""
    cells = []
    for cell in found.cells:
        step = found.spans[cell.tank] / found.bands
        levels = None if cell.band is None else [cell.band * step, (cell.band + 1) * step]
        cells.append(asdict(cell) | {"levels_mm": levels, "sessions": list(cell.sessions), "condition": list(cell.condition)})
    return {
        "bands": found.bands,
        "cells": cells,
        "lines": [asdict(line) for line in found.lines],
        "missing": list(found.missing),
        "telling_apart": [asdict(j) for j in judgements],
        "void": void,
    }


def _print(found: Gaps) -> None:
    for tank, sensor in sorted({(line.tank, line.sensor) for line in found.lines}):
        lines = [line for line in found.lines if (line.tank, line.sensor) == (tank, sensor)]
        step = found.spans[tank] / found.bands
        width = len(str(max(max(line.bands) for line in lines)))
        rows = [(fill(line.liquid, 14), fill(line.condition, 18), _warmth(line), _counts(line, width), f"{line.sessions}/{line.units}") for line in lines]
        title = f"{tank}, {sensor}: sessions in each {step:g} mm"
        table(title, ("liquid", "conditions", "at C", f"0 to {found.spans[tank]:g} mm", "all/units"), rows)


def listed(sentence: str) -> str:
    """A sentence of a list, broken at 80 columns."""
    return fill(sentence, 80, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)


def _warmth(line: Line) -> str | None:
    from dataset.gaps import NOT_MEASURED

    return None if line.warmth == NOT_MEASURED else line.warmth.removesuffix(" C")


def _counts(line: Line, width: int) -> str:
    """The bands from the datum up, a dot where there is no session."""
    return " ".join(f"{count or '.':>{width}}" for count in line.bands)
