"""Ports that lines are played on, and the command that reads a model beside them as a process of its own."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from innage.jobs.rig.pseudo_port import pseudo_port

INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")
spec = importlib.util.spec_from_file_location(
    "json_documents", Path(__file__).parents[1] / "innage" / "json_documents.py"
)
assert spec is not None
assert spec.loader is not None
documents = importlib.util.module_from_spec(spec)
spec.loader.exec_module(documents)


class Port:
    """A pseudo-terminal that lines are written to once something has opened it."""

    def __init__(self) -> None:
        self._open = ExitStack()
        self._port = self._open.enter_context(pseudo_port())
        self.name = self._port.name

    def play(self, lines: Sequence[str]) -> None:
        """Send lines, at once whatever their own clock says."""
        until(self._port.ready)
        for line in lines:
            self._port.write(f"{line}\n".encode())

    def unplug(self) -> None:
        """The port is gone."""
        self._open.close()
        # who waits for it opens its name again, and the next port that anybody makes has that name: this one,
        # not that of a test beside, which would lose what comes
        self._open.enter_context(pseudo_port())

    def close(self) -> None:
        """Let go of it."""
        self._open.close()


class Running:
    """'innage replay m --port ...' as a process of its own; what it prints is read as it comes."""

    def __init__(self, words: Sequence[object]) -> None:
        pipe = subprocess.PIPE
        self.process = subprocess.Popen(
            [*INNAGE, "replay", "m", *map(str, words)], stdin=pipe, stdout=pipe, stderr=pipe, text=True
        )
        self.out: list[str] = []
        self.err: list[str] = []
        self._readers = [
            threading.Thread(target=lines.extend, args=(stream,), daemon=True)
            for lines, stream in ((self.out, self.process.stdout), (self.err, self.process.stderr))
        ]
        for reader in self._readers:
            reader.start()

    def enter(self, text: str) -> None:
        """Enter a line."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{text}\n")
        self.process.stdin.flush()

    def printed(self, enough: int) -> None:
        """Wait for so many lines on standard output."""
        until(lambda: len(self.out) >= enough)

    def said(self, text: str) -> None:
        """Wait for a text on standard output or error."""
        try:
            until(lambda: text in "".join([*self.out, *self.err]))
        except AssertionError:
            raise AssertionError(f"{text!r} is not in {self.out} {self.err}") from None

    def ended(self, code: int = 0) -> str:
        """Wait for its end; all of standard output and error."""
        self.process.wait(60)
        for reader in self._readers:
            reader.join(10)
            assert not reader.is_alive(), (
                "something that it started holds its output"
            )  # closing would wait too
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
        both = "".join([*self.out, *self.err])
        assert self.process.returncode == code, both
        return both

    def frames(self) -> tuple[list[dict[str, Any]], dict[str, Any]]:
        """The frames and the summary that stand in its lines of JSON."""
        *frames, last = map(json.loads, self.out)
        assert not [fault for line in [*frames, last] for fault in documents.faults(line, "trial line")]
        return [line["frame"] for line in frames], last["summary"]


def until(met: Callable[[], bool]) -> None:
    """Wait for something that must come; fails after two minutes, for computers that are busy."""
    for _ in range(2400):
        if met():
            return
        time.sleep(0.05)
    raise AssertionError("it never came")
