"""``innage sweep``: how much drift a model stands before a limit fails."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from dataset.records import Role
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say, table


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(sweep)


def sweep(
    model: Annotated[str, typer.Argument(help="The model.", autocompletion=names_of("model"))],
    role: Annotated[
        Role, typer.Option(help="On the groups of this role; each opening of prove is counted.")
    ] = Role.CHOOSE,
    limits: Annotated[
        str | None,
        typer.Option(
            help="The limits that have to hold. Default: the model's.", autocompletion=names_of("limits")
        ),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw error and accepted share against drift: FILE.svg, .png or .pdf.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Alter captured counts, and say how far each may go. Baseline, gain, film, one dead pad, trims as they
    were, until a limit fails.
    """
    from dataset.errors import InputError
    from innage.commands.freezing import set_reference
    from training.judging.drift import sweep as swept

    with open_store(store) as opened:
        its = opened.model(model)
        where = its.limits if limits is None else opened.limits(limits)
        data = opened.frozen_data(its.frozen)
        rows = data.rows(role)
        if not rows.any():
            raise InputError(
                f"frozen set {its.frozen.name}",
                f"no '{role}' groups",
                "groups to judge on",
                "name others with --role",
            )
        with progress("sweeping") as shown:
            found = swept(its, data, rows, where, shown)
        openings = (
            opened.open_prove(its.frozen, f"sweep {model}")
            if role is Role.PROVE
            else opened.prove_openings(its.frozen)
        )
    pads = its.frozen.sessions[0].mounting.sensor.channel_names
    found |= {
        "model": model,
        "frozen": set_reference(its.frozen),
        "role": str(role),
        "openings": openings,
        "limits": None if where is None else where.ref,
        "pads": list(pads),
    }
    if picture is not None:
        from innage.pictures.model_pictures import draw_sweep

        draw_sweep(picture, found)
    if json:
        emit(found)
    else:
        _show(found)


def amount_of(row: dict[str, Any], pads: list[str]) -> str:
    """The size of a drift in words."""
    if row["kind"] == "none":
        return ""
    if row["kind"] == "dead pad":
        return pads[int(row["amount"])]
    return f"{row['amount']:+g} %" + (" of swing" if row["kind"] in ("baseline", "film") else "")


def _show(found: dict[str, Any]) -> None:
    rows = [
        (
            r["kind"],
            amount_of(r, found["pads"]),
            r["p95_mm"],
            100 * r["accepted_share"],
            r["false_wet_episodes"],
            _by_metric(r["fails"]) or None,
        )
        for r in found["rows"]
    ]
    title = (
        f"drift of {found['model']} on the {found['role']} groups of {found['frozen']['name']} "
        f"({found['frozen']['origin']})"
    )
    table(title, ("drift", "by", "p95 mm", "accepted %", "false wet", "limits that fail"), rows)
    its = found["stands"]
    if its is None:
        say(_nothing_to_stand(found))
        return
    for kind, what in (("baseline", "of the swing"), ("gain", "of the counts")):
        say(
            f"{kind}: stands +{its[f'{kind}_up_pct']:g} % and -{its[f'{kind}_down_pct']:g} % "
            f"{what}, as far as tried."
        )
    say(f"film above the liquid: stands {its['film_pct']:g} % of the swing on every pad, as far as tried.")
    say("one dead pad: stands " + (", ".join(found["pads"][k] for k in its["dead_pads"]) or "none") + ".")


def _nothing_to_stand(found: dict[str, Any]) -> str:
    """Why no step of drift could be named, and what to do about it."""
    if found["limits"] is None:
        return "No limits, so nothing to stand: name some with --limits."
    return (
        f"None of {found['limits']} is met without drift on the {found['role']} groups, so nothing can "
        "fail: a limit that asks for more groups than there are is not met. Name others with --limits, or "
        "other groups with --role."
    )


def _by_metric(fails: list[str]) -> str:
    """Limits that fail, each metric once with its conditions."""
    found: dict[str, list[str]] = {}
    for metric, condition in (name.split(" ", 1) for name in fails):
        found.setdefault(metric, []).append(condition)
    return "; ".join(f"{metric} {', '.join(conditions)}" for metric, conditions in found.items())
