"""What is shown of a model with a broken sensor chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dataset.words import counted
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from innage.jobs.models.faults import ModelFaults
    from training.judging.figures import FaultFigures


def show_faults(tried: ModelFaults) -> None:
    """A row for each fault: of its frames what was said, of its episodes how many were noticed, and wrong."""
    figures = tried.figures
    table(
        f"{tried.model} with a broken sensor chain, on the {' and '.join(figures.roles)} groups of "
        f"{tried.frozen.name} ({tried.frozen.origin}): "
        f"{counted(figures.sessions, 'session')} of {figures.units} units",
        (
            "fault",
            "withheld %",
            "harmless %",
            "flagged %",
            "silent %",
            "episodes",
            "noticed %",
            "wrong %",
            "at most %",
        ),
        [_row(row) for row in figures.rows],
    )
    say(
        f"Of frames: withheld; given within {figures.bound_pct:g} % of the span (harmless); further off with "
        "a flag that the fault raised; further off without one (silent)."
    )
    say(
        "Of episodes, sessions with the fault at one place: noticed in at least one frame, silently wrong in "
        "at least one, and the upper bound of that rate (95 %, one-sided). Episodes of one unit are alike: "
        "the bound is of sessions like these."
    )
    for kind, why in figures.left_out.items():
        say(f"Not tried, {kind}: {why}.")
    if "prove" in figures.roles:
        say(f"Opening {tried.openings} of the prove groups.")


def _row(row: FaultFigures) -> tuple[str | float | None, ...]:
    shares = [100 * row.share(n) for n in (sum(row.withheld.values()), row.harmless, row.flagged, row.silent)]
    of_episodes = [100 * count / row.episodes for count in (row.noticed, row.wrong)]
    bound = None if row.upper_bound_95 is None else 100 * row.upper_bound_95
    of_all = [None if share is None else round(share, 1) for share in (*shares, *of_episodes, bound)]
    return (row.kind, *of_all[:4], row.episodes, *of_all[4:])
