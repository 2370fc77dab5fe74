"""The two pipelines of docs/channels.md, as they stand there, against a server on a port."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from dataset.records import Scope
from dataset.store import Store
from doors import open_door
from export.bundle.verify import read_bundle
from released import make, write_key

PAGE = Path(__file__).parents[2] / "docs" / "channels.md"


def block(beginning: str) -> str:
    """The indented block of the page that begins so."""
    match = re.search(rf"^(    {re.escape(beginning)}\n(?:    .*\n)+)", PAGE.read_text("utf-8"), re.MULTILINE)
    assert match is not None
    return re.sub("^    ", "", match[1], flags=re.MULTILINE)


def run(script: str, folder: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    return subprocess.run(
        ["/bin/sh", "-eu", "-c", script],
        cwd=folder,
        env={**os.environ, "PATH": path, **variables},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("cc") is None or os.name != "posix", reason="there is no C compiler here")
def test_released_here_and_built_there(tmp_path: Path) -> None:
    """From a bench's store to an object file on another machine; once a session is void, the build stops and
    keeps what it had, and so it does with another key.
    """
    bench, ci = tmp_path / "bench", tmp_path / "ci"
    ci.mkdir()
    bench.mkdir()
    make(bench)
    shutil.rmtree(bench / "good")
    private, public = write_key(tmp_path)
    shutil.copy(public, ci / "team.pub")
    with Store.open(tmp_path / "team.db") as team, open_door(team, authorise=None) as url:
        _, releasing = team.add_token("releasing", [Scope.READ, Scope.PUSH, Scope.RELEASE])
        _, building = team.add_token("building", [Scope.READ, Scope.PULL])
        said = {
            "MODEL": "good",
            "BUDGET": "roomy",
            "SIGNING_KEY": str(private),
            "REASON": "meets every limit",
        }
        done = run(block("#!/bin/sh"), bench, INNAGE_SERVER=url, INNAGE_TOKEN=releasing, **said)
        assert done.returncode == 0, done.stderr
        steps = re.findall(r"^    run: (.+)$", block("steps:"), re.MULTILINE)
        assert len(steps) == 4
        for step in steps:
            done = run(step, ci, INNAGE_SERVER=url, INNAGE_TOKEN=building)
            assert done.returncode == 0, (step, done.stderr)
        assert (ci / "innage.o").stat().st_size > 0
        assert read_bundle(ci / "model") == read_bundle(bench / "bundle")
        facts = json.loads((ci / "model.json").read_text("utf-8"))
        assert facts["moves"][0]["author"] == "releasing"
        assert team.audit_faults() == ()
        shutil.copy(write_key(tmp_path, "other")[1], ci / "team.pub")
        refused = run(steps[0], ci, INNAGE_SERVER=url, INNAGE_TOKEN=building)
        assert (refused.returncode, "none of its signatures is by key" in refused.stderr) == (1, True)
        shutil.copy(public, ci / "team.pub")
        team.void(team.sessions()[0].id, "the hose came off")
        stopped = run(steps[0], ci, INNAGE_SERVER=url, INNAGE_TOKEN=building)
        assert (stopped.returncode, "is void (the hose came off)" in stopped.stderr) == (1, True)
        assert read_bundle(ci / "model") == read_bundle(bench / "bundle")
