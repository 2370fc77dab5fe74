"""Changed bundles for tests: hashes that fit whatever was changed, and what verification says no to."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import verify_files

Files = Mapping[str, bytes]


def resealed(files: Files, **body: Any) -> dict[str, bytes]:
    """The files with a manifest whose hashes fit them, entries replaced by name: what one who changes a
    bundle on purpose would do.
    """
    facts = json.loads(files[MANIFEST]) | body
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    return {**rest, MANIFEST: seal(facts, rest)}


def failed(files: Files, only: set[str] | None = None) -> dict[str, str]:
    """The names and sentences of the checks that fail, of all or of some."""
    return {check.name: check.sentence for check in verify_files(files, only).checks if not check.passed}
