"""Pushes and pulls at one end of which somebody is killed at a random moment: nothing acknowledged is lost,
nothing half pushed shows, and the next push goes on. ``INNAGE_TEST_KILLS`` is how often; ``make kills`` takes
two hundred.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from servers import Server, programs

LOOP = Path(__file__).with_name("line_kills.py")
HELPERS = Path(__file__).parents[1] / "helpers"
KILLS = int(os.environ.get("INNAGE_TEST_KILLS", "8"))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="starts both ends by fork")
@pytest.mark.slow
def test_line_kills(request: pytest.FixtureRequest) -> None:
    """Nothing is found wrong after any of the kills; what the loop does is in its docstring."""
    words = [sys.executable, "-P", str(LOOP), "--kills", str(KILLS)]
    if programs() is not None:
        server: Server = request.getfixturevalue("server")
        words += ["--place", server.store()]
    environment = os.environ | {"PYTHONPATH": str(HELPERS)}
    ended = subprocess.run(words, env=environment, capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr
    print(ended.stdout)
    outcomes = json.loads(ended.stdout)
    assert [one["wrong"] for one in outcomes.values()] == [[]] * len(outcomes), ended.stderr
    assert sum(sum(one["killed"].values()) for one in outcomes.values()) >= KILLS
    assert all(one["acknowledged"] > 0 for one in outcomes.values())
