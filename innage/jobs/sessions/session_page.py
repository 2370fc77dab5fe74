"""The page on a capture session, with its pictures inside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from dataset.labels.conditions import conditions_text
from dataset.records import ID_DIGITS, Occasion
from export.cautions import CAUTION
from export.report.html import cell, counted, html_table, svg_figure, unbroken
from export.report.html_page import caution_line, cautions, foot_of, heading, origin_said, page
from export.report.plots import response_plot
from innage.pictures.course import course

if TYPE_CHECKING:
    from dataset.records import DoorWarning, Frames, Instrument, Mark, Session, SessionAmendment

COUNT_COLUMNS = 6  # pads beside each other in a table of counts
RESPONSE_BINS = 60  # of the span
COURSE = (
    "Counts of each pad over time, a line a pad. Shaded: the marks, with their level in mm above, where "
    "there is room. Below, where they were stated or measured: the conditions, a row each, and the "
    "temperature. Lines are broken at gaps in time."
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
    origin = origin_said("simulated" if session.simulated else "measured")
    parts = [
        heading(f"Session {session.id}", origin),
        f"<p class=sub>{_on(session)}</p>",
        caution_line(origin),
    ]
    if session.void_reason is not None:
        parts.append(f"<p class=caution><strong>Void.</strong> {escape(session.void_reason)}</p>")
    warnings = [(escape(w.check), escape(w.sentence)) for w in session.warnings]
    parts += [
        "<h2>Import warnings</h2>",
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
    parts += ["<h2>Course</h2>", svg_figure(course(session, frames), COURSE)]
    if session.marks:
        parts += _marks(session, means)
    if session.stretches:
        rows = [
            (f"{s.start}-{s.stop - 1}", escape(conditions_text(s.conditions)).replace(",", ",<wbr>"))
            for s in session.stretches
        ]
        parts += ["<h2>Conditions</h2>", html_table(("Frames", "Conditions"), rows, left=(0, 1))]
    kept = [
        (escape(k.replace("_", " ")), _cell(v))
        for k, v in facts.items()
        if k not in _SAID_ABOVE and v is not None
    ]
    parts += ["<h2>Facts</h2>", html_table(("Fact", "Value"), kept, left=(0, 1))]
    parts += cautions(CAUTION, origin)
    return page(f"session {session.id}", parts, foot_of(f"session {session.id}", session.sha256))


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
        (f, escape(level_text(_rounded(mark))), cell(mark.u_mm), cell(mark.u_common_mm))
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


def _rounded(mark: Mark) -> Mark:
    """The mark with its levels to a tenth of a millimetre, or to a hundredth where they are known that
    well.
    """
    digits = 1 if mark.u_mm is None or mark.u_mm >= 0.1 else 2
    stop = mark.level_stop_mm
    return replace(
        mark,
        level_mm=round(mark.level_mm, digits),
        level_stop_mm=None if stop is None else round(stop, digits),
    )


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
