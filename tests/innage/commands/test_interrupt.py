"""Ctrl-C in the midst of ``innage train``, sent to a process of its own as a terminal does: nothing
half-stored, nobody left behind. All counts made up.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from building import bench_store
from dataset.records import (
    CountLaw,
    Frames,
    GroupBy,
    Mark,
    Pad,
    Role,
    Sensor,
    Tank,
)
from dataset.store import Store

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc"),
]

INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")
ROLES = [Role.FIT] * 9 + [Role.CHOOSE] * 3 + [Role.PROVE] * 3
PADS, LEVELS, STAY, DEADLINE_S = 8, np.linspace(0.0, 160.0, 41), 12, 60.0


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with a frozen set that takes a few seconds to train on: 15 units of eight pads, filled in
    steps.
    """
    draw = np.random.default_rng(1)
    path = tmp_path_factory.mktemp("store") / "innage.db"
    share = 1 / (1 + np.exp(-(np.repeat(LEVELS, STAY)[:, None] - 20.0 * np.arange(PADS) - 8) / 4))
    marks = tuple(Mark(STAY * k, STAY * (k + 1), float(level)) for k, level in enumerate(LEVELS))
    with Store.open(path) as store:
        pads = tuple(Pad(k, f"p{k}", 20.0 * k, 16.0) for k in range(PADS))
        sensor = Sensor("strip", 0, pads, 16, CountLaw.RISES, 100)
        bench = bench_store(
            store, tank=Tank("canister", 0, 160.0), sensor=sensor, unit=[f"u{k}" for k in range(len(ROLES))]
        )
        sessions = []
        for number, unit in enumerate(bench.units):
            counts = np.rint(
                20000
                + 100 * draw.standard_normal(PADS)
                + 3000 * share
                + 20 * draw.standard_normal(share.shape)
            ).astype(np.uint32)
            frames = Frames(np.arange(len(share)) * 100, counts)
            sessions.append(bench.session(number, marks, unit=unit, frames=frames))
        store.freeze(
            "all", store.add_sessions(sessions), GroupBy.UNIT, {f"u{k}": role for k, role in enumerate(ROLES)}
        )
    return path.read_bytes()


def family(session: int) -> list[int]:
    """Processes of a session that are not over; the leader's own id is the session's."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                state, _, _, its = (folder / "stat").read_text().rsplit(")", 1)[1].split()[:4]
            except OSError:
                continue  # it ended while it was looked at
            if int(its) == session and state not in "ZX":
                found.append(int(folder.name))
    return found


def until(holds: object, deadline_s: float = DEADLINE_S) -> bool:
    end = time.monotonic() + deadline_s
    while not holds():  # type: ignore[operator]  # a parameter of the test
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


def interrupted(store: Path, later_s: float, everyone: bool) -> None:
    """Start a training, wait for its workers and then ``later_s``, and send what Ctrl-C sends."""
    words = (*INNAGE, "train", "all", "--name", "first", "--store", str(store))
    on_all_cores = {key: value for key, value in os.environ.items() if key != "LOKY_MAX_CPU_COUNT"}
    started = subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=on_all_cores,
    )
    try:
        assert until(
            lambda: started.poll() is not None or len(family(started.pid)) > 1 or os.cpu_count() == 1
        )
        time.sleep(later_s)
        assert started.poll() is None, started.communicate()
        (os.killpg if everyone else os.kill)(started.pid, signal.SIGINT)
        _, err = started.communicate(timeout=DEADLINE_S)
    finally:
        if started.poll() is None:
            os.killpg(started.pid, signal.SIGKILL)
            started.communicate()
    assert started.returncode == 130, err
    assert "innage: interrupted\n" in err  # workers that were about to start may say so too
    assert until(lambda: not family(started.pid), 5.0), "workers live on"
    with Store.open(store) as opened:
        assert opened.models() == ()
        assert opened.prove_openings(opened.frozen_set("all")) == 0


@pytest.fixture
def not_ignored() -> Iterator[None]:
    """Ctrl-C counts for what is started, though a shell started the tests in the background, and they ignore
    it.
    """
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("not_ignored")
@pytest.mark.parametrize("everyone", [True, False])
def test_ctrl_c_at_any_time(store: Path, everyone: bool) -> None:
    """At seeded random times: to all processes of the group, as on a terminal, and to the command alone, as
    by 'kill -INT'.
    """
    drawn = random.Random(5)  # noqa: S311 - a seed, not a secret
    for later_s in (0.0, *(drawn.uniform(0.0, 1.0) for _ in range(2))):
        interrupted(store, later_s, everyone)
