"""Training: a frozen set in, a program, its float twin and its figures out. Same input, same bytes."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from dataset.errors import InputError
from dataset.records import Budget, CountLaw, FrozenData, GroupBy, Limits, Role
from training.costs import CostModel
from training.judging.answers import answer
from training.judging.scoring import beyond, by_group, by_level, score
from training.models.families import FAMILIES
from training.models.float_pipelines import emit_float_onnx, float_onnx_difference
from training.models.recipes import Hardware, Recipe, fit_sizes, quantise
from training.program import LEVEL_UNITS_PER_MM, Program
from training.rows import Mask, Rows, rows_of, seen_in_prove_bands
from training.search.arrays import train_array
from training.search.band import NOT_DRAWN
from training.search.candidates import ARRAY_CHANNELS
from training.search.few_pads import Candidate, Progress, answers_of, measured, pick, search

_LIBRARIES = ("innage", "numpy", "scipy", "scikit-learn", "onnx", "skl2onnx")
BAND_GROUPS = 9  # split conformal: a 90 % band needs 9 calibrate groups


@dataclass(frozen=True)
class Trained:
    """A chosen model: what the chip computes, the float pipeline it came from, and JSON-ready facts."""

    program: Program
    float_onnx: bytes
    recipe: dict[str, Any]
    versions: dict[str, str]
    metrics: dict[str, Any]


def train(
    data: FrozenData,
    *,
    name: str,
    limits: Limits | None,
    budget: Budget | None,
    cost: CostModel | None,
    seed: int,
    families: Sequence[str] | None = None,
    trim: str | None = None,
    progress: Progress | None = None,
) -> Trained:
    """Search the families, pick the smallest model that meets the limits and fits the budget, and score it
    once on 'prove'.

    Four channels or more are a pad array: its search is that of ``array_train``, with ``trim`` naming the
    trim to train for. Otherwise, or where families are named, ``families`` are tried (None means all),
    without trims. ``progress`` is called with (what, done, total). Raises InputError for void sessions, mixed
    sensors, too few groups, unknown families, or counts that run against the sensor's count law.
    """
    chosen_families = _checked_families(families)
    hardware = hardware_of(data)
    _check(data, hardware)
    say: Progress = progress or (lambda what, done, total: None)
    if hardware.channels >= ARRAY_CHANNELS and families is None:
        with threadpool_limits(limits=1):
            found = train_array(data, hardware, name, limits, budget, cost, seed, notes_of(data), say, trim)
        return Trained(found.program, found.float_onnx, found.recipe, versions(), found.metrics)
    with threadpool_limits(limits=1):
        candidates, how = search(data, hardware, name, chosen_families, seed, limits, say)
        candidates = measured(candidates, budget, cost, say)
        chosen, why = pick(candidates, limits)
        assert chosen.program is not None
        program = replace(chosen.program, notes=dict(chosen.program.notes) | notes_of(data))
        chosen = replace(chosen, program=program)
        say("scoring", 1, 1)
        prove = _prove(chosen, data)
        random_rows = None if prove is None else _random_rows(chosen.recipe, data, hardware, seed)
        float_onnx = emit_float_onnx(chosen.fitted.pipeline, hardware.channels, name)
        difference = float_onnx_difference(float_onnx, chosen.fitted.pipeline, data.counts)
    metrics = {
        "chosen": chosen.summary(),
        "candidates": [c.summary() for c in candidates],
        "choose_how": how,
        "why": why,
        "prove": prove,
        "random_rows": random_rows,
        "limits": answer(limits, prove),
        "band": _band(data),
        "budget": None if budget is None or cost is None else {"name": budget.name, "within": chosen.within},
        "float_onnx_max_diff_mm": difference,
        "fit": _fit_facts(data),
        **seen_in_prove_bands(data),
    }
    return Trained(
        program, float_onnx, _recipe(chosen, chosen_families, data, hardware, seed), versions(), metrics
    )


def notes_of(data: FrozenData) -> dict[str, str]:
    """What the program was made from, in words that travel with every export."""
    mountings = [s.mounting for s in data.frozen.sessions]

    def names(found: Iterable[str]) -> str:
        return ", ".join(sorted(set(found)))

    return {
        "frozen set": f"{data.frozen.name} {data.frozen.sha256[:12]}",
        **({} if data.frozen.origin == "measured" else {"readings": data.frozen.origin}),
        "liquid": names(s.liquid.name for s in data.frozen.sessions),
        "mounting": names(f"{m.name}, offset {m.offset_mm:g} mm" for m in mountings),
        "sensor": names(m.sensor.ref for m in mountings),
        "tank": names(f"{m.tank.ref}, span {m.tank.span_mm:g} mm" for m in mountings),
    }


def _checked_families(families: Sequence[str] | None) -> tuple[str, ...]:
    wanted = tuple(FAMILIES) if not families else tuple(dict.fromkeys(families))
    for family in wanted:
        if family not in FAMILIES:
            raise InputError("family", f"'{family}'", "one of " + ", ".join(FAMILIES))
    return wanted


def hardware_of(data: FrozenData) -> Hardware:
    """Sensor and tank of the frozen set; sessions of different sensors cannot be trained together."""
    sensors = {s.mounting.sensor for s in data.frozen.sessions}
    if len(sensors) != 1:
        names = ", ".join(sorted(s.ref for s in sensors))
        raise InputError(
            f"frozen set '{data.frozen.name}'",
            f"sensors {names or 'none'}",
            "sessions of one sensor revision",
        )
    (sensor,) = sensors
    span = max(s.mounting.tank.span_mm for s in data.frozen.sessions)
    return Hardware(
        sensor.count_bits,
        sensor.channels,
        sensor.count_law,
        sensor.period_ms,
        sensor.period_tolerance_pct,
        span,
    )


def _check(data: FrozenData, hardware: Hardware) -> None:
    where = f"frozen set '{data.frozen.name}'"
    void = [s.id for s in data.frozen.sessions if s.void_reason is not None]
    if void:
        raise InputError(
            where,
            f"void sessions {', '.join(void)}",
            "sessions that are not void",
            "freeze a set without them",
        )
    fit = data.rows(Role.FIT)
    if not fit.any():
        raise InputError(where, "no frames in 'fit' groups", "labelled frames to fit on")
    rows = rows_of(data, fit)
    low, high = rows.label_range
    if high <= low:
        raise InputError(where, f"all 'fit' labels at {low:g} mm", "at least two levels")
    _check_law(where, rows, hardware)


def _check_law(where: str, rows: Rows, hardware: Hardware) -> None:
    """The channel that follows the level best must follow it in the direction that the count law says."""
    spread = rows.counts.std(axis=0)
    if not spread.any():
        raise InputError(
            where, "counts that never change", "counts that follow the level", "check the channels"
        )
    level = rows.level_mm - rows.level_mm.mean()
    moves = (rows.counts - rows.counts.mean(axis=0)).T @ level / np.where(spread > 0, spread, np.inf)
    channel = int(np.argmax(np.abs(moves)))
    rising = bool(moves[channel] > 0)
    if rising != (hardware.count_law is CountLaw.RISES):
        found = f"counts of channel {channel} that {'rise' if rising else 'fall'} with the level"
        raise InputError(
            where,
            found,
            f"the sensor's count law '{hardware.count_law}'",
            "give the sensor a new revision with the right count law",
        )


def _prove(chosen: Candidate, data: FrozenData) -> dict[str, Any] | None:
    rows = data.rows(Role.PROVE)
    if not rows.any() or chosen.program is None:
        return None
    its = answers_of(
        chosen.fitted, chosen.program, data, rows, rows_of(data, data.rows(Role.FIT)).label_range
    )
    names = {k: group for k, (group, _) in enumerate(data.frozen.roles)}
    used = its.inside & its.accepted
    levels = by_level(
        its.label_mm[used],
        (its.level_mm - its.label_mm)[used],
        data.u_mm[rows][used],
        chosen.program.span / LEVEL_UNITS_PER_MM,
    )
    return {
        "integer": score(its, its.level_mm),
        "float": score(its, its.float_mm),
        "by_group": by_group(its, names),
        "by_level": levels,
        "beyond": beyond(its),
    }


def _random_rows(recipe: Recipe, data: FrozenData, hardware: Hardware, seed: int) -> dict[str, Any]:
    """The same recipe after a split by row, which lets frames of one group stand on both sides: how much too
    good it looks.
    """
    fit, used = data.rows(Role.FIT), data.rows(Role.FIT) | data.rows(Role.CHOOSE) | data.rows(Role.PROVE)
    low, high = rows_of(data, fit).label_range
    used &= (data.level_mm >= low) & (data.level_mm <= high)
    index = _canonical(data, used)
    share = (fit & used).sum() / used.sum()
    picked = np.random.default_rng(seed).permutation(index)[: max(round(share * len(index)), 2)]
    train_rows: Mask = np.zeros(len(used), dtype=np.bool_)
    train_rows[picked] = True
    rows = rows_of(data, train_rows)
    fitted = fit_sizes(recipe.family, [recipe.size], rows, hardware, seed)[recipe.size]
    program = quantise(fitted, recipe.bits, hardware, "random_rows")
    its = answers_of(fitted, program, data, used & ~train_rows, rows.label_range)
    meaning = (
        "frames split at random, groups on both sides: not a claim, only how much too good such a split looks"
    )
    return {
        "integer": score(its, its.level_mm),
        "float": score(its, its.float_mm),
        "fit_share": float(f"{share:.6g}"),
        "meaning": meaning,
    }


def _canonical(data: FrozenData, used: Mask) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Indices of the used frames, sorted by content rather than by place, so that storage order draws no
    lots.
    """
    at = np.flatnonzero(used)
    order = np.lexsort((*data.counts[at].T[::-1], data.t_ms[at], data.level_mm[at], data.group[at]))
    return np.asarray(at[order], dtype=np.int64)


def _band(data: FrozenData) -> dict[str, Any]:
    if data.frozen.group_by is GroupBy.TEMPERATURE:
        return {"given": False, "reason": NOT_DRAWN}
    groups = len(data.frozen.groups(Role.CALIBRATE))
    reason = (
        "bands are not built in this version"
        if groups >= BAND_GROUPS
        else f"a 90 % band needs 9 calibrate groups, there are {groups}"
    )
    return {"given": False, "reason": reason}


def _fit_facts(data: FrozenData) -> dict[str, Any]:
    fit = data.rows(Role.FIT)
    low, high = rows_of(data, fit).label_range
    return {
        "groups": len(np.unique(data.group[fit])),
        "frames": int(fit.sum()),
        "label_low_mm": low,
        "label_high_mm": high,
    }


def _recipe(
    chosen: Candidate, families: tuple[str, ...], data: FrozenData, hardware: Hardware, seed: int
) -> dict[str, Any]:
    its = chosen.fitted.conditioning
    return {
        **asdict(chosen.recipe),
        "families": list(families),
        "frozen": {"name": data.frozen.name, "sha256": data.frozen.sha256},
        "seed": seed,
        "board": {**asdict(hardware), "count_law": str(hardware.count_law)},
        "trained_range": {"low": list(its.low), "high": list(its.high)},
        "law": None if its.law is None else str(its.law),
    }


def versions() -> dict[str, str]:
    found: Mapping[str, str] = {library: version(library) for library in _LIBRARIES}
    return {"python": platform.python_version(), "machine": platform.machine(), **found}
