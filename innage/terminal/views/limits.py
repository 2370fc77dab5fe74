"""What is shown of limits: a row for each with its answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from dataset.words import LimitAnswer, counted
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from training.judging.figures import AnsweredLimit


def show_limits(answers: Sequence[AnsweredLimit]) -> None:
    """A table of the answers, or that there are none."""
    if not answers:
        say("No limits were given: 'innage export' refuses such a model, unless told --even-if-unproven.\n")
        return
    from dataset.text.limits_text import bound_text, condition_text

    rows = [
        (a.metric, condition_text(a.condition), bound_text(a.bound, a.or_mm), a.value, a.answer, a.reason)
        for a in answers
    ]
    table("limits", ("metric", "condition", "bound", "value", "answer", "reason"), rows)


def show_model_limits(answers: Sequence[AnsweredLimit]) -> None:
    """The answers of a model that was trained: it is kept whatever they are, and not exported by accident."""
    show_limits(answers)
    given = [a.answer for a in answers]
    not_met, unproven = given.count(LimitAnswer.NOT_MET), given.count(LimitAnswer.UNPROVEN)
    if not_met or unproven:
        say(
            f"{counted(not_met, 'limit')} not met, {unproven} without enough evidence, of {len(answers)}; "
            "the model is kept all the same."
        )
        for sentence in _at_export([a.answer for a in answers]):
            say(sentence)
        say("")


def _at_export(answers: list[str]) -> list[str]:
    """What 'innage export' will say of such answers."""
    sentences = []
    if LimitAnswer.NOT_MET in answers:
        sentences.append(
            "'innage export' refuses a model that does not meet its limits, unless told --anyway."
        )
    if LimitAnswer.UNPROVEN in answers:
        sentences.append(
            "'innage export' refuses one without enough evidence too, unless told --even-if-unproven."
        )
    return sentences
