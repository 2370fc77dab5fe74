"""The report's sections on a pad array: what was found on unseen groups, by class and by place, and what was tried."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from export.html_text import cell, figure, html_table, is_number, part, rows_of
from export.plots import class_plot, front_plot, level_plot, risk_plot
from training.claim_tables import (
    CANDIDATE_COLUMNS,
    CLASS_COLUMNS,
    WEIGHTS,
    ablation_sentences,
    candidate_rows,
    class_rows,
    place_rows,
    random_rows_sentence,
    rate_rows,
    study_columns,
    study_rows,
)

Facts = Mapping[str, Any]
_COVERAGE = 2  # standard uncertainties to either side: about 95 % of a normal distribution (JCGM 100:2008, 6.2 and G.1.3)
_NAMES = (0, CLASS_COLUMNS.index("worst group"))


def claims_sections(facts: Facts) -> list[str]:
    """Figures by class, rates, plots and figures by place, of the prove groups; a sentence where nothing was proved."""
    metrics = facts["metrics"]
    claims = part(metrics, "claims")
    if not claims:
        return ["<h2>Errors by class</h2>", "<p>The frozen set has no prove groups: nothing is claimed of units that training has not seen.</p>"]
    return [*_classes(metrics, claims), *_rates(claims, part(metrics, "flag_table")), *_levels(claims), *_risk(claims), *_places(claims)]


def _classes(metrics: Facts, claims: Facts) -> list[str]:
    rows = class_rows(claims)
    made = ["<h2>Errors by class</h2>"]
    if rows:
        made.append(html_table(CLASS_COLUMNS, [[cell(value) for value in row] for row in rows], left=_NAMES))
    optimism = random_rows_sentence(metrics)
    made.append(
        "<p>Errors of accepted readings of the integer program, on groups that training has not seen; P95 % is of the span. "
        f"{escape(WEIGHTS)}. Label u is the standard uncertainty of the labels themselves.{f' {escape(optimism)}.' if optimism else ''}</p>"
    )
    found = part(claims, "classes")
    bars = [(name, its["p95_mm"], its["worst_group_p95_mm"]) for name, its in _in_order(found) if _all_numbers(its, "p95_mm", "worst_group_p95_mm")]
    if any(max(pooled, worst) > 0 for _, pooled, worst in bars):
        made.append(figure(class_plot(bars), "The 95th percentile of the error by class: bar, all groups together; stroke, the worst group."))
    return made


def _in_order(classes: Facts) -> list[tuple[str, Facts]]:
    return [(name, part(classes, name)) for name in ("clean", "foam", "film", "all")]


def _rates(claims: Facts, flag_table: Facts) -> list[str]:
    rows = [(escape(what), escape(found)) for what, found in rate_rows(claims)]
    if not rows:
        return []
    episode = "An episode is an unbroken stretch of one session; the bound is Clopper and Pearson's, one-sided."
    made = ["<h2>Wrong, withheld, flagged</h2>", html_table(("Figure", "Found"), rows, left=(0, 1)), f"<p>{episode}</p>"]
    if flag_table:
        flags = [(escape(flag.replace("_", " ")), escape(str(what))) for flag, what in sorted(flag_table.items())]
        made.append(html_table(("Flag", "What becomes of the reading"), flags, left=(0, 1)))
    return made


def _levels(claims: Facts) -> list[str]:
    points = [
        (row["level_mm"], row["p05_mm"], row["p50_mm"], row["p95_mm"], _COVERAGE * (row["label_u_mm"] if is_number(row.get("label_u_mm")) else 0.0))
        for row in rows_of(claims.get("by_level")) if _all_numbers(row, "level_mm", "p05_mm", "p50_mm", "p95_mm")
    ]  # fmt: skip
    if not points:
        return []
    caption = (
        "Signed error of accepted readings by true level: median, and from the 5 % to the 95 % quantile. Shaded: two standard uncertainties of the labels."
    )
    return ["<h2>Error against level</h2>", figure(level_plot(points), caption)]


def _risk(claims: Facts) -> list[str]:
    curves = {
        name: [(row["accepted_share"], row["p95_mm"]) for row in rows_of(part(claims, "risk").get(name)) if _all_numbers(row, "accepted_share", "p95_mm")]
        for name in ("clean", "foam", "film")
    }
    curves = {name: curve for name, curve in curves.items() if curve}
    if not curves:
        return []
    caption = "What a stricter threshold of doubt would buy: the error of what is still accepted, were doubt alone to decide."
    return ["<h2>Risk against acceptance</h2>", figure(risk_plot(curves), caption)]


def _places(claims: Facts) -> list[str]:
    rows, at = place_rows(claims), _NAMES[1]  # the worst group's name would fold every row
    if not rows:
        return []
    columns = ("where", *CLASS_COLUMNS[1:at], "worst group mm", *CLASS_COLUMNS[at + 2 :])
    cells = [(f"<span class=one>{cell(row[0])}</span>", *(cell(value) for k, value in enumerate(row) if k not in (0, at))) for row in rows]
    return ["<h2>Where the errors are</h2>", html_table(columns, cells), "<p>Frames with liquid in the tank only.</p>"]


def candidates_sections(facts: Facts) -> list[str]:
    """The candidates with their figures on the choose groups, and their front of error against flash."""
    metrics = facts["metrics"]
    rows = candidate_rows(metrics)
    if not rows:
        return []
    left = (0, 2, len(CANDIDATE_COLUMNS) - 2, len(CANDIDATE_COLUMNS) - 1)
    said = [f"Chosen: {metrics['why']}." if metrics.get("why") else "", f"Next step up: {metrics['next_step']}." if metrics.get("next_step") else ""]
    how = f"P95 on the choose groups, mean over clean, foam and film; {metrics.get('choose_how', '')}. Candidates without flash and cycles were not measured."
    made = ["<h2>What was tried</h2>", f"<p>{escape(' '.join([*filter(None, said), how]))}</p>"]
    made.append(html_table(CANDIDATE_COLUMNS, [[cell(value) for value in row] for row in rows], left=left))
    mean, flash = CANDIDATE_COLUMNS.index("mean mm"), CANDIDATE_COLUMNS.index("flash")
    points = [(r[flash], r[mean], f"level net {r[0]}, {r[1]} bits, watcher {r[2]}", bool(r[-1])) for r in rows if is_number(r[flash]) and is_number(r[mean])]
    if len(points) > 1:
        caption = "Candidates that were compiled and measured: error against flash. Filled: the chosen one. Line: those that no smaller one beats."
        made.append(figure(front_plot(points, part(facts, "budget").get("flash_bytes")), caption))  # type: ignore[arg-type]
    return [*made, *ablation_sections(metrics)]


def ablation_sections(metrics: Facts) -> list[str]:
    """What each group of features, the watcher and each kind of trim buys, where training was asked for it."""
    its = part(metrics, "ablation")
    if not its:
        return []
    made = ["<h2>What each part buys, and costs</h2>", f"<p>{escape('. '.join(ablation_sentences(metrics)))}.</p>"]
    for what in ("features", "trims"):
        columns = [column.replace("\n", " ") for column in study_columns(what)]
        rows = [[cell(value) for value in row] for row in study_rows(rows_of(part(its, what).get("rows")))]
        made.append(html_table(columns, rows, left=(0, columns.index("within limits"))))
    return made


def _all_numbers(row: Facts, *keys: str) -> bool:
    return all(is_number(row.get(key)) for key in keys)
