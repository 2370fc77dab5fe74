"""What is shown of a model with a broken sensor chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dataset.words import counted
from export.report.broken_chain import LEFT_SHARE, left_to_the_application
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from innage.jobs.models.faults import ModelFaults
    from training.judging.figures import FaultFigures


def show_faults(tried: ModelFaults) -> None:
    """A row for each fault: of its frames what was said, of its episodes how many were noticed, and wrong."""
    figures = tried.figures
    table(
        f"model {tried.model} with a broken sensor chain, on the {' and '.join(figures.roles)} groups of "
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
            "upper bound %",
        ),
        [_row(row) for row in figures.rows],
    )
    say(
        f"Shares of frames. Harmless: given, within {figures.bound_pct:g} % of the span. Flagged: given, "
        "further off, with a flag that the fault raised. Silent: given, further off, without such a flag."
    )
    say(
        "An episode is a session with the fault at one place. Noticed: because of the fault at least one "
        "frame is withheld or flagged. Wrong: because of it at least one is silent. The upper bound is of "
        "that rate (95 %, one-sided), for sessions like these: episodes of one unit are alike."
    )
    left = "; ".join(left_to_the_application(figures))
    say(
        f"Left to the application, since {100 * LEFT_SHARE:g} % of the frames more than without a fault are "
        f"silent: {left or 'none of these'}."
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
