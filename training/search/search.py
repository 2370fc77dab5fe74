"""The search: candidates of every kind of model fitted and judged, the pick among all of them, the band, and
the figures on 'prove'.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from dataset.pools import Task
from dataset.records import GroupBy, Limits, Role
from training.judging.answers import answer_limits, meets_limits
from training.judging.band import NOT_DRAWN, SHARE, band_of, conformal, scores
from training.judging.figures import Figures, Prove, RandomRows
from training.judging.judged import judge
from training.judging.scoring import fewest_groups, tidy
from training.models.float_pipelines import emit_float_onnx, float_onnx_difference
from training.models.recipes import Band
from training.program import Program
from training.search.candidates import Candidate, Kind, Refused, smallest_first
from training.search.context import WORTH_WORKERS, SearchContext, for_sensor
from training.search.dealing import deal
from training.search.metrics import KeptBand, Metrics
from training.search.picking import against_next, measured, next_step, pick, sureness
from training.search.proving import cold_starts, fit_rows, proved
from training.search.result import SearchResult, seen_in_prove_bands

_LEANEST = "; none fits a firmware that uses more than init, prepare and step"
_MOST_COMPARED = 5000  # rows on which the float ONNX is held against its pipeline


def search(context: SearchContext, kinds: Sequence[Kind]) -> SearchResult:
    """Try every kind, pick, calibrate the band and score once on 'prove'."""
    context, candidates, how = tried(context, kinds)
    request = context.request
    candidates = measured(candidates, request)
    picked, why = pick(candidates, request.limits)
    next_best = against_next(candidates, picked, request.limits)
    request.progress("scoring", 0, 1)
    last = _scored(context, picked)
    program, prove, claims = last.program, last.prove, last.claims
    answers = answer_limits(request.limits, claims, None if prove is None else prove.beyond)
    metrics = Metrics(
        chosen=picked.summary(),
        candidates=tuple(candidate.summary() for candidate in candidates),
        choose_how=how,
        why=why + _LEANEST if picked.leanest else why,
        next_step=next_step(candidates, picked),
        against_next=next_best,
        prove=prove,
        claims=claims,
        random_rows=last.random_rows,
        limits=tuple(answers),
        band=last.band,
        budget=request.budget_kept(picked.within, picked.leanest),
        float_onnx_max_diff_mm=last.difference_mm,
        fit=fit_rows(context.data, context.fit),
        flag_table=picked.flag_table,
        trim=picked.trim,
        trim_gate=picked.trim_gate(context, program),
        origin=context.data.frozen.origin,
        seen_in_prove_bands=seen_in_prove_bands(context.data),
    )
    request.progress("scoring", 1, 1)
    return SearchResult(program, last.float_onnx, picked.kept_recipe(context), metrics)


def tried(
    context: SearchContext, kinds: Sequence[Kind]
) -> tuple[SearchContext, list[Candidate | Refused], str]:
    """The context of the fits that count, all candidates in order of estimated size, and how they were
    scored.
    """
    dealt = deal(context, in_turn=all(kind.in_turn for kind in kinds))
    limits = context.request.limits
    proving = len(np.unique(context.data.group[context.data.rows(Role.PROVE)]))
    candidates = [_against(candidate, limits, proving) for kind in kinds for candidate in kind.tried(dealt)]
    notes = dict.fromkeys(kind.note for kind in kinds)
    return dealt.context, sorted(candidates, key=smallest_first), dealt.how + "".join(notes)


def _against(candidate: Candidate | Refused, limits: Limits | None, proving: int) -> Candidate | Refused:
    """The candidate with whether it is within the limits, and how sure it is that so many groups to prove
    are; what can't be had is within none.
    """
    if isinstance(candidate, Refused):
        return replace(candidate, meets=None if limits is None else False)
    meets, sure = meets_limits(limits, candidate.cautious), sureness(candidate, limits, proving)
    return replace(candidate, meets=meets, sure=sure)


@dataclass(frozen=True)
class _Scored:
    """The program with its band, and what is said of it; the float model, and how far its bytes are from its
    pipeline at most, mm.
    """

    program: Program
    band: KeptBand
    prove: Prove | None
    claims: Figures | None
    random_rows: RandomRows | None
    float_onnx: bytes
    difference_mm: float


def _scored(context: SearchContext, picked: Candidate) -> _Scored:
    """The band and all that is said of the picked candidate, side by side: the split by row, which fits once
    more, and the float model wait for nothing, 'prove' and power-on for the program with its band.
    """
    proves, request = bool(context.data.rows(Role.PROVE).any()), context.request
    many = np.count_nonzero(context.fit) >= WORTH_WORKERS
    with (request.pool if many else request.pool.small()).begin() as begun:
        given = begun.share(context.for_workers()), begun.share(picked)
        if proves:
            begun.add(Task("split by row", _random_rows, given))
        begun.add(Task("float model", _float_onnx, given))
        band, kept_band = calibrated(context, picked)
        program = for_sensor(picked.written(context, band), context.data)
        if proves:
            begun.add(Task("prove", proved, (*given, program)))
            begun.add(Task("power-on", cold_starts, (*given, program)))
        said = dict(begun)
    prove, claims = said.get("prove", (None, None))
    if claims is not None:
        claims = replace(claims, power_on=said["power-on"])
    return _Scored(program, kept_band, prove, claims, said.get("split by row"), *said["float model"])


def _random_rows(context: SearchContext, picked: Candidate) -> RandomRows:
    return picked.random_rows(context)


def calibrated(context: SearchContext, picked: Candidate) -> tuple[Band | None, KeptBand]:
    """The band from the calibrate groups, and what is said of it."""
    data, rows, need = context.data, context.data.rows(Role.CALIBRATE), fewest_groups(SHARE)
    groups = len(np.unique(data.group[rows]))
    if data.frozen.group_by is GroupBy.TEMPERATURE:
        return None, KeptBand(False, NOT_DRAWN)
    if groups < need:
        return None, KeptBand(
            False, f"a {100 * SHARE:g} % band needs {need} calibrate groups, there are {groups}"
        )
    widths = picked.widths(context)
    values = scores(judge(picked.program, data, rows, picked.trims, context.span_mm), widths)
    scale = conformal(values)
    if scale is None:
        return None, KeptBand(
            False,
            f"only {len(values)} of {groups} calibrate groups have an accepted reading, a "
            f"{100 * SHARE:g} % band needs {need}",
        )
    band = band_of(widths, scale)
    meaning = (
        f"for {100 * SHARE:g} % of new groups, at least {100 * SHARE:g} % of the accepted readings "
        "have the true level inside"
    )
    return band, KeptBand(
        given=True,
        groups=groups,
        share=SHARE,
        meaning=meaning,
        units=asdict(band),
        scale=tidy(scale),
    )


def _float_onnx(context: SearchContext, picked: Candidate) -> tuple[bytes, float]:
    """The bytes of the float model, and how far they are from its pipeline at most, mm."""
    model = picked.float_model(context)
    some = np.flatnonzero(context.used)[:: max(int(context.used.sum()) // _MOST_COMPARED, 1)]
    inputs = model.inputs(some)
    float_onnx = emit_float_onnx(model.pipeline, inputs.shape[1], context.request.name)
    return float_onnx, float_onnx_difference(float_onnx, model.pipeline, inputs)
