"""``innage replay``: a log from the field through a model, exactly as the chip would have answered."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import TimeUnit, TrimKind
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, delimiter_of, open_store
from innage.terminal.output import emit, say

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from dataset.admission.session_files import ParsedFile
    from dataset.records import ColumnMapping, Model, Sensor
    from dataset.store import Store
    from export.compilers.replaying import Replayed
    from training.program import Program

COLUMNS = "t_ms,low_mm,level_mm,high_mm,validity,flags"


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(replay)


def replay(
    model: Annotated[str, typer.Argument(help="The model.", autocompletion=names_of("model"))],
    file: Annotated[
        Path, typer.Argument(help="Delimited text or Parquet, a row for each frame; - is standard input.")
    ],
    unit: Annotated[
        str | None,
        typer.Option(
            help="The unit that was logged: its newest trims are taken.", autocompletion=names_of("unit")
        ),
    ] = None,
    trim: Annotated[
        list[str] | None,
        typer.Option(
            help="Instead, the counts of a trim: KIND=c0,c1,... such as dry=812,790; once for each kind."
        ),
    ] = None,
    count: Annotated[
        list[str] | None,
        typer.Option(help="Column of counts; repeat in channel order. Default: the pads' names."),
    ] = None,
    time: Annotated[
        str | None, typer.Option(help="Column of time. Without it frames are one period apart.")
    ] = None,
    time_unit: Annotated[
        TimeUnit, typer.Option("--time-unit", help="Unit of the time column.")
    ] = TimeUnit.MILLISECONDS,
    temperature: Annotated[str | None, typer.Option(help="Column of temperature, degrees Celsius.")] = None,
    delimiter: Annotated[
        str | None,
        typer.Option(help="A character, or tab, space, comma, semicolon, bar. Default: found out."),
    ] = None,
    header: Annotated[
        bool,
        typer.Option(
            "--header/--no-header", help="The first line names the columns; otherwise they are 1, 2, ..."
        ),
    ] = True,
    mapping: Annotated[
        str | None,
        typer.Option(
            help="A saved column mapping, instead of the options for columns; its label is not read.",
            autocompletion=names_of("mapping"),
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write the readings here, as CSV. Default: standard output.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give a model's readings of a field log, one for each frame.

    State is carried from power-on at the first; a gap in time starts anew. Exit 2 when the frames do not fit
    the model.
    """
    from dataset.admission.session_files import read_file
    from dataset.errors import InputError
    from export.compilers.replaying import replay_on_host
    from training.models.trim_limits import of_model, refuse_trim
    from training.program import from_json

    if json and out is None:
        raise InputError(
            "--json", "no --out beside it", "a file for the readings", "--json prints the summary"
        )
    with open_store(store) as opened:
        chosen = opened.model(model)
        columns = _columns(opened, chosen, mapping, (count, time, time_unit, temperature, delimiter, header))
        program = from_json(chosen.program, f"model '{model}'")
        its_trim = _trim(opened, chosen, program, unit, trim or [])
    its = chosen.frozen.sessions[0].mounting
    if its_trim is not None:
        whose = "--trim" if unit is None else f"unit {unit}"
        refuse_trim(
            program,
            [int(count) for count in its_trim],
            its,
            whose,
            of_model(chosen.name),
            "firmware would answer such a trim with a sensor fault; take it again",
        )
    parsed = read_file(file, columns, its.sensor, its.tank)
    found = replay_on_host(program, parsed.frames, its_trim)
    _write(out, readings_csv(program, parsed, found))
    facts = summary(program, found)
    if json:
        emit({"model": model, "file": parsed.source.file, "out": str(out)} | facts)
    else:
        _say_summary(facts, out)


def _columns(store: Store, model: Model, mapping: str | None, options: tuple[Any, ...]) -> ColumnMapping:
    """The columns of the file, labels left out: a replay needs none."""
    from dataclasses import replace

    from dataset.admission.rules import check_mapping
    from dataset.errors import InputError
    from dataset.records import ColumnMapping

    count, time, time_unit, temperature, delimiter, header = options
    if mapping is not None:
        if count or time or temperature or delimiter or not header:
            raise InputError("--mapping", f"{mapping}, and options for columns beside it", "one or the other")
        return replace(store.mapping(mapping), level=None, mass=None, poured=None)
    sensor = model.frozen.sessions[0].mounting.sensor
    made = ColumnMapping(
        "columns",
        tuple(count or sensor.channel_names),
        time,
        time_unit,
        temperature=temperature,
        delimiter=delimiter_of(delimiter),
        header=header,
    )
    check_mapping(made)
    return made


def _trim(
    store: Store, model: Model, program: Program, unit: str | None, given: list[str]
) -> NDArray[np.int64] | None:
    """The counts of the trim that the program takes, kind after kind."""
    import numpy as np

    from dataset.errors import InputError
    from innage.jobs.api import trim_of

    if unit is not None and given:
        raise InputError("--unit and --trim", "both", "one of them")
    if program.trim is None:
        if given:
            raise InputError("--trim", given[0], "none", f"model {model.name} takes no trim")
        return None
    needed = tuple(TrimKind(kind) for kind in program.trim_kinds)
    if unit is None and not given:
        hint = "name the unit with --unit, or give the counts with --trim KIND=c0,c1,..."
        raise InputError("trim", "none", f"{' and '.join(needed)}, which model {model.name} takes", hint)
    sensor = model.frozen.sessions[0].mounting.sensor
    if unit is not None:
        return trim_of(store, model, unit)
    found = _typed(given, sensor)
    if set(found) != set(needed):
        raise InputError(
            "--trim", ", ".join(found), " and ".join(needed) + f", which model {model.name} takes"
        )
    return np.asarray([count for kind in needed for count in found[kind]], np.int64)


def _typed(given: list[str], sensor: Sensor) -> dict[TrimKind, tuple[int, ...]]:
    from dataset.errors import InputError

    found: dict[TrimKind, tuple[int, ...]] = {}
    for text in given:
        kind, _, counts = text.partition("=")
        cells = [cell.strip() for cell in counts.split(",")]
        if (
            kind not in set(TrimKind)
            or not all(cell.isdecimal() and len(cell) <= 10 for cell in cells)
            or len(cells) != sensor.channels
        ):
            raise InputError(
                "--trim",
                text,
                f"KIND={','.join(sensor.channel_names)} with a whole number for each",
                "kinds: " + ", ".join(TrimKind),
            )
        found[TrimKind(kind)] = tuple(int(cell) for cell in cells)
    return found


def readings_csv(program: Program, parsed: ParsedFile, found: Replayed) -> str:
    """One line a frame; levels in mm to all digits (they are 64ths), the level empty where withheld, flags
    joined by '+'.
    """
    from training.program import LEVEL_UNITS_PER_MM, NO_LEVEL
    from training.program.model import VALIDITY_NAMES, flag_names

    levels = {unit: f"{unit / LEVEL_UNITS_PER_MM:.6f}" for unit in range(program.span + 1)} | {NO_LEVEL: ""}
    flags = {code: "+".join(flag_names(code)) for code in range(32)}
    columns = zip(parsed.frames.t_ms.tolist(), *found.readings.T.tolist(), strict=True)
    lines = [
        f"{t},{levels[low]},{levels[level]},{levels[high]},{VALIDITY_NAMES[valid]},{flags[code]}"
        for t, low, level, high, valid, code in columns
    ]
    return "\n".join([COLUMNS, *lines, ""])


def summary(program: Program, found: Replayed) -> dict[str, Any]:
    """Frames by validity and by flag, and the restarts: steps in time that are not the program's period."""
    from training.program import OUTPUTS
    from training.program.model import FLAG_BITS, VALIDITY_NAMES

    validity, flags = (found.readings[:, OUTPUTS.index(name)] for name in ("validity", "flags"))
    return {
        "frames": len(found.readings),
        "validity": {name: int((validity == code).sum()) for code, name in VALIDITY_NAMES.items()},
        "flags": {name: int(((flags & bit) != 0).sum()) for name, bit in FLAG_BITS.items()},
        "period_ms": program.period_ms,
        "period_tolerance_pct": program.period_tolerance_pct,
        "restarts": len(found.restarts),
        "longest_step_ms": int(found.steps_ms.max()) if len(found.restarts) else None,
        "first_restart_frame": int(found.restarts[0]) if len(found.restarts) else None,
    }


def _say_summary(facts: dict[str, Any], out: Path | None) -> None:
    """What was found, on stderr where the readings go to standard output."""
    stream = sys.stderr if out is None else sys.stdout
    shares = ", ".join(f"{number} {name}" for name, number in facts["validity"].items())
    print(f"{facts['frames']} frames: {shares}", file=stream)
    flagged = ", ".join(f"{name} {number}" for name, number in facts["flags"].items() if number)
    if flagged:
        print(f"flags: {flagged}", file=stream)
    if facts["restarts"]:
        period = f"{facts['period_ms']} ms within {facts['period_tolerance_pct']} %"
        first = f"first at frame {facts['first_restart_frame']}, longest step {facts['longest_step_ms']} ms"
        print(
            f"{facts['restarts']} steps in time are not {period}: the model started anew after "
            f"each ({first})",
            file=stream,
        )
    if out is not None:
        say(f"readings in {out}")


def _write(out: Path | None, text: str) -> None:
    from dataset.errors import InputError

    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise InputError(
            str(out), f"cannot be written ({error.strerror})", "a place for the readings"
        ) from error
