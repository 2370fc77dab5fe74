"""Several boards captured at once: a line a board, one scale for all, begun or gone on with."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.files.record_lines import RecordLine, over, read_record_lines
from dataset.words import counted
from innage.jobs import instruments
from innage.jobs.batch.faults import check_each
from innage.jobs.sessions.capturing import BAUD, Port, ReadOff, stated_of

if TYPE_CHECKING:
    from dataset.labels.marking import Labelling
    from dataset.live.board import ByteSource
    from dataset.live.scale import Steadiness
    from dataset.live.stated import Stated
    from dataset.live.together import OnBoard
    from dataset.records import Liquid, Tank
    from dataset.store import Store
    from innage.jobs.sessions.circumstances import Circumstances


@dataclass(frozen=True)
class BoardLine:
    """What is stated of a board that is captured, by a line or for all alike; fields are called as the
    options of ``innage capture``. None and () are not stated.
    """

    name: str | None = None
    port: str | None = None
    baud: float | None = None
    tank: str | None = None
    sensor: str | None = None
    mounting: str | None = None
    unit: str | None = None
    liquid: str | None = None
    condition: str | None = None
    note: str | None = None
    operator: str | None = None
    bench: str | None = None
    start: str | None = None
    board_firmware: str | None = None
    tags: tuple[str, ...] = ()
    instruments: tuple[str, ...] = ()


HEADINGS = tuple(field.name for field in fields(BoardLine))


@dataclass(frozen=True)
class OneScale:
    """The scale under the tank: where its lines come from, how its mass becomes a level of a liquid, and when
    it stands still.
    """

    port: Port
    labelling: Callable[[Liquid], Labelling]
    rule: Steadiness


@dataclass(frozen=True)
class _Planned:
    line: RecordLine
    name: str
    port: Port
    circumstances: Circumstances
    stated: Stated


def capture_boards(
    store: Store,
    path: Path,
    stated: BoardLine | None,
    scale: OneScale | None,
    tell: Callable[[str], None],
    *,
    frames: int | None = None,
    unattended: bool = False,
    stop: Callable[[], bool] = lambda: False,
) -> tuple[OnBoard, ...]:
    """Capture from the boards of a file, a line each, until each has its frames, or until told to stop.

    Args:
        store: the open store, which this call alone writes to.
        path: CSV with headings as :class:`BoardLine` has fields.
        stated: what holds for each board whose line doesn't state it.
        scale: the one scale; None: nothing marks the frames.
        tell: called with sentences for a log.
        frames: seal each as soon as it has so many.
        unattended: ask nothing and give up nothing: captures that are open are gone on with, those that were
            sealed are done, the others are begun; ports that are not there yet are waited for.
        stop: asked again and again.

    Returns:
        The boards, each with its session, or why it has none.

    Raises:
        LinesRefusedError: lines that can't be used; nothing is begun then.
        InputError: a port that cannot be opened, or a scale under several tanks.
    """
    from dataset.live.together import capture_together

    planned = _planned(store, path, stated or BoardLine(), scale, unattended)
    if scale is not None:
        _check_one_tank(planned)
        scale.rule.check()
    tasks = [plan for plan in planned if not (unattended and _told_sealed(store, plan, tell))]
    ports = [task.port for task in tasks] + ([] if scale is None else [scale.port])
    sources = _opened(ports, unattended)
    mass = None if scale is None else sources.pop()
    boards = [_on_board(store, *pair, tell) for pair in zip(tasks, sources, strict=True)]
    rule = None if scale is None else scale.rule
    capture_together(boards, mass, tell, rule=rule, stop_at=frames, stop=stop)
    return tuple(boards)


def _planned(
    store: Store, path: Path, stated: BoardLine, scale: OneScale | None, unattended: bool
) -> list[_Planned]:
    lines = read_record_lines(path, HEADINGS)
    planned: list[_Planned] = []
    is_open = {capture.name for capture in store.open_captures()}
    taken: dict[tuple[str, str], int] = {}

    def check(line: RecordLine) -> None:
        board = over(stated, line)
        for field in ("name", "port"):
            value = getattr(board, field)
            if value is None:
                raise InputError(line.place(field), "nothing is stated", "one of its own for each board")
            before = taken.setdefault((field, value), line.number)
            if before != line.number:
                raise InputError(line.place(field), f"{value}, as in line {before}", "each once")
        if board.name in is_open and not unattended:
            raise InputError(
                line.place("name"),
                f"capture {board.name} is open already",
                "another name",
                "go on with it by unattended=True",
                fields=("unattended=True",),
            )
        port = Port(str(board.port), BAUD if board.baud is None else int(board.baud))
        about = _circumstances(store, board)
        labelling = None if scale is None else scale.labelling(about.liquid)
        read_off = ReadOff(None, labelling, instruments.in_use(store, board.instruments))
        planned.append(_Planned(line, str(board.name), port, about, stated_of(about, read_off)))

    check_each(path, lines, HEADINGS, check)
    return planned


def _circumstances(store: Store, board: BoardLine) -> Circumstances:
    from dataset.admission.starts import stated_start
    from innage.jobs.sessions.circumstances import find_circumstances, find_occasion

    found = find_circumstances(
        store,
        unit=board.unit,
        liquid=board.liquid,
        mounting=board.mounting,
        tank=board.tank,
        sensor=board.sensor,
        condition=board.condition,
        note=board.note or "",
    )
    started = None if board.start is None else stated_start(board.start)
    occasion = find_occasion(store, board.operator, board.bench, board.board_firmware, started)
    return replace(found, occasion=occasion, tags=board.tags)


def _check_one_tank(planned: Sequence[_Planned]) -> None:
    """One scale weighs one tank with one liquid."""
    first = planned[0]
    for other in planned[1:]:
        for what, one, two in (
            ("tank", _tank(first).ref, _tank(other).ref),
            ("liquid", first.circumstances.liquid.name, other.circumstances.liquid.name),
        ):
            if one != two:
                raise InputError(
                    other.line.place(what),
                    f"{two}, and {one} in line {first.line.number}",
                    f"one {what}, which the scale weighs",
                    "capture the others in a call of their own",
                )


def _tank(plan: _Planned) -> Tank:
    return plan.circumstances.mounting.tank


def _opened(ports: Sequence[Port], may_come: bool) -> list[ByteSource]:
    """All ports open, or none."""
    from dataset.live.board import SerialSource

    sources: list[ByteSource] = []
    try:
        for port in ports:
            sources += [SerialSource(port.name, port.baud, may_come=may_come)]  # those before it are closed
    except InputError:
        for source in sources:
            source.close()
        raise
    return sources


def _on_board(
    store: Store,
    plan: _Planned,
    source: ByteSource,
    tell: Callable[[str], None],
) -> OnBoard:
    """The board, its capture begun or gone on with."""
    from dataset.live.capture import Capture
    from dataset.live.together import OnBoard

    if any(capture.name == plan.name for capture in store.open_captures()):
        capture = Capture.resume(store, plan.name)
        tell(f"{plan.name}: resumed after {counted(capture.frames, 'frame')}")
        return OnBoard(plan.name, capture, source)
    circumstances = plan.circumstances
    unit, liquid, mounting = circumstances.unit, circumstances.liquid, circumstances.mounting
    capture = Capture.begin(store, plan.name, unit, liquid, mounting, (), plan.stated)
    tell(f"{plan.name}: begun with unit {unit.name}, port {plan.port.name}")
    return OnBoard(plan.name, capture, source)


def _told_sealed(store: Store, plan: _Planned, tell: Callable[[str], None]) -> bool:
    """Whether a capture of this name and unit was sealed before, which is told then."""
    if any(capture.name == plan.name for capture in store.open_captures()):
        return False
    unit = plan.circumstances.unit.name
    sealed = [s.id for s in store.sessions() if (s.source.file, s.unit.name) == (plan.name, unit)]
    if sealed:
        tell(f"{plan.name}: sealed before as session {sealed[0]}; left as it is")
    return bool(sealed)
