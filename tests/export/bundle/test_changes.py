"""What is said to differ between two bundles."""

from __future__ import annotations

import json

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


def test_sessions_that_only_one_of_them_stands_on_are_named(small_bundle: dict[str, bytes]) -> None:
    """One that was logged anew under another hash, one whose marks are others; no more than six by name."""
    manifest = json.loads(small_bundle["manifest.json"])
    first = manifest["sessions"][0]

    def of(*sessions: dict[str, object]) -> Bundle:
        return Bundle(
            small_bundle | {"manifest.json": json.dumps(manifest | {"sessions": sessions}).encode()}
        )

    def said(old: Bundle, new: Bundle) -> list[tuple[str | None, str | None]]:
        return [(e.old, e.new) for e in changes(old, new).entries if e.what == "not in the other"]

    again = first | {"sha256": "a" * 64, "id": "a" * 12}
    marked = first | {"marks_sha256": "b" * 64}
    assert said(of(first), of(first)) == []
    assert said(of(first), of(first, again)) == [(None, f"1 session: {again['id']}")]
    assert said(of(first), of(marked)) == [
        (f"1 session: {first['id']}", f"1 session: {first['id']} (marks bbbbbbb)")
    ]
    many = [first | {"sha256": f"{k:064x}", "id": f"{k:012x}"} for k in range(8)]
    ((named, _),) = said(of(*many), of(first))
    assert named is not None
    assert named.startswith("8 sessions: 000000000000, ")
    assert named.endswith("000000000005 and 2 more")
