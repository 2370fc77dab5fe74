"""What the tests of bundles share: a bundle whose hashes fit whatever was changed in it, and what
verification says no to.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import verify_files

Files = Mapping[str, bytes]


@pytest.fixture(scope="session")
def resealed() -> Callable[..., dict[str, bytes]]:
    """Gives files a manifest whose hashes fit them, entries replaced by name: what one who changes a bundle
    on purpose would do.
    """

    def seal_anew(files: Files, **body: Any) -> dict[str, bytes]:
        facts = json.loads(files[MANIFEST]) | body
        rest = {name: content for name, content in files.items() if name != MANIFEST}
        return {**rest, MANIFEST: seal(facts, rest)}

    return seal_anew


@pytest.fixture(scope="session")
def failed() -> Callable[..., dict[str, str]]:
    """The names and sentences of the checks that fail, of all or of some."""

    def ask(files: Files, only: set[str] | None = None) -> dict[str, str]:
        return {check.name: check.sentence for check in verify_files(files, only).checks if not check.passed}

    return ask
