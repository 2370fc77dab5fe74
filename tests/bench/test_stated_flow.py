"""The experiment on a stated flow: what an appliance tells, and what is averaged while it tells that the tank
stands still.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from stated_flow import LONGEST_S, averaged, silent, told_of

from captures.benches import bench_a, with_foam_at_rest
from captures.filling import fill, freeze, unit_names
from dataset.records import Role
from dataset.store import Store
from training.models.trimming import SHARE_ONE

SCRIPT = Path(__file__).parents[2] / "bench" / "stated_flow.py"


def test_levels_are_averaged_from_the_first_still_frame_on() -> None:
    level, label = np.asarray([9.0, 2.0, 4.0, 6.0, 8.0, 1.0]), np.asarray([5.0, 5.0, 5.0, 5.0, 7.0, 7.0])
    still, session = np.asarray([False, True, True, True, True, True]), np.asarray([0, 0, 0, 0, 0, 1])
    assert averaged(level, still, session, label).tolist() == [9.0, 2.0, 3.0, 4.0, 8.0, 1.0]


@pytest.mark.longer
def test_what_is_told_follows_what_sessions_state() -> None:
    """Each row has one flow; a tank that fills was poured into now, one that never did, long ago."""
    bench = with_foam_at_rest(bench_a(1))
    with Store.in_memory() as store:
        first, second = unit_names(bench, 2)
        taken = fill(store, bench, [first, second])
        data = store.frozen_data(freeze(store, "set", taken, {Role.FIT: [first], Role.PROVE: [second]}))
    told = told_of(data, bench.board.period_ms)
    columns = told.columns(("flow", "pour"))
    assert columns.shape == (len(data.session), 4)
    assert (told.flow.sum(axis=1) == SHARE_ONE).all()
    assert (told.pour[told.flow[:, 0] > 0] == 0).all()
    empty = np.asarray([data.level_mm[data.session == s].max() == 0 for s in data.session])
    assert (told.pour[empty] == SHARE_ONE).all()
    later = (told.pour[:, 0] > 0) & (told.pour[:, 0] < SHARE_ONE)
    assert later.any()
    seconds = np.expm1(told.pour[later, 0] / SHARE_ONE * np.log1p(LONGEST_S))
    frames = seconds * 1000 / bench.board.period_ms
    assert frames == pytest.approx(np.rint(frames), abs=1e-6)
    assert silent(columns, ("flow", "pour")).sum(axis=1) == pytest.approx(SHARE_ONE)


@pytest.mark.slow
def test_the_experiment_prints_a_row_for_each_way_of_telling() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--quick"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert [line.split(":")[0] for line in done.stdout.splitlines()[1:]] == [
        "nothing",
        "mean",
        "flow told",
        "flow told mean",
        "flow not told",
        "flow pour told",
        "flow pour told mean",
        "flow pour not told",
    ]
