"""``innage rig fill``: a whole bench's captures from the virtual rig, in one go."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.commands.rig import ScenarioArgument, app
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say


@app.command()
def fill(
    scenario: ScenarioArgument,
    tank: Annotated[
        str, typer.Option(help="A tank of the scenario, NAME or NAME@REVISION.", show_default=False)
    ],
    units: Annotated[
        int | None, typer.Option(min=1, help="How many units; default: as many as the scenario has.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Another seed, other units and captures.")] = 0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Capture a scenario's whole plan, all marked as simulated. Every unit with its trims, and a session for
    each liquid and recipe.
    """
    from dataset.errors import InputError
    from dataset.rig.bench import Bench
    from dataset.rig.filling import fill_store
    from dataset.rig.scenario import load_scenario

    its = load_scenario(scenario)
    index = its.find_tank(tank)
    plan = [(liquid, recipe) for liquid, recipe in its.plan if liquid in its.tank[index].liquids]
    if not plan:
        raise InputError(
            f"scenario {its.name}, plan",
            "no session for the liquids of this tank",
            "a plan of liquids and recipes",
        )
    with open_store(store) as opened:
        before = len(opened.sessions())
        with progress("solving the field") as shown:
            bench = Bench(its, index, seed=seed, progress=shown)
        with progress("capturing") as shown:
            mounting = fill_store(opened, bench, units=units, plan=plan, progress=shown)
        made = opened.sessions()[before:]
    facts = {
        "scenario": its.name,
        "mounting": mounting.name,
        "units": len({s.unit.name for s in made}),
        "sessions": len(made),
        "frames": sum(s.frames for s in made),
    }
    if json:
        emit(facts | {"simulated": True})
    else:
        said = (
            f"{facts['sessions']} sessions of {facts['units']} units on {mounting.name}, "
            f"{facts['frames']} frames"
        )
        say(
            f"simulated: {said}, scenario {its.name}; each unit has a dry, a full, a partial and a block trim"
        )
