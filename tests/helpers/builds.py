"""What the compiler made of files, kept for the next time that it is asked with the same."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

MOST_BYTES = 4_000_000  # in the folder of a build; larger ones are built each time
SAID = "said.json"


class KeptBuilds:
    """Runs of the compiler as ``says`` makes them, kept in a folder that several processes may share.

    A run is known by its words, by every file of the folder that it runs in, and by the environment but for
    what only tests and innage look at.
    """

    def __init__(self, folder: Path, says: Callable[..., tuple[int, str]]) -> None:
        self._folder, self._says = folder, says

    def says(self, root: Path, *arguments: str) -> tuple[int, str]:
        """Exit code and messages; what the compiler writes stands in ``root``."""
        before = _files(root)
        if sum(map(len, before.values())) > MOST_BYTES:
            return self._says(root, *arguments)
        kept = self._folder / _key(before, arguments)
        if not kept.is_dir():
            code, messages = self._says(root, *arguments)
            self._keep(kept, root, before, code, messages)
            return code, messages
        for file in kept.iterdir():
            if file.name != SAID:
                shutil.copy(file, root / file.name)
        code, messages = json.loads((kept / SAID).read_text(encoding="utf-8"))
        return code, messages

    def _keep(self, kept: Path, root: Path, before: dict[str, bytes], code: int, messages: str) -> None:
        written = [name for name, content in _files(root).items() if before.get(name) != content]
        if any("/" in name for name in written):
            return  # in a folder below; no build of ours does
        self._folder.mkdir(exist_ok=True)
        new = Path(tempfile.mkdtemp(dir=self._folder))
        for name in written:
            shutil.copy(root / name, new / name)
        (new / SAID).write_text(json.dumps([code, messages]), encoding="utf-8")
        with suppress(OSError):  # another process was first: it holds the same
            new.rename(kept)


def _files(root: Path) -> dict[str, bytes]:
    """Everything below a folder, by its name there."""
    return {
        path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*") if path.is_file()
    }


def _key(files: dict[str, bytes], arguments: tuple[str, ...]) -> str:
    seen = sorted(item for item in os.environ.items() if not item[0].startswith(("PYTEST_", "INNAGE_")))
    digest = hashlib.sha256(repr((arguments, seen)).encode())
    for name, content in sorted(files.items()):
        digest.update(f"{name} {len(content)} ".encode() + content)
    return digest.hexdigest()
