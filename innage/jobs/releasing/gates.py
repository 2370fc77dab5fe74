"""The gates before a channel: what a bundle has to stand up to in the store that lets it out.

Everything is judged from the store, nothing is believed of the manifest, and nothing is compiled or run: C,
ONNX, vectors and report are made again of the program and compared byte for byte, the vectors go through the
interpreter, limits are answered anew from the readings, and what was said of sessions since is named. The
frames of 'prove' are judged as at the training; nobody is shown their figures, so that it is no opening.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.words import LimitAnswer, ModelStatus, Role
from innage.jobs import Progress, silent
from innage.jobs.models.set_reference import said_otherwise

if TYPE_CHECKING:
    from dataset.records import FrozenSet, Model, Session
    from dataset.store import Store
    from export.bundle.manifest import Manifest
    from export.bundle.verify import Check, VerifyReport
    from training.judging.figures import AnsweredLimit

ANYWAY, UNPROVEN, VOID = "anyway", "even_if_unproven", "even_if_void"
AMENDED, RETIRED, WITHDRAWN = "even_if_amended", "even_if_retired", "even_if_withdrawn"
# what somebody may concede, with a reason, to move a channel all the same; a withdrawal has to be taken back
CONCESSIONS = (ANYWAY, UNPROVEN, VOID, AMENDED, RETIRED)

_OF_FILES = ("manifest", "files", "program", "made again", "vectors", "sources", "score", "figures")
MADE_AGAIN = "made again"
_OF_VERSIONS = (MADE_AGAIN, "score")  # what another version of the tools answers otherwise
_STAMPED = {"not_met": ANYWAY, "unproven": UNPROVEN, "unvisited": UNPROVEN, "void": VOID}
_NAMED = 3  # sessions or limits in a sentence
Said = tuple[tuple[tuple[str, str], ...], tuple[str, ...]]  # void sessions with their reasons, amended ones


@dataclass(frozen=True)
class Gate:
    """One gate: ``passed``, ``failed`` or ``not enough evidence``, and a sentence that says what was found.
    ``concession`` is what opens it all the same (ISO 9000:2015, 3.12.5: permission to release what does not
    conform); None: nothing does.
    """

    name: str
    answer: str
    sentence: str
    concession: str | None = None

    @property
    def passed(self) -> bool:
        return self.answer == PASSED

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "name": self.name,
            "answer": self.answer,
            "sentence": self.sentence,
            "concession": self.concession,
        }


PASSED, FAILED, LACKING = "passed", "failed", LimitAnswer.UNPROVEN.value


@dataclass(frozen=True)
class Judgement:
    """What the gates say of a bundle. ``model`` is its name in the store, None where the store lacks it;
    ``said`` is the state of what was said of the model and its sessions
    (:meth:`dataset.store.Store.said_of`), to which the judgement belongs.
    """

    bundle_sha256: str
    model: str | None
    gates: tuple[Gate, ...]
    said: str = ""

    def stopping(self, concessions: Collection[str] = ()) -> tuple[Gate, ...]:
        """The gates that stay shut for somebody who makes these concessions."""
        return tuple(gate for gate in self.gates if not gate.passed and gate.concession not in concessions)

    def asked(self) -> tuple[str, ...]:
        """The concessions without which some gate stays shut."""
        return tuple(
            word for word in CONCESSIONS if any(g.concession == word for g in self.gates if not g.passed)
        )


def judge(store: Store, files: Mapping[str, bytes], progress: Progress = silent) -> Judgement:
    """Judge a bundle, given as file names and bytes, by what the store has.

    Raises:
        InputError: no manifest that can be read.
    """
    from export.bundle.manifest import MANIFEST, read_manifest
    from export.bundle.verify import verify_files
    from innage.jobs.models.vector_sources import held_in
    from innage.jobs.models.verifying import model_in, recorded_in

    if MANIFEST not in files:
        raise InputError("bundle", f"holds no {MANIFEST}", "the files of an exported bundle")
    manifest = read_manifest(files[MANIFEST])
    model = model_in(store, manifest)
    said = "" if model is None else store.said_of(model.name)
    report = verify_files(
        files,
        _OF_FILES,
        progress,
        lambda read: recorded_in(store, read),
        lambda read: held_in(store, read, voids=False),
    )
    gates = [_of_check(check) for check in report.checks]
    sound = all(gate.answer != FAILED for gate in gates)
    if model is not None and sound:
        gates += _of_model(store, model, manifest, report, progress)
    known = None if model is None else model.name
    return Judgement(manifest.bundle_sha256, known, tuple(gates), said)


def _of_check(check: Check) -> Gate:
    """The gate of a check of ``innage verify``: what a bundle only states does not pass here."""
    from export.bundle.verify import Answer

    answers = {Answer.PASSED: PASSED, Answer.FAILED: FAILED, Answer.UNPROVEN: LACKING, Answer.STATED: LACKING}
    answer = answers[check.answer]
    if check.name == "figures" and check.answer is Answer.STATED:
        answer = FAILED  # the store does not have the model
    return Gate(check.name, answer, check.sentence)


def judged_earlier(judgement: Judgement, when: str, channel: str) -> Judgement:
    """The same of a bundle that passed the gates before, by the version that wrote it: that this version
    makes other bytes is no lack then, so that a channel can go back to what it pointed at.
    """
    sentence = f"passed {when}, when channel {channel} was moved to the same bytes"
    return replace(
        judgement,
        gates=tuple(
            Gate(g.name, PASSED, sentence) if g.name in _OF_VERSIONS and g.answer == LACKING else g
            for g in judgement.gates
        ),
    )


def _of_model(
    store: Store, model: Model, manifest: Manifest, report: VerifyReport, progress: Progress
) -> Iterator[Gate]:
    """The gates of what stands behind a bundle that is in order itself."""
    from training.search.metrics import read_metrics

    stated = _as_exported(manifest)
    void, amended = void_and_amended(store, model)
    recorded = read_metrics(json.loads(model.metrics)).limits
    progress("limits", 0, 1)
    # a set with a void session is not judged; who concedes that goes by what the training found
    answers = recorded if void else answered_anew(store, model)
    progress("limits", 1, 1)
    yield _limits(answers, recorded, stated.get(ANYWAY, ()), anew=not void)
    yield _evidence(answers, report, stated.get(UNPROVEN, ()))
    yield _budget(store, manifest)
    yield void_gate(void, stated.get(VOID, ()))
    yield amended_gate(amended)
    yield status_gate(store, model)


def answered_anew(store: Store, model: Model) -> tuple[AnsweredLimit, ...]:
    """The model's limits, answered from the readings of its frozen set's 'prove' groups as the store has
    them; none where it has no limits.

    Raises:
        InputError: readings or trims that its program does not take. StoreError: readings that are not as
            they were sealed.
    """
    from training.judging.answers import answer_limits
    from training.judging.comparing import whole_figures
    from training.judging.stored import judge_model

    if model.limits is None:
        return ()
    data = store.frozen_data(model.frozen)
    rows = data.rows(Role.PROVE)
    if not rows.any():
        return tuple(answer_limits(model.limits, None))
    return tuple(answer_limits(model.limits, whole_figures(judge_model(model, data, rows, cold=True))))


def void_and_amended(store: Store, model: Model) -> Said:
    """Sessions behind the model that are void by now, each with the reason, and those of which something else
    is said by now than when they were frozen: by their ids.
    """
    now = {session.sha256: session for session in store.sessions_now(model.frozen.name)}
    return void_and_amended_of(model.frozen, now)


def void_and_amended_of(frozen_set: FrozenSet, current: Mapping[str, Session]) -> Said:
    """The same of a frozen set; ``current`` has, by hash, its sessions as they are now, and may leave out
    those that stayed as they were frozen.
    """
    pairs = [(session, current.get(session.sha256, session)) for session in frozen_set.sessions]
    void = tuple((now.id, now.void_reason) for _, now in pairs if now.void_reason is not None)
    return void, tuple(now.id for frozen, now in pairs if said_otherwise(frozen, now))


def _as_exported(manifest: Manifest) -> dict[str, list[str]]:
    """By concession: what the bundle itself says was let through when it was exported."""
    said: dict[str, list[str]] = {}
    for name in manifest.written.stamp.gates:
        if name in _STAMPED:
            said.setdefault(_STAMPED[name], []).append(f"it was exported with '{name}' in its identity")
    return said


def _limits(
    answers: Sequence[AnsweredLimit],
    recorded: Sequence[AnsweredLimit],
    stated: Sequence[str],
    *,
    anew: bool = True,
) -> Gate:
    no = [row for row in answers if row.answer == LimitAnswer.NOT_MET]
    said = {(row.metric, row.condition): row.answer for row in recorded}
    other = [row for row in answers if said.get((row.metric, row.condition), row.answer) != row.answer]
    changed = [f"{len(other)} answered otherwise than at the training"] * bool(other)
    if not no and not stated:
        met = sum(row.answer == LimitAnswer.MET for row in answers)
        how = (
            "answered anew from the readings"
            if anew
            else "as the training answered: of void sessions, not anew"
        )
        return Gate(
            "limits", PASSED, "; ".join([f"{met} of {len(answers)} met, none not met, {how}", *changed])
        )
    found = [f"{len(no)} of {len(answers)} not met ({some_limits(no)})"] * bool(no)
    return Gate("limits", FAILED, "; ".join([*found, *changed, *stated]), ANYWAY)


def some_limits(rows: Sequence[AnsweredLimit]) -> str:
    from dataset.text.limits_text import condition_text

    named = [f"{row.metric} of {condition_text(row.condition)}: {row.reason}" for row in rows[:_NAMED]]
    return ", ".join([*named, *(["..."] * (len(rows) > _NAMED))])


def _evidence(answers: Sequence[AnsweredLimit], report: VerifyReport, stated: Sequence[str]) -> Gate:
    lacking = [row for row in answers if row.answer == LimitAnswer.UNPROVEN]
    found = [
        f"not enough evidence for {len(lacking)} of {len(answers)} limits ({some_limits(lacking)})"
    ] * bool(lacking)
    if not answers:
        found.append("the model has no limits")
    unvisited = [] if report.visited is None else report.visited.facts()["decisions"]["unvisited"]
    if unvisited:
        found.append(f"no vector visits {', '.join(unvisited[:_NAMED])}")
    if not found and not stated:
        return Gate("evidence", PASSED, "for every limit; vectors visit every side of every decision")
    return Gate("evidence", LACKING, "; ".join([*found, *stated]), UNPROVEN)


def _budget(store: Store, manifest: Manifest) -> Gate:
    """The cost is the one thing that the export measured and nobody measures here."""
    body = manifest.body
    name = body["budget"]["name"]
    if body["cost"] is None:
        return Gate("budget", LACKING, "nobody measured what it costs", UNPROVEN)
    over = [line["resource"] for line in body["cost"]["lines"] if not line["within"]]
    if over:
        return Gate("budget", FAILED, f"over budget {name}: {', '.join(over)}")
    if name not in {budget.name for budget in store.budgets()}:
        return Gate("budget", LACKING, f"the store has no budget {name}", UNPROVEN)
    return Gate("budget", PASSED, f"within budget {name}, by the figures that the export measured")


def void_gate(void: Sequence[tuple[str, str]], stated: Sequence[str]) -> Gate:
    if not void and not stated:
        return Gate("void sessions", PASSED, "none behind it")
    named = [f"session {name} is void ({reason})" for name, reason in void[:_NAMED]]
    more = [f"{len(void) - _NAMED} more are"] * (len(void) > _NAMED)
    return Gate("void sessions", FAILED, "; ".join([*named, *more, *stated]), VOID)


def amended_gate(amended: Sequence[str]) -> Gate:
    if not amended:
        return Gate("amended sessions", PASSED, "none behind it since they were frozen")
    named = ", ".join([*amended[:_NAMED], *(["..."] * (len(amended) > _NAMED))])
    what = "session was" if len(amended) == 1 else "sessions were"
    return Gate(
        "amended sessions", FAILED, f"{len(amended)} {what} amended since it was frozen ({named})", AMENDED
    )


def status_gate(store: Store, model: Model) -> Gate:
    event = store.status(model.name)
    if event is None or event.status is not ModelStatus.RETIRED:
        return Gate("status", PASSED, f"model {model.name} is in use")
    return Gate(
        "status", FAILED, f"model {model.name} is retired by {event.author} ({event.reason})", RETIRED
    )
