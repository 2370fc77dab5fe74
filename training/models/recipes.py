"""A recipe fitted: conditioning, float pipeline and the program made from both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sklearn.pipeline import Pipeline

from dataset.records import CountLaw
from training.models.conditioning import (
    Conditioner,
    Conditioning,
    conditioning,
    emit_conditioning,
    trained_range,
)
from training.models.families import FAMILIES, FamilyTask
from training.program import FAULT, FLAG_BITS, LEVEL_UNITS_PER_MM, NO_LEVEL, RANGE, Builder, Program
from training.rows import Floats, Ints, Rows


@dataclass(frozen=True)
class Hardware:
    """What a program must know of sensor and tank; times in ms, ``span_mm`` the tank's span."""

    count_bits: int
    channels: int
    count_law: CountLaw
    period_ms: int
    period_tolerance_pct: int
    span_mm: float

    @property
    def span(self) -> int:
        """The span in level units."""
        return round(self.span_mm * LEVEL_UNITS_PER_MM)


@dataclass(frozen=True)
class Band:
    """Half widths of the band in level units, below and above the level: where nothing is flagged, and under
    foam or film.
    """

    below: int
    above: int
    below_flagged: int
    above_flagged: int


@dataclass(frozen=True)
class Recipe:
    """A family at one size, with weights of ``bits`` bits."""

    family: str
    size: int
    bits: int


@dataclass(frozen=True)
class Fitted:
    """A float model: ``pipeline`` goes from counts (n, channels) to levels in mm (n,)."""

    family: str
    size: int
    conditioning: Conditioning
    pipeline: Pipeline

    def levels(self, counts: Ints) -> Floats:
        """Levels in mm of the float pipeline, shape (n,)."""
        result: Floats = self.pipeline.predict(counts)
        return result


def fit_sizes(
    family: str, sizes: Sequence[int], rows: Rows, hardware: Hardware, seed: int
) -> Mapping[int, Fitted]:
    """Fit a family at several sizes to the same frames."""
    chosen = FAMILIES[family]
    low, high = trained_range(rows, (1 << hardware.count_bits) - 1)
    condition = conditioning(hardware.count_law if chosen.uses_law else None, low, high)
    features = condition.floats(rows.counts)
    models = chosen.fit(FamilyTask(rows, features, condition, hardware.span_mm, seed), sizes)
    fitted = {}
    for size, model in models.items():
        pipeline = Pipeline(
            [("conditioner", Conditioner(condition).fit(rows.counts)), ("model", model.fit(features))]
        )
        fitted[size] = Fitted(family, size, condition, pipeline)
    return fitted


def quantise(fitted: Fitted, bits: int, hardware: Hardware, name: str, band: Band | None = None) -> Program:
    """The program of a fitted model. ProgramError when its weights cannot be had in ``bits`` bits without
    overflow.

    A frame with a count outside the trained range, or with any fault bit, is withheld: low 0, level -1, high
    = span. Without a ``band`` low and high are always these: a band that isn't shown isn't claimed. With one
    its widths for what is not flagged count, since few pads flag neither foam nor film.
    """
    builder = Builder(
        name,
        hardware.count_bits,
        hardware.channels,
        hardware.period_ms,
        hardware.span,
        hardware.period_tolerance_pct,
        notes={"family": fitted.family, "size": str(fitted.size), "bits": str(bits)},
    )
    given = emit_conditioning(builder, fitted.conditioning)
    raw = FAMILIES[fitted.family].emit(builder, given.features, fitted.pipeline.named_steps["model"], bits)
    level = builder.node("clip", raw, scale=f"1/{LEVEL_UNITS_PER_MM} mm", low=0, high=hardware.span)
    zero = builder.const(0)
    fault = builder.node("greater", "faults", zero, name="sensor_fault")
    withheld = builder.node("max", given.out_of_range, fault, name="is_withheld")
    flags = builder.node(
        "dense",
        builder.node("concat", given.out_of_range, fault),
        name="flags",
        weights=((FLAG_BITS["out_of_range"], FLAG_BITS["sensor_fault"]),),
        bias=(0,),
    )
    outside = builder.node("where", given.out_of_range, builder.const(RANGE), zero)
    reason = builder.node("where", fault, builder.const(FAULT), outside, name="reason")
    shown = builder.node("where", withheld, builder.const(NO_LEVEL), level, name="level")
    if band is None:
        low, high = zero, builder.const(hardware.span, name="high")
    else:
        low, high = _emit_band(builder, level, withheld, band)
    return builder.finish(
        low=low,
        level=shown,
        high=high,
        validity=builder.node("sub", builder.const(1), withheld, name="validity"),
        flags=flags,
        reason=reason,
    )


def _emit_band(builder: Builder, level: str, withheld: str, band: Band) -> tuple[str, str]:
    """Low and high of a reading; 0 and full where it is withheld."""
    zero, full = builder.const(0), builder.const(builder.span)
    below = builder.node("sub", level, builder.const(band.below))
    above = builder.node("add", level, builder.const(band.above))
    low, high = (builder.node("clip", end, low=0, high=builder.span) for end in (below, above))
    return (
        builder.node("where", withheld, zero, low, name="low"),
        builder.node("where", withheld, full, high, name="high"),
    )
