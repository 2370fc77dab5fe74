"""What a person states of a file that is logged: the options of one call, or a line of many.

One record serves both, so that what a call can state a line can too; its fields are called as the options and
the headings are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.records import ColumnMapping
from dataset.words import LevelUnit, TimeUnit
from innage.jobs import instruments
from innage.jobs.registry import in_use

if TYPE_CHECKING:
    from dataset.labels.marking import Labelling
    from dataset.records import Liquid, Unit
    from dataset.store import Store
    from innage.jobs.sessions.circumstances import Circumstances
    from innage.jobs.sessions.logging_files import Beside, Ramp

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "bar": "|", "space": " "}
_NAMING = ("count", "time", "level", "mass", "poured", "temperature")


@dataclass(frozen=True)
class Statements:
    """What is stated of one file, or of several alike; None and () are not stated.

    Units are in the names, as of the options of ``innage log``, which says what each means.
    """

    tank: str | None = None
    sensor: str | None = None
    mounting: str | None = None
    unit: str | None = None
    liquid: str | None = None
    condition: str | None = None
    conditions: Path | None = None
    note: str | None = None
    operator: str | None = None
    bench: str | None = None
    start: str | None = None
    utc_offset: str | None = None
    board_firmware: str | None = None
    tags: tuple[str, ...] = ()
    instruments: tuple[str, ...] = ()
    count: tuple[str, ...] = ()
    time: str | None = None
    time_unit: TimeUnit | None = None
    level: str | None = None
    mass: str | None = None
    poured: str | None = None
    temperature: str | None = None
    delimiter: str | None = None
    header: bool | None = None
    encoding: str | None = None
    ignore: tuple[str, ...] = ()
    mapping: str | None = None
    level_unit: LevelUnit | None = None
    level_u_mm: float | None = None
    level_half_width_mm: float | None = None
    tare_g: float | None = None
    scale_half_width_g: float | None = None
    poured_half_width_ml: float | None = None
    dimension_half_width_mm: float | None = None
    label_temperature_c: float | None = None
    temperature_half_width_k: float | None = None
    air_density_kg_m3: float | None = None
    ramp: Path | None = None
    ramp_time: str | None = None
    ramp_time_unit: TimeUnit | None = None
    ramp_level: str | None = None
    ramp_mass: str | None = None
    ramp_lag_ms: float | None = None
    ramp_lag_half_width_ms: float | None = None


@dataclass(frozen=True)
class Settled:
    """What statements come to in a store: circumstances, columns, how readings become levels, and what stands
    beside the file.
    """

    circumstances: Circumstances
    columns: ColumnMapping
    labelling: Labelling
    beside: Beside


def settle(store: Store, stated: Statements, save_as: str | None = None, unit: Unit | None = None) -> Settled:
    """What statements come to; ``save_as`` is the name of columns that will be saved, ``unit`` the record of
    the unit where the store may not have it yet.

    Raises:
        InputError: statements that contradict each other or are missing. NotFoundError: a name that the store
            does not have.
    """
    from dataset.admission.starts import read_start
    from innage.jobs.sessions.circumstances import find_circumstances, find_occasion
    from innage.jobs.sessions.logging_files import Beside

    circumstances = find_circumstances(
        store,
        unit=stated.unit if unit is None else unit,
        liquid=stated.liquid,
        mounting=stated.mounting,
        tank=stated.tank,
        sensor=stated.sensor,
        condition=stated.condition,
        note=stated.note or "",
    )
    occasion = find_occasion(store, stated.operator, stated.bench, stated.board_firmware)
    circumstances = replace(circumstances, occasion=occasion, tags=stated.tags)
    start = None if stated.start is None else read_start(stated.start, stated.utc_offset)
    u_mm = level_u_of(stated.level_u_mm, stated.level_half_width_mm)
    return Settled(
        circumstances,
        _columns(store, stated, save_as, circumstances.mounting.sensor.channel_names, u_mm),
        _labelling(stated, circumstances.liquid),
        Beside(_ramp(stated, u_mm), stated.conditions, start, instruments.in_use(store, stated.instruments)),
    )


def _columns(
    store: Store, stated: Statements, save_as: str | None, channels: tuple[str, ...], u_mm: float | None
) -> ColumnMapping:
    """The saved mapping with the values that are stated beside it, or the columns that are; where these name
    no counts, they are called as the channels are.
    """
    if stated.mapping is None:
        return replace(_stated_columns(stated, save_as, u_mm), counts=stated.count or channels)
    named = [field for field in _NAMING if getattr(stated, field)]
    if named:
        raise InputError(
            "mapping",
            f"{stated.mapping}, which names the columns, and {', '.join(named)} beside it",
            "one or the other",
            fields=("mapping", *named),
        )
    saved = in_use(store, "mapping", store.mapping(stated.mapping))
    return replace(saved, **_values_over(stated, u_mm))


def _stated_columns(stated: Statements, save_as: str | None, u_mm: float | None) -> ColumnMapping:
    return ColumnMapping(
        name=save_as or "columns",
        counts=stated.count,
        time=stated.time,
        time_unit=stated.time_unit or TimeUnit.MILLISECONDS,
        level=stated.level,
        level_unit=stated.level_unit or LevelUnit.MILLIMETRES,
        level_u_mm=u_mm,
        temperature=stated.temperature,
        delimiter=delimiter_of(stated.delimiter),
        header=stated.header is not False,
        mass=stated.mass,
        poured=stated.poured,
        encoding=stated.encoding,
        ignore=stated.ignore,
    )


def _values_over(stated: Statements, u_mm: float | None) -> dict[str, Any]:
    """The values that are stated over a saved mapping's; units of levels may be meant for the second
    stream.
    """
    values: dict[str, Any] = {
        "time_unit": stated.time_unit,
        "delimiter": delimiter_of(stated.delimiter),
        "header": stated.header,
        "encoding": stated.encoding,
        "ignore": stated.ignore or None,
    }
    if stated.ramp is None:
        values |= {"level_unit": stated.level_unit, "level_u_mm": u_mm}
    return {field: value for field, value in values.items() if value is not None}


def _labelling(stated: Statements, liquid: Liquid) -> Labelling:
    from dataset.labels.marking import Labelling

    plain = Labelling(liquid)
    facts: dict[str, Any] = {
        "tare_g": stated.tare_g,
        "scale_half_width_g": stated.scale_half_width_g,
        "poured_half_width_ml": stated.poured_half_width_ml,
        "dimension_half_width_mm": stated.dimension_half_width_mm,
        "temperature_c": stated.label_temperature_c,
        "temperature_half_width_k": stated.temperature_half_width_k,
        "air_density": stated.air_density_kg_m3,
    }
    return replace(plain, **{field: value for field, value in facts.items() if value is not None})


def _ramp(stated: Statements, u_mm: float | None) -> Ramp | None:
    from innage.jobs.sessions.logging_files import Ramp

    if stated.ramp is None:
        return None
    columns = ColumnMapping(
        name="ramp",
        counts=(),
        time=stated.ramp_time,
        time_unit=stated.ramp_time_unit or TimeUnit.MILLISECONDS,
        level=stated.ramp_level,
        level_unit=stated.level_unit or LevelUnit.MILLIMETRES,
        level_u_mm=u_mm,
        mass=stated.ramp_mass,
    )
    return Ramp(stated.ramp, columns, stated.ramp_lag_ms, stated.ramp_lag_half_width_ms or 0.0)


def delimiter_of(text: str | None) -> str | None:
    """The delimiter that a text names; None means: find out."""
    if text is None:
        return None
    character = DELIMITERS.get(text, text)
    if len(character) != 1 or character.isalnum() or character in '"#.-+\r\n':
        raise InputError(
            "delimiter",
            repr(text),
            "a single character that numbers and names are not made of, or one of tab, space, "
            "comma, semicolon, bar",
            fields=("delimiter",),
        )
    return character


def level_u_of(u_mm: float | None, half_width_mm: float | None) -> float | None:
    """The standard uncertainty of a level in mm, given as it is or as a half-width."""
    from dataset.labels.uncertainty import rectangular

    if half_width_mm is None:
        return u_mm
    if u_mm is not None:
        fields: Sequence[str] = ("level_u_mm", "level_half_width_mm")
        raise InputError("level_u_mm and level_half_width_mm", "both", "one of them", fields=fields)
    return rectangular(half_width_mm)
