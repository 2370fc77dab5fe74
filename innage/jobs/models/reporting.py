"""Reports for people on what the store holds: a session, a frozen set, a model, a comparison. Each is one
HTML page with its pictures inside, written to a file of its own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import partial
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dataset.errors import InputError
from dataset.files.scratch import scratch_folder
from dataset.labels.conditions import conditions_text
from dataset.records import ID_DIGITS, Occasion
from dataset.text.limits_text import condition_text
from dataset.words import ModelStatus
from export.cautions import CAUTIONS
from export.report.html import badge, cell, counted, folded, html_table, svg_figure, unbroken
from export.report.html_page import cautions, heading, origin_said, page
from export.report.page import FEW_SESSIONS
from export.report.plots import response_plot
from innage.jobs import silent
from innage.outputs import check_place, write_file

if TYPE_CHECKING:
    from dataset.coverage.gaps import Gaps
    from dataset.records import DoorWarning, Frames, FrozenSet, Instrument, Session, SessionAmendment
    from dataset.store import Store
    from innage.jobs import Progress
    from innage.jobs.models.judging import Comparison, Yardstick
    from training.judging.figures import Interval

CAUTION = " ".join(CAUTIONS)
GAP_ROWS = 24  # of the heat map in one picture, which is to fit on a page of paper
COUNT_COLUMNS = 6  # pads beside each other in a table of counts
RESPONSE_BINS = 60  # of the span
COURSE = (
    "Counts of each pad over time, a line a pad. Shaded: the marks, with their level in mm above, where "
    "there is room. Below, where they were stated or measured: the conditions, a row each, and the "
    "temperature. Lines are broken at gaps in time."
)
GAPS = (
    "Each cell: independent sessions / units that were captured there, the darker the more sessions; "
    "'none': nobody has looked. Across: bands of the level; down: liquid, condition, temperature."
)


@dataclass(frozen=True)
class Later:
    """What a session's page tells beside the session: its amendments in order, what the store calls the bench
    on which it was captured (None: no bench that it knows), why units are retired, the calibrations that its
    levels rest on, and what was found against it since it came in.
    """

    amendments: tuple[SessionAmendment, ...] = ()
    bench: str | None = None
    retired_units: Mapping[str, str] = field(default_factory=dict)
    calibrations: tuple[Instrument, ...] = ()
    warnings: tuple[DoorWarning, ...] = ()


def check_page(out: Path, replace: bool) -> None:
    """InputError unless a page can be written to ``out``; before anything is opened or counted."""
    if out.suffix.lower() not in (".html", ".htm"):
        raise InputError("out", str(out), "a page, FILE.html", "name it so", fields=("out",))
    if out.exists() and not replace:
        raise InputError(
            str(out),
            "is there already",
            "a new file",
            "name another with out, or write over it with replace",
            fields=("out", "replace"),
        )
    check_place(out)


def report_session(store: Store, session: str, out: Path, *, replace: bool = False) -> None:
    """Write the page of a capture session, by its id or the first digits of it; with ``replace`` over a page
    that is there.
    """
    from innage.jobs.sessions.session_facts import mark_summary, session_facts

    check_page(out, replace)
    captured = store.session(session)
    frames = store.frames(captured, verify=True)
    means = [mark_summary(mark, frames) for mark in captured.marks]
    names = {bench.identity: bench.name for bench in store.benches()}
    later = Later(
        store.amendments(captured.sha256),
        names.get(captured.occasion.bench or ""),
        store.retired("unit"),
        store.calibrations(captured.instruments),
        store.standard_warnings([captured]).get(captured.sha256, ()),
    )
    write_file(out, session_page(captured, frames, session_facts(captured), means, later).encode())


def report_frozen(store: Store, name: str, out: Path, *, replace: bool = False) -> None:
    """Write the page of a frozen set."""
    from dataset.coverage.gaps import find_gaps
    from innage.jobs.models.choosing import look_at

    check_page(out, replace)
    frozen = look_at(store, name)
    sessions = frozen.frozen_set.sessions
    gaps = find_gaps(sessions, store.mark_temperatures(sessions))
    write_file(out, frozen_page(frozen.frozen_set, frozen.facts(), gaps, frozen.purposes).encode())


def report_model(
    store: Store, name: str, out: Path, *, budget: str | None = None, replace: bool = False
) -> None:
    """Write the page of a model as training found it, measured for a budget as well where one is named;
    'prove' is not opened again.
    """
    from export.bundle.manifest import model_facts
    from export.core.measure import measure
    from export.report.page import render_report
    from innage.jobs.models.training import board_facts, status_facts
    from innage.jobs.registry import retired_remarks
    from training.program import from_json

    check_page(out, replace)
    model = store.model(name)
    program = from_json(model.program, f"model '{name}'")
    left = None if budget is None else store.budget(budget)
    cost = None if left is None else measure(program, left)
    boards = [board_facts(measured) for measured in store.board_measurements(name)]
    remarks = retired_remarks(store, {"limits": model.limits, "budget": left})
    later = {"boards": boards, "status": status_facts(store.status(name)), "remarks": remarks}
    facts = model_facts(program, model, left, cost, {}) | later
    write_file(out, render_report(facts).encode())


def report_comparison(
    store: Store,
    first: str,
    second: str,
    out: Path,
    by: Yardstick,
    *,
    replace: bool = False,
    progress: Progress = silent,
) -> None:
    """Write the page of two models, compared as :func:`innage.jobs.models.judging.compare` does."""
    from innage.jobs.models.judging import compare

    check_page(out, replace)
    write_file(out, comparison_page(compare(store, first, second, by, progress)).encode())


def drawn(draw: Callable[[Path], None], caption: str) -> str:
    """A picture that ``draw`` writes as SVG, inside the page, on paper of its own: its colours are made for
    white.
    """
    with scratch_folder() as folder:
        path = folder / "picture.svg"
        draw(path)
        svg = path.read_text(encoding="utf-8")
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)  # the words of the picture once more
    opening = re.sub(r' (?:width|height)="[^"]*pt"', "", svg[: svg.index(">")])
    return svg_figure(
        f'<div class=picture>{opening} role="img" '
        f'aria-label="{escape(caption)}"{svg[svg.index(">") :]}</div>',
        escape(caption),
    )


def session_page(
    session: Session,
    frames: Frames,
    facts: Mapping[str, Any],
    means: Sequence[Mapping[str, Any]],
    later: Later = Later(),
) -> str:
    """A capture session: warnings first, then who captured it and what was amended, the pads' response, the
    whole course, its marks and conditions.

    ``facts`` and ``means`` are those of ``innage show``: the session's facts, and for each mark the mean and
    spread of each channel's counts.
    """
    from innage.pictures.session_plot import draw_session

    origin = origin_said("simulated" if session.simulated else "measured")
    parts = [
        heading(f"Session {session.id}", origin),
        f"<p class=sub>{_on(session)}</p>",
        *cautions(CAUTION, origin),
    ]
    if session.void_reason is not None:
        parts.append(f"<p class=caution><strong>Void.</strong> {escape(session.void_reason)}</p>")
    warnings = [(escape(w.check), escape(w.sentence)) for w in session.warnings]
    parts += [
        "<h2>Warnings at the door</h2>",
        html_table(("Check", "What was found"), warnings, left=(0, 1)) if warnings else "<p>None.</p>",
    ]
    since = [(escape(w.check), escape(w.sentence)) for w in later.warnings]
    if since:
        table = html_table(("Check", "What was found"), since, left=(0, 1))
        parts += ["<h2>Warnings since it came in</h2>", table]
    parts += [*_occasion(session, later), *_amendments(session, later)]
    curves = _responses(session, frames)
    if curves:
        words = (
            "Each pad's mean count over the frames under marks, in bins of a sixtieth of the span, as a "
            "share of the way from its least mean to its greatest: where along the level it responds, and "
            "whether it rises or falls, not by how many counts. Filling and draining, and whatever was on "
            "the liquid or the wall, are taken together. Pads that never change are left out."
        )
        parts += ["<h2>Pad response</h2>", svg_figure(response_plot(curves), words)]
    parts += ["<h2>Course</h2>", drawn(lambda path: draw_session(path, session, frames), COURSE)]
    if session.marks:
        parts += _marks(session, means)
    if session.stretches:
        rows = [(f"{s.start}-{s.stop - 1}", escape(conditions_text(s.conditions))) for s in session.stretches]
        parts += ["<h2>Conditions</h2>", html_table(("Frames", "Conditions"), rows, left=(0, 1))]
    kept = [(escape(k.replace("_", " ")), _cell(v)) for k, v in facts.items() if k not in _SAID_ABOVE]
    parts += ["<h2>Facts</h2>", html_table(("Fact", "Value"), kept, left=(0, 1))]
    return page(f"session {session.id}", parts)


_SAID_ABOVE = (
    "warnings",
    "tags",
    "instruments",
    "amendment",
    "amended_apart",
    *(what.name for what in fields(Occasion)),
)


def _occasion(session: Session, later: Later) -> list[str]:
    """Who captured it, when, where and with what, and its tags."""
    from innage.jobs.instruments import calibration_text

    occasion, tags = session.occasion, ", ".join(session.tags)
    bench = occasion.bench and f"{later.bench or 'one that this store does not know'} ({occasion.bench})"
    stated = {
        "Operator": occasion.operator,
        "Start": occasion.started,
        "Bench": bench,
        "Board firmware": occasion.firmware,
        "Instruments": "; ".join(map(calibration_text, later.calibrations)),
        "Tags": tags,
    }
    rows = [(what, escape(said)) for what, said in stated.items() if said]
    table = html_table(("What", "As stated"), rows, left=(0, 1)) if rows else "<p>Nothing was stated.</p>"
    unit = session.unit.name
    retired = later.retired_units.get(unit)
    remark = [f"<p>Unit {escape(unit)} is retired by now: {escape(retired)}</p>"] if retired else []
    return ["<h2>Who, when, with what</h2>", table, *remark]


def _amendments(session: Session, later: Later) -> list[str]:
    """What was stated anew since it was sealed, by whom and why."""
    from innage.jobs.sessions.session_facts import stated_text

    if not later.amendments:
        return []
    rows = [
        (
            unbroken(f"<code>{a.sha256[:ID_DIGITS]}</code>") + (", in use" * (a.sha256 == session.amendment)),
            escape(stated_text(a.stated)),
            escape(a.author),
            escape(a.reason),
        )
        for a in later.amendments
    ]
    apart = ", ".join(sha256[:ID_DIGITS] for sha256 in session.amended_apart)
    words = "This page tells the session as amended; its readings are as they were sealed."
    if apart:
        words += f" Amendments {apart} were made beside one another: nobody has united them yet."
    table = html_table(("Amendment", "Says", "Author", "Reason"), rows, left=(0, 1, 2, 3))
    return ["<h2>Amendments</h2>", table, f"<p>{words}</p>"]


def _marks(session: Session, means: Sequence[Mapping[str, Any]]) -> list[str]:
    """The marks, and in tables of a few pads each the mean counts under them."""
    from innage.jobs.sessions.session_facts import level_text

    frames = [unbroken(f"{mark.start}-{mark.stop - 1}") for mark in session.marks]
    rows = [
        (f, escape(level_text(mark)), cell(mark.u_mm), cell(mark.u_common_mm))
        for f, mark in zip(frames, session.marks, strict=True)
    ]
    sections = [
        "<h2>Marks</h2>",
        html_table(("Frames", "Level, mm", "u, mm", "Common u, mm"), rows, left=(0, 1)),
        "<p>u: standard uncertainty of the level; common u: the part of it that all marks share.</p>",
        "<h2>Counts under the marks</h2>",
    ]
    pads = session.mounting.sensor.channel_names
    for first in range(0, len(pads), COUNT_COLUMNS):
        some = slice(first, first + COUNT_COLUMNS)
        counts = [
            (f, *(f"{c['mean']:.1f} ({c['sd']:.1f})" for c in mean["counts"][some]))
            for f, mean in zip(frames, means, strict=True)
        ]
        sections.append(html_table(("Frames", *(escape(pad) for pad in pads[some])), counts))
    return [*sections, "<p>Mean, and standard deviation in brackets, of the frames under each mark.</p>"]


def _cell(value: object) -> str:
    return (
        "yes"
        if value is True
        else "no"
        if value is False
        else f"<code>{escape(value)}</code>"
        if isinstance(value, str)
        else cell(value)
    )


def _on(session: Session) -> str:
    tank, sensor = session.mounting.tank, session.mounting.sensor
    where = f"{tank.ref} with {sensor.ref} as {session.mounting.name}"
    return (
        f"{escape(session.unit.name)}, {escape(session.liquid.name)} &middot; {escape(where)} "
        f"&middot; {counted(session.frames, 'frame')}"
    )


def _responses(session: Session, frames: Frames) -> list[tuple[str, list[tuple[float, float]]]]:
    """For each pad (mean level, share of its own range) by bins of the level; pads that never move are left
    out.
    """
    from dataset.coverage.roles import levels_of

    if not session.marks:
        return []
    under = np.concatenate([np.arange(mark.start, mark.stop) for mark in session.marks])
    level = np.concatenate([levels_of(mark, frames.t_ms) for mark in session.marks])
    _, of = np.unique(np.floor(level / session.mounting.tank.span_mm * RESPONSE_BINS), return_inverse=True)
    size = np.bincount(of)
    places, curves = np.bincount(of, level) / size, []
    for k, pad in enumerate(session.mounting.sensor.channel_names):
        means = np.bincount(of, frames.counts[under, k].astype(np.float64)) / size
        low, reach = means.min(), np.ptp(means)
        if reach > 0:
            curves.append((pad, list(zip(places.tolist(), ((means - low) / reach).tolist(), strict=True))))
    return curves


def frozen_page(frozen: FrozenSet, facts: Mapping[str, Any], gaps: Gaps, purposes: Sequence[str]) -> str:
    """A frozen set: its groups and roles, what it has captured and lacks, its sessions, and every opening of
    'prove'.
    """
    from innage.pictures.heatmap import draw_gaps, most_of, pieces

    origin = origin_said(frozen.origin)
    sub = (
        f"Groups by {escape(str(frozen.group_by))} &middot; {counted(len(frozen.sessions), 'session')} "
        f"&middot; <code>{frozen.sha256[:ID_DIGITS]}</code>"
    )
    parts = [
        heading(f"Frozen set {frozen.name}", origin),
        f"<p class=sub>{sub}</p>",
        *cautions(CAUTION, origin),
    ]
    void = [s for s in frozen.sessions if s.void_reason is not None]
    if void:
        items = "".join(f"<li>session {s.id}: {escape(s.void_reason or '')}</li>" for s in void)
        parts.append(f"<div class=caution><strong>Sessions were voided since.</strong><ul>{items}</ul></div>")
    opened = "".join(f"<li>{escape(purpose)}</li>" for purpose in purposes)
    parts += [
        "<h2>Openings of 'prove'</h2>",
        (
            f"<p>{counted(len(purposes), 'opening')} so far; each wears the groups out a "
            f"little.</p><ol>{opened}</ol>"
        ),
    ]
    groups = [
        (escape(g["group"]), escape(str(g["role"])), str(g["frames"]), str(len(g["sessions"])))
        for g in facts["groups"]
    ]
    parts += [
        "<h2>Groups and roles</h2>",
        html_table(
            (escape(str(frozen.group_by).capitalize()), "Role", "Frames", "Sessions"), groups, left=(0, 1)
        ),
    ]
    if frozen.edges_c:
        labelled = sum(g["frames"] for g in facts["groups"])
        words = (
            f"A mark lies in the temperature band of its mean; {facts['frames_outside']} of "
            f"{labelled} labelled frames were measured outside it."
        )
        parts.append(
            f"<p>{words} Units, liquids and sessions may be the same in several roles: the claim "
            "is about temperature.</p>"
        )
    parts += ["<h2>What was captured</h2>"]
    of = pieces(gaps, GAP_ROWS)
    for number, piece in enumerate(of, 1):
        parts.append(
            drawn(
                partial(draw_gaps, piece, most=most_of(gaps)),
                GAPS + (f" Picture {number} of {len(of)}." if len(of) > 1 else ""),
            )
        )
    lacking = "".join(f"<li>{escape(sentence)}</li>" for sentence in gaps.missing)
    parts.append(
        f"<p>What is missing:</p><ul>{lacking}</ul>"
        if lacking
        else "<p>Nothing that the tool looks for is missing.</p>"
    )
    rows = [
        (
            unbroken(f"<code>{s.id}</code>"),
            escape(s.unit.name),
            escape(s.liquid.name),
            str(s.frames),
            escape(s.source.file),
        )
        for s in frozen.sessions
    ]
    table = html_table(("Session", "Unit", "Liquid", "Frames", "Source"), rows, left=(0, 1, 2, 4))
    parts += [
        "<h2>Sessions</h2>",
        table if len(rows) <= FEW_SESSIONS else folded(f"All {len(rows)} sessions, one by one", table),
    ]
    return page(f"frozen set {frozen.name}", parts)


def comparison_page(compared: Comparison) -> str:
    """Two models on the same frames, as ``innage compare`` finds them: limits first, then losses, classes,
    cells and size.
    """
    from innage.pictures.model_pictures import draw_comparison

    first, second, frozen, figures = compared.first, compared.second, compared.frozen, compared.figures
    origin = origin_said(frozen.origin)
    sub = (
        f"On the {escape(str(compared.role))} groups of {escape(frozen.name)} &middot; "
        f"{counted(compared.openings, 'opening')} of 'prove'"
    )
    parts = [
        heading(f"{second} beside {first}", origin),
        f"<p class=sub>{sub}</p>",
        *cautions(CAUTION, origin),
    ]
    for name, status in zip((first, second), compared.statuses, strict=True):
        if status is not None:
            said = f"{name} is {status['status']}, by {status['author']}: {status['reason']}"
            kind = "caution" if status["status"] == ModelStatus.RETIRED else "sub"
            parts.append(f"<p class={kind}>{escape(said)}</p>")
    parts += [f"<p class=caution>Out of use by now: {escape(remark)}</p>" for remark in compared.remarks]
    parts += ["<h2>Limits</h2>", _limits(compared)]
    losing = (
        [f"{second} loses, {sentence}" for sentence in figures.losses]
        + [f"not enough evidence, {sentence}" for sentence in figures.undecided]
        + [f"{first} loses, {sentence}" for sentence in figures.gains]
    )
    words = "".join(f"<li>{escape(sentence)}.</li>" for sentence in losing)
    parts += ["<h2>Who loses where it matters</h2>", f"<ul>{words}</ul>" if words else "<p>Neither.</p>"]
    rows = [
        (
            escape(name),
            str(of_class.frames),
            str(of_class.groups),
            *_spread(of_class.error_mm, 1),
            *_spread(of_class.accepted_share, 100),
        )
        for name, of_class in figures.classes.items()
    ]
    parts += [
        "<h2>Difference by class</h2>",
        html_table(
            ("Class", "Frames", "Groups", "Error, mm", "from", "to", "Accepted, %", "from", "to"), rows
        ),
    ]
    parts.append(
        f"<p>Mean absolute error on frames that both accept; above 0 {escape(second)} is worse. "
        f"Interval: {escape(figures.method)}.</p>"
    )
    if figures.cells:
        words = (
            f"Mean absolute error of {second} less that of {first}, in mm, on frames that both accept, by "
            f"class and liquid (down) and level (across): above 0, red, {second} is worse; below 0, blue, "
            f"{first} is. A cell without a number: no such frame."
        )
        picture = drawn(
            lambda path: draw_comparison(path, figures.cells, first, second, frozen.origin), words
        )
        parts += ["<h2>Where each is worse</h2>", picture]
    costs = [
        (
            escape(model),
            *map(cell, (None,) * 4 if cost is None else (cost.flash, cost.ram, cost.stack, cost.cycles)),
        )
        for model, cost in zip((first, second), compared.costs, strict=True)
    ]
    return page(
        f"{second} beside {first}",
        [*parts, "<h2>Size</h2>", html_table(("Model", "Flash, B", "RAM, B", "Stack, B", "Cycles"), costs)],
    )


def _limits(compared: Comparison) -> str:
    if compared.limits is None:
        return "<p>None: what matters is the error over all frames.</p>"
    rows = []
    for pair in compared.figures.limits:
        limit = (
            f"{escape(pair.first.metric)}, {escape(condition_text(pair.first.condition))}: at most "
            f"{cell(pair.first.bound)}"
        )
        answers = (f"{badge(one.answer)} {cell(one.value)}" for one in (pair.first, pair.second))
        rows.append((limit, *answers))
    return html_table(("Limit", escape(compared.first), escape(compared.second)), rows)


def _spread(interval: Interval, factor: float) -> list[str]:
    ends = (interval.value, interval.low, interval.high)
    return [cell(None if end is None else factor * end) for end in ends]
