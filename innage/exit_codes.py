"""The exit codes of every command. Where several hold, a check that said no goes before missing evidence.

Beside them there are those of outputs that take nothing more (:mod:`innage.terminal.streams`).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from dataset.words import LimitAnswer

if TYPE_CHECKING:
    from training.judging.figures import AnsweredLimit

SAID_NO = 1
WRONG_CALL = 2
NOT_ENOUGH_EVIDENCE = 3
CRASHED = 70  # EX_SOFTWARE of BSD's sysexits.h
INTERRUPTED = 130  # 128 + SIGINT, as a shell has it


def of_limits(answers: Iterable[AnsweredLimit]) -> int:
    """The exit code that answers to limits stand for; no limits are no evidence."""
    given = {answer.answer for answer in answers}
    if LimitAnswer.NOT_MET in given:
        return SAID_NO
    return 0 if given == {LimitAnswer.MET} else NOT_ENOUGH_EVIDENCE
