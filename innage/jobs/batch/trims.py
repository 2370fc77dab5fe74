"""Trims as a production fixture writes them, a line each: all checked first, then all added or none."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InnageError, InputError, NotFoundError
from dataset.files.record_lines import RecordLine, number_of, over, read_record_lines
from dataset.records import Trim, TrimKind, Unit
from dataset.words import counted
from innage.jobs import Progress, silent
from innage.jobs.batch.faults import LinesRefusedError, check_each
from innage.jobs.stages import staged

if TYPE_CHECKING:
    from dataset.records import Mounting, Sensor
    from dataset.store import Store

_ALSO = {"temperature": "temperature_c", "level": "level_mm"}
_STAGES = (("checking",), ("holding against others",))
_TIMED = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})[T ].*")


@dataclass(frozen=True)
class FixtureTrim:
    """What a line states of a trim, or all lines alike; None and () are not stated.

    A unit is called by its name, or by its ``serial``; a new one is named as its serial is where the line has
    no name. ``counts`` may be left out where each channel has a column of its own, called as the channel is.
    A ``date`` may have a time of day behind it, which is not kept.
    """

    unit: str | None = None
    serial: str | None = None
    kind: TrimKind | None = None
    date: str | None = None
    stage: str | None = None
    mounting: str | None = None
    counts: tuple[float, ...] = ()
    temperature_c: float | None = None
    level_mm: float | None = None
    transfer: tuple[float, ...] = ()
    transfer_spread: tuple[float, ...] = ()
    note: str | None = None
    dry_because: str | None = None


HEADINGS = tuple(field.name for field in fields(FixtureTrim))


@dataclass(frozen=True)
class AddedTrims:
    """The trims that were added, the lines of those that were in the store already, and the units that were
    new.
    """

    trims: tuple[Trim, ...]
    known: tuple[int, ...]
    units: tuple[Unit, ...]


def add_trims_from(
    store: Store,
    path: Path,
    stated: FixtureTrim | None = None,
    *,
    channels: Sequence[str] = (),
    add_units: bool = False,
    progress: Progress = silent,
) -> AddedTrims:
    """Add a trim a line to the units' histories: all of them, or none. A line whose trim is there already is
    skipped.

    Args:
        store: the open store.
        path: CSV with headings as :class:`FixtureTrim` has fields, and a column for each channel or
            ``counts`` with '|' between.
        stated: what holds for each line that doesn't state it.
        channels: headings of the columns of counts, in channel order; by default as the channels are called.
        add_units: units that the store does not have are added.
        progress: called with (what, done, total).

    Raises:
        InputError: headings or lines that can't be read.
        LinesRefusedError: lines that can't be used, each with what is wrong; nothing is added then.
    """
    from dataset.canonical import trim_sha256

    moved = staged(progress, _STAGES)
    lines = read_record_lines(path, HEADINGS, also=_ALSO, others=True)
    checking = _Checking(store, stated or FixtureTrim(), channels, add_units)
    faults: Sequence[tuple[RecordLine, InnageError]] = ()
    try:
        check_each(path, lines, HEADINGS, checking.check, lambda _, n, total: moved("checking", n, total))
    except LinesRefusedError as refused:
        faults = refused.faults
    there = {trim.sha256 for trim in store.trims()}
    pairs = list(zip(checking.lines, checking.trims, strict=True))
    new = [(line, trim) for line, trim in pairs if trim_sha256(trim) not in there]
    units = tuple(checking.new_units.values())
    trims = [trim for _, trim in new]
    moved("holding against others", 0, len(trims))
    refused_ones = store.refused_trims(trims, units)
    both = [*faults, *((new[k][0], error) for k, error in refused_ones.items())]
    if both:
        both.sort(key=lambda fault: fault[0].number)
        raise LinesRefusedError(path, len(lines), both, HEADINGS)
    added = store.add_trims(trims, units)
    known = tuple(line.number for line, trim in pairs if trim_sha256(trim) in there)
    return AddedTrims(added, known, units)


class _Checking:
    """Checks line by line what a line alone can say."""

    def __init__(self, store: Store, common: FixtureTrim, channels: Sequence[str], add_units: bool) -> None:
        self._common, self._channels, self._add_units = common, channels, add_units
        self._mountings = {mounting.name: mounting for mounting in store.mountings()}
        self._store, self._units = store, {unit.name: unit for unit in store.units()}
        self.new_units: dict[str, Unit] = {}
        self.lines: list[RecordLine] = []
        self.trims: list[Trim] = []

    def check(self, line: RecordLine) -> None:
        """Check a line; InputError for the first thing that is wrong with it."""
        from dataset.counts import steps_given
        from dataset.labels.trims import check_trim

        stated = over(self._common, line)
        lacking = [f for f in ("kind", "date", "stage", "mounting") if getattr(stated, f) is None]
        if lacking or stated.kind is None:
            expected = "a cell in a column of that name, or the option of that name for all lines"
            raise InputError(line.where, f"no {', no '.join(lacking)}", expected)
        mounting = self._mounting(str(stated.mounting))
        unit = self._unit(line, stated)
        counts = stated.counts or _by_channel(line, mounting.sensor, self._channels)
        trim = Trim(
            unit=unit,
            mounting=mounting,
            kind=stated.kind,
            counts=steps_given(line.place("counts"), counts, mounting.sensor.count_scale),
            date=_TIMED.sub(r"\1", str(stated.date)),
            stage=str(stated.stage),
            temperature_c=stated.temperature_c,
            level_mm=stated.level_mm,
            transfer=stated.transfer,
            transfer_spread=stated.transfer_spread,
            note=stated.note or "",
            dry_because=stated.dry_because or "",
        )
        check_trim(trim)
        if unit.name not in self._units:
            self.new_units[unit.name] = unit
        self.lines.append(line)
        self.trims.append(trim)

    def _mounting(self, name: str) -> Mounting:
        return self._mountings[name] if name in self._mountings else self._store.mounting(name)

    def _unit(self, line: RecordLine, stated: FixtureTrim) -> Unit:
        """The unit, or the new one that it will be."""
        from dataset.admission.rules import check_unit

        field = "serial" if stated.unit is None else "unit"
        name = stated.unit or stated.serial
        if name is None:
            raise InputError(line.place("unit"), "nothing is stated", "the unit's name, or its serial")
        known = self._of(line, stated)
        if known is not None:
            if stated.serial not in (None, known.serial):
                where, found = line.place("serial"), f"{stated.serial} of unit {known.name}"
                hint = (
                    "one that was read later is given to the unit with Store.give_serial; a column whose "
                    "heading begins with '#' is passed over"
                )
                expected = str(known.serial or "none, as the store has it")
                raise InputError(where, found, expected, hint, fields=("Store.give_serial",))
            return known
        new = Unit(name, serial=stated.serial, bench=self._store.bench().identity)
        check_unit(new)
        if not self._add_units:
            raise NotFoundError(
                line.place(field),
                f"{name} is not in the store",
                "",
                "say add_units=True to add those that are new",
                fields=("add_units=True",),
            )
        return new

    def _of(self, line: RecordLine, stated: FixtureTrim) -> Unit | None:
        """The unit that a line calls by its name or, where it has none, by its serial."""
        units = self._units | self.new_units
        if stated.unit is None:
            return _of_serial(line, stated.serial, units.values())
        if "@" in stated.unit and stated.unit not in units:  # of another bench: there already, or a mistake
            return self._store.unit(stated.unit)
        return units.get(stated.unit)


def _of_serial(line: RecordLine, serial: str | None, units: Iterable[Unit]) -> Unit | None:
    """The unit of that serial; two benches may each have one."""
    same = [unit for unit in units if unit.serial == serial]
    if len(same) > 1:
        names = ", ".join(unit.name for unit in same)
        raise InputError(line.place("serial"), f"{serial} is the serial of {names}", "a unit by its name")
    return same[0] if same else None


def _by_channel(line: RecordLine, sensor: Sensor, columns: Sequence[str]) -> tuple[float, ...]:
    """The counts from ``columns``, or from those that are called as the channels are."""
    if columns and len(columns) != sensor.channels:
        expected = f"{sensor.channels}, one for each channel of {sensor.ref} in order"
        raise InputError("channels", counted(len(columns), "column"), expected, fields=("channels",))
    wanted = columns or sensor.channel_names
    lacking = [name for name in wanted if name not in line.cells]
    if lacking:
        raise InputError(
            line.where,
            f"no count of {', '.join(lacking)}",
            f"a column for each channel of {sensor.ref}, or one called counts with '|' between",
            "columns that are called otherwise are named by channels",
            fields=("channels",),
        )
    strange = [name for name in line.cells if name not in (*HEADINGS, *wanted)]
    if strange:
        raise InputError(
            line.where,
            f"a column {strange[0]!r}",
            f"a channel of {sensor.ref}, or one of " + ", ".join(HEADINGS),
            "one that begins with '#' is passed over",
        )
    return tuple(
        number_of(line.place(name), line.cells[name], decimal_comma=line.decimal_comma) for name in wanted
    )
