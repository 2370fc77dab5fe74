"""What ``innage rig`` shows of a scenario, and of what was made from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from innage.jobs.sessions.session_facts import labelled, session_facts
from innage.terminal.output import emit, say, table
from innage.terminal.views.logged import say_warnings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.records import Mounting, Session
    from dataset.rig.scenario import Scenario

TANK_COLUMNS = ("tank", "span_mm", "pads", "units", "liquids")
RECIPE_COLUMNS = ("recipe", "path", "frames")


def show_scenario(scenario: Scenario, json: bool) -> None:
    """Its tanks, liquids and recipes."""
    tanks = [
        (f"{tank.name}@{scenario.revision(k)}", tank.span_mm, tank.pads, tank.units, tank.liquids)
        for k, tank in enumerate(scenario.tank)
    ]
    recipes = [(recipe.name, recipe.path, recipe.frames) for recipe in scenario.recipe]
    if json:
        facts: dict[str, Any] = {"scenario": scenario.name, "note": scenario.note, "simulated": True}
        facts["tanks"] = [dict(zip(TANK_COLUMNS, row, strict=True)) for row in tanks]
        facts["recipes"] = [dict(zip(RECIPE_COLUMNS, row, strict=True)) for row in recipes]
        emit(facts)
        return
    say(f"scenario {scenario.name}: {scenario.note}")
    table("tanks", TANK_COLUMNS, [(*row[:-1], ", ".join(row[-1])) for row in tanks])
    table("recipes", RECIPE_COLUMNS, recipes)


def show_rig_sessions(sessions: Sequence[Session], json: bool) -> None:
    """The sessions that were logged, and what the import checks noticed of each."""
    if json:
        emit([session_facts(session) for session in sessions])
        return
    for session in sessions:
        say(
            f"session {session.id} from {session.source.file}, simulated: {session.frames} "
            f"frames, {labelled(session)} labelled"
        )
        say_warnings(session)


def show_filled(scenario: Scenario, mounting: Mounting, sessions: Sequence[Session], json: bool) -> None:
    """How much a store was filled by."""
    facts = {
        "scenario": scenario.name,
        "mounting": mounting.name,
        "units": len({session.unit.name for session in sessions}),
        "sessions": len(sessions),
        "frames": sum(session.frames for session in sessions),
    }
    if json:
        emit(facts | {"simulated": True})
        return
    say(
        f"simulated: {facts['sessions']} sessions of {facts['units']} units on {facts['mounting']}, "
        f"{facts['frames']} frames, scenario {scenario.name}; each unit has a dry, a full, a partial and a "
        "block trim"
    )
