"""``innage mark``: where marks may go, later revisions of a session's marks, and their history."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.words import counted
from innage.jobs.sessions.session_facts import level_text
from innage.options import (
    AIR_DENSITY_KG_M3,
    DEFAULT_STORE,
    AirOption,
    DimensionOption,
    InstrumentOption,
    JsonOption,
    LabelTemperatureOption,
    PouredOption,
    ScaleOption,
    SessionArgument,
    StoreOption,
    TareOption,
    TemperatureOption,
    open_store,
)
from innage.terminal.output import emit, say, say_aside, table

if TYPE_CHECKING:
    from dataset.records import Mark, MarkRevision, Session
    from dataset.store import Store

app = typer.Typer(
    help="Level marks: propose, set and amend them, show their history.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

AuthorOption = Annotated[str, typer.Option(help="Who amends the marks.")]
ReasonOption = Annotated[str, typer.Option(help="Why; read a year later.")]


@app.command()
def propose(
    session: SessionArgument,
    min_frames: Annotated[int, typer.Option("--min-frames", min=1, help="Leave out shorter stretches.")] = 8,
    out: Annotated[
        Path | None, typer.Option(help="Also write a CSV for 'innage mark set --marks', to be filled in.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Find the steady stretches between pours, by the counts alone."""
    from dataset.labels.steady import drift, steady_stretches
    from innage.outputs import write_file

    opened = open_store(store)
    captured = opened.session(session)
    counts = opened.frames(captured).counts
    stretches = steady_stretches(counts, min_frames)
    means = [[float(mean) for mean in counts[a:b].mean(axis=0)] for a, b in stretches]
    drifts = [[float(moved) for moved in drift(counts[a:b])] for a, b in stretches]
    if out is not None:
        write_file(out, _template(stretches).encode())
    if json:
        emit(
            [
                {"start": a, "stop": b, "means": under, "drift": moved}
                for (a, b), under, moved in zip(stretches, means, drifts, strict=True)
            ]
        )
        return
    pads = [f"{p.name} {what}" for p in captured.mounting.sensor.pads for what in ("mean", "drift")]
    rows = [
        (
            f"{a}-{b - 1}",
            b - a,
            *(f"{x:.1f}" for pair in zip(under, moved, strict=True) for x in pair),
            _known(captured.marks, a, b),
        )
        for (a, b), under, moved in zip(stretches, means, drifts, strict=True)
    ]
    if rows:
        table(f"steady stretches of session {captured.id}", ("frames", "number", *pads, "marked mm"), rows)
    steady = sum(b - a for a, b in stretches)
    say(
        f"{len(stretches)} steady stretch{'' if len(stretches) == 1 else 'es'} "
        f"with {steady} of {captured.frames} frames" + (f"; {out} written" if out is not None else "")
    )


@app.command("set")
def set_(
    session: SessionArgument,
    marks: Annotated[
        Path,
        typer.Option(
            help="CSV: from,to (frames) or from_ms,to_ms; level_mm, mass_g or poured_ml; "
            "level_stop_mm, u_mm, u_common_mm."
        ),
    ],
    author: AuthorOption,
    reason: ReasonOption,
    instruments: InstrumentOption = None,
    tare_g: TareOption = 0.0,
    scale_half_width_g: ScaleOption = 0.0,
    poured_half_width_ml: PouredOption = 0.0,
    dimension_half_width_mm: DimensionOption = 0.0,
    label_temperature_c: LabelTemperatureOption = None,
    temperature_half_width_k: TemperatureOption = 0.0,
    air_density_kg_m3: AirOption = AIR_DENSITY_KG_M3,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give a session other marks, all from a file: a new revision."""
    from dataset.labels.instruments import used_at
    from dataset.labels.marking import Labelling, check_labelling, read_marks

    opened = open_store(store)
    captured = opened.session(session)
    labelling = Labelling(
        captured.liquid,
        tare_g=tare_g,
        scale_half_width_g=scale_half_width_g,
        poured_half_width_ml=poured_half_width_ml,
        dimension_half_width_mm=dimension_half_width_mm,
        temperature_c=label_temperature_c,
        temperature_half_width_k=temperature_half_width_k,
        air_density=air_density_kg_m3,
    )
    used = used_at(tuple(map(opened.instrument, instruments or ())), captured.occasion.started)
    for warning in used.warnings:
        say_aside(f"warning: {warning.sentence}")
    labelling = used.over(labelling)
    check_labelling(labelling)
    read = read_marks(marks, opened.frames(captured), captured.mounting.tank, labelling)
    _say_revision(opened, opened.amend_marks(captured.sha256, read, author, reason))


@app.command()
def amend(
    session: SessionArgument,
    author: AuthorOption,
    reason: ReasonOption,
    first: Annotated[int, typer.Option("--from", help="First frame.")],
    last: Annotated[int, typer.Option("--to", help="Last frame, included.")],
    level_mm: Annotated[
        float | None, typer.Option("--level-mm", help="The level of these frames, mm.")
    ] = None,
    u_mm: Annotated[float | None, typer.Option("--u-mm", help="Its standard uncertainty, mm.")] = None,
    remove: Annotated[
        bool, typer.Option("--remove", help="Leave these frames without a mark instead.")
    ] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give some frames another level, or none: a new revision. The other marks stay."""
    from dataset.errors import InputError
    from dataset.labels.marking import amended
    from dataset.records import Mark

    if remove == (level_mm is not None) or (remove and u_mm is not None):
        raise InputError("--level-mm and --remove", "both" if remove else "neither", "one of them")
    opened = open_store(store)
    captured = opened.session(session)
    if not 0 <= first <= last < captured.frames:
        raise InputError(
            "--from and --to",
            f"{first} to {last}",
            f"frames of the session, 0 to {captured.frames - 1}, the last not before the first",
        )
    new = None if level_mm is None else Mark(first, last + 1, level_mm, u_mm)
    _say_revision(
        opened,
        opened.amend_marks(
            captured.sha256,
            amended(f"session {captured.id}", captured.marks, first, last + 1, new),
            author,
            reason,
        ),
    )


@app.command()
def history(session: SessionArgument, json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the revisions of a session's marks, the sealed ones first."""
    opened = open_store(store)
    captured = opened.session(session)
    revisions = opened.mark_revisions(captured.sha256)
    sealed = captured.marks if captured.sealed_marks is None else captured.sealed_marks
    if json:
        emit(
            {
                "session": captured.sha256,
                "sealed": [asdict(m) for m in sealed],
                "revisions": [asdict(r) for r in revisions],
            }
        )
        return
    rows = [("sealed", "", "", "", len(sealed), _frames(sealed))]
    rows += [
        (r.sha256[:12], (r.parent or "sealed")[:12], r.author, r.reason, len(r.marks), _frames(r.marks))
        for r in revisions
    ]
    table(
        f"marks of session {captured.id}", ("revision", "amends", "author", "reason", "marks", "frames"), rows
    )


def _template(stretches: Sequence[tuple[int, int]]) -> str:
    """A CSV of stretches whose levels are still to be filled in."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("from", "to", "level_mm", "u_mm"))
    writer.writerows((a, b - 1, "", "") for a, b in stretches)
    return text.getvalue()


def _known(marks: Sequence[Mark], start: int, stop: int) -> str:
    """The levels that marks give these frames already."""
    return ", ".join(level_text(m) for m in marks if m.start < stop and start < m.stop)


def _frames(marks: Sequence[Mark]) -> int:
    return sum(m.stop - m.start for m in marks)


def _say_revision(store: Store, revision: MarkRevision) -> None:
    session: Session = store.session(revision.session)
    say(
        f"marks of session {session.id}: revision {revision.sha256[:12]} by {revision.author}: "
        f"{counted(len(revision.marks), 'mark')} over {counted(_frames(revision.marks), 'frame')}"
    )
    pinned = [
        frozen.name
        for frozen in store.frozen_sets()
        if any(s.sha256 == session.sha256 for s in frozen.sessions)
    ]
    if pinned:
        say(f"frozen sets that keep the marks they had: {', '.join(pinned)}")
