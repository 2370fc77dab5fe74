"""The report's sections on a pad array: what was found on unseen groups, by class and by place, and what was
tried.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from export.report.axes import bar
from export.report.claim_tables import (
    CANDIDATE_COLUMNS,
    CLASS_COLUMNS,
    CLASS_NAMES,
    WEIGHTS,
    ablation_sentences,
    against_next_sentence,
    candidate_rows,
    class_rows,
    percent,
    place_rows,
    rate_rows,
    study_columns,
    study_rows,
    trim_gate_sentence,
)
from export.report.html import (
    cell,
    html_table,
    is_finite_number,
    number,
    part,
    svg_figure,
    titled,
    unbroken,
)
from export.report.numbers import counts_apart
from export.report.plots import BoxSummary, box_plot, class_plot, front_plot, level_plot, risk_plot
from export.report.shown_classes import (
    COVERAGE,
    level_class_section,
    predicted_section,
    traces_section,
    unit_figure,
)
from training.judging.figures import ClassFigures, ErrorBox, Figures, LevelBin
from training.program import FLAG_BITS, GIVEN, REASON_NAMES
from training.search.metrics import Metrics

Facts = Mapping[str, Any]
_NAMES = (0, CLASS_COLUMNS.index("worst group"))


def claims_sections(metrics: Metrics) -> list[str]:
    """Figures by class, rates, plots and figures by place, of the prove groups; a sentence where nothing was
    proved.
    """
    claims = metrics.claims
    if claims is None or claims == Figures():
        return [
            "<h2>Errors by class</h2>",
            (
                "<p>The frozen set has no prove groups: nothing is claimed of units that training "
                "has not seen.</p>"
            ),
        ]
    rates = [*_rates(claims, metrics.flag_table), *_confusion(claims)]
    return [
        *_classes(metrics, claims),
        *rates,
        *predicted_section(claims),
        *(level_class_section(claims) or level_sections(claims.by_level)),
        *_risk(claims),
        *_places(claims),
        *traces_section(claims),
    ]


def _classes(metrics: Metrics, claims: Figures) -> list[str]:
    rows = class_rows(claims)
    sections = ["<h2>Errors by class</h2>"]
    if rows:
        sections.append(
            html_table(
                titled(CLASS_COLUMNS),
                [
                    [unbroken(cell(value)) if k in _NAMES else cell(value) for k, value in enumerate(row)]
                    for row in rows
                ],
                left=_NAMES,
            )
        )
    gate = trim_gate_sentence(metrics.trim_gate)
    sections.append(
        "<p>Errors of accepted readings of the integer program, on groups that training has not seen; P95 "
        f"% is of the span. {escape(WEIGHTS)}. Label u is the standard uncertainty of the labels "
        f"themselves.{f' {escape(gate)}.' if gate else ''}</p>"
    )
    if claims.boxes:
        boxes = [_box(box, claims.classes.get(box.name)) for box in claims.boxes]
        sections.append(svg_figure(box_plot(boxes), _BOXES))
    bars = [
        (CLASS_NAMES[name], errors.p95_mm, errors.worst_group_p95_mm)
        for name in ("clean", "foam", "film", "all")
        if (errors := claims.classes.get(name)) is not None
        and errors.p95_mm is not None
        and errors.worst_group_p95_mm is not None
    ]
    if any(max(pooled, worst) > 0 for _, pooled, worst in bars):
        sections.append(
            svg_figure(
                class_plot(bars),
                "The 95th percentile of the error by class: bar, all groups, each of the same "
                "weight; stroke, the worst group.",
            )
        )
    return sections


_BOXES = (
    "Signed error of accepted readings by class, above 0 too high. Box: 25 % to 75 %, stroke inside: "
    "median, line: 5 % to 95 %, every group of the same weight; rings: the least and the greatest of all. "
    "Shaded: two standard uncertainties of the labels to either side. A frame may be in more than one "
    "class."
)


def _box(box: ErrorBox, errors: ClassFigures | None) -> BoxSummary:
    """The box of one class."""
    u = None if errors is None else errors.label_u_mm
    return BoxSummary(
        CLASS_NAMES.get(box.name, box.name),
        (box.frames, box.sessions, box.groups),
        (box.p05_mm, box.p25_mm, box.p50_mm, box.p75_mm, box.p95_mm),
        box.least_mm,
        box.most_mm,
        0.0 if u is None else COVERAGE * u,
    )


def _rates(claims: Figures, flag_table: Mapping[str, str]) -> list[str]:
    rows = [(escape(what), escape(counts_apart(rate))) for what, rate in rate_rows(claims)]
    if not rows:
        return []
    episode = (
        "An episode is an unbroken stretch of one session; the bound is Clopper and Pearson's, one-sided."
    )
    sections = [
        "<h2>Wrong, withheld, flagged</h2>",
        html_table(("Figure", "Found"), rows, left=(0, 1)),
        f"<p>{episode}</p>",
    ]
    if flag_table:
        flags = [(escape(flag.replace("_", " ")), escape(what)) for flag, what in sorted(flag_table.items())]
        sections.append(html_table(("Flag", "What becomes of the reading"), flags, left=(0, 1)))
    return sections


_STATED = {
    "clean": "clean liquid",
    "rough": "sloshing, scale",
    "film": "film, drops",
    "dry": "empty and dry",
    "empty, film": "empty, film or drops",
}


def _confusion(claims: Figures) -> list[str]:
    """What the marks' conditions say (rows) against validity and flags (columns), as shares of the row's
    frames with a bar each.
    """
    rows = [row for row in claims.confusion if row.frames > 0]
    if not rows:
        return []
    answers = ("valid", "empty", "withheld")
    flags = [
        flag for flag in FLAG_BITS if flag in ("foam", "film") or any(row.raised.get(flag) for row in rows)
    ]
    reasons = [
        name
        for code, name in REASON_NAMES.items()
        if code != GIVEN and any((row.withheld or {}).get(name) for row in rows)
    ]
    never = [flag.replace("_", " ") for flag in FLAG_BITS if flag not in flags]
    head = (
        *("Stated", "Frames", "Sessions", *answers),
        *(f"withheld: {reason}" for reason in reasons),
        *(f"flag {flag.replace('_', ' ')}" for flag in flags),
    )
    cells = []
    for row in rows:
        shares = [(word, row.said.get(word)) for word in answers]
        shares += [(reason, (row.withheld or {}).get(reason)) for reason in reasons]
        shares += [(flag, row.raised.get(flag)) for flag in flags]
        cells.append(
            (
                escape(_STATED.get(row.stated, row.stated)),
                number(row.frames),
                number(row.sessions),
                *(
                    number(None) if count is None else _share(count / row.frames, word in row.due)
                    for word, count in shares
                ),
            )
        )
    silent = f" Never raised: {escape(', '.join(never))}." if never else ""
    text = (
        "Each row: the frames whose marks and conditions state this. Each cell: the share of them that the "
        "model called valid, empty or withheld, withheld for this reason, or put this flag on, all frames "
        "of the same weight. Framed: what the row calls for, best at 100 %; elsewhere the less the better, "
        "but withholding is "
        f"safe. Where the model says empty, it raises neither foam nor film.{silent}"
    )
    return ["<h2>Confusion of flags</h2>", html_table(titled(head), cells), f"<p>{text}</p>"]


def _share(share: float, due: bool) -> str:
    """A share as text over a bar as wide, framed where it is due."""
    kind = f"share{' due' if due else ''}"
    return f'<span class="{kind}">{percent(share):g} %{bar(share, "share-bar")}</span>'


def level_sections(bins: Sequence[LevelBin]) -> list[str]:
    """The plot of signed errors against level with the labels' own uncertainty, where there are any bins."""
    if not bins:
        return []
    known = any(row.label_u_mm is not None for row in bins)
    points = [
        (
            row.level_mm,
            row.p05_mm,
            row.p50_mm,
            row.p95_mm,
            0.0 if row.label_u_mm is None else COVERAGE * row.label_u_mm,
        )
        for row in bins
    ]
    shade = (
        "Shaded: two standard uncertainties of the labels to either side"
        if known
        else "How uncertain the labels are themselves is not known"
    )
    caption = (
        "Signed error of accepted readings on unseen groups by true level, above 0 too high, in bins of a "
        "twentieth of the span: dot, the median; line, from the 5 % to the 95 % quantile of the bin's "
        f"frames. {shade}."
    )
    return ["<h2>Error against level</h2>", svg_figure(level_plot(points), caption)]


def _risk(claims: Figures) -> list[str]:
    curves = {
        name: [(point.accepted_share, point.p95_mm) for point in claims.risk.get(name, ())]
        for name in ("clean", "foam", "film", "liquid")
    }
    curves = {name: curve for name, curve in curves.items() if curve}
    if not curves:
        return []
    caption = (
        "What a stricter threshold of doubt would buy on the unseen groups: the 95th percentile of the error "
        "of the readings still accepted, if doubt alone decided. If the error drops when fewer readings are "
        "accepted, the confidence works. 'liquid' is all classes together. Diamonds: what the model accepts, "
        "by all its thresholds."
    )
    at = {name: (point.accepted_share, point.p95_mm) for name, point in claims.operating.items()}
    return ["<h2>Risk against acceptance</h2>", svg_figure(risk_plot(curves, at), caption)]


def _places(claims: Figures) -> list[str]:
    rows, at = place_rows(claims), _NAMES[1]  # the worst group's name would fold every row
    if not rows:
        return []
    columns = ("where", *CLASS_COLUMNS[1:at], "worst group mm", *CLASS_COLUMNS[at + 2 :])
    cells = [
        (unbroken(cell(row[0])), *(cell(value) for k, value in enumerate(row) if k not in (0, at)))
        for row in rows
    ]
    return [
        "<h2>Where the errors are</h2>",
        html_table(titled(columns), cells),
        "<p>Frames with liquid in the tank only.</p>",
        *unit_figure(claims),
    ]


def candidates_sections(metrics: Metrics, facts: Facts) -> list[str]:
    """The candidates with their figures on groups not fitted on, and their front of error against flash."""
    rows = candidate_rows(metrics)
    if not rows:
        return []
    left = (0, 2, len(CANDIDATE_COLUMNS) - 2, len(CANDIDATE_COLUMNS) - 1)
    sentences = [
        f"Chosen: {metrics.why}." if metrics.why else "",
        f"{against_next_sentence(metrics.against_next)}." if metrics.against_next is not None else "",
        f"Next step up: {metrics.next_step}." if metrics.next_step else "",
    ]
    how = f"Errors are P95 on groups not fitted on, mean over clean, foam and film; {metrics.choose_how}. "
    how += "Flash and cycles are the candidate's without a band; one without them was not measured."
    sections = ["<h2>What was tried</h2>", f"<p>{escape(' '.join([*filter(None, sentences), how]))}</p>"]
    cells = [[cell(value) for value in row] for row in rows]
    sections.append(html_table(titled(CANDIDATE_COLUMNS), cells, left=left))
    at_mean, at_flash = CANDIDATE_COLUMNS.index("mean mm"), CANDIDATE_COLUMNS.index("flash")
    points = [
        (flash, mean, f"{r[0]}, {r[1]} bits{f', watcher {r[2]}' if r[2] else ''}", bool(r[-1]))
        for r in rows
        if is_finite_number(flash := r[at_flash]) and is_finite_number(mean := r[at_mean])
    ]
    return [*sections, *front_figure(points, facts), *ablation_sections(metrics)]


def front_figure(points: list[tuple[float, float, str, bool]], facts: Facts) -> list[str]:
    """The front of error against flash of the candidates that were measured, where there are two of them."""
    if len(points) < 2:
        return []
    caption = (
        "Candidates that were compiled and measured: error against flash, both the smaller the better. "
        "Large and filled: the chosen one; rings: the others. Line: those that no smaller one beats. "
        "Dashed: the budget's flash, where it is near."
    )
    return [svg_figure(front_plot(points, part(facts, "budget").get("flash_bytes")), caption)]


def ablation_sections(metrics: Metrics) -> list[str]:
    """What each group of features, the watcher and each kind of trim buys, where training was
    asked for it.
    """
    ablation = metrics.ablation
    if ablation is None:
        return []
    words = ". ".join(ablation_sentences(ablation, limited=bool(metrics.limits)))
    sections = ["<h2>What each part buys, and costs</h2>", f"<p>{escape(words)}.</p>"]
    for what, studied in (("features", ablation.features.rows), ("trims", ablation.trims.rows)):
        columns = [column.replace("\n", " ") for column in study_columns(what)]
        rows = [[cell(value) for value in row] for row in study_rows(studied)]
        sections.append(html_table(titled(columns), rows, left=(0, columns.index("within limits"))))
    return sections
