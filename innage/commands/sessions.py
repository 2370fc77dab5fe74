"""``innage sessions``, ``innage show`` and ``innage void``: what was captured."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from innage.completion import names_of
from innage.filter_options import filtered
from innage.jobs.sessions.finding import SessionFilter
from innage.jobs.sessions.session_facts import (
    amendment_facts,
    level_text,
    mark_summary,
    session_facts,
    stated_text,
    stretch_facts,
    tag_facts,
    u_shown,
    void_facts,
)
from innage.options import (
    DEFAULT_STORE,
    AfterOption,
    JsonOption,
    SessionArgument,
    StoreOption,
    open_reading,
    open_store,
)
from innage.sections import SectionedCommand
from innage.terminal.output import emit, say, table
from innage.terminal.views.logged import begun, remarks
from innage.terminal.views.pages import show_next

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.records import Session, SessionAmendment, VoidEvent
    from dataset.store.listing import SessionLine
    from dataset.store.places import Place


_OPTIONAL = ("begun", "bench", "by", "remarks")  # columns of a list that some stores have nothing for


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.command("sessions", cls=SectionedCommand)(list_sessions)
    app.command("show")(show)
    app.command("void")(void)


@filtered()
def list_sessions(
    sessions: SessionFilter,
    after: AfterOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the capture sessions, void ones included. --limit shows the newest; with --after, those that
    were logged after a session.
    """
    from innage.jobs.sessions.finding import settle, why_none

    if after is not None:
        _list_page(sessions, after or None, store, json=json)
        return
    lines = _lines(store)
    if sessions.bench or any("@" in unit for unit in sessions.unit):  # a list of others need not wait for it
        sessions = settle(open_store(store), sessions)
    fitting = [line for line in lines if sessions.fits(line)]
    shown = fitting if sessions.limit is None else fitting[-sessions.limit :]
    if not fitting and sessions.given:
        settle(open_store(store), sessions)
    if json:
        wanted = {line.id for line in shown}
        every = open_reading(store).sessions() if wanted else ()
        emit([session_facts(session) for session in every if session.id in wanted])
        return
    _tables(shown, store)
    if len(shown) < len(fitting):
        say(f"the newest {len(shown)} of {len(fitting)} sessions")
    if not lines:
        say("no sessions yet: try 'innage log FILE --tank TANK --sensor SENSOR --liquid LIQUID --unit UNIT'")
    elif not fitting:
        say(why_none(sessions, lines))


def _list_page(sessions: SessionFilter, after: str | None, store: Place, *, json: bool) -> None:
    from innage.jobs.pages import page_of_lines, page_of_sessions

    with open_store(store) as opened:
        if json:
            whole = page_of_sessions(opened, sessions, after)
            emit({"items": [session_facts(session) for session in whole.items], "next": whole.next})
            return
        page = page_of_lines(opened, sessions, after)
    _tables(page.items, store)
    show_next(page.next, "session")


def _tables(shown: Sequence[SessionLine], store: Place) -> None:
    """One for each mounting."""
    from dataset.store.listing import bench_names
    from innage.jobs.sessions.finding import as_people_count

    of_mounting: dict[str, list[SessionLine]] = {}
    for line in as_people_count(shown):
        of_mounting.setdefault(line.mounting, []).append(line)
    benches = bench_names(store) if any(line.bench for line in shown) else {}
    for mounting, alike in of_mounting.items():
        _table(mounting, alike, benches)


def _lines(store: Place) -> tuple[SessionLine, ...]:
    """What the store has; StoreError where that cannot be read."""
    from dataset.errors import StoreError
    from dataset.store.listing import session_lines

    if isinstance(store, Path) and store.is_file() and store.stat().st_size == 0:
        hint = "delete it; a new store is made in its place"
        raise StoreError(str(store), "the file is empty", "a store of innage", hint)
    lines = session_lines(store)
    if lines is None:  # no store yet, an older one, or one that is damaged, which is said where it is read
        with open_store(store) as opened:
            opened.sessions()
        lines = session_lines(store)
    if lines is None:
        raise StoreError(
            str(store), "its sessions cannot be listed", "", "'innage check' says what is damaged"
        )
    return lines


def _table(mounting: str, lines: list[SessionLine], benches: dict[str, str]) -> None:
    """The sessions on one mounting; what holds for all of them is said once, what none of them has has no
    column. ``benches`` are names by identity.
    """
    simulated, source = all(s.simulated for s in lines), _common([s.file for s in lines])
    columns: dict[str, list[str]] = {
        "session": [s.id for s in lines],
        "unit": [s.unit for s in lines],
        "liquid": [s.liquid for s in lines],
        "frames\nlabelled": [f"{s.labelled} of {s.frames}" for s in lines],
        "begun": [begun(s) for s in lines],
        "bench": [benches.get(s.bench or "", s.bench or "") for s in lines],
        "by": [s.operator or "" for s in lines],
        "source": [s.file.removeprefix(source) for s in lines],
        "remarks": [remarks(s, all_simulated=simulated) for s in lines],
    }
    shown = {name: cells for name, cells in columns.items() if name not in _OPTIONAL or any(cells)}
    of_all = (", all simulated" if simulated else "") + (
        f", from {source.removesuffix(', ')}" if source else ""
    )
    title = f"capture sessions on mounting {mounting}{of_all}"
    table(title, list(shown), [list(row) for row in zip(*shown.values(), strict=True)])


def _common(sources: list[str]) -> str:
    """What all sources begin with, up to the last comma: the virtual rig's name; nothing for one source, and
    for files.
    """
    heads = {source.rpartition(", ")[0] for source in sources}
    head = heads.pop() if len(heads) == 1 and len(set(sources)) > 1 else ""
    return f"{head}, " if head else ""


def show(
    session: SessionArgument,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", help="Also draw counts, marks, conditions and temperature to FILE.svg, .png or .pdf."
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one capture session: facts, warnings, marks, counts."""
    from dataset.labels.conditions import conditions_text
    from innage.jobs.instruments import calibration_text

    opened = open_reading(store)
    captured = opened.session(session)
    frames = opened.frames(captured, verify=True)
    events, tagged = opened.void_events(captured.sha256), opened.tag_events(captured.sha256)
    since = opened.standard_warnings([captured]).get(captured.sha256, ())
    amendments = opened.amendments(captured.sha256)
    summaries = [mark_summary(mark, frames) for mark in captured.marks]
    if picture is not None:
        from innage.pictures.session_plot import draw_session

        draw_session(picture, captured, frames)
    if json:
        emit(
            session_facts(captured)
            | {"warnings_since": [asdict(warning) for warning in since]}
            | {"amendments": amendment_facts(amendments)}
            | {"void_events": void_facts(events), "tag_events": tag_facts(tagged), "marks": summaries}
            | {"conditions": [stretch_facts(s) for s in captured.stretches]}
        )
        return
    tools = "; ".join(map(calibration_text, opened.calibrations(captured.instruments)))
    table(
        f"session {captured.id}",
        ("fact", "value"),
        [
            (fact, ", ".join(value) if isinstance(value, list) else value)
            for fact, value in (session_facts(captured) | {"instruments": tools}).items()
            if fact != "warnings"
        ],
    )
    if since:
        table(
            "warnings since it came in", ("check", "what was found"), [(w.check, w.sentence) for w in since]
        )
    if captured.warnings:
        table(
            "import warnings",
            ("check", "what was found"),
            [(w.check, w.sentence) for w in captured.warnings],
        )
    if amendments:
        table(
            "amendments" + (": several stand beside one another" if captured.amended_apart else ""),
            ("amendment", "follows", "author", "reason", "states", "in use"),
            [_amendment(a, captured) for a in amendments],
        )
    if events:
        table("voided", ("event", "reason"), [(_event(e), e.reason) for e in events])
    if any(event.removes for event in tagged):
        table(
            "tags",
            ("event", "tag", "author"),
            [("removed" if e.removes else "added", e.tag, e.author) for e in tagged],
        )
    pads = captured.mounting.sensor.channel_names
    columns = (
        "frames",
        "level mm",
        "u mm",
        "common u mm",
        *(f"{pad} {what}" for pad in pads for what in ("mean", "sd")),
    )
    rows = [
        (
            f"{mark.start}-{mark.stop - 1}",
            level_text(mark),
            u_shown(mark.u_mm),
            u_shown(mark.u_common_mm),
            *(f"{c[k]:.1f}" for c in m["counts"] for k in ("mean", "sd")),
        )
        for mark, m in zip(captured.marks, summaries, strict=True)
    ]
    if rows:
        table("marks", columns, rows)
    else:
        say("no marks: no frame of this session is labelled")
    if captured.stretches:
        table(
            "conditions",
            ("frames", "conditions"),
            [(f"{s.start}-{s.stop - 1}", conditions_text(s.conditions)) for s in captured.stretches],
        )


def _amendment(amendment: SessionAmendment, session: Session) -> tuple[str, ...]:
    follows = " and ".join(parent[:12] for parent in amendment.parents) or "sealed"
    used = "yes" if amendment.sha256 == session.amendment else ""
    states = stated_text(amendment.stated)
    return (amendment.sha256[:12], follows, amendment.author, amendment.reason, states, used)


def _event(event: VoidEvent) -> str:
    return "taken back" if event.takes_back else "void"


def void(
    session: Annotated[
        list[str],
        typer.Argument(help="Ids of sessions, or their first digits.", autocompletion=names_of("session")),
    ],
    reason: Annotated[
        str, typer.Option(help="What was wrong with them; or why they can be used after all (--take-back).")
    ],
    take_back: Annotated[
        bool, typer.Option("--take-back", help="They were voided wrongly: they can be used after all.")
    ] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Void sessions that must not be used, with a reason. They are kept; all are voided, or none."""
    opened = open_store(store)
    if take_back:
        for usable in opened.take_back_voids(session, reason):
            say(f"session {usable.id} can be used again: {reason}")
    else:
        for voided in opened.void_sessions(session, reason):
            say(f"session {voided.id} is void: {voided.void_reason}")
