"""Live capture over a pseudo-terminal and a socket, against a process that plays a board of 16 channels at
100 frames a second.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from dataset.live.board import SerialSource
from dataset.live.capture import Capture
from dataset.live.loop import run
from dataset.store import Store
from innage.cli import app

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

CHANNELS = 16
INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")
# Plays the board: every 10 ms a frame that follows from its time, now and then a remark, garbage and half a
# line.
BOARD = """
import os, sys, time
port, log = int(sys.argv[1]), open(sys.argv[2], "w", buffering=1)
start, k = time.monotonic(), int(sys.argv[3])
first = k
while True:
    t = 10 * k
    os.write(port, (",".join(str(v) for v in (t, *((1000 * c + k) % 60000 for c in range(16)))) + "\\n").encode())
    log.write(f"{t}\\n")
    if k % 50 == 7:
        os.write(port, b"# remark\\n%%garbage\\n" + f"{t},12\\n".encode())
    k += 1
    time.sleep(max(0.0, start + (k - first) * 0.01 - time.monotonic()))
"""  # noqa: E501 - a text as it is written out


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store that knows the tank, liquid, sensor, mounting and unit of the bench."""
    path = tmp_path / "bench.db"
    monkeypatch.setenv("INNAGE_STORE", str(path))
    pads = [part for k in range(CHANNELS) for part in ("--pad", f"p{k}:{10 * k}:8")]
    for line in (
        ["tank", "add", "tank", "--span-mm", "200"],
        ["liquid", "add", "liquid"],
        ["unit", "add", "unit"],
        ["sensor", "add", "strip", *pads, "--count-bits", "16", "--count-law", "rises", "--period-ms", "10"],
        ["mounting", "add", "mounting", "--tank", "tank", "--sensor", "strip"],
    ):
        result = CliRunner().invoke(app, line)
        assert result.exit_code == 0, result.output
    return path


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Callable[[int], tuple[str, Path]]]:
    """Starts a board from its frame ``k`` on; gives its port and the file in which it notes the times it has
    sent.
    """
    opened: list[int] = []
    started: list[subprocess.Popen[bytes]] = []

    def start(k: int) -> tuple[str, Path]:
        master, slave = os.openpty()
        opened.extend((master, slave))
        sent = tmp_path / f"sent{k}.txt"
        started.append(
            subprocess.Popen(
                [sys.executable, "-c", BOARD, str(master), str(sent), str(k)], pass_fds=(master,)
            )
        )
        return os.ttyname(slave), sent

    yield start
    for process in started:
        process.kill()
        process.wait()
    for handle in opened:
        os.close(handle)


def capture(*arguments: str) -> subprocess.Popen[str]:
    """The command 'innage capture ...' as a process of its own."""
    return subprocess.Popen(
        [*INNAGE, "capture", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


WHAT = ("--tank", "tank", "--liquid", "liquid", "--sensor", "strip", "--unit", "unit")


def is_the_boards(counts: np.ndarray[Any, Any], t_ms: np.ndarray[Any, Any]) -> bool:
    """Whether every frame is the one that the board sends at its time."""
    expected = (1000 * np.arange(CHANNELS) + t_ms[:, None] // 10) % 60000
    return bool((counts == expected).all())


def until(met: Callable[[], bool]) -> None:
    """Wait for something that must come; fails after half a minute."""
    for _ in range(600):
        if met():
            return
        time.sleep(0.05)
    raise AssertionError("it never came")


def open_frames(store: Path) -> int:
    """Committed frames of the open capture; 0 while there is none."""
    with Store.open(store) as opened:
        return sum(c.frames for c in opened.open_captures())


@pytest.mark.longer
def test_frames_arrive_whole_and_in_order(store: Path, board: Callable[[int], tuple[str, Path]]) -> None:
    """A capture of 150 frames: none is missing or changed, noise on the line is counted, the session is
    sealed.
    """
    port, _ = board(0)
    process = capture("--port", port, "--name", "run", *WHAT, "--frames", "150")
    output, _ = process.communicate(timeout=60)
    assert process.returncode == 0, output
    with Store.open(store) as opened:
        (session,) = opened.sessions()
        frames = opened.frames(session, verify=True)
        assert not opened.open_captures()
    assert session.frames >= 150
    assert (np.diff(frames.t_ms) == 10).all()
    assert is_the_boards(frames.counts, frames.t_ms)
    (bad,) = [w.sentence for w in session.warnings if w.check == "bad lines"]
    assert "half" in bad
    assert "garbage" in bad


@pytest.mark.slow
def test_a_killed_capture_loses_at_most_a_second_and_goes_on(
    store: Path, board: Callable[[int], tuple[str, Path]]
) -> None:
    """Kill -9 in the middle: by the board's clock at most the last second is missing; the resumed capture has
    every acknowledged frame.
    """
    port, sent = board(0)
    process = capture("--port", port, "--name", "run", *WHAT)
    until(lambda: open_frames(store) >= 100)
    time.sleep(1.5)  # away from the commit just seen, and longer than what may be lost
    last_sent = int(sent.read_text().split()[-1])
    process.send_signal(signal.SIGKILL)
    process.communicate()
    with Store.open(store) as opened:
        kept = opened.open_frames("run")
        assert not opened.sessions()
    assert last_sent - int(kept.t_ms[-1]) <= 1000
    again, _ = board(1000)
    process = capture("--resume", "run", "--port", again, "--frames", str(len(kept) + 60))
    output, _ = process.communicate(timeout=60)
    assert process.returncode == 0, output
    with Store.open(store) as opened:
        (session,) = opened.sessions()
        frames = opened.frames(session, verify=True)
    assert (frames.t_ms[: len(kept)] == kept.t_ms).all()
    assert (frames.counts[: len(kept)] == kept.counts).all()
    assert len(frames) >= len(kept) + 60
    assert (np.diff(frames.t_ms) > 0).all()
    assert is_the_boards(frames.counts, frames.t_ms)


@pytest.mark.longer
def test_interrupting_keeps_the_capture_open(store: Path, board: Callable[[int], tuple[str, Path]]) -> None:
    """Ctrl-C ends with exit code 0, says how to go on, and the capture can then be sealed by its name."""
    port, _ = board(0)
    process = capture("--port", port, "--name", "run", *WHAT)
    until(lambda: open_frames(store) >= 20)
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate(timeout=30)
    assert process.returncode == 0, output
    assert "innage capture --resume run --port" in output
    (listed,) = json.loads(CliRunner().invoke(app, ["capture", "list", "--json"]).stdout)
    sealed = CliRunner().invoke(app, ["capture", "seal", "run", "--json"])
    assert sealed.exit_code == 0, sealed.output
    with Store.open(store) as opened:
        (session,) = opened.sessions()
    assert session.frames == listed["frames"]


@pytest.mark.slow
def test_a_fill_plan_from_standard_input(store: Path) -> None:
    """Lines on standard input are frames; nobody confirms a step, so there are no marks, and the end of the
    input seals.
    """
    text = "".join(
        f"{10 * k}," + ",".join(str((1000 * c + k) % 60000) for c in range(CHANNELS)) + "\n"
        for k in range(40)
    )
    process = subprocess.run(
        [*INNAGE, "capture", "--port", "-", "--name", "run", *WHAT],
        input=text,
        capture_output=True,
        text=True,
        check=False,
    )
    assert process.returncode == 0, process.stderr
    with Store.open(store) as opened:
        (session,) = opened.sessions()
        assert is_the_boards(opened.frames(session).counts, opened.frames(session).t_ms)
    assert session.frames == 40
    assert session.marks == ()


@pytest.mark.longer
def test_a_socket_that_drops_and_comes_back(store: Path) -> None:
    """The port is lost and found again: the capture goes on, time never runs back, and the session says it
    was interrupted.

    An entry before the loss becomes a mark that ends there.
    """
    with closing(socket.create_server(("127.0.0.1", 0))) as server, Store.open(store) as opened:
        number = server.getsockname()[1]

        def serve() -> None:
            for start in (0, 300):
                connection, _ = server.accept()
                with connection:
                    for k in range(start, start + 100):
                        line = ",".join(
                            str(v) for v in (10 * k, *((1000 * c + k) % 60000 for c in range(CHANNELS)))
                        )
                        try:
                            connection.sendall(line.encode() + b"\n")
                        except OSError:  # the capture has what it wanted and hung up
                            return
                        time.sleep(0.002)

        player = threading.Thread(target=serve, daemon=True)
        player.start()
        source = SerialSource(f"socket://127.0.0.1:{number}", 115200)
        capture = Capture.begin(
            opened, "run", opened.unit("unit"), opened.liquid("liquid"), opened.mounting("mounting")
        )
        entries = iter(["42.5"])
        run(
            capture,
            source,
            lambda view: next(entries, None) if view.ready else None,
            lambda view: None,
            stop_at=120,
            wait=lambda s: time.sleep(0.05),
        )
        source.close()
        player.join(timeout=10)
        session = capture.seal()
        frames = opened.frames(session)
    assert (np.diff(frames.t_ms) > 0).all()
    assert is_the_boards(frames.counts, frames.t_ms)
    assert np.diff(frames.t_ms).max() >= 2000
    (mark,) = session.marks
    assert mark.level_mm == 42.5
    assert mark.stop == int(np.argmax(np.diff(frames.t_ms))) + 1
    assert any("port lost" in w.sentence for w in session.warnings)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--name", "run"), "--port: nothing; expected the port of the board"),
        (("--port", "-"), "--name: nothing; expected a name, to find the capture again"),
        (("--port", "-", "--name", "run"), "--liquid and --unit: one is missing"),
        (("--resume", "run"), "--port: nothing"),
        (("--resume", "run", "--port", "-", "--unit", "unit"), "--resume run: --unit beside it"),
        (("--resume", "run", "--port", "-"), "capture run: is not open"),
        (("--port", "-", "list"), "innage capture list: --port before 'list'; expected options after it"),
        (
            ("--port", "-", "--name", "run", *WHAT, "--levels-mm", "0", "--plan", "x.csv"),
            "--plan and --levels-mm: both; expected one of them",
        ),
        (("--port", "-", "--name", "run", *WHAT, "--levels-mm", "0,high"), "--levels-mm: '0,high'"),
        (("--port", "-", "--name", "run", *WHAT, "--levels-mm", "0", "--hold-s", "0"), "--hold-s: 0"),
        (("--port", "-", "--name", "run", *WHAT, "--condition", "wall=gold"), "--condition, wall"),
    ],
)
def test_what_does_not_go_is_refused(
    store: Path, refused: Callable[..., str], words: tuple[str, ...], said: str
) -> None:
    """One sentence that names the option, and no capture is open afterwards."""
    assert said in refused("capture", *words)
    with Store.open(store) as opened:
        assert not opened.open_captures()
