"""What the tests of bundles share: a bundle whose hashes fit whatever was changed in it, and what
verification says no to.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest

from export.bundle.build import generate
from export.bundle.manifest import MANIFEST, Written, seal
from export.bundle.verify import verify_files
from training.program import Program, to_json

Files = Mapping[str, bytes]


@pytest.fixture(scope="session", autouse=True)
def _made_again_once() -> Iterator[None]:
    """What verification makes anew of a program, to compare, is made once a session for the same program and
    manifest: thousands of changed bundles are tried on a few programs.
    """
    made: dict[tuple[str, str, int, int, Written], dict[str, bytes]] = {}

    def again(program: Program, prefix: str, vectors: int, seed: int, written: Written) -> dict[str, bytes]:
        key = (to_json(program), prefix, vectors, seed, written)
        if key not in made:
            made[key] = generate(program, prefix, vectors, seed, written)
        return dict(made[key])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("export.bundle.checks.generate", again)
        yield


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
