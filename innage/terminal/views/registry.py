"""What is shown of the registry, whatever the kind."""

from __future__ import annotations

from collections.abc import Mapping

from dataset.records import Limits, Sensor, Tank, UnitUnion
from innage.terminal.output import say, table


def show_retired(reasons: Mapping[str, str]) -> None:
    """What of a list is retired, and why; nothing where nothing is."""
    if reasons:
        table("retired", ("name", "reason"), list(reasons.items()))


def union_said(union: UnitUnion) -> str:
    """What was said later of a unit, in a line: a serial that it got, or another unit that it is one with."""
    what = f"one with {union.other}" if union.serial is None else f"serial {union.serial}"
    return f"{what}, {'taken back: ' if union.takes_back else ''}{union.reason}"


def show_revision(record: Tank | Sensor | Limits) -> None:
    """That a name was there already, so that what was added is a further revision of it."""
    if record.revision > 1:
        before = f"{record.name}@{record.revision - 1}"
        say(
            f"{record.name} exists: this is revision {record.revision} of it, which '{record.name}' means "
            f"from now on; what stands on {before} stays on it"
        )
