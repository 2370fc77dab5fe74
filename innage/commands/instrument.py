"""``innage instrument``: what levels are measured with, and how well."""

from __future__ import annotations

from typing import Annotated

import typer

from dataset.words import InstrumentKind
from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, RetiredOption, StoreOption, open_store
from innage.terminal.output import emit, say, table
from innage.terminal.views.registry import show_retired

app = typer.Typer(
    help="Instruments: what levels are measured with, and how well.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="Its name on this bench; again for a further calibration.")],
    kind: Annotated[InstrumentKind, typer.Option(help="What it is.")],
    calibrated: Annotated[str, typer.Option(help="Date of its calibration, such as 2026-01-31.")],
    uncertainty: Annotated[
        float,
        typer.Option(
            help="As on the certificate: g for a scale, K for a thermometer, mm for a height gauge, "
            "mL for a cylinder."
        ),
    ],
    coverage: Annotated[
        float, typer.Option(help="Its factor k, such as 2 for an expanded uncertainty; 1: standard.")
    ] = 1.0,
    resolution: Annotated[float, typer.Option(help="Step of its display or scale, in the same unit.")] = 0.0,
    interval_days: Annotated[
        int | None, typer.Option("--interval-days", help="For how many days a calibration holds.")
    ] = None,
    serial: Annotated[str, typer.Option(help="Its serial number.")] = "",
    certificate: Annotated[str, typer.Option(help="The certificate's number.")] = "",
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add an instrument with its calibration, or a further one."""
    from dataset.records import Instrument

    new = Instrument(
        name, kind, calibrated, uncertainty, coverage, resolution, interval_days, serial, certificate, note
    )
    added = open_store(store).add_instrument(new)
    unit = added.kind.unit
    say(
        f"{added.kind} {added.name}, calibrated on {added.calibrated}: standard uncertainty "
        f"{added.standard_uncertainty:.4g} {unit}, resolution {added.resolution:g} {unit}"
    )


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the instruments, each by its newest calibration."""
    from innage.jobs.instruments import called, instrument_facts, until
    from innage.jobs.registry import listed

    opened = open_store(store)
    every = [history.calibrations[-1] for history in opened.instruments()]
    in_list = listed(opened, "instrument", every, retired=retired, label=called(opened))
    newest = in_list.records
    if json:
        emit(in_list.facts(lambda known: instrument_facts(opened, known)))
    elif newest:
        rows = [
            (k.name, k.kind.value, k.calibrated, until(k), f"{k.standard_uncertainty:.4g} {k.kind.unit}")
            for k in newest
        ]
        table("instruments", ("instrument", "kind", "calibrated", "holds until", "standard u"), rows)
    else:
        say("no instruments yet: try 'innage instrument add NAME --kind scale ...'")
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("instrument"))],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show an instrument's calibrations, and the sessions on each."""
    from innage.jobs.instruments import calibrations_of, until

    known = calibrations_of(open_store(store), name)
    if json:
        emit([calibration.facts for calibration in known])
        return
    rows = [
        (
            k.calibrated,
            until(k),
            f"{k.uncertainty:g} {k.kind.unit}",
            f"{k.coverage:g}",
            f"{k.resolution:g} {k.kind.unit}",
            k.certificate or "-",
            len(calibration.sessions),
        )
        for calibration in known
        for k in (calibration.instrument,)
    ]
    newest = known[-1].instrument
    columns = ("calibrated", "holds until", "uncertainty", "k", "resolution", "certificate", "sessions")
    serial = f", serial {newest.serial}" if newest.serial else ""
    table(f"{newest.kind} {newest.name}{serial}", columns, rows)
    if "retired" in known[-1].facts:
        say(f"{newest.kind} {newest.name} is retired: {known[-1].facts['retired']}")
