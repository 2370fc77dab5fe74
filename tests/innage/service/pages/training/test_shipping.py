"""What a data sheet says of a model that is released and that something speaks against all the same."""

from __future__ import annotations

import pytest

from dataset.records import ChannelMove, KnownBundle
from innage.jobs.releasing.gates import FAILED, LACKING, PASSED, VOID, Gate
from innage.jobs.releasing.shipping import Standing
from innage.service.pages.training.shipping import verdict

BUNDLE = KnownBundle("a" * 64, "first", ())
MOVE = ChannelMove("b" * 64, None, "washer/stable", "a" * 64, "A. Owner", "for the washer", "2026-03-02")
RELEASED = "It is released all the same: washer/stable points at it."
NOBODY_ASKS = " The gates before a channel do not ask whose readings a model rests on; a product does."
SIMULATED = Gate("readings", FAILED, "simulated: they say nothing yet of a product")


@pytest.mark.parametrize(
    ("gate", "says"),
    [
        (SIMULATED, f"No: see readings. {RELEASED}{NOBODY_ASKS}"),
        (Gate("void sessions", FAILED, "one", VOID), f"No: see void sessions. {RELEASED}"),
        (Gate("readings", LACKING, "partly simulated"), f"Not yet: see readings. {RELEASED}{NOBODY_ASKS}"),
        (
            Gate("readings", PASSED, "measured"),
            "Yes, as far as this store can tell: nothing below speaks against it.",
        ),
    ],
    ids=lambda value: value.name if isinstance(value, Gate) else "",
)
def test_what_is_released_all_the_same_is_said(gate: Gate, says: str) -> None:
    assert verdict(Standing((gate,), (BUNDLE,), (MOVE,))) == says


def test_what_nobody_can_pull_is_not_called_released() -> None:
    withdrawn = KnownBundle("a" * 64, "first", (), withdrawn="it floods")
    for bundles, pointing in (((BUNDLE,), ()), ((withdrawn,), (MOVE,))):
        assert verdict(Standing((SIMULATED,), bundles, pointing)) == "No: see readings."
