"""The pages on live capture and on what sends frames run as they stand there; files and sockets stand in for
boards.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import partial
from itertools import count
from pathlib import Path

import pytest
from pages import a_bench, write_shown

from building import bench_store
from dataset.live.capture import Capture
from dataset.records import CountLaw, Pad, Sensor, Tank
from dataset.store import Store
from dataset.tanks.profile import stack
from dataset.tanks.profile import to_json as tank_profile
from dataset.tanks.shapes import Cylinder

Run = Callable[..., dict[str, str]]

BOARD = {
    "/dev/ttyACM0": "-",
    "my-logger": "cat frames.txt",
    "innage capture --": "cat frames.txt | innage capture --",
}


def frames_of(start: int) -> str:
    """Lines as a board sends them."""
    return "".join(f"{100 * k},{4000 + k},{4000 + 2 * k}\n" for k in range(start, start + 30))


@pytest.mark.slow
def test_live_capture(run_page: Run, tmp_path: Path) -> None:
    """A board's lines come by standard input; the open capture of the second block is there anew for each way
    to go on.
    """
    with Store.open(tmp_path / "innage.db") as store:
        mounting, liquid, units = a_bench(store, pads=2, units=("unit-1",))
    (tmp_path / "frames.txt").write_text(frames_of(0), encoding="utf-8")
    assert "30 frames" in "".join(
        run_page("docs/live-capture.md", BOARD, only=lambda line: "--levels-mm" in line).values()
    )
    for number, way in enumerate(("capture list", "--resume", "capture seal", "capture discard"), 1):
        with Store.open(tmp_path / "innage.db") as store:
            if number != 2:
                capture = Capture.begin(store, "monday", units[0], liquid, mounting, ())
                capture.feed(frames_of(100 * number).encode())
                capture.commit()
            (tmp_path / "frames.txt").write_text(frames_of(1000), encoding="utf-8")
        assert "monday" in "".join(
            run_page("docs/live-capture.md", BOARD, only=lambda line, way=way: way in line).values()
        )
        with Store.open(tmp_path / "innage.db") as store:
            assert len(store.open_captures()) == (number == 1)


@pytest.mark.slow
def test_live_capture_of_several_boards(run_page: Run, tmp_path: Path) -> None:
    """The page's boards and scale behind sockets that send until nobody listens."""
    with Store.open(tmp_path / "innage.db") as store:
        tank = Tank("canister", 0, 100.0, profile=tank_profile(stack([Cylinder(80.0, 120.0)])))
        strip = Sensor(
            "strip", 0, (Pad(0, "p0", 0.0, 50.0), Pad(1, "p1", 50.0, 50.0)), 16, CountLaw.RISES, 20
        )
        bench_store(store, tank=tank, sensor=strip, unit=("unit-1", "unit-2"), mounting="front")
    write_shown("live-capture.md", "name,port,unit,board_firmware", tmp_path / "rig.csv")
    lines: list[Callable[[int], bytes]] = [lambda k: b"300.0 g\n"]
    lines += [partial(a_frame, seed) for seed in (1, 2)]
    with ExitStack() as served:
        scale, *boards = [served.enter_context(serving(line)) for line in lines]
        text = (tmp_path / "rig.csv").read_text(encoding="utf-8")
        for number, port in enumerate(boards):
            text = text.replace(f"/dev/ttyACM{number}", port)
        (tmp_path / "rig.csv").write_text(text, encoding="utf-8")
        swap = {"/dev/ttyUSB2": scale, "36000": "500"}
        run_page("docs/live-capture.md", swap, only=lambda line: " boards " in line)
    with Store.open(tmp_path / "innage.db") as store:
        sessions = store.sessions()
        assert [len(session.marks) for session in sessions] == [1, 1]
        assert {session.occasion.firmware for session in sessions} == {"1.4"}


def a_frame(seed: int, k: int) -> bytes:
    """A line of a board, 20 ms apart."""
    return b"%d,%d,%d\n" % (20 * k, 4000 + seed + k % 50, 5000 + k % 70)


@contextmanager
def serving(line: Callable[[int], bytes]) -> Iterator[str]:
    """A socket that sends a line each 20 ms to who opens it; its address."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:

        def serve() -> None:
            connection, _ = server.accept()
            with connection, suppress(OSError):
                for k in count():
                    connection.sendall(line(k))
                    time.sleep(0.02)

        threading.Thread(target=serve, daemon=True).start()
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"


@pytest.mark.slow
def test_frame_source(run_page: Run, tmp_path: Path) -> None:
    """Both commands are fed by a file of lines; readings that are there already would be refused."""
    with Store.open(tmp_path / "innage.db") as store:
        a_bench(store, pads=2, units=("unit-1",))
    for start, way in enumerate(("/dev/tty", "my-logger")):
        (tmp_path / "frames.txt").write_text(frames_of(start), encoding="utf-8")
        swap = BOARD if start == 0 else {"my-logger": "cat frames.txt"}
        assert "30 frames" in "".join(
            run_page("docs/frame-source.md", swap, only=lambda line, way=way: way in line).values()
        )
