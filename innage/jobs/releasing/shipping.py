"""May a model ship? What a store has for and against it, read off without judging anything anew.

The answers are those of the training and of what was said since. Only the gates before a channel judge a
bundle (:mod:`innage.jobs.releasing.gates`), so a model that nothing speaks against ships by a channel alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from dataset.words import LimitAnswer
from innage.jobs.releasing.gates import (
    ANYWAY,
    FAILED,
    LACKING,
    PASSED,
    UNPROVEN,
    Gate,
    amended_gate,
    some_limits,
    status_gate,
    void_gate,
)

if TYPE_CHECKING:
    from dataset.records import ChannelMove, KnownBundle, Model
    from dataset.store import Store
    from training.search.metrics import Metrics


class Ships(StrEnum):
    """The answer as a whole."""

    YES = "yes"
    CONCEDED = "by concession"
    OPEN = "not yet"
    NO = "no"


@dataclass(frozen=True)
class Standing:
    """What a store has for and against a model: a gate a question, its usable and withdrawn bundles, and the
    moves by which channels point at one of them.
    """

    gates: tuple[Gate, ...]
    bundles: tuple[KnownBundle, ...]
    pointing: tuple[ChannelMove, ...]

    @property
    def ships(self) -> Ships:
        """No where something speaks against it and nobody conceded that; not yet where something is open."""
        conceded = {word for move in self.pointing for word in move.concessions}
        shut = [gate for gate in self.gates if not gate.passed]
        kept = [gate for gate in shut if gate.concession not in conceded]
        if any(gate.answer == FAILED for gate in kept):
            return Ships.NO
        if kept:
            return Ships.OPEN
        return Ships.CONCEDED if shut else Ships.YES


def standing(
    store: Store,
    model: Model,
    metrics: Metrics,
    void: Sequence[tuple[str, str]],
    amended: Sequence[str],
) -> Standing:
    """``void`` and ``amended``: :func:`innage.jobs.releasing.gates.void_and_amended` of the model."""
    bundles = store.bundles_of(model.name)
    own = {bundle.bundle_sha256 for bundle in bundles}
    pointing = tuple(move for move in store.channels() if move.bundle_sha256 in own)
    gates = (
        _limits(model, metrics),
        _budget(metrics, pointing),
        _readings(model),
        void_gate(void, ()),
        amended_gate(amended),
        status_gate(store, model),
        _bundle(bundles),
        _channel(bundles, pointing),
    )
    return Standing(gates, bundles, pointing)


def _limits(model: Model, metrics: Metrics) -> Gate:
    """As the training answered them."""
    if model.limits is None:
        return Gate("limits", LACKING, "nobody stated any for it", UNPROVEN)
    answers, ref = metrics.limits, model.limits.ref
    if not answers:
        return Gate("limits", LACKING, f"its training kept no answer to {ref}", UNPROVEN)
    for word, answer, said, concession in (
        (LimitAnswer.NOT_MET, FAILED, "not met", ANYWAY),
        (LimitAnswer.UNPROVEN, LACKING, "without enough evidence", UNPROVEN),
    ):
        rows = [row for row in answers if row.answer == word]
        if rows:
            sentence = f"{len(rows)} of {len(answers)} {said} ({some_limits(rows)})"
            return Gate("limits", answer, sentence, concession)
    signed = f"signed by {model.limits.signer}" if model.limits.signer else "signed by nobody"
    return Gate("limits", PASSED, f"all {len(answers)} of {ref} met, {signed}")


def _budget(metrics: Metrics, pointing: Sequence[ChannelMove]) -> Gate:
    """As the training measured it, or else as it was judged before a channel was moved."""
    budget = metrics.budget
    if budget is not None and budget.within is not None:
        word = "within" if budget.within else "over"
        return Gate("budget", PASSED if budget.within else FAILED, f"{word} budget {budget.name}")
    judged = [move.channel for move in pointing if UNPROVEN not in move.concessions]
    if judged:
        return Gate("budget", PASSED, f"within the one of its bundle, judged before {judged[0]} was moved")
    return Gate("budget", LACKING, "not measured for one in training", UNPROVEN)


def _readings(model: Model) -> Gate:
    """No gate before a channel asks for this; whoever ships a product does."""
    units = len({session.unit.name for session in model.frozen.sessions})
    if model.frozen.origin == "measured":
        return Gate("readings", PASSED, f"measured, of {units} unit{'' if units == 1 else 's'}")
    answer = FAILED if model.frozen.origin == "simulated" else LACKING
    return Gate("readings", answer, f"{model.frozen.origin}: they say nothing yet of a product")


def _bundle(bundles: Sequence[KnownBundle]) -> Gate:
    usable = [bundle for bundle in bundles if bundle.withdrawn is None]
    if usable:
        withdrawn = len(bundles) - len(usable)
        more = f", {withdrawn} more withdrawn" if withdrawn else ""
        return Gate("bundle", PASSED, f"{len(usable)} exported{more}")
    if not bundles:
        return Gate("bundle", LACKING, "not exported yet")
    return Gate("bundle", FAILED, f"withdrawn ({bundles[-1].withdrawn})")


def _channel(bundles: Sequence[KnownBundle], pointing: Sequence[ChannelMove]) -> Gate:
    if not pointing:
        return Gate("channel", LACKING, "none points at it, so no gate has judged it")
    withdrawn = {bundle.bundle_sha256 for bundle in bundles if bundle.withdrawn is not None}
    wrong = [move.channel for move in pointing if move.bundle_sha256 in withdrawn]
    if wrong:
        return Gate("channel", FAILED, f"{', '.join(wrong)} still points at what was withdrawn")
    said = [
        f"{move.channel} points at it by {move.author}"
        + (f", who conceded {len(move.concessions)} of the gates" if move.concessions else "")
        for move in pointing
    ]
    return Gate("channel", PASSED, "; ".join(said))
