"""What is said to differ between two bundles."""

from __future__ import annotations

from programs import told

from export.bundle.changes import changes
from export.bundle.checks import Bundle
from training.program import to_json


def test_a_model_that_is_told_of_pours_differs_in_what_step_takes(small_bundle: dict[str, bytes]) -> None:
    """Either way; between two that are not told nothing is said of it."""
    other = Bundle(small_bundle | {"program.json": to_json(told()).encode()})
    plain, now = Bundle(small_bundle), "since_pour, at most 90 s"
    for old, new, stated in ((plain, other, (None, now)), (other, plain, (now, None))):
        entries = {entry.what: entry for entry in changes(old, new).entries}
        assert (entries["step takes"].old, entries["step takes"].new) == stated
    assert "step takes" not in {entry.what for entry in changes(plain, plain).entries}
