"""What is shown of bundles: their files, why none was written, their checks, where a file comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.records import ID_DIGITS
from dataset.text.limits_text import condition_text
from dataset.words import LimitAnswer, Role, TrimKind, counted
from export.cautions import uneven_tanks
from innage.terminal.output import say, say_aside, table
from innage.terminal.views.models.budget import gcc_sentence

if TYPE_CHECKING:
    from dataset.records import Model
    from export.bundle.scoring import Score
    from export.bundle.verify import VerifyReport
    from export.evidence.excerpts import Origins
    from export.evidence.visited import Visited
    from innage.jobs.models.exporting import Concerns, Exported
    from innage.jobs.models.tracing import Traced


_NAMED = 12  # breaks named one by one; all of them come with --json


def warn(model: Model, concerns: Concerns) -> None:
    """A warning on standard error for each void session, and for each limit that is not met or lacks
    evidence, or that there are none; one for tanks that differ in height.
    """
    warn_uneven(model.frozen.uneven_spans_mm)
    for session, reason in concerns.void:
        _warn(f"session {session} behind model {model.name} is void: {reason}")
    named = "" if model.limits is None else f"{model.limits.ref}, "
    for row in concerns.answers:
        if row.answer != LimitAnswer.MET:
            _warn(
                f"limit {named}{row.metric} of {condition_text(row.condition)}: {row.answer} ({row.reason})"
            )
    if not concerns.answers:
        _warn(f"model {model.name} has no limits: not enough evidence that its figures are good enough")


def warn_uneven(spans_mm: Mapping[str, float]) -> None:
    """A warning on standard error where the tanks of a model differ in height; ``spans_mm`` by tank."""
    if uneven := uneven_tanks(spans_mm):
        _warn(uneven)


def _warn(sentence: str) -> None:
    say_aside(f"warning: {sentence}")


def show_refusal(model: str, concerns: Concerns, *, of_void: bool, unproven: bool = False) -> None:
    """Why nothing was written, and how it would be all the same, on standard error."""
    if of_void:
        sentence = (
            "Nothing was written. Train again without it, or say --even-if-void to export all "
            "the same; the manifest will say so."
        )
    elif unproven:
        sentence = (
            f"Nothing was written: not enough evidence{_of_limits(concerns)}. Say --even-if-unproven to "
            f"export model {model} all the same; header, manifest and report will say so."
        )
    else:
        failed = len(concerns.not_met)
        sentence = (
            f"Nothing was written: {failed} of {len(concerns.answers)} limits "
            f"{'is' if failed == 1 else 'are'} not met. Say --anyway to export model {model} all the same; "
            "its report will say so."
        )
    say_aside(sentence)


def _of_limits(concerns: Concerns) -> str:
    if not concerns.answers:
        return ", since there are no limits"
    return f" for {len(concerns.unproven)} of {len(concerns.answers)} limits"


def show_exported(model: str, exported: Exported) -> None:
    """The files, and that they are within the budget."""
    table(f"bundle of {model} in {exported.out}", ("file", "bytes"), list(exported.files.items()))
    say(f"Within budget {exported.verdict.budget.name}: {exported.verdict.sentence()}.")
    say(f"Compiled by {exported.cost.compiler}.")
    say(gcc_sentence(exported.verdict))
    say(f"Next: innage verify {exported.out}")


def show_verified(bundle: Path, report: VerifyReport) -> None:
    """Each check with its result."""
    from export.bundle.verify import Answer

    no, missing = report.having(Answer.FAILED), report.having(Answer.UNPROVEN)
    rows = [(c.name, "FAILED" if c in no else str(c.answer), c.sentence) for c in report.checks]
    table(f"verification of {bundle}", ("check", "result", "what was found"), rows)
    if no:
        say(f"{len(no)} of {len(rows)} checks failed: do not use this bundle.")
    elif missing:
        say(f"{len(missing)} of {len(rows)} checks lack their evidence: not enough evidence for this bundle.")
    elif report.having(Answer.STATED):
        say("Every check passed; what is 'stated' was not checked.")
    else:
        say("Every check passed.")


def show_kept(report: VerifyReport, model: str | None, *, has_store: bool) -> None:
    """Whether what a board measured was recorded, and where it is shown."""
    if report.on_board is None:
        return
    if model is not None:
        say(f"What the board measured is recorded beside the emulated figures: innage models {model}")
    elif has_store:
        say("What the board measured is not recorded: the store lacks this model, or a check failed.")
    else:
        say("What the board measured is not recorded: name a store that has the model with --store.")


def show_visited(visited: Visited | None) -> None:
    """Frames of the vectors by branch, decisions and inner sides; None: the vectors could not be counted."""
    if visited is None:
        return
    say("")
    table("what the vectors visit", ("a reading says", "frames"), list(visited.branches))
    for what, sides, count, missed in (
        ("decisions", visited.decisions, visited.decisions_visited, visited.unvisited),
        ("inner clips, rows and leaves", visited.inner, visited.inner_visited, visited.unreached),
    ):
        rest = f" and {sides - count - _NAMED} more" if sides - count > _NAMED else ""
        named = f"; not visited: {', '.join(missed[:_NAMED])}{rest}" if missed else ""
        say(f"Sides of {what}: {count} of {sides} visited{named}.")
    if not visited.reached:
        from export.evidence.visited import LEAST_REACHED

        say(f"Inner sides are below the floor of {100 * LEAST_REACHED:g} %.")


def show_origins(origins: Origins | None) -> None:
    """How many streams of the vectors are taken of sessions; None: the vectors could not be counted."""
    if origins is None:
        return
    if not origins.taken:
        told = (
            "as the export was told to" if origins.made_only else "no session had frames that could be taken"
        )
        say(f"Of sessions: none of {origins.streams} streams, {told}.")
        return
    few = len(origins.sessions) <= _NAMED // 2
    named = ", ".join(sha256[:ID_DIGITS] for sha256, _ in origins.sessions)
    rest = named if few else f"{counted(len(origins.sessions), 'session')}, which the report and --json name"
    rows = origins.taken * origins.frames
    say(f"Of sessions: {origins.taken} of {origins.streams} streams, {counted(rows, 'row')}, from {rest}.")


def show_score(score: Score | None) -> None:
    """What vectors and self-test notice, line by line, and what went unseen; None: it was not made."""
    if score is None:
        say("The evidence was not scored, since not every check passed.")
        return
    rows = [
        (
            line.evidence,
            line.of,
            f"{line.share.noticed} of {line.share.counting}",
            _percent(line.share.shown_bound),
            _percent(line.goal),
            None if line.reached is None else "yes" if line.reached else "NO",
        )
        for line in score.lines
    ]
    titles = ("evidence", "of what changes a reading", "noticed", "at least (95 %)", "to reach", "reached")
    table("score of the evidence", titles, rows)
    effects = score.facts()["effects"]
    say(
        f"{len(score.breaks)} breaks on {score.asked.frames} made frames that no vector was drawn from. Of "
        f"{len(score.bits)} bits of code (seed {score.asked.seed}) on {score.asked.bit_frames} frames: "
        + ", ".join(f"{what} {count}" for what, count in effects.items())
        + "."
    )
    for who in ("vectors", "self-test"):
        unseen = score.unseen(who)
        if unseen:
            rest = f" and {len(unseen) - _NAMED} more" if len(unseen) > _NAMED else ""
            say(f"Unseen by the {who}: {', '.join(unseen[:_NAMED])}{rest}.")
    say("The evidence notices what it should." if score.reached else "A bound is missed: see above.")


def _percent(share: float | None) -> str | None:
    return None if share is None else f"{100 * share:.1f} %"


def show_traced(traced: Traced, file: Path | None, *, every: bool) -> None:
    """The exports that wrote a file, each with what stands behind it; with ``every`` session by session."""
    if traced.repacked:
        say(
            f"{traced.file}: this archive was packed after the export; the manifest in it is "
            f"known. Whether its files are as exported: innage verify {file}"
        )
    _show_identities(traced)
    if not traced.exports and traced.identities:
        say("No model of this store has such a program: name another with --store.")
    elif not traced.exports:
        say(f"{traced.file}: no export of this store wrote this file (SHA-256 {traced.sha256})")
        if traced.logged:
            ids = ", ".join(traced.logged)
            say(f"It is a file that was logged, as session {ids}: 'innage show {traced.logged[0]}'.")
        else:
            say(
                "It may have been changed after the export, or come from another store: "
                "compare it with the manifest.json beside it."
            )
    if traced.strangers:
        say(
            f"not as exported: {', '.join(traced.strangers)}. What is below holds for the manifest; for what "
            f"differs: innage verify {file}"
        )
    for facts in traced.exports:
        _show_export(traced.file, traced.sha256, facts)
        if every:
            _show_every(facts)
        else:
            _summarise(facts)


def _show_identities(traced: Traced) -> None:
    """The models that a firmware says it holds."""
    from export.identity import GATE_MEANING

    for identity in traced.identities:
        rows = [
            ("model id", f"0x{identity['model_id']:08x}"),
            ("program", f"{identity['program']}..."),
            ("exported although", "; ".join(GATE_MEANING[gate] for gate in identity["gates"]) or None),
            ("limits", f"{identity['limits']}..." if identity["limits"] else "none"),
            ("sensor key", f"0x{identity['sensor_key']:08x}" if identity["sensor_key"] else "none"),
            ("models here", ", ".join(identity["models"]) or "none"),
        ]
        table(f"identity in {traced.file}", ("what", ""), rows)


def _show_export(name: str, digest: str, facts: dict[str, Any]) -> None:
    frozen, model, sessions = facts["frozen_set"], facts["model"], facts["sessions"]
    roles = list(frozen["roles"].values())
    void = [session for session in sessions if session["void"] is not None]
    rows = [
        ("file", f"{name} (exported as {facts['exported_as']})"),
        ("SHA-256", digest),
        ("bundle", facts["bundle_sha256"]),
        (
            "model",
            f"{model['name']}, {model['sha256']}"
            + (f", retrained from {model['parent']}" if model["parent"] is not None else ""),
        ),
        ("frozen set", f"{frozen['name']} ({frozen['origin']}), {frozen['sha256']}"),
        *(("status", said) for said in facts["status"]),
        *((("earlier tank", facts["earlier"]["told"]),) if facts["earlier"] else ()),
        ("groups", ", ".join(f"{roles.count(role)} {role}" for role in Role if role in roles)),
        (
            "sessions",
            (
                f"{len(sessions)} from {len({s['source']['sha256'] for s in sessions})} files, "
                f"{counted(sum(s['frames'] for s in sessions), 'frame')}"
            ),
        ),
        ("trims", _kinds(frozen["trims"]) or "none"),
        *(
            (
                f"VOID {session['id']}",
                f"unit {session['unit']}, liquid {session['liquid']}, VOID: {session['void']}",
            )
            for session in void
        ),
        *(("on a board", _measured_text(measured)) for measured in facts["boards"]),
        *(
            (f"AMENDED {session['id']}", f"marks amended since by {later['author']}: {later['reason']}")
            for session in sessions
            for later in session["amended"]
        ),
        *(
            (
                f"AMENDED {session['id']}",
                f"stated anew since by {later['author']}: {later['states']} ({later['reason']})",
            )
            for session in sessions
            for later in session["restated"]
        ),
        *(
            (f"{'TAKEN BACK' if event['takes_back'] else 'VOIDED'} {session['id']}", event["reason"])
            for session in sessions
            if any(event["takes_back"] for event in session["void_events"])
            for event in session["void_events"]
        ),
        *((f"RETIRED {what}", reason) for what, reason in facts["retired"].items()),
        *(
            (f"BENCH DAY {session['id']}", sentence)
            for session in sessions
            for sentence in session["check_standards"]
        ),
        *(
            (f"DAMAGED {session['id']}", f"its readings are not as they were sealed: {session['damage']}")
            for session in sessions
            if session["damage"] is not None
        ),
    ]
    table("trace", ("", "fact"), rows)


def _measured_text(measured: dict[str, Any]) -> str:
    """What a board measured, in one line."""
    from innage.terminal.views.models.boards import board_row

    board, compiler, *figures = board_row(measured)
    named = f"{board}, {compiler}" if compiler else str(board)
    words = ("{} vectors", "at most {} cycles a step", "{} in the mean", "prepare {}", "{} bytes of stack")
    return "; ".join(
        [named, *(w.format(figure) for w, figure in zip(words, figures, strict=True) if figure is not None)]
    )


def _kinds(trims: Sequence[dict[str, Any]]) -> str:
    kinds = [trim["kind"] for trim in trims]
    return ", ".join(f"{kinds.count(kind)} {kind}" for kind in TrimKind if kind in kinds)


def _summarise(facts: dict[str, Any]) -> None:
    """A row for each unit, liquid and mounting; sessions one by one come with --all."""
    places: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for session in facts["sessions"]:
        places.setdefault(
            (session["unit"], session["liquid"], session["mounting"], session["tank"]), []
        ).append(session)
    for mounting, tank in sorted({place[2:] for place in places}):
        rows = []
        for place, sessions in sorted(places.items()):
            if place[2:] == (mounting, tank):
                trims = [
                    t
                    for t in facts["frozen_set"]["trims"]
                    if (t["unit"], t["mounting"]) == (place[0], mounting)
                ]
                rows.append(
                    (
                        *place[:2],
                        len(sessions),
                        sum(s["frames"] for s in sessions),
                        _levels(sessions),
                        _kinds(trims) or None,
                        _remarks(sessions),
                    )
                )
        table(
            f"sessions behind it, mounting {mounting} on tank {tank}",
            ("unit", "liquid", "sessions", "frames", "levels mm", "trims", "remarks"),
            rows,
        )
    say("Every session with its source file, and every trim: --all")


def _levels(sessions: Sequence[dict[str, Any]]) -> str | None:
    levels = [level for session in sessions for level in session["levels_mm"]]
    return f"{_tenths(min(levels))} to {_tenths(max(levels))}" if levels else None


def _tenths(mm: float) -> str:
    """A level to a tenth of a millimetre: no label is better known."""
    return f"{mm:.1f}".removesuffix(".0")


def _remarks(sessions: Sequence[dict[str, Any]]) -> str:
    simulated, void = sum(s["simulated"] for s in sessions), sum(s["void"] is not None for s in sessions)
    parts = ["simulated" if simulated == len(sessions) else f"{simulated} simulated"] if simulated else []
    amended = sum(bool(s["amended"] or s["restated"]) for s in sessions)
    damaged = sum(s["damage"] is not None for s in sessions)
    counts = ((void, "void"), (amended, "amended"), (damaged, "damaged"))
    return ", ".join(parts + [f"{count} {what}" for count, what in counts if count])


def _show_every(facts: dict[str, Any]) -> None:
    trims = [
        (
            t["unit"],
            t["mounting"],
            t["kind"],
            t["date"],
            " ".join(map(str, t["counts"])),
            t["session"] and t["session"][:8],
        )
        for t in facts["frozen_set"]["trims"]
    ]
    if trims:
        table("trims", ("unit", "mounting", "kind", "date", "counts", "session"), trims)
    rows = [
        (
            s["id"],
            s["unit"],
            s["liquid"],
            s["mounting"],
            f"{s['tank']}, {s['sensor']}",
            s["frames"],
            _levels([s]),
            _remarks([s]),
            s["source"]["file"],
            s["started"],
            s["operator"],
        )
        for s in facts["sessions"]
    ]
    table(
        "sessions",
        (
            *(
                "session",
                "unit",
                "liquid",
                "mounting",
                "tank, sensor",
                "frames",
                "levels mm",
                "remarks",
                "file",
            ),
            *("begun", "by"),
        ),
        rows,
    )
    sources = {s["source"]["sha256"]: s["source"]["file"] for s in facts["sessions"]}
    table(
        "source files",
        ("file", "SHA-256"),
        [(name, digest) for digest, name in sorted(sources.items(), key=lambda item: item[::-1])],
    )
