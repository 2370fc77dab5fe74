"""Reports for people on what the store holds: a session, a frozen set, a model, a comparison. Each is one
HTML page with its pictures inside, written to a file of its own.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.records import ID_DIGITS
from dataset.text.limits_text import condition_text
from dataset.values import natural
from dataset.words import ModelStatus, Role
from export.cautions import CAUTION
from export.report.html import badge, cell, counted, folded, html_table, unbroken
from export.report.html_page import caution_line, cautions, foot_of, heading, origin_said, page
from export.report.page import FEW_SESSIONS
from innage.jobs import silent
from innage.jobs.sessions.session_page import Later, session_page
from innage.outputs import check_place, write_file
from innage.pictures.maps import coverage_map, difference_map

if TYPE_CHECKING:
    from dataset.coverage.gaps import Gaps
    from dataset.records import FrozenSet
    from dataset.store import Store
    from innage.jobs import Progress
    from innage.jobs.models.judging import Comparison, Yardstick
    from training.judging.figures import Interval

GAPS = (
    "Each cell: independent sessions / units that were captured there, the darker the more sessions; "
    "'none': nobody has looked. Across: bands of the level; down: liquid, condition, temperature."
)


def check_page(out: Path, replace: bool) -> None:
    """InputError unless a page can be written to ``out``; before anything is opened or counted."""
    if out.suffix.lower() not in (".html", ".htm"):
        raise InputError("out", str(out), "a page, FILE.html", fields=("out",))
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
    store: Store,
    name: str,
    out: Path,
    *,
    budget: str | None = None,
    score: bool = False,
    replace: bool = False,
) -> None:
    """Write the page of a model; see :func:`model_page`."""
    check_page(out, replace)
    write_file(out, model_page(store, name, budget=budget, score=score).encode())


def model_page(store: Store, name: str, *, budget: str | None = None, score: bool = False) -> str:
    """The page of a model as training found it, measured for a budget as well where one is named; 'prove' is
    not opened again. With ``score`` single breaks are put into the program and counted that its vectors and
    its self-test notice; else a score stands there where the store keeps a bundle of the model.
    """
    from export.bundle.build import score_of
    from export.bundle.manifest import model_facts
    from export.core.measure import measure
    from export.report.page import render_report
    from innage.jobs.models.training import board_facts, status_facts
    from innage.jobs.registry import retired_remarks
    from training.program import from_json

    model = store.model(name)
    program = from_json(model.program, f"model '{name}'")
    left = None if budget is None else store.budget(budget)
    cost = None if left is None else measure(program, left)
    boards = [board_facts(measured) for measured in store.board_measurements(name)]
    remarks = retired_remarks(store, {"limits": model.limits, "budget": left})
    operators = {s.occasion.operator for s in model.frozen.sessions if s.occasion.operator}
    made = {"date": model.date, "operators": sorted(operators, key=natural)}
    later = made | {"boards": boards, "status": status_facts(store.status(name)), "remarks": remarks}
    later |= {"score": score_of(program)} if score else kept_score(store, name)
    facts = model_facts(program, model, left, cost, {}) | later
    return render_report(facts)


def kept_score(store: Store, name: str) -> dict[str, Any]:
    """The score of the evidence that a kept bundle of the model states, and the bundle's hash, as facts of
    the model's page; nothing where no bundle is kept.
    """
    from export.bundle.manifest import MANIFEST

    for bundle in store.bundles_of(name):
        for file in bundle.files:
            if file.name == MANIFEST and file.size is not None:
                stated = json.loads(store.bundle_file(bundle.bundle_sha256, file.sha256))
                if "score" in stated:
                    return {"score": stated["score"], "score_of": bundle.bundle_sha256}
    return {}


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


def frozen_page(frozen: FrozenSet, facts: Mapping[str, Any], gaps: Gaps, purposes: Sequence[str]) -> str:
    """A frozen set: its groups and roles, what it has captured and lacks, its sessions, and every opening of
    'prove'.
    """
    origin = origin_said(frozen.origin)
    sub = (
        f"Groups by {escape(str(frozen.group_by))} &middot; {counted(len(frozen.sessions), 'session')} "
        f"&middot; <code>{frozen.sha256[:ID_DIGITS]}</code>"
    )
    parts = [
        heading(f"Frozen set {frozen.name}", origin),
        f"<p class=sub>{sub}</p>",
        caution_line(origin),
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
        for g in sorted(facts["groups"], key=lambda group: natural(group["group"]))
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
    parts += [*coverage_map(gaps), f"<p>{escape(GAPS)}</p>"]
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
    parts += cautions(CAUTION, origin)
    return page(f"frozen set {frozen.name}", parts, foot_of(f"frozen set {frozen.name}", frozen.sha256))


def comparison_page(compared: Comparison) -> str:
    """Two models on the same frames, as ``innage compare`` finds them: limits first, then losses, classes,
    cells and size.
    """
    first, second, frozen, figures = compared.first, compared.second, compared.frozen, compared.figures
    origin = origin_said(frozen.origin)
    opened = (
        f" &middot; {counted(compared.openings, 'opening')} of 'prove'" if compared.role == Role.PROVE else ""
    )
    sub = f"On the {escape(str(compared.role))} groups of {escape(frozen.name)}{opened}"
    told = [
        f"{escape(what)} <code>{sha256[:ID_DIGITS]}</code>"
        for what, sha256 in (
            *zip((first, second), compared.hashes, strict=True),
            (f"frozen set {frozen.name}", frozen.sha256),
        )
    ]
    parts = [
        heading(f"{second} beside {first}", origin),
        f"<p class=sub>{sub}</p>",
        f"<p class=sub>Hashes: {' &middot; '.join(told)}</p>",
        caution_line(origin),
    ]
    for name, status in zip((first, second), compared.statuses, strict=True):
        if status is not None:
            said = f"{name} is {status['status']}, by {status['author']}: {status['reason']}"
            kind = "caution" if status["status"] == ModelStatus.RETIRED else "sub"
            parts.append(f"<p class={kind}>{escape(said)}</p>")
    parts += [f"<p class=caution>Out of use by now: {escape(remark)}</p>" for remark in compared.remarks]
    parts += [f"<p class=caution>{escape(compared.caveat)}</p>"] if compared.caveat else []
    parts += ["<h2>Limits</h2>", _limits(compared)]
    losing = (
        [f"{second} is worse in {sentence}" for sentence in figures.losses]
        + [f"not enough evidence, {sentence}" for sentence in figures.undecided]
        + [f"{first} is worse in {sentence}" for sentence in figures.gains]
    )
    words = "".join(f"<li>{escape(sentence)}.</li>" for sentence in losing)
    parts += ["<h2>Regressions that matter</h2>", f"<ul>{words}</ul>" if words else "<p>None.</p>"]
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
            ("Class", "Frames", "Groups", "Error, mm", "from", "to", "Accepted, points", "from", "to"), rows
        ),
    ]
    parts.append(
        f"<p>Mean absolute error on frames that both accept; above 0 {escape(second)} is worse. "
        f"Accepted: percentage points of all frames. Interval: {escape(figures.method)}.</p>"
    )
    if figures.cells:
        words = (
            f"Mean absolute error of {second} minus that of {first}, in mm, on frames that both accept, by "
            f"class and liquid (down) and level (across): above 0, red, {second} is worse; below 0, blue, "
            f"{first} is. A cell without a number: no such frame."
        )
        table = difference_map(figures.cells)
        parts += ["<h2>Where each is worse</h2>", table, f"<p>{escape(words)}</p>"]
    costs = [
        (
            escape(model),
            *map(cell, (None,) * 4 if cost is None else (cost.flash, cost.ram, cost.stack, cost.cycles)),
        )
        for model, cost in zip((first, second), compared.costs, strict=True)
    ]
    sizes = html_table(("Model", "Flash, B", "RAM, B", "Stack, B", "Cycles"), costs)
    unmeasured = (
        "<p>A model that was trained without a budget has no size here; "
        "<code>innage compare --budget NAME</code> measures both.</p>"
        if None in compared.costs
        else ""
    )
    parts += ["<h2>Size</h2>", sizes, unmeasured, *cautions(CAUTION, origin)]
    title = f"{second} beside {first}"
    return page(title, parts, foot_of(title, *reversed(compared.hashes)))


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
