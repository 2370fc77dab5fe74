"""``innage gaps`` and ``innage plan``: what has been captured, what is missing, and what to capture next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from enum import StrEnum
from itertools import groupby
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.records import GroupBy
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

if TYPE_CHECKING:
    from dataset.coverage.gaps import Gaps, Line
    from dataset.coverage.planning import Proposal
    from dataset.coverage.telling_apart import Judgement
    from dataset.records import Limits, Session, Tank
    from dataset.store import Store

BANDS = 10
KELVIN = 10.0


class Independent(StrEnum):
    """What sessions to come can be independent in: those of the ways to group for which a plan
    can be made.
    """

    UNIT = GroupBy.UNIT.value
    SESSION = GroupBy.SESSION.value


TankOption = Annotated[
    str | None, typer.Option(help="Only this tank, NAME (all its revisions) or NAME@REVISION.")
]
LiquidOption = Annotated[str | None, typer.Option(help="Only this liquid.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.command("gaps")(gaps)
    app.command("plan")(plan)


def gaps(
    tank: TankOption = None,
    liquid: LiquidOption = None,
    bands: Annotated[int, typer.Option(help="Level bands that a tank's span is cut into.")] = BANDS,
    kelvin: Annotated[float, typer.Option(min=0.1, help="Width of a temperature band, degrees.")] = KELVIN,
    picture: Annotated[
        Path | None, typer.Option(help="Also draw a heat map: a .png, .svg or .pdf file.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show what has been captured, and what is missing. Counted are independent sessions and units."""
    from dataset.coverage.gaps import find_gaps
    from dataset.coverage.telling_apart import judge

    opened = open_store(store)
    sessions = chosen(opened, tank, liquid)
    usable = [s for s in sessions if s.void_reason is None]
    liquids, units = (opened.liquids(), opened.units()) if tank is None and liquid is None else ((), ())
    found = find_gaps(
        usable, opened.mark_temperatures(usable), bands=bands, kelvin=kelvin, liquids=liquids, units=units
    )
    pairs = {
        (s.liquid.name, s.mounting.sensor.name, s.mounting.sensor.revision): (s.liquid, s.mounting.sensor)
        for s in usable
    }
    judgements = [judge(*pairs[key]) for key in sorted(pairs)]
    if picture is not None and found.cells:
        from innage.pictures.heatmap import draw_gaps

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


def plan(
    limits: Annotated[
        str | None,
        typer.Option(
            help="The limits to be proved, NAME or NAME@REVISION; default: the built-in set.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    tank: TankOption = None,
    group: Annotated[Independent, typer.Option(help="What a claim speaks of.")] = Independent.UNIT,
    band: Annotated[
        float,
        typer.Option(min=0.0, max=99.9, help="Confidence of the band to calibrate, percent; 0 for no band."),
    ] = 90.0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the next sessions worth running, and why. Those that close the largest shortfall come first."""
    from dataset.coverage.gaps import find_gaps
    from dataset.coverage.planning import make_plan
    from dataset.text.limits_text import BUILT_IN, DEFAULT_TOML, read_limits

    opened = open_store(store)
    signed = (
        read_limits(BUILT_IN, DEFAULT_TOML, "the built-in limits")
        if limits is None
        else opened.limits(limits)
    )
    tanks = _tanks(opened, tank)
    if not tanks:
        say("no mountings yet: try 'innage mounting add NAME --tank TANK --sensor SENSOR', then log sessions")
        return
    usable = [s for s in opened.sessions() if s.void_reason is None]
    found = find_gaps(usable, opened.mark_temperatures(usable))
    made = make_plan(
        found,
        signed,
        tanks,
        opened.liquids(),
        opened.units(),
        group_by=GroupBy(group),
        band=band / 100 or None,
    )
    remarks = [*made.remarks, *_cannot_tell(opened, signed, tanks, {p.liquid for p in made.proposals})]
    title = signed.ref if limits is not None else "the built-in limits"
    if json:
        emit(
            asdict(made)
            | {
                "limits": title,
                "group_by": group,
                "needs": [asdict(n) | {"short": n.short} for n in made.needs],
                "remarks": remarks,
            }
        )
        return
    rows = [(n.tank, n.condition, n.groups, n.have, n.short, n.why) for n in made.needs]
    table(
        f"groups ({group}s) asked for by {title}", ("tank", "condition", "need", "have", "short", "why"), rows
    )
    _print_proposals(made.proposals)
    for remark in remarks:
        say(listed(remark))


def _tanks(store: Store, ref: str | None) -> list[Tank]:
    """The tank that is named, or of each that something is mounted on the latest such revision."""
    if ref is not None:
        return [store.tank(ref)]
    mounted = {m.tank.name: m.tank for m in sorted(store.mountings(), key=lambda m: m.tank.revision)}
    return [mounted[name] for name in sorted(mounted)]


def _cannot_tell(store: Store, limits: Limits, tanks: Sequence[Tank], liquids: set[str]) -> list[str]:
    """What no session will show, where limits speak of film or foam."""
    from dataset.coverage.telling_apart import Telling, judge

    if not {row.condition for row in limits.rows} & {"foam", "film"}:
        return []
    sensors = {(m.sensor.name, m.sensor.revision): m.sensor for m in store.mountings() if m.tank in tanks}
    judged = [
        judge(liquid, sensors[key])
        for key in sorted(sensors)
        for liquid in store.liquids()
        if liquid.name in liquids
    ]
    return [j.sentence for j in judged if j.best in (Telling.ALIKE, Telling.HARDLY)]


def _print_proposals(proposals: Sequence[Proposal]) -> None:
    from dataset.coverage.planning import NEW

    if not proposals:
        say("nothing is short: the groups are there, and every level band of every liquid has a session")
        return
    runs = [
        list(run)
        for _, run in groupby(
            proposals, key=lambda p: (p.tank, p.conditions, p.levels and not p.why.startswith("'"))
        )
    ]
    for number, run in enumerate(runs, start=1):
        first = run[0]
        units = list(dict.fromkeys(p.unit for p in run))
        known = [unit for unit in units if not unit.startswith(NEW)]
        new = len(units) - len(known)
        named = " and ".join(
            [
                *([", ".join(known)] if known else []),
                *([f"{new} new unit{'s' if new > 1 else ''}"] if new else []),
            ]
        )
        liquids = " and ".join(dict.fromkeys(p.liquid for p in run))
        text = (
            f"{len(run)} session{'s' if len(run) > 1 else ''} on {first.tank}: {named}; "
            f"{liquids}{' in turn' if len({p.liquid for p in run}) > 1 else ''}"
        )
        text += f"; with stretches under {', '.join(first.conditions)}" if first.conditions else ""
        levels = list(dict.fromkeys(f"{p.levels} ({p.liquid})" for p in run if p.levels))
        text += f"; through all levels, above all {'; '.join(levels)}" if levels else "; through all levels"
        say(fill(f"{number}. {text}. Why: {first.why}", 80, subsequent_indent="   ", break_on_hyphens=False))


def chosen(store: Store, tank: str | None, liquid: str | None) -> list[Session]:
    """The sessions of a tank and a liquid; NotFoundError when there is no such record."""
    if tank is not None:
        store.tank(tank)
    if liquid is not None:
        store.liquid(liquid)
    return [
        s
        for s in store.sessions()
        if tank in (None, s.mounting.tank.name, s.mounting.tank.ref) and liquid in (None, s.liquid.name)
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
        cells.append(
            asdict(cell)
            | {"levels_mm": levels, "sessions": list(cell.sessions), "condition": list(cell.condition)}
        )
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
        rows = [
            (
                line.liquid,
                line.condition,
                _warmth(line),
                _counts(line, width),
                f"{line.sessions}/{line.units}",
            )
            for line in lines
        ]
        title = f"{tank}, {sensor}: sessions in each {step:g} mm"
        table(title, ("liquid", "conditions", "at C", f"0 to {found.spans[tank]:g} mm", "all/units"), rows)


def listed(sentence: str) -> str:
    """A sentence of a list, broken at 80 columns."""
    return fill(sentence, 80, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)


def _warmth(line: Line) -> str | None:
    from dataset.coverage.gaps import NOT_MEASURED

    return None if line.warmth == NOT_MEASURED else line.warmth.removesuffix(" C")


def _counts(line: Line, width: int) -> str:
    """The bands from the datum up, a dot where there is no session; never folded."""
    from innage.terminal.text_table import NO_BREAK

    return " ".join(f"{count or '.':>{width}}" for count in line.bands).replace(" ", NO_BREAK)
