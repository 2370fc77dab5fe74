"""``innage compare``: a candidate against the model in use, on the same frames of groups that neither has
seen.
"""

from __future__ import annotations

import json as json_text
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say, table

if TYPE_CHECKING:
    from dataset.records import Budget, FrozenData, FrozenSet, Model
    from dataset.store import Store
    from training.judging.judged import Judged

_CELLS_SHOWN = 8


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(compare)


def compare(
    first: Annotated[str, typer.Argument(help="The model in use.")],
    second: Annotated[str, typer.Argument(help="The candidate.")],
    frozen: Annotated[
        str | None,
        typer.Option(
            help="Judge on this frozen set. Default: the first model's.", autocompletion=names_of("frozen")
        ),
    ] = None,
    role: Annotated[
        Role, typer.Option(help="On the groups of this role; each opening of prove is counted.")
    ] = Role.PROVE,
    limits: Annotated[
        str | None,
        typer.Option(
            help="The limits that say where it matters. Default: the first model's, else the second's.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    budget: Annotated[
        str | None,
        typer.Option(
            help="Measure both for this budget. Default: what training measured.",
            autocompletion=names_of("budget"),
        ),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw where each is worse: FILE.svg, .png or .pdf.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the draws.")] = 0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Compare a candidate with the model in use. Exit 1 when the candidate loses where it matters: at a
    limit, or surely in a class that a limit names.
    """
    with open_store(store) as opened:
        found = find_difference(
            opened, first, second, frozen=frozen, role=role, limits=limits, budget=budget, seed=seed
        )
    if picture is not None:
        from innage.pictures.model_pictures import draw_comparison

        draw_comparison(picture, found)
    if json:
        emit(found)
    else:
        _show(found)
    if found["losses"]:
        raise typer.Exit(1)


def find_difference(
    opened: Store,
    first: str,
    second: str,
    *,
    frozen: str | None,
    role: Role,
    limits: str | None = None,
    budget: str | None = None,
    seed: int = 0,
) -> dict[str, Any]:
    """What the command prints, as JSON-ready facts; the prove groups, where they are asked for, are opened
    and counted.
    """
    from innage.commands.freezing import set_reference
    from training.judging.comparing import compare as difference
    from training.judging.stored import judge_model
    from training.models.trim_limits import of_model, refuse_trims
    from training.program import from_json

    models = (opened.model(first), opened.model(second))
    its = models[0].frozen if frozen is None else opened.frozen_set(frozen)
    where = opened.limits(limits) if limits is not None else models[0].limits or models[1].limits
    allowed = None if budget is None else opened.budget(budget)
    data = opened.frozen_data(its)
    _refuse_seen(opened, its, data, role, models)
    for model in models:
        hint = (
            "both models need units whose trims they take: name a frozen set of the tank that both "
            "are for with --frozen"
        )
        refuse_trims(
            from_json(model.program, f"model '{model.name}'"),
            data,
            data.rows(role),
            of_model(model.name),
            hint,
        )
    judged: list[Judged] = []
    with progress("judging") as shown:
        for model in models:
            judged.append(judge_model(model, data, data.rows(role), cold=True))
            shown(model.name, len(judged), len(models))
    openings = (
        opened.open_prove(its, f"compare {first} {second}")
        if role is Role.PROVE
        else opened.prove_openings(its)
    )
    found = difference(judged[0], judged[1], where, seed)
    return found | {
        "first": first,
        "second": second,
        "frozen": set_reference(its),
        "role": str(role),
        "openings": openings,
        "limits_of": None if where is None else where.ref,
        "costs": [_cost(model, allowed) for model in models],
    }


def _refuse_seen(
    store: Store, its: FrozenSet, data: FrozenData, role: Role, models: tuple[Model, ...]
) -> None:
    """Sessions that a model was fitted, chosen or calibrated on say nothing of it."""
    import numpy as np

    from dataset.errors import InputError

    rows = data.rows(role)
    if not rows.any():
        raise InputError(
            f"frozen set {its.name}",
            f"no '{role}' groups",
            "groups to judge on",
            "name another set with --frozen or other groups with --role",
        )
    if role in (Role.FIT, Role.CALIBRATE):
        raise InputError(
            "--role", str(role), "prove or choose", "models say little on groups that they were made from"
        )
    judged = {its.sessions[int(s)].sha256 for s in np.unique(data.session[rows])}
    for model in models:
        if model.frozen.sha256 == its.sha256:
            continue
        own = store.frozen_data(model.frozen)
        seen = {model.frozen.sessions[int(s)] for s in np.unique(own.session[~own.rows(Role.PROVE)])}
        known = sorted(s.id for s in seen if s.sha256 in judged)
        if known:
            hint = "name a frozen set with --frozen in which neither has seen them"
            raise InputError(
                f"model {model.name}",
                f"was made from session {known[0]}, a '{role}' one of {its.name}",
                "sessions it has not seen",
                hint,
            )


def _cost(model: Model, budget: Budget | None) -> dict[str, Any] | None:
    """Flash, RAM, stack and cycles: measured now for a budget, or as training measured them."""
    if budget is None:
        found: dict[str, Any] | None = json_text.loads(model.metrics).get("chosen", {}).get("cost")
        return found
    from export.core.measure import measure
    from training.program import from_json

    cost = measure(from_json(model.program, f"model '{model.name}'"), budget)
    return asdict(cost) | {"flash": cost.flash}


def _show(found: dict[str, Any]) -> None:
    first, second = found["first"], found["second"]
    rows = [
        (
            name,
            its["frames"],
            its["groups"],
            *_spread(its["error_mm"], 1),
            *_spread(its["accepted_share"], 100),
        )
        for name, its in found["classes"].items()
    ]
    columns = ("class", "frames", "groups", "error mm", "from", "to", "accepted %", "from", "to")
    table(
        f"{second} less {first} on the {found['role']} groups of {found['frozen']['name']} "
        f"({found['frozen']['origin']})",
        columns,
        rows,
    )
    say(
        f"Mean absolute error on frames that both accept; above 0 {second} is worse. Interval: "
        f"{found['method']}."
    )
    if found["role"] == "prove":
        say(f"Opening {found['openings']} of the prove groups.")
    else:
        say("Groups that models were chosen on: this shows which was chosen better, it is no claim.")
    _show_limits(found)
    _show_cells(found)
    names = ("flash", "ram", "stack", "cycles")
    costs = [{} if its is None else its for its in found["costs"]]
    table(
        "size",
        ("model", *names),
        [(model, *(its.get(n) for n in names)) for model, its in zip((first, second), costs, strict=True)],
    )
    for sentence in found["gains"]:
        say(f"{first} loses, {sentence}.")
    for sentence in found["losses"]:
        say(f"{second} loses, {sentence}.")
    if not found["losses"]:
        say(f"{second} does not lose to {first} where it matters.")


def _spread(its: dict[str, float | None], factor: float) -> tuple[float | None, ...]:
    return tuple(None if its[k] is None else factor * its[k] for k in ("value", "low", "high"))  # type: ignore[operator]


def _show_limits(found: dict[str, Any]) -> None:
    if found["limits_of"] is None:
        say("No limits: what matters is the error over all frames.")
        return
    from dataset.text.limits_text import bound_text

    rows = [
        (
            pair["first"]["metric"],
            pair["first"]["condition"],
            bound_text(pair["first"]["bound"], pair["first"].get("or_mm")),
            *(pair[k][what] for what in ("value", "answer") for k in ("first", "second")),
        )
        for pair in found["limits"]
    ]
    table(
        f"limits {found['limits_of']}",
        (
            "metric",
            "condition",
            "bound",
            found["first"],
            found["second"],
            found["first"] + " ",
            found["second"] + " ",
        ),
        rows,
    )


def _show_cells(found: dict[str, Any]) -> None:
    """The cells that differ most, either way."""
    known = [cell for cell in found["cells"] if cell["difference_mm"] is not None]
    known.sort(key=lambda cell: -abs(cell["difference_mm"]))
    rows = [
        (
            c["class"],
            c["liquid"],
            c["level band"],
            c["frames"],
            c["groups"],
            c["first_mm"],
            c["second_mm"],
            c["difference_mm"],
        )
        for c in known[:_CELLS_SHOWN]
    ]
    title = f"where they differ most ({len(rows)} of {len(known)} cells), mean absolute error in mm"
    table(
        title,
        ("class", "liquid", "level", "frames", "groups", found["first"], found["second"], "difference"),
        rows,
    )
