"""What is printed of a trained model: limits first, then what was found on unseen groups, then what was
tried.
"""

from __future__ import annotations

from typing import Any

from dataset.records import ID_DIGITS
from dataset.words import LimitAnswer
from export.report.claim_tables import (
    CANDIDATE_COLUMNS,
    CLASS_COLUMNS,
    SHORT_COLUMNS,
    WEIGHTS,
    ablation_sentences,
    candidate_rows,
    claim_sentence,
    class_rows,
    is_array,
    random_rows_sentence,
    rate_rows,
    short_place_rows,
    study_columns,
    study_rows,
    trim_gate_sentence,
)
from innage.terminal.output import say, table
from innage.terminal.views.limits import show_model_limits
from training.judging.figures import Figures
from training.judging.stored_answers import stored_answers
from training.search.study_figures import Ablation

Facts = dict[str, Any]


def show_model(facts: Facts) -> None:
    """Everything about one model that fits a terminal of 80 columns."""
    metrics, origin = facts["metrics"], facts["frozen"]["origin"]
    if origin != "measured":
        say(f"All figures are of {origin} readings: they say nothing yet of a tank of plastic and water.\n")
    show_model_limits(stored_answers(metrics))
    if is_array(metrics):
        _show_claims(facts)
        _show_why(facts, metrics["trim"])
        rows = [(*row[:-2], f"{row[-2] or '-'}{' *' if row[-1] else ''}") for row in candidate_rows(metrics)]
        table(
            "candidates, smallest first, the chosen one marked *: P95 on the choose groups",
            [_two_lines(c) for c in CANDIDATE_COLUMNS[:-1]],
            rows,
        )
    else:
        _show_prove(metrics, facts["frozen"])
        _show_why(facts, None)
        _show_candidates(metrics)
    say(f"Errors: {metrics['choose_how']}.")
    _show_ablation(metrics)


def show_models(listed: list[Facts]) -> None:
    """One row a model."""
    columns = (
        "model",
        "frozen set",
        "family",
        "size",
        "bits",
        "prove\nrmse mm",
        "met/not/\nunproven",
        "flash",
        "readings",
    )
    table("models", columns, [_model_row(one) for one in listed])


def _model_row(facts: Facts) -> tuple[object, ...]:
    recipe, metrics = facts["recipe"], facts["metrics"]
    answers = [row["answer"] for row in metrics["limits"]]
    proved = metrics["prove"]["integer"]["rmse_mm"] if metrics["prove"] else None
    cost = metrics["chosen"]["cost"]
    counts = "/".join(str(answers.count(answer)) for answer in LimitAnswer)
    family = "array" if is_array(metrics) else recipe["family"]
    named = (facts["name"], facts["frozen"]["name"], family, recipe["size"], recipe["bits"])
    return (*named, proved, counts, cost and cost["flash"], facts["frozen"]["origin"])


def _show_ablation(metrics: Facts) -> None:
    ablation = Ablation.from_json(metrics.get("ablation"))
    if ablation is None:
        return
    say("")
    for what, studied in (("features", ablation.features.rows), ("trims", ablation.trims.rows)):
        table(f"{what}: P95 on the {ablation.role} groups", study_columns(what), study_rows(studied))
    for sentence in ablation_sentences(ablation, limited=bool(metrics["limits"])):
        say(f"{sentence}.")


def _show_claims(facts: Facts) -> None:
    metrics, frozen = facts["metrics"], facts["frozen"]["name"]
    claims = Figures.from_json(metrics["claims"])
    if claims is None:
        say(f"Frozen set {frozen} has no 'prove' groups: no limit is shown to be met.\n")
        return
    _show_classes(claims, f"prove: opening {metrics['openings']} of frozen set {frozen}")
    table(
        "where the errors are, liquid in the tank",
        [_two_lines(c) for c in SHORT_COLUMNS],
        short_place_rows(claims),
    )
    table("rates, runs and flags on the same groups", ("figure", "found"), rate_rows(claims))
    sentences = (
        claim_sentence(facts["frozen"]["group_by"], metrics),
        random_rows_sentence(metrics),
        trim_gate_sentence(metrics),
    )
    for sentence in sentences:
        if sentence:
            say(f"{sentence}.")
    _show_beyond(metrics)
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


def _show_why(facts: Facts, trim: str | None) -> None:
    metrics, recipe = facts["metrics"], facts["recipe"]
    form = "pad array, level net" if trim else recipe["family"]
    trimmed = f", trim {trim}" if trim else ""
    say(
        f"Model {facts['name']}, program {facts['sha256'][:ID_DIGITS]}: {form} of size {recipe['size']} "
        f"with {recipe['bits']}-bit weights{trimmed}."
    )
    say(f"Why: {metrics['why']}.")
    if metrics.get("next_step"):
        say(f"Next step up: {metrics['next_step']}.")
    within = (metrics["budget"] or {}).get("within")
    if within is not None:
        say(f"Budget {metrics['budget']['name']}: {'kept' if within else 'over'}.")
    band = metrics["band"]
    say(
        f"Band: {band['meaning']}; {band['groups']} calibrate groups.\n"
        if band["given"]
        else f"No band: {band['reason']}.\n"
    )


def _show_candidates(metrics: Facts) -> None:
    def row(one: Facts) -> tuple[object, ...]:
        integer, floating, cost = one["choose"]["integer"], one["choose"]["float"], one["cost"] or {}
        meets = {True: "yes", False: "no", None: None}[one["meets"]]
        error = (
            integer.get("rmse_mm"),
            floating.get("rmse_mm"),
            one["departure_mm"],
            integer.get("withheld_share"),
        )
        return (one["family"], one["size"], one["bits"], *error, cost.get("flash"), cost.get("cycles"), meets)

    columns = (
        "family",
        "size",
        "bits",
        "integer mm",
        "float mm",
        "departs mm",
        "withheld",
        "flash",
        "cycles",
        "meets",
    )
    table("candidates, smallest first", columns, [row(one) for one in metrics["candidates"]])


def _show_prove(metrics: Facts, frozen_set: Facts) -> None:
    prove, random_rows, frozen = metrics["prove"], metrics["random_rows"], frozen_set["name"]
    if prove is None:
        say(f"Frozen set {frozen} has no 'prove' groups: no limit is shown to be met.\n")
        return
    columns = [("integer", prove["integer"]), ("float", prove["float"])]
    columns += [("random rows", random_rows["integer"]), ("their float", random_rows["float"])]
    rows = [
        (what, *(figures[what] for _, figures in columns))
        for what in ("rmse_mm", "worst_group_rmse_mm", "p95_abs_mm", "withheld_share", "groups", "frames")
    ]
    table(
        f"prove: opening {metrics['openings']} of frozen set {frozen}",
        ("figure", *(title for title, _ in columns)),
        rows,
    )
    say(
        "Integer and float are scored on unseen groups. A random split by row has frames of "
        "one group on both sides: it only shows its own optimism."
    )
    if claim := claim_sentence(frozen_set["group_by"], metrics):
        say(f"{claim}.")
    _show_beyond(metrics)
    say("")


def _show_beyond(metrics: Facts) -> None:
    beyond = metrics["prove"]["beyond"]
    if beyond["frames"]:
        say(
            f"Labels beyond those of the fit: {beyond['frames']} frames, groups: "
            f"{beyond['groups']}, share accepted: {beyond['accepted_share']:.3g}."
        )
