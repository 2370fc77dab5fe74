"""``innage replay --port``: a hand-made model on boards behind pseudo-terminals, beside a scale; what it says
of each frame is what ``innage replay FILE`` says of the session that was kept, to the bit.
"""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from trials import INNAGE, Port, Running, until

from building import bench_store, two_pads
from calling import run
from dataset.documents import name_of
from dataset.records import (
    Frames,
    GroupBy,
    Instrument,
    InstrumentKind,
    Liquid,
    Mark,
    Model,
    Role,
    Tank,
    Trim,
    TrimKind,
)
from dataset.store import Store
from dataset.tanks.profile import stack
from dataset.tanks.profile import to_json as tank_profile
from dataset.tanks.shapes import Cylinder
from training.program import digest, to_json
from training.program.builder import Builder

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

PERIOD = 100
DENSITY = 998.2  # invented


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A model whose level is the sum of counts above the dry trim and 1/64 mm for each frame since its start,
    up to a thousand; it withholds the first frame.
    """
    b = Builder("m", count_bits=16, channels=2, period_ms=PERIOD, span=6400, trim_range=(0, 2000))
    b.prepare_node("clip", "trim", low=0, high=2000, name="dry", keep=True)
    b.state("seen", (0,), (0,), (1000,))
    rise = b.node("dense", b.node("sub", "counts", "dry"), weights=((1, 1),), bias=(0,))
    level = b.node("clip", b.node("add", rise, "seen"), low=0, high=6400, scale="1/64 mm")
    b.renew("seen", b.node("clip", b.node("dense", "seen", weights=((1,),), bias=(1,)), low=0, high=1000))
    given = b.node("clip", "seen", low=0, high=1)
    program = b.finish(
        low=b.node("where", given, level, b.const(0)),
        level=b.node("where", given, level, b.const(-1)),
        high=b.node("where", given, level, b.const(6400)),
        validity=given,
        flags=b.const(0),
    )
    path = tmp_path / "innage.db"
    monkeypatch.setenv("INNAGE_STORE", str(path))
    monkeypatch.chdir(tmp_path)
    # a circle of 100 cm2: ten grams of water are about a millimetre
    tank = Tank("can", 0, 100.0, profile=tank_profile(stack([Cylinder(112.8379, 120.0)])))
    with Store.open(path) as opened:
        water = Liquid("water", density=DENSITY, temperature_c=20.0)
        bench = bench_store(
            opened, tank=tank, sensor=two_pads(), liquid=water, unit=("one", "bare"), mounting="bench"
        )
        opened.add_trim(Trim(bench.unit, bench.mounting, TrimKind.DRY, (1000, 1000), "2026-01-01", "line"))
        frames = Frames(np.arange(4) * PERIOD, np.full((4, 2), 1000, np.uint32))
        sessions = opened.add_sessions([bench.session(0, (Mark(0, 4, 0.0),), frames=frames)])
        frozen = opened.freeze("all", sessions, GroupBy.UNIT, {"one": Role.FIT})
        opened.add_model(Model("m", digest(program), frozen, None, "{}", "{}", "{}", to_json(program), b""))
    return path


@pytest.fixture
def port() -> Iterator[Callable[[], Port]]:
    """Gives ports."""
    ports: list[Port] = []

    def another() -> Port:
        ports.append(Port())
        return ports[-1]

    yield another
    for one in ports:
        one.close()


@pytest.fixture
def trial() -> Iterator[Callable[..., Running]]:
    """Starts 'innage replay m --unit one ...'."""
    started: list[Running] = []

    def start(*words: object, unit: str = "one") -> Running:
        started.append(Running(["--unit", unit, *words]))
        return started[-1]

    yield start
    for running in started:
        running.process.kill()
        running.ended(running.process.wait())


def lines(start: int, stop: int, step: int = PERIOD, base: int = 0) -> list[str]:
    """Lines of a board: counts that follow from the frame's number."""
    return [f"{base + step * k},{1000 + 7 * k % 400},{1000 + 13 * k % 300}" for k in range(start, stop)]


def kept_frames(store: Path) -> int:
    """Frames of open captures that are written."""
    with Store.open(store) as opened:
        return sum(c.frames for c in opened.open_captures())


def replayed(path: Path, session: str, folder: Path) -> list[str]:
    """The lines of 'innage replay FILE' for a session of the store."""
    with Store.open(path) as opened:
        frames = opened.frames(opened.session(session))
    rows = (",".join(map(str, (t, *counts))) for t, counts in zip(frames.t_ms, frames.counts, strict=True))
    (folder / "kept.csv").write_text("\n".join(["t_ms,low,high", *rows, ""]), encoding="utf-8")
    run(
        *("replay", "m", folder / "kept.csv", "--unit", "one", "--time", "t_ms"),
        *("--out", folder / "readings.csv"),
    )
    return (folder / "readings.csv").read_text(encoding="utf-8").splitlines()[1:]


def as_csv(frame: dict[str, Any]) -> str:
    """A frame of the live trial as a line of the readings of a file."""
    level = "" if frame["level_mm"] is None else f"{frame['level_mm']:.6f}"
    words = [f"{frame['low_mm']:.6f}", level, f"{frame['high_mm']:.6f}", frame["validity"]]
    return ",".join([str(frame["t_ms"]), *words, "+".join(frame["flags"]), frame["reason"] or ""])


@pytest.mark.longer
def test_a_kept_stretch_replays_to_the_bit(
    store: Path, port: Callable[[], Port], trial: Callable[..., Running], tmp_path: Path
) -> None:
    """The stretch begins where the program did, before the key: what was said of its frames live is what the
    compiled C says of the sealed session. In the middle frames are lost, and the board starts again.
    """
    board = port()
    with Store.open(store) as opened:
        gauge = opened.add_instrument(Instrument("g1", InstrumentKind.HEIGHT_GAUGE, "2026-01-10", 0.06, 2.0))
        own = opened.bench().identity
    running = trial(
        *("--port", board.name, "--liquid", "water", "--json", "--instrument", "g1", "--bench", own[:6]),
        *("--board-firmware", "1.4", "--start", "2026-03-02T09:15+01:00"),
    )
    board.play([*lines(0, 30), "noise", "12,3"])
    running.printed(30)
    running.enter("k")
    running.said("kept as trial-1, 30 frames of it are written")
    assert kept_frames(store) == 30
    board.play([*lines(30, 40), *lines(47, 60), *lines(0, 40, base=5)])
    running.printed(93)
    running.enter("k")
    running.said("trial-1 is session")
    board.play(lines(40, 50, base=5))
    running.printed(103)
    running.enter("12.5")
    running.enter("k")
    running.said("kept as trial-2, 0 frames")
    board.play(lines(50, 60, base=5))
    running.printed(113)
    running.enter("q")
    running.ended()
    frames, summary = running.frames()
    session, second = summary["sessions"]
    assert [as_csv(frame) for frame in frames[:93]] == replayed(store, session, tmp_path)
    assert [frame["kept"] for frame in frames] == [None] * 30 + ["trial-1"] * 63 + [None] * 10 + [
        "trial-2"
    ] * 10
    assert [k for k, frame in enumerate(frames) if frame["anew"]] == [0, 40, 53, 103]
    assert (summary["restarts"], summary["lost"], summary["board_restarts"]) == (3, 7, 1)
    assert summary["bad_lines"] == {"half": 1, "garbage": 1}
    assert (summary["frames"], summary["reasons"]["doubt"]) == (113, 4)
    told = "".join(running.err)
    assert "the board started again: its time ran back; the program starts anew" in told
    assert "a step of 800 ms instead of 100: the program starts anew" in told
    with Store.open(store) as opened:
        assert "interrupted" in [w.check for w in opened.session(session).warnings]
        kept = [opened.session(kept_as) for kept_as in (session, second)]
    # the trial began at the stated time: the second stretch after 11.8 s of the board's clock
    assert [s.occasion.started for s in kept] == ["2026-03-02T09:15:00+01:00", "2026-03-02T09:15:11+01:00"]
    assert {(s.occasion.bench, s.occasion.firmware, s.instruments) for s in kept} == {
        (own, "1.4", (name_of(gauge),))
    }
    assert kept[1].marks[0].u_common_mm == pytest.approx(0.03)


@pytest.mark.longer
def test_what_was_said_to_be_kept_survives_a_kill(
    store: Path, port: Callable[[], Port], trial: Callable[..., Running], tmp_path: Path
) -> None:
    """Kill -9 in the middle of a stretch: all that was said to be saved is in the open capture, which is
    sealed by its name, and replays as it was said live.
    """
    board = port()
    running = trial("--port", board.name, "--liquid", "water", "--json")
    board.play(lines(0, 20))
    running.printed(20)
    running.enter("k")
    running.said("20 frames of it are written")
    board.play(lines(20, 40))
    until(lambda: kept_frames(store) == 40)
    running.process.send_signal(signal.SIGKILL)
    running.ended(-signal.SIGKILL)
    run("capture", "seal", "trial-1")
    with Store.open(store) as opened:
        session = opened.sessions()[-1]
    live = [as_csv(json.loads(line)["frame"]) for line in running.out]
    assert live == replayed(store, session.id, tmp_path)


@pytest.mark.longer
def test_beside_a_scale_and_marked_by_it(
    store: Path, port: Callable[[], Port], trial: Callable[..., Running]
) -> None:
    """A scale that stands at 212 + 300 g of a tank that weighs 212 g: the difference is to the level of 300 g
    of water, and the stretch is marked with it.

    Source: h = m B / (rho A) by hand, as for labels by weighing.
    """
    board, scale = port(), port()
    running = trial(
        *("--port", board.name, "--liquid", "water", "--json", "--scale", scale.name),
        *("--settle-s", "0.2", "--tare-g", "212", "--label-temperature-c", "20"),
    )
    board.play(lines(0, 10))
    running.printed(10)
    over = threading.Event()

    def weigh() -> None:
        while not over.wait(0.1):
            scale.play(["512.0 g"])

    weighing = threading.Thread(target=weigh)
    weighing.start()
    try:
        running.said("held against 512.000 g")
        running.enter("k")
        running.said("kept as trial-1")
        board.play(lines(10, 40))
        running.printed(40)
        until(lambda: kept_frames(store) == 40)
        time.sleep(0.5)  # the scale is seen to stand after the last frame too
    finally:
        over.set()
        weighing.join()
    running.process.send_signal(signal.SIGINT)
    running.ended()
    frames, summary = running.frames()
    buoyant = (1 - 1.2 / 8000) / (1 - 1.2 / DENSITY)
    expected = 300 * buoyant / (DENSITY * 1e-6 * np.pi / 4 * 112.8379**2)
    beside = [frame for frame in frames if frame["reference_mm"] is not None]
    assert len(beside) == 30
    assert beside[0]["reference_mm"] == pytest.approx(expected, abs=1e-3)
    differences = [frame["level_mm"] - frame["reference_mm"] for frame in beside]
    assert [frame["difference_mm"] for frame in beside] == differences
    so_far = summary["differences"]
    assert so_far["frames"] == 30
    assert so_far["mean_mm"] == pytest.approx(np.mean(differences))
    assert so_far["rms_mm"] == pytest.approx(np.sqrt(np.mean(np.square(differences))))
    assert so_far["worst_mm"] == max(differences, key=abs)
    with Store.open(store) as opened:
        (mark,) = opened.session(summary["sessions"][0]).marks
    assert (mark.start, mark.stop) == (10, 40)
    assert mark.level_mm == pytest.approx(expected, abs=1e-3)


@pytest.mark.longer
def test_a_pipe_gets_plain_lines_and_an_asked_level(
    store: Path, port: Callable[[], Port], trial: Callable[..., Running]
) -> None:
    """A line a second, no control characters; Ctrl-C ends it with a summary and exit code 0. Without the
    liquid nothing can be kept, which is said; a port that vanishes is waited for.
    """
    board = port()
    running = trial("--port", board.name)
    board.play(lines(0, 30))
    running.said("accepted")
    running.enter("k")
    running.said("nothing can be kept: the unit or the liquid is not stated")
    running.enter("900 mm")
    running.said("at most 100 mm")
    running.enter("3.5")
    running.said("held against 3.5 mm = 3.50 mm")
    board.play(lines(30, 60))
    running.said("beside 3.5 mm = 3.50 mm")
    board.unplug()
    running.said("the board's port is lost: unplugged, or switched off; it is waited for")
    running.process.send_signal(signal.SIGINT)
    said = running.ended()
    assert "\x1b" not in said
    assert "60 frames: 1 withheld, 59 valid, 0 empty\n" in said
    assert "accepted 98.3 %; withheld for doubt 1\n" in said
    assert re.search(r"\d+ frames beside it: mean [+-]\d+\.\d\d mm, RMS .* worst .* at 0:0", said)


@pytest.mark.longer
@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (
            [f"{100 * k},1000,1000,1000,1000" for k in range(20)],
            "the board: 5 numbers a line: 4 counts, or 3 and a temperature; expected 2, one for each pad of",
        ),
        (
            [f"{200 * k},1000,1000" for k in range(20)],
            "the board: frames 200 ms apart by its own clock; expected 100 ms within 10 %, as sensor",
        ),
        ([f"{1000 * k},1000,1000" for k in range(20)], "the board: frames 1000 ms apart by its own clock"),
        ([f"{100 * k},1000.5,1000.25" for k in range(20)], "a whole number"),
    ],
)
def test_another_board_is_one_sentence(
    store: Path, port: Callable[[], Port], sent: list[str], expected: str
) -> None:
    """Channels, rate or scale of another sensor end the trial with exit code 2."""
    board = port()
    playing = threading.Thread(target=board.play, args=(sent,))
    playing.start()
    # a trial that goes on ends as by Ctrl-C, with 0
    late = threading.Timer(60, os.kill, (os.getpid(), signal.SIGINT))
    late.start()
    try:
        said = run("replay", "m", "--unit", "one", "--port", board.name, code=2)
    finally:
        late.cancel()
        playing.join()
    (sentence,) = [line for line in said.splitlines() if line.startswith("innage: ")]
    assert expected in sentence


def test_another_revision_and_other_misfits_are_said_before_a_port_is_opened(store: Path) -> None:
    """The unit's trims are of another revision of the sensor; options of files beside a port."""
    pads = ("--pad", "low:0:50", "--pad", "high:50:50")
    run("sensor", "add", "strip", *pads, "--count-bits", 16, "--count-law", "rises", "--period-ms", 50)
    run("mounting", "add", "newer", "--tank", "can", "--sensor", "strip")
    trim = ("--unit", "bare", "--mounting", "newer", "--kind", "dry", "--counts", "900,900")
    run("trim", "add", *trim, "--date", "2026-02-01", "--stage", "line")
    there = ("replay", "m", "--port", "/dev/null", "--unit")
    for words, expected in (
        (("bare",), "unit bare: its trims are on newer, of sensor"),
        (("one", "--mounting", "newer"), "which model m was trained on"),
        (("one", "--time", "t"), "--time beside --port"),
        (("one", "--scale", "/dev/null"), "--liquid: none is stated"),
    ):
        assert expected in " ".join(run(*there, *words, code=2).split())
    assert "--liquid without --port" in run("replay", "m", "x.csv", "--liquid", "water", code=2)
    assert "neither a file nor --port" in run("replay", "m", "--unit", "one", code=2)


@pytest.mark.longer
def test_the_screen_on_a_terminal(store: Path, port: Callable[[], Port]) -> None:
    """On a terminal of 80 columns: no line is longer, the reading and the pads stand there in colours, keys
    keep a stretch at once, and the terminal is left as it was.
    """
    board = port()
    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    termios.tcsetwinsize(slave, (40, 80))
    seen = bytearray()
    process = subprocess.Popen(
        [*INNAGE, "replay", "m", "--unit", "one", "--port", board.name, "--liquid", "water"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, "TERM": "xterm-256color"},
    )

    def shows(text: str) -> bool:
        while select.select([master], [], [], 0)[0]:
            seen.extend(os.read(master, 65536))
        return text in plain(bytes(seen))

    board.play(lines(0, 30))
    until(lambda: shows("30 frames"))
    os.write(master, b"k")
    until(lambda: shows("keeping trial-1: 30 frames saved"))
    os.write(master, b"3,5\n")
    until(lambda: shows("held against 3,5 mm"))
    board.play(lines(30, 50))
    until(lambda: shows("50 frames") and shows("beside 3,5 mm = 3.50 mm, difference"))
    os.write(master, b"q")
    until(lambda: shows("is kept"))
    assert process.wait(30) == 0
    assert termios.tcgetattr(slave) == before
    os.close(master)
    os.close(slave)
    text = plain(bytes(seen))
    assert b"\x1b[1;32m" in seen
    assert max(map(len, text.splitlines())) <= 80
    assert re.search(r"low +[█▏▎▍▌▋▊▉·]{36} +\d+ +moving", text)
    assert "accepted 98.0 %; withheld for doubt 1" in text
    with Store.open(store) as opened:
        session = opened.sessions()[-1]
    assert (session.frames, [(m.start, m.stop, m.level_mm) for m in session.marks]) == (50, [(30, 50, 3.5)])


def plain(screen: bytes) -> str:
    """What a terminal was sent, without its control sequences."""
    text = screen.decode(errors="replace").replace("\r", "\n")
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)
