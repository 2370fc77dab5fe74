"""The bundle's report: one HTML page that a person can read, with everything inside it and
nothing to load.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

from dataset.coverage.planning import rate_shown
from dataset.records import ID_DIGITS
from dataset.text.limits_text import condition_text
from dataset.values import natural
from dataset.words import LimitAnswer, ModelStatus
from export.cautions import uneven_tanks
from export.report.arrays import candidates_sections, claims_sections, front_figure, level_sections
from export.report.boards import boards_section
from export.report.broken_chain import broken_chain_section
from export.report.claim_tables import claim_sentence, yes_or_no
from export.report.costs import costs_section
from export.report.html import (
    NONE,
    badge,
    counted,
    folded,
    html_table,
    number,
    svg_figure,
    unbroken,
)
from export.report.html_page import caution_line, cautions, foot_of, heading, origin_said, page, shielded
from export.report.noticed import noticed_section
from export.report.plots import error_plot
from export.report.visits import visits_section
from training.judging.figures import AnsweredLimit, Beyond, Prove, RandomRows, Score
from training.search.kept_recipe import KeptRecipe
from training.search.metrics import CandidateRow, Metrics, read_metrics

Facts = Mapping[str, Any]
FEW_SESSIONS = 24  # more are summed up by unit, and listed on a click


def render_report(facts: Facts) -> str:
    """The page for the facts of a manifest (see ``manifest.describe``). What is missing among the metrics is
    left out, and no text of the facts becomes markup.
    """
    facts = shielded(facts)
    model, origin, metrics = facts["model"], _origin(facts), read_metrics(facts["metrics"])
    by_class = any(candidate.classes is not None for candidate in metrics.candidates)
    tried = candidates_sections(metrics, facts) if by_class else _candidates(metrics, facts)
    parts = [
        heading(model["name"], origin),
        f"<p class=sub>Integer level model {model['model_id']} &middot; {_model_sentence(facts)}</p>",
        *_made(facts),
        caution_line(origin),
        *_uneven(facts),
        *_status(facts),
        *_voided(facts),
        *_limits(metrics.limits, facts),
        *_judgement(metrics, facts),
        *costs_section(facts, metrics.chosen),
        *boards_section(facts),
        *visits_section(facts),
        *noticed_section(facts),
        *broken_chain_section(facts),
        *_inputs(facts),
        *tried,
        *_sources(facts),
        *(_use(facts) if "prefix" in facts else []),
        *cautions(facts["caution"], origin),
    ]
    title = f"{model['name']}: level model{f', {origin} readings' if origin else ''}"
    return page(title, parts, foot_of(model["name"], model["sha256"]))


def _made(facts: Facts) -> list[str]:
    """The model's hash, when and by whom its sessions were captured, and when it was trained, as far as the
    facts say so.
    """
    days = sorted(day[:10] for s in facts["sessions"] if (day := s.get("started")))
    captured = "" if not days else days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    by = f" by {escape(', '.join(people))}" if (people := facts.get("operators")) else ""
    limits = facts["limits"] or {}
    said = [
        f"Hash <code>{facts['model']['sha256'][:ID_DIGITS]}</code>",
        f"captured {escape(captured)}{by}" if captured or by else "",
        f"trained {escape(facts['date'])}" if facts.get("date") else "",
        f"limits signed by {escape(limits['signer'])}" if limits.get("signer") else "",
    ]
    return [f"<p class=sub>{' &middot; '.join(filter(None, said))}</p>"]


def _judgement(metrics: Metrics, facts: Facts) -> list[str]:
    """What was found on unseen groups, and how far it reaches. Models of few pads that an earlier version
    made have scores alone.
    """
    if metrics.claims is None and (metrics.prove is not None or not metrics.origin):
        said = _sentences([*_what_scores_show(metrics, facts), *_limits_of_claims(metrics, facts)])
        scores = _scores(metrics)
        return [*scores, *([f"<p>{said}</p>"] if scores else []), *_plot(metrics.prove)]
    scores = _scores(metrics)
    said = _sentences(_what_scores_show(metrics, facts))
    return [
        *scores,
        *([f"<p>{said}</p>"] if scores else []),
        *claims_sections(metrics),
        *_scope(metrics, facts),
    ]


def _origin(facts: Facts) -> str:
    return origin_said(str(facts.get("origin", "measured")))


def _model_sentence(facts: Facts) -> str:
    units = facts["units"]
    mounted = _unique(f"{s['tank']} with {s['sensor']} as {s['mounting']}" for s in facts["sessions"])
    return (
        f"{escape(', '.join(mounted))} &middot; span {number(units['span_mm'])} mm &middot; a frame "
        f"every {units['period_ms']} ms"
    )


def _uneven(facts: Facts) -> list[str]:
    """That the tanks differ in height, ahead of what is said of the model."""
    said = uneven_tanks(facts.get("uneven_spans_mm", {}))
    return [f"<p class=caution><strong>Overflow:</strong> {escape(said)}.</p>"] if said else []


def _status(facts: Facts) -> list[str]:
    """What the model is said to be, by whom and why; and what of limits and budget is out of use."""
    status, parts = facts.get("status"), list[str]()
    if status is not None:
        said = f"<strong>{escape(status['status']).capitalize()}</strong>, by {escape(status['author'])}: "
        kind = "caution" if status["status"] == ModelStatus.RETIRED else "sub"
        parts.append(f"<p class={kind}>{said}{escape(status['reason'])}</p>")
    remarks = "".join(f"<li>{escape(sentence)}</li>" for sentence in facts.get("remarks", ()))
    if remarks:
        parts.append(f"<div class=caution><strong>Out of use by now.</strong><ul>{remarks}</ul></div>")
    return parts


def _voided(facts: Facts) -> list[str]:
    void = [s for s in facts["sessions"] if s["void"]]
    if not void:
        return []
    items = "".join(f"<li>session {escape(s['id'])}: {escape(s['void'])}</li>" for s in void)
    return [
        (
            "<div class=caution><strong>Sessions behind this model were voided after it was "
            f"trained.</strong><ul>{items}</ul></div>"
        )
    ]


def _scores(metrics: Metrics) -> list[str]:
    """The prove scores, integer beside float, and the random-row figure beside them so that its optimism
    shows.
    """
    prove, random_rows = metrics.prove or Prove(), metrics.random_rows or RandomRows()
    columns = [("Integer (what the chip computes)", prove.integer), ("Float", prove.floats)]
    columns += [("Integer, split by row", random_rows.integer)]
    columns = [(title, scores) for title, scores in columns if scores != Score()]
    if not columns:
        return []
    rows = [
        (label, *(number(getattr(scores, key), percent=key.endswith("share")) for _, scores in columns))
        for key, label in _SCORES.items()
    ]
    rows = [row for row in rows if any(cell != NONE for cell in row[1:])]
    return [
        "<h2>Scores</h2>",
        html_table(("", *(title for title, _ in columns)), rows),
    ]


# of which none faulty bounds the rate by 0.05 at 95 %: 1 - 0.05^(1/n) <= 0.05 (Clopper and Pearson, as below)
_FOR_A_TWENTIETH = 59
_SCORES = {
    "rmse_mm": "RMS error, mm",
    "worst_group_rmse_mm": "RMS error of the worst group, mm",
    "p95_abs_mm": "95th percentile of |error|, mm",
    "withheld_share": "Readings withheld",
    "groups": "Independent groups",
    "frames": "Frames",
}


def _what_scores_show(metrics: Metrics, facts: Facts) -> list[str]:
    bound = _group_bound(metrics, facts)
    sentences = [f"The first columns are on groups that training and choosing did not see{bound}"]
    if metrics.random_rows is not None:
        sentences.append(
            "The column split by row is of frames drawn at random, whose neighbours were fitted on. So its "
            "error is too optimistic; don't quote it"
        )
    return sentences


def _scope(metrics: Metrics, facts: Facts) -> list[str]:
    """How far the figures reach."""
    return ["<h2>How far this reaches</h2>", f"<p>{_sentences(_limits_of_claims(metrics, facts))}</p>"]


def _group_bound(metrics: Metrics, facts: Facts) -> str:
    """What a group is, how many there were, and what none wrong among so many would show: the
    one-sided bound of Clopper and Pearson (Biometrika 26 (1934) 404), 1 - 0.05^(1/n).
    """
    groups = 0 if metrics.prove is None else metrics.prove.integer.groups or 0
    group_by = str(facts["frozen_set"]["group_by"])
    if claim := claim_sentence(group_by, metrics):
        return f": {counted(groups, 'temperature band')}. {claim}" if groups > 0 else f". {claim}"
    kind = f" (each one {escape(group_by)})"
    if groups <= 0:
        return kind
    return (
        f"{kind}: {groups} of them. {counted(groups, f'fault-free {escape(group_by)}')} only prove a rate of "
        f"faulty ones below {100 * rate_shown(groups):.3g} % (95 % confidence); {_FOR_A_TWENTIETH} are "
        "needed to prove 5 %"
    )


def _limits_of_claims(metrics: Metrics, facts: Facts) -> list[str]:
    """Openings of prove, how little was captured, the band, and levels beyond those of the fit."""
    sentences = []
    if metrics.openings is not None:
        sentences.append(
            f"The prove groups of this frozen set had been opened {counted(metrics.openings, 'time')}. Each "
            "opening wears them out a little"
        )
    seen = {what: _unique(s[what] for s in facts["sessions"]) for what in ("unit", "liquid", "tank")}
    few = ", ".join(counted(len(names), what) for what, names in seen.items())
    sentences.append(
        f"All of it rests on {counted(len(facts['sessions']), 'session')} of {few}. Nothing "
        "here speaks of other units, liquids or tanks"
    )
    band = metrics.band
    if band is not None and band.given:
        sentences.append(
            f"The band: {escape(band.meaning or '')}, from {number(band.groups)} calibrate groups"
        )
    elif band is not None:
        sentences.append(f"No error band is given: {escape(band.reason or 'no reason recorded')}")
    beyond = None if metrics.prove is None else metrics.prove.beyond
    if beyond is not None and beyond.frames:
        sentences.append(_beyond(beyond))
    return sentences


def _beyond(beyond: Beyond) -> str:
    """What became of frames outside the trained range."""
    frames = counted(beyond.frames, "test frame")
    lie = f"{frames} {'lies' if beyond.frames == 1 else 'lie'} outside the trained range"
    if beyond.accepted_share == 0:
        return f"{lie}; all were withheld, as they should be"
    return f"{lie}; {number(beyond.accepted_share, percent=True)} of them were accepted, and none should be"


def _sentences(sentences: Iterable[str]) -> str:
    return " ".join(f"{sentence.rstrip('.')}." for sentence in sentences)


def _plot(prove: Prove | None) -> list[str]:
    """By level; models of earlier versions have figures by group alone."""
    if prove is None:
        return []
    if prove.by_level:
        return level_sections(prove.by_level)
    points = []
    for group in prove.by_group:
        if group.rmse_mm is not None and group.bias_mm is not None:
            spread = math.sqrt(max(group.rmse_mm**2 - group.bias_mm**2, 0.0))
            points.append((group.level_mm, group.bias_mm, spread, group.group))
    if not points:
        return []
    caption = (
        "Error of the integer model on each prove group against its true level: mean, and one "
        "standard deviation to either side."
    )
    return ["<h2>Error against level</h2>", svg_figure(error_plot(points), caption)]


_NO_LIMITS = "nothing on this page says whether the figures are good enough"


def _limits(answers: Sequence[AnsweredLimit], facts: Facts) -> list[str]:
    if not answers:
        return [
            "<h2>Limits</h2>",
            f"<p>{_lacking(1, facts)} No limits were given: {_NO_LIMITS}.</p>",
        ]
    limits = facts["limits"] or {}
    open_rows = sum(a.answer == LimitAnswer.UNPROVEN for a in answers)
    name = f" ({escape(limits['name'])}@{limits['revision']})" if limits else ""
    rows = [
        (
            badge(a.answer),
            escape(a.metric),
            escape(condition_text(a.condition)),
            _bound(a),
            number(a.value),
            escape(a.reason),
        )
        for a in answers
    ]
    return [
        f"<h2>Limits{name}</h2>",
        html_table(("Answer", "Metric", "Condition", "At most", "Found", "Why"), rows, left=(0, 1, 2, 5)),
        *([f"<p>{_lacking(open_rows, facts)}</p>"] if open_rows else []),
    ]


def _lacking(rows: int, facts: Facts) -> str:
    """That there is not enough evidence, and that this was known where the model was exported."""
    of = f" for {counted(rows, 'limit')}" if facts["limits"] else ""
    return (
        f"<strong>Not enough evidence{of}{', exported all the same' if 'prefix' in facts else ''}.</strong>"
    )


def _bound(answer: AnsweredLimit) -> str:
    """A limit's bound; of a percentage with millimetres beside it both, of which the larger counts."""
    bound = number(answer.bound)
    return bound if answer.or_mm is None else f"{bound} or {number(answer.or_mm)} mm"


def _candidates(metrics: Metrics, facts: Facts) -> list[str]:
    """What the search tried: family, size, width of the numbers, error and cost, the chosen one marked."""
    rows, points, chosen = list[tuple[str, ...]](), list[tuple[float, float, str, bool]](), metrics.chosen
    for candidate in metrics.candidates:
        score, cost = candidate.choose.integer or Score(), candidate.cost
        name = f"{candidate.family} {candidate.size}"
        name += "" if candidate.bits is None else f", {candidate.bits} bits"
        bold = chosen is not None and _told_by(candidate) == _told_by(chosen)
        if cost is not None and score.rmse_mm is not None:
            points.append((cost.flash, score.rmse_mm, name, bold))
        rows.append(
            (
                unbroken(f"<strong>{escape(name)}</strong>" if bold else escape(name)),
                number(score.rmse_mm),
                number(score.worst_group_rmse_mm),
                number(candidate.departure_mm),
                number(None if cost is None else cost.flash),
                number(None if cost is None else cost.cycles),
                yes_or_no(candidate.meets) or NONE,
            )
        )
    if not rows:
        return []
    head = (
        "Family and size",
        "RMS error on the choose groups, mm",
        "Worst group, mm",
        "Quantisation error, mm",
        "Flash, B",
        "Cycles",
        "Meets the limits",
    )
    why = (
        f"<p>Chosen: {escape(metrics.why)}. Errors: {escape(metrics.choose_how)}.</p>" if metrics.why else ""
    )
    return ["<h2>What was tried</h2>", why, html_table(head, rows, left=(0, 6)), *front_figure(points, facts)]


def _told_by(candidate: CandidateRow) -> tuple[object, ...]:
    return candidate.family, candidate.size, candidate.bits


def _inputs(facts: Facts) -> list[str]:
    """The model's inputs in words; nothing for recipes of early versions, which don't say."""
    recipe = KeptRecipe.from_json(facts.get("recipe"))
    told = () if recipe is None else recipe.inputs_told()
    return ["<h2>Inputs</h2>", f"<p>{escape(_sentences(told))}</p>"] if told else []


def _sources(facts: Facts) -> list[str]:
    frozen = facts["frozen_set"]
    rows = [
        (
            unbroken(f"<code>{escape(s['id'])}</code>"),
            escape(s["unit"]),
            escape(s["liquid"]),
            escape(s["mounting"]),
            str(s["frames"]),
            escape(s["source"]["file"]),
        )
        for s in facts["sessions"]
    ]
    roles = {
        role: sum(1 for role_of_group in frozen["roles"].values() if role_of_group == role)
        for role in ("fit", "choose", "calibrate", "prove")
    }
    counted = ", ".join(f"{count} {role}" for role, count in roles.items() if count)
    sentence = (
        f"Frozen set {escape(frozen['name'])} (<code>{frozen['sha256'][:12]}</code>), grouped by "
        f"{escape(frozen['group_by'])}: {counted}."
    )
    table = html_table(
        ("Session", "Unit", "Liquid", "Mounting", "Frames", "Source file"), rows, left=(0, 1, 2, 3, 5)
    )
    sections = (
        [table]
        if len(rows) <= FEW_SESSIONS
        else [_by_unit(facts), folded(f"All {len(rows)} sessions, one by one", table)]
    )
    recipe = KeptRecipe.from_json(facts.get("recipe"))
    earlier = None if recipe is None else recipe.earlier_told()
    if earlier is not None:
        sentence += f" {escape(earlier)}"
    return ["<h2>Where it comes from</h2>", f"<p>{sentence}</p>", *sections, f"<p>{_made_with(facts)}</p>"]


def _by_unit(facts: Facts) -> str:
    """Sessions and frames of each unit, and its role where units are what has one."""
    roles, by_unit = facts["frozen_set"]["roles"], facts["frozen_set"]["group_by"] == "unit"
    rows = []
    for unit in _unique(s["unit"] for s in facts["sessions"]):
        mine = [s for s in facts["sessions"] if s["unit"] == unit]
        role = escape(roles.get(unit, "")) if by_unit else NONE
        rows.append(
            (
                escape(unit),
                role,
                escape(", ".join(_unique(s["liquid"] for s in mine))),
                str(len(mine)),
                str(sum(s["frames"] for s in mine)),
            )
        )
    return html_table(("Unit", "Role", "Liquids", "Sessions", "Frames"), rows, left=(0, 1, 2))


def _made_with(facts: Facts) -> str:
    """The versions that its bytes and its cost depend on."""
    trained, exported = (
        ", ".join(f"{escape(name)} {escape(str(version))}" for name, version in sorted(facts[key].items()))
        for key in ("libraries", "tools")
    )
    sentences = [f"Trained with {trained or 'libraries that are not recorded'}"]
    return _sentences([*sentences, f"Exported with {exported}"] if "prefix" in facts else sentences)


def _use(facts: Facts) -> list[str]:
    prefix, units = escape(facts["prefix"]), facts["units"]
    compiling = (
        f"Compile <code>{prefix}.c</code> with <code>{prefix}.h</code> (C99, no other library). Levels are "
        f"integers of 1/{units['level_units_per_mm']} mm above the tank's datum. Result code 0 is withheld: "
        "low is then 0 and high the span, so pump logic reads <em>low</em> and overflow logic reads "
        f"<em>high</em>. Call step once a frame, a frame every {units['period_ms']} ms, and init again "
        "after a gap."
    )
    verifying = (
        "<code>innage verify</code> on this folder compiles the C, runs it and the ONNX on every vector, "
        "and says whether all give the same numbers. The model's hash is "
        f"<code>{facts['model']['sha256']}</code>."
    )
    return [
        "<h2>Using it</h2>",
        f"<p>{compiling}</p>",
        f"<p>{_how_written(facts['c'])}</p>",
        f"<p>{verifying}</p>",
    ]


def _how_written(written: Facts) -> str:
    """Kernels, assembly and table of volumes of the C."""
    kernels = f"Layers and trees are written with the {escape(str(written['kernels']))} kernels"
    sentences = [kernels + (", in assembly on the cores that have it" if written["assembly"] else "")]
    if written["volume"] is not None:
        sentences.append(
            f"A table turns levels into mL of tank {escape(str(written['volume']['tank']))}, at "
            f"most {number(written['volume']['error_ml'])} mL off"
        )
    return _sentences(sentences)


def _unique(values: Iterable[str]) -> list[str]:
    return sorted(set(values), key=natural)
