"""The kinds of jobs that can be queued, by name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dataset.errors import InputError, nearest, quoted
from innage.runner.kind import Kind
from innage.runner.kinds import fitting, judging, writing

KINDS: Mapping[str, Kind[Any]] = {
    "train": fitting.TRAIN,
    "retrain": fitting.RETRAIN,
    "compare": judging.COMPARE,
    "sweep": judging.SWEEP,
    "study": judging.STUDY,
    "report": writing.REPORT,
    "export": writing.EXPORT,
    "replay": writing.REPLAY,
}


def kind_of(name: str) -> Kind[Any]:
    """The kind of that name; InputError where there is none."""
    if name not in KINDS:
        raise InputError("kind of job", quoted(name), "one of " + ", ".join(KINDS), nearest(name, KINDS))
    return KINDS[name]
