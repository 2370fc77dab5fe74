"""What is shown of trims: a unit's history, limits for a fixture, bytes of a unit's memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.counts import count_text
from dataset.records import ID_DIGITS
from dataset.values import natural
from dataset.words import counted
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.records import Trim, TrimLimits
    from export.trim_bytes import TrimRecord
    from innage.jobs.batch.trims import AddedTrims


def show_added(trim: Trim) -> None:
    """The counts of a trim that was added, and where they come from."""
    pads, scale = trim.mounting.sensor.channel_names, trim.mounting.sensor.count_scale
    shown = (count_text(count, scale) for count in trim.counts)
    counts = ", ".join(f"{pad} {count}" for pad, count in zip(pads, shown, strict=True))
    say(f"trim of unit {trim.unit.name}, {trim.kind}, {trim.date}, {trim.stage}: {counts}")
    if trim.dry_because:
        say(f"dry, because: {trim.dry_because}")
    if trim.frames is not None:
        refused = ", ".join(f"{pad} {count}" for pad, count in zip(pads, trim.refused, strict=True))
        say(
            f"from {counted(trim.frames[1] - trim.frames[0], 'frame')} of session "
            f"{(trim.session or '')[:ID_DIGITS]}; outliers refused: {refused}"
        )


def show_imported(file: Path, added: AddedTrims) -> None:
    """How many trims of how many units a fixture's file held."""
    units = counted(len({trim.unit.name for trim in added.trims}), "unit")
    new = f", {counted(len(added.units), 'unit')} of them new" if added.units else ""
    known = f"; {len(added.known)} were in the store already" if added.known else ""
    say(f"{file.name}: {counted(len(added.trims), 'trim')} of {units} added{new}{known}")


def show_trims(trims: Sequence[Trim], *, of_one_unit: bool) -> None:
    """A row each: every count of one unit, of many units the least and the greatest."""
    if not trims:
        say(
            "no trims yet: try 'innage trim add --unit UNIT --mounting MOUNTING --kind dry "
            "--counts 123,456 --date 2026-01-31 --stage end-of-line'"
        )
        return
    rows = [
        (
            trim.unit.name,
            trim.mounting.name,
            trim.kind,
            trim.date,
            trim.stage,
            trim.temperature_c,
            _counts(trim, of_one_unit),
            _source(trim),
        )
        for trim in trims
    ]
    table("trims", ("unit", "mounting", "kind", "date", "stage", "C", "counts", "from"), rows)


def show_doubts(trims: Sequence[Trim], doubts: Mapping[str, str]) -> None:
    """Trims that are not to be relied on, and why; nothing where there are none."""
    rows = [(f"{t.unit.name}, {t.kind}, {t.date}", doubts[t.sha256]) for t in trims if t.sha256 in doubts]
    if rows:
        table("trims to be taken anew", ("trim", "why"), rows)


def show_limits(limits: TrimLimits, coverage: float, confidence: float) -> None:
    """The limits of each channel, and how many units they come from."""
    pads = limits.mounting.sensor.channel_names
    rows = zip(pads, limits.low, limits.high, limits.mean, limits.sd, strict=True)
    table(
        f"limits of {limits.kind} trims on mounting {limits.mounting.name}",
        ("channel", "low", "high", "mean", "sd"),
        [(pad, low, high, f"{mean:.1f}", f"{sd:.1f}") for pad, low, high, mean, sd in rows],
    )
    units = ", ".join(sorted(limits.units, key=natural))
    say(
        f"{counted(len(limits.units), 'unit')}: {units}; {100 * coverage:g} % of units at "
        f"{100 * confidence:g} % confidence: mean +- {limits.factor:.2f} sd"
    )


def show_records(title: str, records: Sequence[TrimRecord]) -> None:
    from training.program import NO_TEMPERATURE

    rows = [
        (
            r.kind,
            r.serial or "- (format 1)",
            f"0x{r.sensor:08x}",
            "-" if r.temperature == NO_TEMPERATURE else f"{r.temperature / 10:.1f}",
            ", ".join(count_text(count, r.scale) for count in r.counts),
        )
        for r in records
    ]
    table(title, ("kind", "serial", "sensor key", "C", "counts"), rows)


def _counts(trim: Trim, each: bool) -> str:
    scale = trim.mounting.sensor.count_scale
    if each or len(trim.counts) <= 2:
        return ", ".join(count_text(count, scale) for count in trim.counts)
    return f"{count_text(min(trim.counts), scale)} to {count_text(max(trim.counts), scale)}"


def _source(trim: Trim) -> str:
    return (
        "counts given"
        if trim.session is None or trim.frames is None
        else f"session {trim.session[:ID_DIGITS]}, frames {trim.frames[0]}-{trim.frames[1] - 1}"
    )
