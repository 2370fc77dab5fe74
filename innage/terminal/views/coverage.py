"""What is shown of coverage: sessions by level and condition, what is missing, the next sessions to run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from textwrap import fill
from typing import TYPE_CHECKING

from dataset.records import Role
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.coverage.gaps import Gaps, GapsLine
    from dataset.coverage.planning import Plan, Proposal
    from innage.jobs.coverage import Coverage, Planned
    from innage.jobs.sessions.finding import SessionFilter


def show_coverage(coverage: Coverage, most: int | None = None) -> None:
    """What is missing, then what there is, at most so many lines of it, then what no session will show."""
    gaps = coverage.gaps
    for sentence in gaps.missing:
        say(listed(sentence))
    if gaps.missing:
        say("")
    shown = gaps if most is None else replace(gaps, lines=gaps.lines[:most])
    _show_gaps(shown)
    if len(shown.lines) < len(gaps.lines):
        say(f"{len(shown.lines)} of {len(gaps.lines)} lines")
    for judgement in coverage.judgements:
        say(listed(judgement.sentence))
    if coverage.void:
        say(listed(f"void sessions left out: {coverage.void}"))


def show_plan(planned: Planned, most: int | None = None) -> None:
    """The groups that are asked for, the sessions to run, at most ``most`` lines of them, how to freeze."""
    if planned.plan is None:
        say("no mountings yet: try 'innage mounting add NAME --tank TANK --sensor SENSOR', then log sessions")
        return
    from dataset.coverage.planning import called

    rows = [(n.tank, n.condition, n.groups, n.have, n.short, n.why) for n in planned.plan.needs]
    table(
        f"groups ({called(planned.group_by)}) asked for by {planned.limits}",
        ("tank", "condition", "need", "have", "short", "why"),
        rows,
    )
    _show_proposals(planned.plan.proposals, most)
    _show_freezing(planned, planned.plan)
    for remark in planned.remarks:
        say(listed(remark))


def _show_freezing(planned: Planned, plan: Plan) -> None:
    """How to freeze them: the fewest groups of each role, the fit what is left."""
    numbers = [str(role) if role is Role.FIT else f"{role}:{number}" for role, number in plan.roles]
    fewest = dict(plan.roles)[Role.FIT]
    short = {need.tank for need in plan.needs if need.short}
    for tank in dict.fromkeys(need.tank for need in plan.needs):
        then = "once these are captured" if tank in short else "enough to freeze"
        freeze = f"innage freeze NAME --tank {tank} --group {planned.group_by} --roles {','.join(numbers)}"
        say(listed(f"{tank}, {then}: '{freeze}' ({fewest} or more to fit)"))


def _show_proposals(proposals: Sequence[Proposal], most: int | None) -> None:
    from innage.jobs.coverage import runs_text

    if not proposals:
        say("nothing is short: the groups are there, and every level band of every liquid has a session")
    for number, text in enumerate(runs_text(proposals)[:most], start=1):
        say(fill(f"{number}. {text}", 80, subsequent_indent="   ", break_on_hyphens=False))


def nothing(sessions: SessionFilter, void: int, why: str) -> str:
    """What to try when no session is left; ``why`` says which filter leaves none where there are some."""
    tank, liquid = (names[0] if names else "" for names in (sessions.tank, sessions.liquid))
    log = f"innage log FILE --tank {tank or 'TANK'} --sensor SENSOR --liquid {liquid or 'LIQUID'} --unit UNIT"
    if void:
        return (
            f"every session {'of these' if sessions.given else 'here'} is void ({void}): log another, '{log}'"
        )
    if why:
        return f"{why}: try '{log}', or leave it out to see what there is"
    return f"no sessions yet: try '{log}'"


def _show_gaps(gaps: Gaps) -> None:
    for tank, sensor in dict.fromkeys((line.tank, line.sensor) for line in gaps.lines):
        lines = [line for line in gaps.lines if (line.tank, line.sensor) == (tank, sensor)]
        step = gaps.spans[tank] / gaps.bands
        width = len(str(max(max(line.bands) for line in lines)))
        rows = [
            (
                line.liquid,
                line.condition,
                _warmth(line),
                _counts(line, width),
                f"{line.sessions}/{line.units}",
            )
            for line in lines
        ]
        title = f"{tank}, {sensor}: sessions in each {step:g} mm"
        table(title, ("liquid", "conditions", "at C", f"0 to {gaps.spans[tank]:g} mm", "all/units"), rows)


def listed(sentence: str) -> str:
    """A sentence of a list, broken at 80 columns."""
    return fill(sentence, 80, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)


def _warmth(line: GapsLine) -> str | None:
    from dataset.coverage.gaps import NOT_MEASURED

    return None if line.warmth == NOT_MEASURED else line.warmth.removesuffix(" C")


def _counts(line: GapsLine, width: int) -> str:
    """The bands from the datum up, a dot where there is no session; never folded."""
    from innage.terminal.text_table import NO_BREAK

    return " ".join(f"{count or '.':>{width}}" for count in line.bands).replace(" ", NO_BREAK)
