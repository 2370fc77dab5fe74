"""``innage trim``: units' own stored counts, their history, and limits for a production fixture."""

from __future__ import annotations

import csv
import io
import json as text_json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import TrimKind
from innage.commands import trim_bytes
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

if TYPE_CHECKING:
    from dataset.errors import InputError
    from dataset.records import Trim, TrimLimits
    from dataset.store import Store

app = typer.Typer(
    help="Trims: a unit's own stored counts, and limits for a fixture.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
trim_bytes.register(app)


@app.command()
def add(
    unit: Annotated[str, typer.Option(help="The unit.", autocompletion=names_of("unit"))],
    kind: Annotated[
        TrimKind,
        typer.Option(
            help="What the unit was like: board alone, dry, surrogate block, partial fill, full, "
            "learned in service."
        ),
    ],
    date: Annotated[str, typer.Option(help="When the counts were taken, YYYY-MM-DD.")],
    stage: Annotated[str, typer.Option(help="Where in the unit's life, such as end-of-line or service.")],
    mounting: Annotated[
        str | None,
        typer.Option(
            help="The mounting; with --session it is the session's.", autocompletion=names_of("mounting")
        ),
    ] = None,
    counts: Annotated[
        str | None, typer.Option(help="The counts, one a channel in channel order, such as 123,456.")
    ] = None,
    session: Annotated[
        str | None,
        typer.Option(
            help="Instead: take the robust mean of a session's frames.", autocompletion=names_of("session")
        ),
    ] = None,
    first: Annotated[int | None, typer.Option("--from", help="First frame of the session.")] = None,
    last: Annotated[int | None, typer.Option("--to", help="Last frame of the session, included.")] = None,
    temperature_c: Annotated[
        float | None,
        typer.Option("--temperature-c", help="Temperature; default: that of the session's frames."),
    ] = None,
    level_mm: Annotated[
        float | None, typer.Option("--level-mm", help="The level of a partial fill, mm.")
    ] = None,
    transfer: Annotated[
        str | None,
        typer.Option(
            help="Of a surrogate block: how much of the step from dry to full each pad sees, such "
            "as 0.62,0.6."
        ),
    ] = None,
    transfer_spread: Annotated[
        str | None,
        typer.Option("--transfer-spread", help="Standard deviation of those ratios from part to part."),
    ] = None,
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a trim to a unit's history. A dry one that looks wet is refused."""
    from dataset.errors import InputError
    from dataset.labels.trims import from_frames
    from dataset.records import Trim

    opened = open_store(store)
    if (counts is None) == (session is None):
        raise InputError("--counts and --session", "both" if session else "neither", "one of them")
    taken = None if session is None else opened.session(session)
    if taken is None and (mounting is None or first is not None or last is not None):
        raise (
            _no_mounting(opened)
            if mounting is None
            else InputError("--from and --to", "no --session beside them", "a session")
        )
    if taken is not None:
        _check_taken(taken.unit.name, unit, taken.mounting.name, mounting, taken.void_reason)
    its_mounting = opened.mounting(mounting or "") if taken is None else taken.mounting
    ratios, spreads = _numbers("--transfer", transfer), _numbers("--transfer-spread", transfer_spread)
    given = tuple(_count(value) for value in _numbers("--counts", counts))
    trim = Trim(
        unit=opened.unit(unit),
        mounting=its_mounting,
        kind=kind,
        counts=given,
        date=date,
        stage=stage,
        temperature_c=temperature_c,
        level_mm=level_mm,
        transfer=ratios,
        transfer_spread=spreads,
        note=note,
    )
    if taken is not None:
        trim = from_frames(
            trim,
            opened.frames(taken),
            taken,
            0 if first is None else first,
            taken.frames if last is None else last + 1,
        )
    made = opened.add_trim(trim)
    if json:
        emit(facts(made))
        return
    pads = ", ".join(
        f"{name} {count}" for name, count in zip(made.mounting.sensor.channel_names, made.counts, strict=True)
    )
    say(f"trim of unit {unit}, {kind}, {date}, {stage}: {pads}")
    if made.frames is not None:
        refused = ", ".join(
            f"{name} {count}"
            for name, count in zip(made.mounting.sensor.channel_names, made.refused, strict=True)
        )
        say(
            f"from {made.frames[1] - made.frames[0]} frames of session {(made.session or '')[:12]}; "
            f"outliers refused: {refused}"
        )


def _no_mounting(store: Store) -> InputError:
    from dataset.errors import InputError

    known = [m.name for m in store.mountings()]
    hint = "" if known else "add one with 'innage mounting add'"
    return InputError(
        "--mounting",
        "none",
        "the mounting that the counts were taken on" + (f", of {', '.join(known)}" if known else ""),
        hint,
    )


@app.command("list")
def list_(
    unit: Annotated[
        str | None, typer.Option(help="Only this unit's.", autocompletion=names_of("unit"))
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the trims in the order they were added: each unit's history."""
    found = open_store(store).trims(unit)
    if json:
        emit([facts(t) for t in found])
    elif found:
        # every count of one unit; of many units the least and the greatest
        rows = [
            (
                t.unit.name,
                t.mounting.name,
                t.kind,
                t.date,
                t.stage,
                t.temperature_c,
                _counts(t, unit is not None),
                _source(t),
            )
            for t in found
        ]
        table("trims", ("unit", "mounting", "kind", "date", "stage", "C", "counts", "from"), rows)
    else:
        say(
            "no trims yet: try 'innage trim add --unit UNIT --mounting MOUNTING --kind dry "
            "--counts 123,456 --date 2026-01-31 --stage end-of-line'"
        )


def _counts(trim: Trim, each: bool) -> str:
    if each or len(trim.counts) <= 2:
        return ", ".join(map(str, trim.counts))
    return f"{min(trim.counts)} to {max(trim.counts)}"


@app.command()
def limits(
    mounting: Annotated[
        str, typer.Option(help="The mounting that the units are of.", autocompletion=names_of("mounting"))
    ],
    kind: Annotated[TrimKind, typer.Option(help="Kind of the trims.")] = TrimKind.DRY,
    coverage: Annotated[float, typer.Option(help="Share of all units that the limits hold.")] = 0.99,
    confidence: Annotated[float, typer.Option(help="With which they do.")] = 0.95,
    out: Annotated[
        Path | None, typer.Option(help="Write them for production: FILE.csv or FILE.json.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Pass and reject limits of each channel, from units' trims. Each unit's newest counts; a program
    declares the same range of trims.
    """
    from dataset.errors import InputError
    from dataset.labels.trims import latest, trim_limits

    opened = open_store(store)
    its_mounting = opened.mounting(mounting)
    counts: dict[str, tuple[float, ...]] = (
        dict(opened.dry_counts(its_mounting)) if kind is TrimKind.DRY else {}
    )
    trims = [t for t in opened.trims() if t.mounting == its_mounting]
    counts |= {t.unit.name: tuple(map(float, t.counts)) for t in latest(trims, kind)}
    made = trim_limits(its_mounting, kind, sorted(counts.items()), coverage, confidence)
    if out is not None:
        if out.suffix not in (".csv", ".json"):
            raise InputError("--out", out.name, "a name that ends in .csv or .json")
        out.write_text(
            limits_csv(made)
            if out.suffix == ".csv"
            else text_json.dumps(limits_facts(made), indent=2, sort_keys=True) + "\n",
            "utf-8",
        )
    if json:
        emit(limits_facts(made))
        return
    rows = list(zip(its_mounting.sensor.channel_names, made.low, made.high, made.mean, made.sd, strict=True))
    table(
        f"limits of {kind} trims on mounting {mounting}",
        ("channel", "low", "high", "mean", "sd"),
        [(n, a, b, f"{m:.1f}", f"{s:.1f}") for n, a, b, m, s in rows],
    )
    say(
        f"{len(made.units)} units: {', '.join(made.units)}; {coverage:g} of units with "
        f"{confidence:g} confidence: mean +- {made.factor:.2f} sd"
    )
    if out is not None:
        say(f"{out} written")


def facts(trim: Trim) -> dict[str, Any]:
    """A trim, ready for JSON."""
    return asdict(trim) | {"unit": trim.unit.name, "mounting": trim.mounting.name}


def limits_facts(made: TrimLimits) -> dict[str, Any]:
    """Limits, ready for JSON."""
    sensor = made.mounting.sensor
    return asdict(made) | {
        "mounting": made.mounting.name,
        "sensor": sensor.ref,
        "channels": list(sensor.channel_names),
    }


def limits_csv(made: TrimLimits) -> str:
    """Limits for a fixture, a channel a line."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("channel", "name", "low", "high", "mean", "sd"))
    rows = zip(made.mounting.sensor.channel_names, made.low, made.high, made.mean, made.sd, strict=True)
    writer.writerows(
        (k, name, low, high, f"{mean:.6g}", f"{sd:.6g}") for k, (name, low, high, mean, sd) in enumerate(rows)
    )
    return text.getvalue()


def _check_taken(of_unit: str, unit: str, of_mounting: str, mounting: str | None, void: str | None) -> None:
    from dataset.errors import InputError

    if of_unit != unit:
        raise InputError("--unit", unit, f"{of_unit}, which the session is of")
    if mounting not in (None, of_mounting):
        raise InputError("--mounting", str(mounting), f"{of_mounting}, which the session is of")
    if void is not None:
        raise InputError("--session", f"is void ('{void}')", "a session that can be used")


def _numbers(option: str, text: str | None) -> tuple[float, ...]:
    from dataset.errors import InputError

    try:
        return () if text is None else tuple(float(part) for part in text.split(","))
    except ValueError as error:
        raise InputError(option, repr(text), "numbers apart by commas, one a channel") from error


def _count(value: float) -> int:
    from dataset.errors import InputError

    if value != round(value):
        raise InputError("--counts", f"{value:g}", "whole numbers")
    return int(value)


def _source(trim: Trim) -> str:
    return (
        "counts given"
        if trim.session is None or trim.frames is None
        else f"session {trim.session[:12]}, frames {trim.frames[0]}-{trim.frames[1] - 1}"
    )
