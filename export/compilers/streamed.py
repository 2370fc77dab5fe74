"""The harness fed piece by piece while it answers, so that a long stream is never in memory as text."""

from __future__ import annotations

import subprocess
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from threading import Thread, Timer
from typing import IO

import numpy as np

from dataset.errors import ToolError
from dataset.files.scratch import scratch_folder
from export.compilers.host_build import HostProgram
from training.program import OUTPUTS, Array

_PIECE_S = 600.0  # the most that a piece may take


def run_pieces(
    host: HostProgram, pieces: Iterable[bytes], sizes: Sequence[int]
) -> Iterator[tuple[Array, Array]]:
    """Readings int64 (frames, 6), and the states behind them, of each piece of one stream: state is carried
    from piece to piece.

    Args:
        host: the program with its harness.
        pieces: text as :func:`export.compilers.host_build.run_rows` takes it, made ahead of the answers on
            another thread.
        sizes: the frames of each piece.

    Raises:
        ToolError: the C stops, or prints other than a row a frame.
    """
    width = len(OUTPUTS) + host.state_values
    with scratch_folder() as folder:
        path, said = folder / "harness", folder / "said"
        path.write_bytes(host.binary)
        path.chmod(0o700)
        with said.open("wb") as errors:
            running = subprocess.Popen(
                [str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors
            )
        with running:
            assert running.stdin is not None
            assert running.stdout is not None
            feeding = Thread(target=_feed, args=(pieces, running.stdin))
            feeding.start()
            try:
                for size in sizes:
                    printed = _answered(running, running.stdout, size)
                    if printed.shape != (size, width):
                        _refuse(running, said.read_bytes(), printed.shape, (size, width))
                    yield printed[:, : len(OUTPUTS)], printed[:, len(OUTPUTS) :]
                if left := len(running.stdout.readlines()):
                    _refuse(running, said.read_bytes(), (left,), (0,))
            finally:
                running.kill()
                feeding.join()


def _feed(pieces: Iterable[bytes], stdin: IO[bytes]) -> None:
    try:
        with stdin:
            for piece in pieces:
                stdin.write(piece)
    except OSError:
        pass  # it takes no more: what it printed tells


def _answered(running: subprocess.Popen[bytes], stdout: IO[bytes], size: int) -> Array:
    """The numbers of so many lines, fewer where it printed fewer."""
    watch = Timer(_PIECE_S, running.kill)
    watch.start()
    try:
        lines = list(islice(stdout, size))
    finally:
        watch.cancel()
    if not lines:
        return np.zeros((0, 0), np.int64)
    return np.loadtxt(lines, dtype=np.int64, delimiter=",", ndmin=2)


def _refuse(
    running: subprocess.Popen[bytes], said: bytes, found: tuple[int, ...], expected: tuple[int, ...]
) -> None:
    """ToolError for a process that stopped, or printed another shape."""
    if running.wait():
        reason = said.decode(errors="replace").strip().splitlines()[:1]
        stopped = f"stopped with code {running.returncode} ({' '.join(reason) or 'undefined behaviour'})"
        raise ToolError("the C on this computer", stopped)
    raise ToolError("the C on this computer", f"{found} numbers printed", f"{expected}")
