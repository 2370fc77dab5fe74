"""The program of an array model: trimming, features, the level net, the watcher, and the table of what is
given when.

| what | level given | counts as accepted |
|---|---|---|
| foam, film | yes, unless doubted | yes |
| doubted, or no pad bears the level out | no: withheld | no |
| out of range (a pad or a pattern unlike any capture), sensor fault | no: withheld | no |
| no pad wet | 0, as empty | yes |
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from training.models.features import MEAN_SHIFT, Features, emit_features, without_pour
from training.models.nets import IntNet, emit_net
from training.models.operating import Operating
from training.models.recipes import Band, Hardware
from training.models.trimming import Trimming, gate_range, kind_names, trim_range
from training.models.watch import ONE
from training.program import (
    FAULT,
    FLAG_BITS,
    LEVEL_UNITS_PER_MM,
    NO_LEVEL,
    RANGE,
    STRANGE,
    Builder,
    Program,
    running_range,
)

SCALE = f"1/{LEVEL_UNITS_PER_MM} mm"
SCORE_LOW, SCORE_HIGH = -ONE, 4 * ONE
FLAG_TABLE = {
    "foam": "level given, accepted unless doubted",
    "film": "level given, accepted unless doubted",
    "out_of_range": "withheld",
    "sensor_fault": "withheld",
}


@dataclass(frozen=True)
class Parts:
    """What an array model is made of. ``foam``: a level net for foam, of features of its own, whose level
    counts by the score of foam; None where one net serves for all. ``error`` and ``condition`` are the
    watcher's nets.
    ``patience``: the doubt is averaged over about eight frames. ``longest_pour_s``: what is told of pours
    counts so long ago at most, 0 where nothing is told; the condition net alone reads it.
    """

    trimming: Trimming
    level_groups: tuple[str, ...]
    watch_groups: tuple[str, ...]
    level: IntNet
    foam: IntNet | None
    error: IntNet
    condition: IntNet
    patience: bool
    foam_groups: tuple[str, ...] = ()
    longest_pour_s: int = 0


def assemble(
    name: str, hardware: Hardware, parts: Parts, at: Operating, band: Band | None, notes: dict[str, str]
) -> Program:
    """The analysed program. Raises ProgramError where something could overflow."""
    builder = _builder(name, hardware, parts, notes)
    given = emit_features(
        builder, parts.trimming, tuple(dict.fromkeys((*parts.level_groups, *parts.watch_groups)))
    )
    level_features = given.joined(builder, parts.level_groups)

    def features_of(groups: tuple[str, ...]) -> str:
        return level_features if groups == parts.level_groups else given.joined(builder, groups)

    watched = features_of(without_pour(parts.watch_groups))
    raw = emit_net(builder, level_features, parts.level, "level_raw", SCALE)
    told = builder.node("concat", watched, given.groups["pour"]) if parts.longest_pour_s else watched
    scores = _emit_scores(builder, (watched, told), parts)
    zero, one = builder.const(0), builder.const(1)

    def above(score: str, threshold: int, name: str = "") -> str:
        return builder.node("greater", score, builder.const(threshold), name=name)

    fault = builder.node("greater", "faults", zero, name="sensor_fault")
    outside = _emit_outside(builder, given.shares, at)
    dry = builder.node("greater", builder.const(at.empty_below), given.wettest, name="is_dry")
    raised = {k: above(scores[k], t) for k, t in (("foam", at.foam_above), ("film", at.film_above))}
    level = builder.node("clip", raw, scale=SCALE, low=0, high=hardware.span)
    if parts.foam is not None:
        level = _emit_mixed(
            builder,
            level,
            emit_net(builder, features_of(parts.foam_groups), parts.foam, "level_foam", SCALE),
            scores["foam"],
            hardware,
        )
    most = _emit_most_doubt(builder, raised, at)
    strange = builder.node("where", dry, zero, above(scores["strange"], at.strange_above), name="is_strange")
    doubted = builder.node(
        "max", builder.node("greater", scores["doubt"], most), _emit_not_borne_out(builder, level, given, at)
    )
    doubted = builder.node("where", dry, zero, doubted, name="is_doubted")
    out_of_range = builder.node("max", outside, strange, name="out_of_range")
    withheld = builder.node("max", builder.node("max", out_of_range, fault), doubted, name="is_withheld")
    reason = builder.node("where", strange, builder.const(STRANGE), doubted)
    reason = builder.node("where", outside, builder.const(RANGE), reason)
    reason = builder.node("where", fault, builder.const(FAULT), reason, name="reason")
    wet = builder.node("sub", one, dry)
    foam, film = (builder.node("mul", flag, wet) for flag in raised.values())
    flags = _emit_flags(builder, foam, film, out_of_range, fault)
    level = builder.node("where", dry, zero, level)
    low, high = _emit_band(builder, level, builder.node("max", foam, film), withheld, hardware, band)
    return builder.finish(
        low=low,
        level=builder.node("where", withheld, builder.const(NO_LEVEL), level, name="level"),
        high=high,
        validity=builder.node("where", withheld, zero, builder.node("add", one, dry), name="validity"),
        flags=flags,
        reason=reason,
    )


def _builder(name: str, hardware: Hardware, parts: Parts, notes: dict[str, str]) -> Builder:
    return Builder(
        name,
        hardware.count_bits,
        hardware.channels,
        hardware.period_ms,
        hardware.span,
        hardware.period_tolerance_pct,
        trim_range=trim_range(parts.trimming),
        notes=notes,
        trim_kinds=kind_names(parts.trimming),
        swing=gate_range(parts.trimming),
        longest_pour_s=parts.longest_pour_s,
    )


def _emit_most_doubt(builder: Builder, raised: Mapping[str, str], at: Operating) -> str:
    """The doubt above which a reading is withheld, by what is flagged."""
    most = builder.node(
        "where", raised["film"], builder.const(at.doubt_above_film), builder.const(at.doubt_above)
    )
    return builder.node("where", raised["foam"], builder.const(at.doubt_above_foam), most)


def _emit_not_borne_out(builder: Builder, level: str, given: Features, at: Operating) -> str:
    """1 for a level that would be a false wet in an empty tank, where no pad is as wet as liquid makes it."""
    high = builder.node("greater", level, builder.const(at.wet_level))
    return builder.node("mul", high, builder.node("greater", builder.const(at.wet_least), given.wettest))


def _emit_flags(builder: Builder, foam: str, film: str, out_of_range: str, fault: str) -> str:
    return builder.node(
        "dense",
        builder.node("concat", foam, film, out_of_range, fault),
        name="flags",
        weights=(tuple(FLAG_BITS[k] for k in ("foam", "film", "out_of_range", "sensor_fault")),),
        bias=(0,),
    )


def _emit_mixed(builder: Builder, plain: str, raw_foam: str, score: str, hardware: Hardware) -> str:
    """The mean of both levels, weighted by the foam score; a choice between them would leap where the score
    is unsure.
    """
    foam = builder.node("clip", raw_foam, scale=SCALE, low=0, high=hardware.span)
    share = builder.node("clip", score, low=0, high=ONE)
    apart = builder.node("mul", builder.node("sub", foam, plain), share)
    mixed = builder.node("add", plain, builder.node("shift", apart, shift=ONE.bit_length() - 1))
    return builder.node("clip", mixed, scale=SCALE, low=0, high=hardware.span)


def _emit_scores(builder: Builder, watched: tuple[str, str], parts: Parts) -> dict[str, str]:
    """``watched``: the features of the error net and those of the condition net."""
    scores: dict[str, str] = {}
    for net, features, title, names in (
        (parts.error, watched[0], "error", ("doubt_now" if parts.patience else "doubt", "strange")),
        (parts.condition, watched[1], "condition", ("foam", "film")),
    ):
        outputs = emit_net(builder, features, net, title, f"1/{ONE}")
        outputs = builder.node("clip", outputs, low=SCORE_LOW, high=SCORE_HIGH)
        scores |= {
            name: builder.node("take", outputs, name=name, indices=(k,)) for k, name in enumerate(names)
        }
    if parts.patience:
        scores["doubt"] = _emit_patience(builder, scores["doubt_now"])
    return scores


def _emit_patience(builder: Builder, doubt: str) -> str:
    """A running mean that starts at the first doubt; what the features call 'started' is shared where it is
    there.
    """
    low, high = running_range(SCORE_LOW, SCORE_HIGH, MEAN_SHIFT)
    seen = builder.state("doubt_seen", (0,), (0,), (1,))
    builder.renew("doubt_seen", builder.const(1))
    total = builder.state("doubt_sum", (0,), (low,), (high,))
    renewed = builder.node("running", doubt, total, shift=MEAN_SHIFT)
    renewed = builder.node("where", seen, renewed, builder.node("mul", doubt, builder.const(1 << MEAN_SHIFT)))
    builder.renew("doubt_sum", renewed)
    return builder.node("shift", renewed, name="doubt", shift=MEAN_SHIFT)


def _emit_outside(builder: Builder, shares: str, at: Operating) -> str:
    """1 when a pad lies below or above what pads may show."""
    inside = builder.node("clip", shares, low=at.share_low, high=at.share_high)
    excess = builder.node("abs", builder.node("sub", shares, inside))
    worst = builder.node("reduce_max", excess) if builder.channels > 1 else excess
    return builder.node("greater", worst, builder.const(0), name="is_outside")


def _emit_band(
    builder: Builder, level: str, flagged: str, withheld: str, hardware: Hardware, band: Band | None
) -> tuple[str, str]:
    zero, full = builder.const(0), builder.const(hardware.span)
    if band is None:
        return zero, builder.node("add", full, zero, name="high")
    below = builder.node("where", flagged, builder.const(band.below_flagged), builder.const(band.below))
    above = builder.node("where", flagged, builder.const(band.above_flagged), builder.const(band.above))
    low = builder.node("clip", builder.node("sub", level, below), low=0, high=hardware.span)
    high = builder.node("clip", builder.node("add", level, above), low=0, high=hardware.span)
    return builder.node("where", withheld, zero, low, name="low"), builder.node(
        "where", withheld, full, high, name="high"
    )
