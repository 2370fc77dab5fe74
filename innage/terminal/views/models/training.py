"""What is printed of a trained model: limits first, then what was found on unseen groups, then what was
tried.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dataset.records import ID_DIGITS
from dataset.words import LimitAnswer, counted
from export.cautions import uneven_tanks
from export.report.claim_tables import (
    CANDIDATE_COLUMNS,
    CLASS_COLUMNS,
    SHORT_COLUMNS,
    WEIGHTS,
    ablation_sentences,
    against_next_sentence,
    candidate_rows,
    claim_sentence,
    class_rows,
    never_raised_sentence,
    rate_rows,
    short_place_rows,
    study_columns,
    study_rows,
    trim_gate_sentence,
    yes_or_no,
)
from innage.terminal.output import say, table
from innage.terminal.views.limits import show_model_limits
from innage.terminal.views.models.boards import show_boards
from training.judging.figures import Beyond, Figures, Prove, RandomRows, Score
from training.search.kept_recipe import KeptRecipe
from training.search.metrics import CandidateRow, Metrics, read_metrics
from training.search.study_figures import StudyRow

Facts = dict[str, Any]


def show_model(facts: Facts) -> None:
    """Everything about one model that fits a terminal of 80 columns."""
    metrics, origin = read_metrics(facts["metrics"]), facts["frozen"]["origin"]
    if origin != "measured":
        say(f"All figures are of {origin} readings: they say nothing yet of a tank of plastic and water.\n")
    parent = f", refitted from {facts['parent']}" if facts["parent"] else ""
    if facts["date"] or parent:
        say(f"Model {facts['name']}, trained on {facts['date'] or 'a day that is not known'}{parent}.\n")
    if facts["status"] is not None:
        say(f"{status_sentence(facts['name'], facts['status'])}\n")
    if uneven := uneven_tanks(facts["uneven_spans_mm"]):
        say(f"Caution: {uneven}.\n")
    show_model_limits(metrics.limits)
    _show_prove(metrics, facts["frozen"])
    if metrics.claims is not None:
        _show_claims(metrics, metrics.claims)
    _show_why(metrics, facts)
    if any(row.classes is not None for row in metrics.candidates):
        _show_tried(metrics)
    else:
        _show_candidates(metrics)
    show_boards(facts["boards"])
    say(f"Errors: {metrics.choose_how}.")
    _show_ablation(metrics)


def status_sentence(name: str, status: dict[str, str]) -> str:
    """What a model is said to be, by whom and why."""
    return f"Model {name} is {status['status']}, by {status['author']}: {status['reason']}"


def show_models(listed: list[Facts]) -> None:
    """What each model is of, then what it can do: one row a model."""
    statuses = [(f["status"] or {}).get("status") for f in listed]
    of = [(f["name"], f["date"], f["frozen"]["name"], f["limits"], f["parent"]) for f in listed]
    heads: tuple[str, ...] = ("model", "trained", "frozen set", "limits", "from")
    if any(statuses):
        table("models", (*heads, "status"), [(*row, said) for row, said in zip(of, statuses, strict=True)])
    else:
        table("models", heads, of)
    columns = ("model", "family", "size", "bits", "prove\nrmse mm", "met/not/\nunproven", "flash", "readings")
    table("figures", columns, [_figures_row(one) for one in listed])


def _figures_row(facts: Facts) -> tuple[object, ...]:
    recipe, metrics = _recipe(facts), read_metrics(facts["metrics"])
    answers = [row.answer for row in metrics.limits]
    proved = None if metrics.prove is None else metrics.prove.integer.rmse_mm
    cost = None if metrics.chosen is None else metrics.chosen.cost
    counts = "/".join(str(answers.count(answer)) for answer in LimitAnswer)
    named = (facts["name"], recipe.family, recipe.size, recipe.bits)
    return (*named, proved, counts, cost and cost.flash, facts["frozen"]["origin"])


def _recipe(facts: Facts) -> KeptRecipe:
    return KeptRecipe.from_json(facts["recipe"]) or KeptRecipe()


def _show_ablation(metrics: Metrics) -> None:
    ablation = metrics.ablation
    if ablation is None:
        return
    say("")
    for what, studied in (("features", ablation.features.rows), ("trims", ablation.trims.rows)):
        show_variants(f"{what}: P95 on the {ablation.role} groups", what, studied)
    for sentence in ablation_sentences(ablation, limited=bool(metrics.limits)):
        say(f"{sentence}.")


def show_variants(title: str, what: str, studied: Sequence[StudyRow]) -> None:
    """A row a variant of 'trims' or 'features', without the columns that nothing was asked for."""
    columns, rows = study_columns(what), study_rows(studied)
    asked = [k for k in range(len(columns)) if any(row[k] is not None for row in rows)]
    table(title, [columns[k] for k in asked], [[row[k] for k in asked] for row in rows])


def _show_claims(metrics: Metrics, claims: Figures) -> None:
    _show_classes(claims, "errors by class on the same groups")
    table(
        "where the errors are, liquid in the tank",
        [_two_lines(c) for c in SHORT_COLUMNS],
        short_place_rows(claims),
    )
    table("rates, runs and flags on the same groups", ("figure", "found"), rate_rows(claims))
    for sentence in (never_raised_sentence(metrics.flag_table), trim_gate_sentence(metrics.trim_gate)):
        if sentence:
            say(f"{sentence}.")
    say("")


def _show_classes(claims: Figures, title: str) -> None:
    """Errors by class; the worst groups are named below, for their names are too long for a column."""
    rows, at = class_rows(claims), CLASS_COLUMNS.index("worst group")
    columns = [_two_lines(c) for k, c in enumerate(CLASS_COLUMNS) if k != at]
    columns[at] = "worst\ngroup mm"
    table(title, columns, [(*row[:at], *row[at + 1 :]) for row in rows])
    worst: dict[str, list[str]] = {}
    for row in rows:
        if row[at] is not None:
            worst.setdefault(str(row[at]), []).append(str(row[0]))
    if worst:
        named = "; ".join(f"{name} ({', '.join(where)})" for name, where in worst.items())
        say(f"Worst groups by P95: {named}. {WEIGHTS}.\n")


def _two_lines(column: str) -> str:
    """A column's unit under its name."""
    return column.replace(" ", "\n") if column.count(" ") == 1 else "\n".join(column.rsplit(" ", 1))


def _show_why(metrics: Metrics, facts: Facts) -> None:
    recipe = _recipe(facts)
    trim, step = metrics.trim, metrics.next_step
    trimmed = f", trim {trim}" if trim else ""
    say(
        f"Model {facts['name']}, program {facts['sha256'][:ID_DIGITS]}: {recipe.family} of size "
        f"{recipe.size} with {recipe.bits}-bit weights{trimmed}."
    )
    if recipe.array is not None:
        say(" ".join(f"{sentence}." for sentence in recipe.inputs_told()))
    say(f"Why: {metrics.why}.")
    if metrics.against_next is not None:
        say(f"{against_next_sentence(metrics.against_next)}.")
    if step:
        say(f"Next step up: {step}.")
    if metrics.budget is not None and metrics.budget.within is not None:
        say(f"Budget {metrics.budget.name}: {'kept' if metrics.budget.within else 'over'}.")
        if metrics.budget.leanest:
            say(
                "Counted is a firmware that uses init, prepare and step alone: tell 'innage export' and "
                "'innage budget check' so by --uses leanest."
            )
    band = metrics.band
    if band is not None:
        say(
            f"Band: {band.meaning}; {band.groups} calibrate groups.\n"
            if band.given
            else f"No band: {band.reason}.\n"
        )


def _show_tried(metrics: Metrics) -> None:
    """Candidates by class; columns of what none of them has are left out."""
    rows = [(*row[:-2], f"{row[-2] or '-'}{' *' if row[-1] else ''}") for row in candidate_rows(metrics)]
    held = [k for k in range(len(CANDIDATE_COLUMNS) - 1) if any(row[k] not in (None, "") for row in rows)]
    table(
        "candidates, smallest first, the chosen one marked *: P95 on groups not fitted on",
        [_two_lines(CANDIDATE_COLUMNS[k]) for k in held],
        [[row[k] for k in held] for row in rows],
    )


def _show_candidates(metrics: Metrics) -> None:
    """Those of early versions, which kept no figures by class."""

    def row(one: CandidateRow) -> tuple[object, ...]:
        integer, floats = one.choose.integer or Score(), one.choose.floats or Score()
        error = (integer.rmse_mm, floats.rmse_mm, one.departure_mm, integer.withheld_share)
        cost = (None, None) if one.cost is None else (one.cost.flash, one.cost.cycles)
        return (one.family, one.size, one.bits, *error, *cost, yes_or_no(one.meets))

    columns = (
        "family",
        "size",
        "bits",
        "integer mm",
        "float mm",
        "quantisation error mm",
        "withheld",
        "flash",
        "cycles",
        "meets",
    )
    table("candidates, smallest first", columns, [row(one) for one in metrics.candidates])


def _show_prove(metrics: Metrics, frozen_set: Facts) -> None:
    prove, random_rows, frozen = metrics.prove, metrics.random_rows or RandomRows(), frozen_set["name"]
    if prove is None:
        say(f"Frozen set {frozen} has no 'prove' groups, so no limit can be answered.\n")
        return
    columns = [("integer", prove.integer), ("float", prove.floats)]
    columns += [("split by row", random_rows.integer)]
    if random_rows.floats != random_rows.integer:
        columns += [("same, float", random_rows.floats)]
    rows = [
        (what, *(getattr(scores, what) for _, scores in columns))
        for what in ("rmse_mm", "worst_group_rmse_mm", "p95_abs_mm", "withheld_share", "groups", "frames")
    ]
    table(
        f"prove: opening {metrics.openings} of frozen set {frozen}",
        ("figure", *(title for title, _ in columns)),
        rows,
    )
    say(
        "Integer and float are tested on groups held out from training. A random split by row has frames "
        "of one group on both sides, so its error is too optimistic; don't quote it."
    )
    if claim := claim_sentence(frozen_set["group_by"], metrics):
        say(f"{claim}.")
    _show_beyond(prove)
    say("")


def _show_beyond(prove: Prove | None) -> None:
    beyond = None if prove is None else prove.beyond
    if beyond is not None and beyond.frames:
        say(
            f"{counted(beyond.frames, 'test frame')} of {counted(beyond.groups, 'group')} "
            f"{'lies' if beyond.frames == 1 else 'lie'} outside the trained range; {_withheld(beyond)}."
        )


def _withheld(beyond: Beyond) -> str:
    """How many of the frames outside the trained range were withheld, as they should be."""
    if not beyond.accepted_share:
        return "all were withheld, as they should be"
    return f"{100 * beyond.accepted_share:.3g} % of them were accepted, though they should be withheld"
