"""``innage train`` and ``innage models``: a frozen set becomes a model; what the store's models can do."""

from __future__ import annotations

import json as json_text
from typing import TYPE_CHECKING, Annotated, Any

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.output import emit, progress, say, table

if TYPE_CHECKING:
    from dataset.records import Budget, FrozenSet, Limits, Model
    from dataset.store import Store
    from training.costs import CostModel
    from training.train import Trained


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(train)
    app.command()(models)


def train(
    frozen: Annotated[str, typer.Argument(help="The frozen set to train on.")],
    name: Annotated[str, typer.Option("--name", help="The new model's name.")],
    limits: Annotated[str | None, typer.Option("--limits", help="The limits to meet; without, the best choose score wins.")] = None,
    budget: Annotated[str | None, typer.Option("--budget", help="What the firmware team left; candidates are compiled and measured for it.")] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**32 - 1, help="Seed of everything that is drawn.")] = 0,
    family: Annotated[list[str] | None, typer.Option("--family", help="Only this family (may be given again): line, hinge, trees, net.")] = None,
    trim: Annotated[str | None, typer.Option("--trim", help="Pad arrays: the trim to train for: none, dry, block, partial, full; default the best.")] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Search for the smallest integer model that meets the limits, and score it on groups that it has never seen."""
    from training.train import train as search

    with open_store(store) as opened:
        _refuse_known(opened, name)
        chosen_limits = None if limits is None else opened.limits(limits)
        allowed = None if budget is None else opened.budget(budget)
        its = opened.frozen_set(frozen)
        data = opened.frozen_data(its)
        with progress("training") as shown:
            made = search(
                data, name=name, limits=chosen_limits, budget=allowed, cost=_cost_model(allowed), seed=seed, families=family, trim=trim, progress=shown,
            )  # fmt: skip
        openings = opened.open_prove(its, f"train {name}") if made.metrics["prove"] else opened.prove_openings(its)
        model = opened.add_model(_record(made, name, its, chosen_limits, openings))
    facts = _facts(model)
    if json:
        emit(facts)
    else:
        _show_training(facts)


def models(
    name: Annotated[str | None, typer.Argument(help="One model, in full.")] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the models with their limits and flash, or show the figures of one."""
    with open_store(store) as opened:
        found = opened.models() if name is None else (opened.model(name),)
    facts = [_facts(model) for model in found]
    if json:
        emit(facts if name is None else facts[0])
    elif name is not None:
        _show_training(facts[0])
    elif facts:
        columns = ("model", "frozen set", "family", "size", "bits", "prove rmse mm", "met", "not met", "not shown", "flash")
        table("models", columns, [_model_row(one) for one in facts])
    else:
        say("no models yet: try 'innage train FROZEN --name MODEL'")


def _refuse_known(store: Store, name: str) -> None:
    """A name that is taken is refused before the work, not after it."""
    from dataset.checks import check_name
    from dataset.errors import InputError

    check_name("model", name)
    if any(model.name == name for model in store.models()):
        raise InputError(f"model {name}", "exists already", "a new name", "models never change; give this one another name")


def _cost_model(budget: Budget | None) -> CostModel | None:
    if budget is None:
        return None
    from export.measure import measure

    return measure


def _record(made: Trained, name: str, frozen: FrozenSet, limits: Limits | None, openings: int) -> Model:
    from dataset.records import Model
    from training.program import digest, to_json

    def text(facts: dict[str, Any]) -> str:
        return json_text.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)

    metrics = made.metrics | {"openings": openings}
    return Model(name, digest(made.program), frozen, limits, text(made.recipe), text(made.versions), text(metrics), to_json(made.program), made.float_onnx)


def _facts(model: Model) -> dict[str, Any]:
    """Everything about a model but the program and the float ONNX, which are exported."""
    limits = None if model.limits is None else f"{model.limits.name}@{model.limits.revision}"
    return {
        "name": model.name,
        "sha256": model.sha256,
        "frozen": {"name": model.frozen.name, "sha256": model.frozen.sha256},
        "limits": limits,
        "recipe": json_text.loads(model.recipe),
        "versions": json_text.loads(model.versions),
        "metrics": json_text.loads(model.metrics),
    }


def _model_row(facts: dict[str, Any]) -> tuple[object, ...]:
    recipe, metrics = facts["recipe"], facts["metrics"]
    answers = [row["answer"] for row in metrics["limits"]]
    proved = metrics["prove"]["integer"]["rmse_mm"] if metrics["prove"] else None
    cost = metrics["chosen"]["cost"]
    counts = tuple(answers.count(said) for said in ("met", "not met", "not shown"))
    return (facts["name"], facts["frozen"]["name"], recipe["family"], recipe["size"], recipe["bits"], proved, *counts, cost and cost["flash"])


def _show_training(facts: dict[str, Any]) -> None:
    metrics, recipe = facts["metrics"], facts["recipe"]
    _show_candidates(metrics)
    say(f"Model {facts['name']}, program {facts['sha256'][:12]}: {recipe['family']} of size {recipe['size']} with {recipe['bits']}-bit weights.")
    say(f"Why: {metrics['why']}.")
    within = (metrics["budget"] or {}).get("within")
    if within is not None:
        say(f"Budget {metrics['budget']['name']}: {'kept' if within else 'over'}.")
    _show_prove(metrics, facts["frozen"]["name"])
    _show_limits(metrics["limits"])
    if not metrics["band"]["given"]:
        say(f"No band: {metrics['band']['reason']}.")


def _show_candidates(metrics: dict[str, Any]) -> None:
    def row(one: dict[str, Any]) -> tuple[object, ...]:
        integer, floating, cost = one["choose"]["integer"], one["choose"]["float"], one["cost"] or {}
        meets = {True: "yes", False: "no", None: None}[one["meets"]]
        error = (integer.get("rmse_mm"), floating.get("rmse_mm"), one["departure_mm"], integer.get("withheld_share"))
        return (one["family"], one["size"], one["bits"], *error, cost.get("flash"), cost.get("cycles"), meets)

    columns = ("family", "size", "bits", "integer mm", "float mm", "departs mm", "withheld", "flash", "cycles", "meets")
    table("candidates, smallest first", columns, [row(one) for one in metrics["candidates"]])
    say(f"Errors: {metrics['choose_how']}.")


def _show_prove(metrics: dict[str, Any], frozen: str) -> None:
    prove, random_rows = metrics["prove"], metrics["random_rows"]
    if prove is None:
        say(f"Frozen set {frozen} has no 'prove' groups: no limit is shown to be met.")
        return
    columns = [("integer", prove["integer"]), ("float", prove["float"])]
    columns += [("random rows", random_rows["integer"]), ("their float", random_rows["float"])]
    rows = [
        (what, *(figures[what] for _, figures in columns)) for what in ("rmse_mm", "worst_group_rmse_mm", "p95_abs_mm", "withheld_share", "groups", "frames")
    ]
    table(f"prove: opening {metrics['openings']} of frozen set {frozen}", ("figure", *(title for title, _ in columns)), rows)
    say("Integer and float are scored on unseen groups. A random split by row has frames of one group on both sides: it only shows its own optimism.")
    beyond = prove["beyond"]
    if beyond["frames"]:
        say(f"Labels beyond those of the fit: {beyond['frames']} frames, groups: {beyond['groups']}, share accepted: {beyond['accepted_share']:.3g}.")


def _show_limits(answers: list[dict[str, Any]]) -> None:
    if not answers:
        say("No limits were given.")
        return
    rows = [(a["metric"], a["condition"], a["bound"], a["value"], a["answer"], a["reason"]) for a in answers]
    table("limits", ("metric", "condition", "bound", "value", "answer", "reason"), rows)
    failed = sum(a["answer"] != "met" for a in answers)
    if failed:
        say(f"{failed} of {len(answers)} limits {'is' if failed == 1 else 'are'} not met or not shown; the model is kept all the same.")
