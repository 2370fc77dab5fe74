"""Commands killed at random moments leave a sound store, everything acknowledged in it, and exports that are
whole or absent. ``INNAGE_TEST_KILLS`` is how often; ``make kills`` takes two hundred.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

LOOP = Path(__file__).with_name("kill_loop.py")
HELPERS = Path(__file__).parents[1] / "helpers"
KILLS = int(os.environ.get("INNAGE_TEST_KILLS", "49"))  # seven of each operation


@pytest.mark.skipif(not hasattr(os, "fork"), reason="starts commands by fork")
@pytest.mark.slow
def test_kills() -> None:
    """Nothing is found wrong after any of the kills; what the loop does is in its docstring."""
    ended = subprocess.run(
        [sys.executable, "-P", LOOP, "--kills", str(KILLS)],
        env=os.environ | {"PYTHONPATH": str(HELPERS)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    found = json.loads(ended.stdout[ended.stdout.index('{\n  "killed"') :])
    assert found["wrong"] == []
    assert sum(found["killed"].values()) == KILLS
