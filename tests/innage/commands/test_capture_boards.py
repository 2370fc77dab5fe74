"""``innage capture boards``: several boards and a scale at once, on pseudo-terminals; killed, and gone on
with by the same call.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from calling import run, run_lines
from dataset.documents import name_of
from dataset.store import Store
from innage.cli import app

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")
# A board of two pads at 50 frames a second whose counts follow from its time and its number; 'scale' stands
# for three seconds at 100 g, then at 200 g, and so on, ten lines a second.
PLAYER = """
import os, sys, time
port, kind = int(sys.argv[1]), sys.argv[2]
start, k = time.monotonic(), 0
while True:
    if kind == "scale":
        os.write(port, b"%d.0 g\\n" % (100 + 100 * (k // 30 % 5)))
    else:
        os.write(port, b"%d,%d,%d\\n" % (20 * k, 1000 * int(kind) + k % 900, 5000 + k % 700))
    k += 1
    time.sleep(max(0.0, start + k * (0.1 if kind == "scale" else 0.02) - time.monotonic()))
"""
# in air of 1.2 kg/m3 weights of 8000 kg/m3 balance so much less than they weigh: OIML R 111-1
BUOYANT = (1 - 1.2 / 8000) / (1 - 1.2 / 1000)
REGISTRY = """tank add can --span-mm 100 --cylinder-mm 112.8379
liquid add water --density-kg-m3 1000 --temperature-c 20 --source invented
sensor add strip --pad a:0:40 --pad b:50:40 --count-bits 16 --count-law rises --period-ms 20
mounting add m --tank can --sensor strip
unit add u1 u2"""
TOOLS = """unit name-bench north
operator add ab
instrument add g1 --kind height-gauge --calibrated 2026-01-10 --uncertainty 0.06 --coverage 2
instrument add g2 --kind height-gauge --calibrated 2026-01-11 --uncertainty 0.08 --coverage 2"""
SCALE = ("--settle-s", "1", "--steady-g", "0.5", "--scale-half-width-g", "0.1")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the store of a bench: a cylinder whose base is 100 cm2, so that 10 g are a millimetre."""
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "innage.db"))
    monkeypatch.chdir(tmp_path)
    run_lines(REGISTRY)
    return tmp_path


@pytest.fixture
def player() -> Iterator[Callable[[str], str]]:
    """Starts a board of a number, or the scale; gives its port."""
    handles: list[int] = []
    players: list[subprocess.Popen[bytes]] = []

    def start(kind: str) -> str:
        master, slave = os.openpty()
        handles.extend((master, slave))
        players.append(
            subprocess.Popen([sys.executable, "-c", PLAYER, str(master), kind], pass_fds=(master,))
        )
        return os.ttyname(slave)

    yield start
    for process in players:
        process.kill()
        process.wait()
    for handle in handles:
        os.close(handle)


def until(met: Callable[[], bool]) -> None:
    """Wait for something that must come; fails after a minute."""
    for _ in range(1200):
        if met():
            return
        time.sleep(0.05)
    raise AssertionError("it never came")


def listed(folder: Path, ports: dict[str, str]) -> Path:
    path = folder / "boards.csv"
    lines = [f"{unit}-day,{port},{unit}" for unit, port in ports.items()]
    path.write_text("\n".join(["name,port,unit", *lines, ""]), encoding="utf-8")
    return path


def begun(*words: object) -> subprocess.Popen[str]:
    call = [*INNAGE, "capture", "boards", *map(str, words)]
    return subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def open_frames(folder: Path) -> dict[str, int]:
    with Store.open(folder / "innage.db") as store:
        return {capture.name: capture.frames for capture in store.open_captures()}


@pytest.mark.slow
def test_killed_and_gone_on_with_by_the_same_call(bench: Path, player: Callable[[str], str]) -> None:
    """Kill -9 while two boards and a scale run; the same call again asks nothing: both sessions hold every
    frame that was saved, each its own board's, marked by one scale with the level that its mass makes.
    """
    boards, scale = {unit: player(unit[1]) for unit in ("u1", "u2")}, player("scale")
    call = (listed(bench, boards), "--mounting", "m", "--liquid", "water", "--scale", scale, *SCALE)
    process = begun(*call, "--frames", 500, "--unattended")
    until(lambda: min(open_frames(bench).values(), default=0) >= 150)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    saved = {}
    with Store.open(bench / "innage.db") as store:
        for name in ("u1-day", "u2-day"):
            saved[name] = store.open_frames(name)
        assert not store.sessions()
    process = begun(*call, "--frames", 500, "--unattended")
    output, _ = process.communicate(timeout=120)
    assert process.returncode == 0, output
    assert output.count("resumed after") == 2
    with Store.open(bench / "innage.db") as store:
        sessions = {session.source.file: session for session in store.sessions()}
        assert not store.open_captures()
        for name, kept in saved.items():
            frames = store.frames(sessions[name], verify=True)
            assert (frames.t_ms[: len(kept)] == kept.t_ms).all()
            assert (frames.counts[: len(kept)] == kept.counts).all()
            assert len(frames) >= 500
            assert (np.diff(frames.t_ms) > 0).all()
            assert (frames.counts[:, 0] // 1000 == int(name[1])).all()
            marks = sessions[name].marks
            assert len(marks) >= 2
            levels = [mark.level_mm / BUOYANT for mark in marks]
            assert levels == [pytest.approx(round(level, -1), abs=0.02) for level in levels]
            assert any("gone on" in warning.sentence for warning in sessions[name].warnings)
    again = begun(*call, "--frames", 500, "--unattended")
    output, _ = again.communicate(timeout=60)
    assert again.returncode == 0, output
    assert output.count("sealed before as session") == 2


@pytest.mark.longer
def test_two_boards_are_captured_in_one_call(bench: Path, player: Callable[[str], str]) -> None:
    """Without a scale: each session has its own board's frames and no marks; what is stated for all alike
    holds but where a line says otherwise.
    """
    boards = {unit: player(unit[1]) for unit in ("u1", "u2")}
    run_lines(TOOLS)
    path = bench / "boards.csv"
    lines = [f"a,{boards['u1']},u1,,", f"b,{boards['u2']},u2,g2,2026-03-02T09:15+01:00"]
    path.write_text("\n".join(["name,port,unit,instruments,start", *lines, ""]), encoding="utf-8")
    process = begun(
        *(path, "--mounting", "m", "--liquid", "water", "--frames", 40, "--json"),
        *("--instrument", "g1", "--bench", "north", "--operator", "ab"),
    )
    output, _ = process.communicate(timeout=60)
    assert process.returncode == 0, output
    facts = json.loads(output[output.index("[\n") :])
    assert sorted(session["unit"] for session in facts) == ["u1", "u2"]
    with Store.open(bench / "innage.db") as store:
        for session in store.sessions():
            counts = store.frames(session).counts
            assert (counts[:, 0] // 1000 == int(session.unit.name[1])).all()
            assert len(counts) >= 40
            assert session.marks == ()
            assert session.occasion.bench == store.bench("north").identity
            assert session.occasion.operator == "ab"
            gauge = {"u1": "g1", "u2": "g2"}[session.unit.name]
            assert session.instruments == tuple(map(name_of, store.instrument(gauge).calibrations))
        assert "2026-03-02T09:15:00+01:00" in [s.occasion.started for s in store.sessions()]


@pytest.mark.parametrize(
    ("text", "sentences"),
    [
        ("name,port,unit\na,/dev/none,u1\n", ["/dev/none: cannot be opened"]),
        (
            "name,port,unit,mounting\na,p1,u1,\na,p1,u3,\n,p2,u2,\nd,p3,u2,none\n",
            [
                "line 3: column 'name': a, as in line 2",
                "line 4: column 'name': nothing",
                "line 5: mounting none",
            ],
        ),
        (
            "name,port,unit,instruments,bench\na,p1,u1,g3,\nb,p2,u2,,south\n",
            ["line 2: instrument g3: is not in the store", "line 3: bench south"],
        ),
        ("name,prot\na,p\n", ["a heading 'prot'. Did you mean 'port'?"]),
    ],
)
def test_what_does_not_go_begins_nothing(bench: Path, text: str, sentences: list[str]) -> None:
    path = bench / "boards.csv"
    path.write_text(text, encoding="utf-8")
    done = CliRunner().invoke(app, ["capture", "boards", str(path), "--mounting", "m", "--liquid", "water"])
    assert done.exit_code == 2, done.output
    for sentence in sentences:
        assert sentence in done.stderr
    assert open_frames(bench) == {}


def test_one_scale_is_under_one_tank(bench: Path) -> None:
    run_lines("tank add other --span-mm 50\nmounting add o --tank other --sensor strip")
    path = bench / "boards.csv"
    path.write_text("name,port,unit,mounting\na,p1,u1,m\nb,p2,u2,o\n", encoding="utf-8")
    said = run("capture", "boards", path, "--liquid", "water", "--scale", "p3", code=2)
    assert "line 3, column 'tank': other@1, and can@1 in line 2; expected one tank" in said
