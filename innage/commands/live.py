"""``innage log --port`` and ``innage capture``: live captures, and those that are still open."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.errors import InnageError
from innage.completion import names_of
from innage.jobs.session_facts import labelled, session_facts
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table
from innage.terminal.sessions import say_warnings

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType

    from dataset.labels.marking import Labelling
    from dataset.live.board import ByteSource
    from dataset.live.capture import Capture, View
    from dataset.live.plans import Step
    from dataset.records import Liquid, Mounting, Sensor, Session, Tank, Unit
    from dataset.store import Store
    from dataset.store.open_captures import OpenCapture

app = typer.Typer(help="Live captures that are not sealed yet.", no_args_is_help=True, rich_markup_mode=None)


def steps_of(
    plan: Path | None, levels: str | None, hold_s: float | None, sensor: Sensor, tank: Tank
) -> tuple[Step, ...]:
    """The fill plan that the options give; none without them."""
    from dataset.errors import InputError
    from dataset.live.plans import HOLD_S, plan_of_levels, read_plan

    hold = HOLD_S if hold_s is None else hold_s
    if plan is not None and levels is not None:
        raise InputError("--plan and --levels", "both", "one of them")
    if plan is not None:
        return read_plan(plan, sensor, tank, hold)
    if levels is None:
        return ()
    try:
        wanted = [float(level) for level in levels.split(",")]
    except ValueError as error:
        raise InputError(
            "--levels", repr(levels), "levels in mm with commas between, such as 0,10,20"
        ) from error
    return plan_of_levels(wanted, sensor, tank, hold)


def open_source(port: str, baud: int) -> ByteSource:
    """The port, or standard input for '-'."""
    from dataset.live.board import SerialSource, StreamSource

    return StreamSource("standard input", sys.stdin.buffer) if port == "-" else SerialSource(port, baud)


def begin_live(
    store: Store,
    name: str | None,
    what: tuple[Unit, Liquid, Mounting],
    steps: tuple[Step, ...],
    level_u_mm: float | None,
    labelling: Labelling,
    condition: str | None,
    note: str,
    port: str,
    baud: int,
    frames: int | None,
    json: bool,
) -> None:
    """Begin a capture under ``name`` and run it."""
    from dataset.errors import InputError
    from dataset.live.capture import Capture, Stated

    if name is None:
        raise InputError(
            "--name", "nothing", "a name for the live capture, to find it again should it be interrupted"
        )
    source = open_source(port, baud)  # before there is a capture that nothing could come into
    stated = Stated(level_u_mm, labelling, condition, note)
    capture = Capture.begin(store, name, *what, steps, stated)
    _run(capture, source, what[2].sensor.channel_names, frames, json)


def resume_live(
    store: Store, name: str, port: str | None, baud: int, others: list[str], frames: int | None, json: bool
) -> None:
    """Go on with the open capture ``name``."""
    from dataset.errors import InputError
    from dataset.live.capture import Capture

    if others:
        raise InputError(
            f"--resume {name}",
            f"{others[0]} beside it",
            "only --port and --baud",
            "unit, liquid, mounting and plan are those that it was begun with",
        )
    if port is None:
        raise InputError(f"--resume {name}", "no --port", "the port of the board")
    pads = store.open_capture(name).mounting.sensor.channel_names
    source = open_source(port, baud)
    _run(Capture.resume(store, name), source, pads, frames, json)


def _run(capture: Capture, source: ByteSource, pads: tuple[str, ...], frames: int | None, json: bool) -> None:
    """Run a capture; seal it when it came to its end, keep it open when the operator stopped it."""
    from dataset.live.loop import run
    from innage.terminal.capture_view import operator

    name = capture.view().name

    def tell(text: str) -> None:
        print(text, file=sys.stderr if json else sys.stdout, flush=True)

    with _stopped() as stopped, operator(pads, tell, source.name == "standard input") as (view, entries):

        def show(now: View) -> None:
            view.show(now, entries.typed)

        try:
            run(capture, source, entries, show, stop_at=frames, stop=stopped)
        finally:
            source.close()
        interrupted = stopped()
    if interrupted:
        tell(_kept(name, capture.committed, len(capture.marks())))
        return
    try:
        sealed = capture.seal()
    except InnageError:
        tell(_kept(name, capture.committed, len(capture.marks())))
        raise
    _report(sealed, json)


@contextmanager
def _stopped() -> Iterator[Callable[[], bool]]:
    """Whether the operator has asked to stop. A flag, not an exception: one in the middle of a commit would
    leave doubt.
    """
    asked = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            raise KeyboardInterrupt  # asked twice: something hangs
        asked.set()

    before = [(number, signal.signal(number, ask)) for number in (signal.SIGINT, signal.SIGTERM)]
    try:
        yield asked.is_set
    finally:
        for number, handler in before:
            signal.signal(number, handler)


def _kept(name: str, frames: int, marks: int) -> str:
    ways = (
        f"go on with 'innage log --resume {name} --port ...', seal it with 'innage capture seal "
        f"{name}', or drop it with 'innage capture discard {name}'"
    )
    return f"capture {name} is kept open with {frames} frames and {marks} marks: {ways}"


def _report(session: Session, json: bool) -> None:
    if json:
        emit(session_facts(session))
        return
    levels = sorted({m.level_mm for m in session.marks})
    at = (
        f" at {len(levels)} levels from {levels[0]:g} to {levels[-1]:g} mm"
        if levels
        else "; 'innage mark' gives it levels"
    )
    say(
        f"session {session.id} from capture {session.source.file}: {session.frames} frames, "
        f"{labelled(session)} labelled{at}"
    )
    say_warnings(session)


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the captures that are open. They were interrupted, or still run in another process."""
    found = [_facts(c) for c in open_store(store).open_captures()]
    if json:
        emit(found)
    elif found:
        columns = ("capture", "unit", "liquid", "mounting", "frames", "marks")
        table("open captures", columns, [tuple(f[c] for c in ("name", *columns[1:])) for f in found])
    else:
        say(
            "no capture is open: try 'innage log --port PORT --tank TANK --sensor SENSOR "
            "--liquid LIQUID --unit UNIT'"
        )


@app.command()
def seal(
    name: Annotated[str, typer.Argument(autocompletion=names_of("capture"))],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Make an open capture a session, with the marks it has."""
    from dataset.live.capture import Capture

    _report(Capture.open(open_store(store), name).seal(), json)


@app.command()
def discard(
    name: Annotated[str, typer.Argument(autocompletion=names_of("capture"))],
    yes: Annotated[bool, typer.Option("--yes", help="Really: its frames are gone then.")] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Drop an open capture and everything in it."""
    from dataset.errors import InputError

    opened = open_store(store)
    facts = _facts(opened.open_capture(name))
    if not yes:
        raise InputError(
            f"capture {name}",
            f"holds {facts['frames']} frames and {facts['marks']} marks that would be gone",
            "--yes, if that is meant",
        )
    opened.discard_capture(name)
    say(f"capture {name} is dropped with {facts['frames']} frames")


def _facts(capture: OpenCapture) -> dict[str, Any]:
    from dataset.live.entries import entered_marks

    return {
        "name": capture.name,
        "unit": capture.unit.name,
        "liquid": capture.liquid.name,
        "mounting": capture.mounting.name,
        "frames": capture.frames,
        "marks": len(entered_marks(capture.entries, capture.frames)),
    }
