"""What a record must satisfy before the store takes it. Each check raises InputError: where, found, expected,
what to do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from dataset.admission.steps import steps_of
from dataset.errors import InputError, nearest, quoted
from dataset.files.encodings import check_encoding
from dataset.labels import liquids
from dataset.labels.conditions import check_stretches
from dataset.long_frames import parts_of
from dataset.records import (
    CORES,
    METRICS,
    Budget,
    ColumnMapping,
    Frames,
    Limits,
    Liquid,
    Mark,
    Mounting,
    NewSession,
    Occasion,
    Operator,
    Pad,
    PadRole,
    Sensor,
    Tank,
    Unit,
)
from dataset.stated_frames import StatedFrames
from dataset.tanks import profile
from dataset.values import MAX_MM, MAX_NAME, check_instant, check_name, check_number, check_text
from dataset.words import counted

MAX_CHANNELS = 64
MAX_COUNT_BITS = 24  # what a program's int32 arithmetic leaves room for
MOST_CODE = 12  # characters of an operator's code
MOST_FIRMWARE = 100
TOP_COUNT = (1 << MAX_COUNT_BITS) - 1
MAX_COUNT_SCALE = 0xFFFF  # what the record of a stored trim has room for
MAX_PERIOD_MS = 3_600_000
# Arm Cortex-M0+ technical reference manual: a fast or a small multiplier; small RISC-V cores come with either
# too (common practice, no source).
MULTIPLIER_CYCLES = {
    "cortex-m0plus": (1, 32),
    "cortex-m3": (1,),
    "cortex-m4": (1,),
    "cortex-m33": (1,),
    "rv32imc": (1, 32),
}


def check_tank(tank: Tank) -> None:
    check_name("tank", tank.name)
    where = f"tank {tank.name}"
    check_number(f"{where}, span", tank.span_mm, 0, MAX_MM, above=True, unit="mm")
    check_number(f"{where}, wall thickness", tank.wall_mm, 0, 1000, above=True, unit="mm")
    check_number(f"{where}, dead volume", tank.dead_volume_ml, 0, 1e12, unit="mL")
    check_number(f"{where}, inlet height", tank.inlet_mm, 0, MAX_MM, unit="mm")
    check_number(f"{where}, headspace", tank.headspace_mm, 0, MAX_MM, unit="mm")
    check_number(f"{where}, expansion", tank.expansion_per_k, 0, 1e-3, unit="per K (lengths)")
    check_number(f"{where}, reference temperature", tank.reference_c, -273.15, 2000, unit="degrees Celsius")
    if (tank.expansion_per_k is None) != (tank.reference_c is None):
        raise InputError(
            where,
            "an expansion or a reference temperature alone",
            "both or neither",
            "give expansion_per_k and reference_c",
            fields=("expansion_per_k", "reference_c"),
        )
    check_text(f"{where}, wall material", tank.wall_material)
    check_text(f"{where}, note", tank.note)
    if tank.profile is not None:
        _check_reach(where, tank, profile.from_json(tank.profile).height_mm)


def _check_reach(where: str, tank: Tank, height_mm: float) -> None:
    """Span, headspace and inlet end within the profile, whose inner height above the datum is
    ``height_mm``.
    """
    head = tank.headspace_mm or 0.0
    if tank.span_mm + head > height_mm * (1 + 1e-9):
        asked = f"a span of {tank.span_mm:g} mm" + (f" with {head:g} mm of headspace" if head else "")
        raise InputError(
            where, asked, f"at most {height_mm:g} mm, the inner height of the profile above the datum"
        )
    if tank.inlet_mm is not None and tank.inlet_mm > height_mm * (1 + 1e-9):
        raise InputError(
            where,
            f"an inlet at {tank.inlet_mm:g} mm",
            f"at most {height_mm:g} mm, the inner height of the profile above the datum",
        )


def check_liquid(liquid: Liquid) -> None:
    check_name("liquid", liquid.name)
    where = f"liquid {liquid.name}"
    check_number(f"{where}, relative permittivity", liquid.permittivity, 1, 1e6)
    check_number(f"{where}, conductivity", liquid.conductivity, 0, 1e8, unit="S/m")
    check_number(f"{where}, density", liquid.density, 0, 1e5, above=True, unit="kg/m3")
    check_number(f"{where}, temperature", liquid.temperature_c, -273.15, 2000, unit="degrees Celsius")
    check_text(f"{where}, note", liquid.note)
    check_text(f"{where}, source", liquid.source or "")
    if liquid.model is not None and liquid.model not in liquids.MODELS:
        raise InputError(f"{where}, model", liquid.model, "one of " + ", ".join(liquids.MODELS))


def check_sensor(sensor: Sensor) -> None:
    check_name("sensor", sensor.name)
    where = f"sensor {sensor.name}"
    if not 1 <= len(sensor.pads) <= MAX_CHANNELS:
        raise InputError(where, counted(len(sensor.pads), "pad"), f"1 to {MAX_CHANNELS}")
    for channel, pad in enumerate(sensor.pads):
        _check_pad(where, channel, pad)
    _check_shared(where, sensor)
    if all(p.role is not PadRole.LEVEL for p in sensor.pads):
        raise InputError(where, "only reference pads", "at least one pad that measures the level")
    check_number(f"{where}, count bits", sensor.count_bits, 1, MAX_COUNT_BITS)
    check_number(f"{where}, count scale", sensor.count_scale, 1, MAX_COUNT_SCALE, unit="steps a count")
    check_number(f"{where}, period", sensor.period_ms, 1, MAX_PERIOD_MS, unit="ms")
    check_number(f"{where}, period tolerance", sensor.period_tolerance_pct, 0, 100, unit="%")
    check_text(f"{where}, note", sensor.note)


def _check_shared(where: str, sensor: Sensor) -> None:
    """Channels of one pad agree on its geometry and role and differ in frequency."""
    for k, pad in enumerate(sensor.pads):
        for other in sensor.pads[:k]:
            if other.name != pad.name:
                continue
            both = f"channels {other.channel} and {pad.channel} are both pad {pad.name}"
            if (other.bottom_mm, other.height_mm, other.width_mm, other.role) != (
                pad.bottom_mm,
                pad.height_mm,
                pad.width_mm,
                pad.role,
            ):
                raise InputError(
                    where,
                    f"{both} with different bottom, height, width or role",
                    "one pad in one place",
                    "give another pad a name of its own",
                )
            if None in (other.frequency_hz, pad.frequency_hz) or other.frequency_hz == pad.frequency_hz:
                raise InputError(
                    where,
                    f"{both} without a frequency to tell them apart",
                    "a frequency of its own for each channel of a pad",
                )


def _check_pad(where: str, channel: int, pad: Pad) -> None:
    check_name(f"{where}: pad", pad.name)
    where = f"{where}, pad {pad.name}"
    if pad.channel != channel:
        raise InputError(where, f"channel {pad.channel}", f"{channel}: pads come in channel order, from 0")
    check_number(f"{where}, bottom", pad.bottom_mm, -MAX_MM, MAX_MM, unit="mm")
    check_number(f"{where}, height", pad.height_mm, 0, MAX_MM, above=True, unit="mm")
    check_number(f"{where}, width", pad.width_mm, 0, MAX_MM, above=True, unit="mm")
    check_number(f"{where}, frequency", pad.frequency_hz, 0, 1e12, above=True, unit="Hz")


def check_mounting(mounting: Mounting) -> None:
    """The offset must leave at least one level pad beside the usable height; anything else may be meant."""
    check_name("mounting", mounting.name)
    where = f"mounting {mounting.name}"
    check_number(f"{where}, offset", mounting.offset_mm, -MAX_MM, MAX_MM, unit="mm")
    check_number(f"{where}, offset tolerance", mounting.offset_tolerance_mm, 0, MAX_MM, unit="mm")
    check_text(f"{where}, note", mounting.note)
    reach = [
        (p.bottom_mm + mounting.offset_mm, p.bottom_mm + p.height_mm + mounting.offset_mm)
        for p in mounting.sensor.pads
        if p.role is PadRole.LEVEL
    ]
    span = mounting.tank.span_mm
    if all(top <= 0 or bottom >= span for bottom, top in reach):
        low, high = min(b for b, _ in reach), max(t for _, t in reach)
        reached = (
            f"with an offset of {mounting.offset_mm:g} mm the level pads reach from {low:g} to "
            f"{high:g} mm above the datum"
        )
        raise InputError(
            where,
            reached,
            f"at least one of them beside the tank's span, 0 to {span:g} mm",
            "check offset_mm and the pads' heights",
            fields=("offset_mm",),
        )


def check_unit(unit: Unit) -> None:
    check_name("unit", unit.origin_name if unit.bench else unit.name)
    check_text(f"unit {unit.name}, note", unit.note)
    if unit.serial is not None:
        check_text(f"unit {unit.name}, serial", unit.serial)
        if not unit.serial.strip() or len(unit.serial) > MAX_NAME:
            raise InputError(
                f"unit {unit.name}, serial", quoted(unit.serial[:80]), f"1 to {MAX_NAME} characters"
            )
    if unit.bench:
        check_identity(f"unit {unit.name}, bench", unit.bench)


def check_identity(where: str, identity: str) -> None:
    """32 hexadecimal digits, as every bench has its own."""
    if len(identity) != 32 or set(identity) - set("0123456789abcdef"):
        raise InputError(where, quoted(identity[:80]), "32 hexadecimal digits")


def usual_multiplier(core: str) -> int:
    """The cycles of a core's multiplication where there is one multiplier only. InputError where there are
    several, or no such core.
    """
    known = MULTIPLIER_CYCLES.get(core)
    if known is None:
        raise InputError(
            "core", core, " or ".join(CORES), nearest(core.replace("+", "plus"), CORES), fields=("core",)
        )
    if len(known) > 1:
        expected = f"{' or '.join(map(str, known))}, as the part's {core} has it: fast or small"
        raise InputError("multiplier_cycles", "not given", expected, fields=("multiplier_cycles",))
    return known[0]


def check_budget(budget: Budget) -> None:
    check_name("budget", budget.name)
    where = f"budget {budget.name}"
    if budget.core not in CORES:
        raise InputError(
            f"{where}, core",
            budget.core,
            " or ".join(CORES),
            nearest(budget.core.replace("+", "plus"), CORES),
        )
    if budget.multiplier_cycles not in MULTIPLIER_CYCLES[budget.core]:
        known = (
            "1 (fast multiplier) or 32 (small multiplier)"
            if len(MULTIPLIER_CYCLES[budget.core]) > 1
            else f"1, the only one of {budget.core}"
        )
        raise InputError(f"{where}, multiplier cycles", str(budget.multiplier_cycles), known)
    for what, value in (
        ("flash", budget.flash_bytes),
        ("RAM", budget.ram_bytes),
        ("stack", budget.stack_bytes),
    ):
        check_number(f"{where}, {what}", value, 1, 2**31, unit="bytes")
    check_number(f"{where}, cycles", budget.cycles, 1, 2**40)
    check_number(f"{where}, wait states", budget.wait_states, 0, 16)
    check_number(f"{where}, clock", budget.clock_hz, 0, 10**10, unit="Hz")
    check_number(f"{where}, frame period", budget.frame_period_ms, 0, MAX_PERIOD_MS, unit="ms")
    check_text(f"{where}, note", budget.note)


def _greatest_bound(metric: str) -> float:
    """The greatest bound that says anything: shares run to 1, percents of the span to 100, all others as far
    as lengths.
    """
    return 1.0 if metric.endswith("_share") else 100.0 if metric.endswith("_pct_span") else MAX_MM


def check_limits(limits: Limits) -> None:
    check_name("limits", limits.name)
    where = f"limits {limits.name}"
    if not limits.rows:
        raise InputError(where, "no rows", "at least one, such as 'rmse_mm<=2'")
    for row in limits.rows:
        if row.metric not in METRICS:
            raise InputError(f"{where}, metric", row.metric, "one of " + ", ".join(METRICS))
        check_name(f"{where}: condition", row.condition)
        check_number(f"{where}, bound of {row.metric}", row.bound, 0, _greatest_bound(row.metric))
        if row.confidence is not None and not 0 < row.confidence < 1:
            raise InputError(
                f"{where}, confidence of {row.metric}", f"{row.confidence:g}", "more than 0 and less than 1"
            )
        check_number(f"{where}, fewest groups for {row.metric}", row.min_groups, 1, 10**6)
        if row.or_mm is not None:
            if not row.metric.endswith("_pct_span"):
                raise InputError(
                    f"{where}, {row.metric}",
                    f"or {row.or_mm:g} mm",
                    "millimetres beside a percentage of the span only, such as p95_pct_span",
                )
            check_number(f"{where}, millimetres of {row.metric}", row.or_mm, 0, MAX_MM, unit="mm")
    (metric, condition), times = Counter((r.metric, r.condition) for r in limits.rows).most_common(1)[0]
    if times > 1:
        raise InputError(
            where, f"{times} rows bound {metric} under '{condition}'", "one row for each metric and condition"
        )
    check_text(f"{where}, note", limits.note)
    if limits.signer is not None:
        if not limits.signer.strip() or "\n" in limits.signer:
            raise InputError(
                f"{where}, signer", quoted(limits.signer), "the name of the person who signs, on one line"
            )
        check_text(f"{where}, signer", limits.signer)


def check_mapping(mapping: ColumnMapping) -> None:
    check_name("mapping", mapping.name)
    where = f"mapping {mapping.name}"
    if not mapping.counts:
        hint = "name them with ColumnMapping.counts, in channel order"
        raise InputError(where, "no count column", "at least one", hint, fields=("ColumnMapping.counts",))
    labels = [column for column in (mapping.level, mapping.mass, mapping.poured) if column is not None]
    if len(labels) > 1:
        raise InputError(
            where, "columns " + ", ".join(labels) + " for the label", "one of level, mass and poured volume"
        )
    columns = mapping.columns
    for column in columns:
        check_text(f"{where}, column {column!r}", column)
    column, times = Counter(columns).most_common(1)[0]
    if times > 1:
        raise InputError(where, f"column {column!r} is named {times} times", "each column once")
    if mapping.delimiter is not None and len(mapping.delimiter) != 1:
        raise InputError(f"{where}, delimiter", repr(mapping.delimiter), "a single character")
    for column in mapping.ignore:
        check_text(f"{where}, column {column!r}", column)
        if column in columns:
            raise InputError(where, f"column {column!r} is used and ignored", "one or the other")
    if mapping.encoding is not None:
        check_encoding(f"{where}, encoding", mapping.encoding)
    check_number(f"{where}, level uncertainty", mapping.level_u_mm, 0, MAX_MM, unit="mm")


def check_session(new: NewSession) -> None:
    """Frames that fit the sensor, and marks that fit the frames and the tank. Of frames that only a document
    tells of (:class:`dataset.stated_frames.StatedFrames`) only that they have a count each pad.
    """
    where = f"session from {new.source.file}"
    check_text(f"{where}, note", new.note)
    check_occasion(where, new.occasion)
    _check_frames(where, new)
    check_marks(where, new.marks, len(new.frames), new.mounting.tank.span_mm)
    check_stretches(where, new.stretches, len(new.frames), new.mounting.tank.span_mm)


def check_occasion(where: str, occasion: Occasion) -> None:
    """A start that is an instant, and a firmware that can stand on a line."""
    check_instant(f"{where}, start", occasion.started)
    if occasion.firmware is not None:
        check_text(f"{where}, firmware of the board", occasion.firmware)
        if not occasion.firmware.strip() or len(occasion.firmware) > MOST_FIRMWARE:
            raise InputError(
                f"{where}, firmware of the board",
                quoted(occasion.firmware),
                f"1 to {MOST_FIRMWARE} characters, such as a revision",
            )


def check_operator(operator: Operator) -> None:
    """A short code, and a note."""
    check_name("operator", operator.name)
    if len(operator.name) > MOST_CODE:
        raise InputError("operator", quoted(operator.name), f"a short code of at most {MOST_CODE} characters")
    check_text(f"operator {operator.name}, note", operator.note)


def check_marks(where: str, marks: Sequence[Mark], frames: int, span_mm: float) -> None:
    """Marks in order, apart, within the session's ``frames`` and the tank's span."""
    end = 0
    for mark in marks:
        if not (end <= mark.start < mark.stop <= frames):
            raise InputError(
                where,
                f"a mark over frames {mark.start} to {mark.stop}",
                f"marks in order, apart, within 0 to {frames}",
            )
        end = mark.stop
        _check_mark(where, mark, span_mm)


def _check_mark(where: str, mark: Mark, span_mm: float) -> None:
    check_number(
        f"{where}, level of frame {mark.start}", mark.level_mm, 0, span_mm, unit="mm, the tank's span"
    )
    check_number(
        f"{where}, level at the end of the ramp from frame {mark.start}",
        mark.level_stop_mm,
        0,
        span_mm,
        unit="mm, the tank's span",
    )
    check_number(f"{where}, uncertainty of the level of frame {mark.start}", mark.u_mm, 0, MAX_MM, unit="mm")
    check_number(
        f"{where}, common uncertainty of the level of frame {mark.start}",
        mark.u_common_mm,
        0,
        MAX_MM,
        unit="mm",
    )
    check_text(f"{where}, method of the mark from frame {mark.start}", mark.method or "")


def _check_frames(where: str, new: NewSession) -> None:
    frames, sensor = new.frames, new.mounting.sensor
    n = len(frames)
    if n == 0:
        raise InputError(where, "no frames", "at least one")
    if isinstance(frames, StatedFrames):
        _check_shape(where, (n, frames.channels), n, sensor)
        return
    highest = 0
    for part in parts_of(frames):
        _check_part(where, part, sensor)
        highest = max(highest, int(part.counts.max()))
    if highest >> sensor.count_bits:
        raise InputError(
            where,
            f"a count of {highest}",
            f"at most {(1 << sensor.count_bits) - 1} ({sensor.count_bits} bits)",
        )
    steps = steps_of(frames)
    if steps is not None:
        if steps.least_ms <= 0:
            raise InputError(
                where,
                f"time does not rise at frame {int(np.argmax(np.diff(frames.t_ms) <= 0)) + 1}",
                "each frame later than the one before",
            )
        check_period(where, sensor, steps.median_ms)


def _check_part(where: str, part: Frames, sensor: Sensor) -> None:
    n = len(part)
    _check_shape(where, part.counts.shape, n, sensor)
    if part.temperature_c is not None and (
        part.temperature_c.shape != (n,) or np.isinf(part.temperature_c).any()
    ):
        raise InputError(
            where,
            "temperatures that are infinite or not one a frame",
            f"{n} temperatures, NaN where not measured",
        )


def _check_shape(where: str, shape: tuple[int, ...], n: int, sensor: Sensor) -> None:
    if shape != (n, sensor.channels):
        raise InputError(
            where,
            f"counts of shape {shape}",
            f"({n}, {sensor.channels}): a frame each time, a count each pad",
        )


def check_period(where: str, sensor: Sensor, measured_ms: float) -> None:
    """The median time between frames must lie within the sensor's tolerance."""
    if abs(measured_ms - sensor.period_ms) * 100 > sensor.period_ms * sensor.period_tolerance_pct:
        declared = (
            f"{sensor.period_ms} ms within {sensor.period_tolerance_pct} %, as sensor {sensor.ref} declares"
        )
        hint = "check the time column and its unit, or add a sensor revision with the period that is meant"
        raise InputError(where, f"a median frame period of {measured_ms:g} ms", declared, hint)
