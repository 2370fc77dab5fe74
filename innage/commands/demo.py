"""``innage demo``: the whole job, command by command, in a new folder: on the virtual rig, or on measured
readings.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from innage.exit_codes import SAID_NO
from innage.terminal.output import say

if TYPE_CHECKING:
    from innage.jobs.demo import Step


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(demo)


def demo(
    context: typer.Context,
    out: Annotated[Path, typer.Option("--out", help="The new folder to work in.")] = Path("innage-demo"),
    real: Annotated[
        bool,
        typer.Option(
            "--real", help="Measured readings of one pad, one unit and one run, instead of the virtual rig."
        ),
    ] = False,
) -> None:
    """Run the whole job in a new folder, showing each command. On the virtual rig, or with --real on measured
    readings.
    """
    from innage.jobs.demo import begin_demo
    from innage.service.addresses import HOST, PORT

    steps = begin_demo(out, real=real)
    if real:
        say(
            "measured readings of one pad, one unit, one liquid, one filling run; their source "
            f"and licence lie beside them in {out}"
        )
    else:
        say(
            "everything here is simulated: an invented maker of bench-top glassware washers, a "
            "virtual bench; its figures are not field accuracy"
        )
    _run(steps, context.find_root().command)
    say(
        f"\nThe bundle lies in {out / 'bundle'}: C, header, ONNX, vectors, harness, report and "
        f"manifest; the store is {out / 'innage.db'}."
    )
    if real:
        say(
            "One unit, one liquid and one run show that the path works, not how accurate "
            "another unit or liquid would be."
        )
    else:
        say(
            f"Open {out / 'bundle' / 'report.html'} to read what the model does, and "
            f"{out / 'bundle-taller'} for the taller tank's."
        )
    say(
        f"To look around in a browser: 'innage serve --store {out / 'innage.db'}' (extra 'service'), "
        f"then http://{HOST}:{PORT}"
    )


def _run(steps: Sequence[Step], innage: Any) -> None:
    """The commands one after the other; a check that says no ends the demo, unless that is what the step is
    there to show.
    """
    for number, step in enumerate(steps, 1):
        say("")
        if sys.stdout.isatty():
            say(f"step {number} of {len(steps)}")
        say(f"$ innage {step.text}")
        code = innage(list(step.words), standalone_mode=False)
        if step.refuses and code == SAID_NO:
            say("(exit code 1: it does not fit what is left; the next budget does)")
        elif code:
            raise typer.Exit(code)
