"""Pages for people on what the store holds: a session, a frozen set, a model, a comparison. Each is one HTML file with its pictures inside."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from html import escape
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from dataset.conditions import conditions_text
from export.c_header import CAUTIONS
from export.html_page import cautions, heading, origin_said, page
from export.html_text import badge, cell, counted, figure, html_table
from export.plots import response_plot

if TYPE_CHECKING:
    from dataset.gaps import Gaps
    from dataset.records import Frames, FrozenSet, Session

CAUTION = " ".join(CAUTIONS)
_SHORT = 12  # digits of a hash that are shown
Mean = Mapping[str, float]


def drawn(draw: Callable[[Path], None], caption: str) -> str:
    """A picture that ``draw`` writes as SVG, inside the page, on paper of its own: its colours are made for white."""
    with TemporaryDirectory(prefix="innage-") as folder:
        path = Path(folder) / "picture.svg"
        draw(path)
        svg = path.read_text(encoding="utf-8")
    svg = svg[svg.index("<svg") :]
    opening = re.sub(r' (?:width|height)="[^"]*pt"', "", svg[: svg.index(">")])
    return figure(f'<div class=picture>{opening} role="img" aria-label="{escape(caption)}"{svg[svg.index(">") :]}</div>', escape(caption))


def session_page(session: Session, frames: Frames, facts: Mapping[str, Any], means: Sequence[Mapping[str, Any]]) -> str:
    """A capture session: warnings first, then what it is, the pads' response, the whole course, its marks and conditions.

    ``facts`` and ``means`` are those of ``innage show``: the session's facts, and for each mark the mean and spread of each channel's counts.
    """
    from innage.session_plot import draw_session

    origin = origin_said("simulated" if session.simulated else "measured")
    pads = session.mounting.sensor.channel_names
    parts = [heading(f"Session {session.id}", origin), f"<p class=sub>{_on(session)}</p>", *cautions(CAUTION, origin)]
    if session.void_reason is not None:
        parts.append(f"<p class=caution><strong>Void.</strong> {escape(session.void_reason)}</p>")
    warnings = [(escape(w.check), escape(w.sentence)) for w in session.warnings]
    parts += ["<h2>Warnings at the door</h2>", html_table(("Check", "What was found"), warnings, left=(0, 1)) if warnings else "<p>None.</p>"]
    curves = _responses(session, means)
    if curves:
        said = "Mean count of each pad under each mark, from the least of its means to the greatest: how far the levels that were captured drive it."
        parts += ["<h2>Pad response</h2>", figure(response_plot(curves), said)]
    parts += ["<h2>Course</h2>", drawn(lambda path: draw_session(path, session, frames), "Counts over time, with marks, conditions and temperature.")]
    if session.marks:
        rows = [
            (f"{mark.start}-{mark.stop - 1}", cell(mark.level_mm), cell(mark.u_mm), *(f"{c['mean']:.1f} ({c['sd']:.1f})" for c in its["counts"]))
            for mark, its in zip(session.marks, means, strict=True)
        ]
        parts += ["<h2>Marks</h2>", html_table(("Frames", "Level, mm", "u, mm", *(f"{escape(p)}: mean (sd)" for p in pads)), rows)]
    if session.stretches:
        rows = [(f"{s.start}-{s.stop - 1}", escape(conditions_text(s.conditions))) for s in session.stretches]
        parts += ["<h2>Conditions</h2>", html_table(("Frames", "Conditions"), rows, left=(0, 1))]
    kept = [(escape(k.replace("_", " ")), _cell(v)) for k, v in facts.items() if k != "warnings"]
    parts += ["<h2>Facts</h2>", html_table(("Fact", "Value"), kept, left=(0, 1))]
    return page(f"session {session.id}", parts)


def _cell(value: object) -> str:
    return "yes" if value is True else "no" if value is False else f"<code>{escape(value)}</code>" if isinstance(value, str) else cell(value)


def _on(session: Session) -> str:
    tank, sensor = session.mounting.tank, session.mounting.sensor
    where = f"{tank.name}@{tank.revision} with {sensor.name}@{sensor.revision} as {session.mounting.name}"
    return f"{escape(session.unit.name)}, {escape(session.liquid.name)} &middot; {escape(where)} &middot; {counted(session.frames, 'frame')}"


def _responses(session: Session, means: Sequence[Mapping[str, Any]]) -> list[tuple[str, list[tuple[float, float]]]]:
    """For each pad (level, share of its own range) under static marks; pads that never move are left out."""
    static = [(mark, its) for mark, its in zip(session.marks, means, strict=True) if mark.level_stop_mm is None]
    curves = []
    for k, pad in enumerate(session.mounting.sensor.channel_names):
        values = [its["counts"][k]["mean"] for _, its in static]
        if len(set(values)) > 1:
            low, high = min(values), max(values)
            curves.append((pad, sorted((mark.level_mm, (value - low) / (high - low)) for (mark, _), value in zip(static, values, strict=True))))
    return curves


def frozen_page(frozen: FrozenSet, facts: Mapping[str, Any], found: Gaps, purposes: Sequence[str]) -> str:
    """A frozen set: its groups and roles, what it has captured and lacks, its sessions, and every opening of 'prove'."""
    from innage.heatmap import draw_gaps

    origin = origin_said(frozen.origin)
    sub = f"Groups by {escape(str(frozen.group_by))} &middot; {counted(len(frozen.sessions), 'session')} &middot; <code>{frozen.sha256[:_SHORT]}</code>"
    parts = [heading(f"Frozen set {frozen.name}", origin), f"<p class=sub>{sub}</p>", *cautions(CAUTION, origin)]
    void = [s for s in frozen.sessions if s.void_reason is not None]
    if void:
        items = "".join(f"<li>session {s.id}: {escape(s.void_reason or '')}</li>" for s in void)
        parts.append(f"<div class=caution><strong>Sessions were voided since.</strong><ul>{items}</ul></div>")
    opened = "".join(f"<li>{escape(purpose)}</li>" for purpose in purposes)
    parts += ["<h2>Openings of 'prove'</h2>", f"<p>{counted(len(purposes), 'opening')} so far; each wears the groups out a little.</p><ol>{opened}</ol>"]
    groups = [(escape(g["group"]), escape(str(g["role"])), str(g["frames"]), str(len(g["sessions"]))) for g in facts["groups"]]
    parts += ["<h2>Groups and roles</h2>", html_table((escape(str(frozen.group_by)), "Role", "Frames", "Sessions"), groups, left=(0, 1))]
    if frozen.edges_c:
        labelled = sum(g["frames"] for g in facts["groups"])
        said = f"A mark lies in the temperature band of its mean; {facts['frames_outside']} of {labelled} labelled frames were measured outside it."
        parts.append(f"<p>{said} Units, liquids and sessions may be the same in several roles: the claim is about temperature.</p>")
    parts += ["<h2>What was captured</h2>"]
    if found.cells:
        parts.append(drawn(lambda path: draw_gaps(found, path), "Independent sessions / units, by level band, liquid, condition and temperature."))
    lacking = "".join(f"<li>{escape(sentence)}</li>" for sentence in found.missing)
    parts.append(f"<p>What is missing:</p><ul>{lacking}</ul>" if lacking else "<p>Nothing that the tool looks for is missing.</p>")
    rows = [(f"<code>{s.id}</code>", escape(s.unit.name), escape(s.liquid.name), str(s.frames), escape(s.source.file)) for s in frozen.sessions]
    parts += ["<h2>Sessions</h2>", html_table(("Session", "Unit", "Liquid", "Frames", "Source"), rows, left=(0, 1, 2, 4))]
    return page(f"frozen set {frozen.name}", parts)


def comparison_page(found: Mapping[str, Any]) -> str:
    """Two models on the same frames, as ``innage compare`` finds them: limits first, then losses, classes, cells and size."""
    from innage.model_pictures import draw_comparison

    first, second, frozen = found["first"], found["second"], found["frozen"]
    origin = origin_said(frozen["origin"])
    sub = f"On the {escape(str(found['role']))} groups of {escape(frozen['name'])} &middot; {counted(found['openings'], 'opening')} of 'prove'"
    parts = [heading(f"{second} beside {first}", origin), f"<p class=sub>{sub}</p>", *cautions(CAUTION, origin)]
    parts += ["<h2>Limits</h2>", _limits(found, first, second)]
    losing = [f"{second} loses, {sentence}" for sentence in found["losses"]] + [f"{first} loses, {sentence}" for sentence in found["gains"]]
    said = "".join(f"<li>{escape(sentence)}.</li>" for sentence in losing)
    parts += ["<h2>Who loses where it matters</h2>", f"<ul>{said}</ul>" if said else "<p>Neither.</p>"]
    rows = [
        (escape(name), str(its["frames"]), str(its["groups"]), *_spread(its["error_mm"], 1), *_spread(its["accepted_share"], 100))
        for name, its in found["classes"].items()
    ]
    parts += ["<h2>Difference by class</h2>", html_table(("Class", "Frames", "Groups", "Error, mm", "from", "to", "Accepted, %", "from", "to"), rows)]
    parts.append(f"<p>Mean absolute error on frames that both accept; above 0 {escape(second)} is worse. Interval: {escape(found['method'])}.</p>")
    if found["cells"]:
        parts += ["<h2>Where each is worse</h2>", drawn(lambda path: draw_comparison(path, dict(found)), f"Red: {second} is worse; blue: {first} is.")]
    names = ("flash", "ram", "stack", "cycles")
    costs = [(escape(m), *(cell((its or {}).get(n)) for n in names)) for m, its in zip((first, second), found["costs"], strict=True)]
    return page(f"{second} beside {first}", [*parts, "<h2>Size</h2>", html_table(("Model", "Flash, B", "RAM, B", "Stack, B", "Cycles"), costs)])


def _limits(found: Mapping[str, Any], first: str, second: str) -> str:
    if found["limits_of"] is None:
        return "<p>None: what matters is the error over all frames.</p>"
    rows = [
        (
            escape(pair["first"]["metric"]), escape(pair["first"]["condition"]), cell(pair["first"]["bound"]),
            cell(pair["first"]["value"]), badge(pair["first"]["answer"]), cell(pair["second"]["value"]), badge(pair["second"]["answer"]),
        )
        for pair in found["limits"]
    ]  # fmt: skip
    return html_table(("Metric", "Condition", "Bound", escape(first), "", escape(second), ""), rows, left=(0, 1, 4, 6))


def _spread(its: Mapping[str, float | None], factor: float) -> list[str]:
    return [cell(None if (value := its[k]) is None else factor * value) for k in ("value", "low", "high")]
