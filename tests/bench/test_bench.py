"""The one command of the benches at tiny sizes: every row is there, both sides gave the same, and what it
writes can be read. No figure is judged.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from page_speed import PAGES

from servers import programs

RUN = Path(__file__).parents[2] / "bench" / "run.py"
COMPARED = {
    "csv-sql",
    "csv-bytes",
    "csv-parsing",
    "parquet-reading",
    "frozen-one-cold",
    "frozen-one-warm",
    "frozen-one-kept",
    "frozen-many-cold",
    "frozen-many-warm",
    "frozen-many-kept",
    "replay",
    "replays",
    "interpreter",
    "help-rich",
    "help-plain",
    "sessions",
    "show",
    "gaps",
    "plan",
    "models",
    "limits-list",
    "log-batch",
    "sessions-many",
    "gaps-many",
    "freeze-many",
    "check",
    "push",
    "pull",
    "merge",
    "lists-while-pushed",
} | {f"kernels cortex-m0plus clang {tier}" for tier in ("threes", "fast", "fastest", "branches")}
SERVER = {
    "server-logging",
    "server-list",
    "server-frozen",
    *(f"page-{side}-{size}" for side in ("server", "file") for size in (30, 60)),
    *(f"pages-{page}-{side}-60" for page in PAGES for side in ("server", "file")),
}
GROWTH = ("logging", "sessions", "gaps", "plan", "show", "freezing", "frozen set to arrays", "replay")


def ran(out: Path, *options: str) -> tuple[dict[str, Any], str]:
    """What a quick run wrote and printed."""
    done = subprocess.run(
        [sys.executable, str(RUN), "--quick", "--out", str(out), *options],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads((out / "bench.json").read_text(encoding="utf-8")), done.stdout


def sound(row: dict[str, Any]) -> bool:
    """A finite positive ratio within its rounds, with a baseline that is named, and seconds only
    beside it.
    """
    ratios = [row["ratio_least"], row["ratio"], row["ratio_most"]]
    timed = [row["ours_s"], row["baseline_s"]]
    return (
        all(math.isfinite(r) and r > 0 for r in ratios)
        and ratios == sorted(ratios)
        and bool(row["baseline"])
        and (None in timed) == (timed == [None, None])
    )


def test_what_takes_long_is_asked_for(bench_module: Callable[[str], ModuleType]) -> None:
    """Search and memory are left out unless they are named."""
    run = bench_module("run")
    every = list(run.NAMES)
    assert run.chosen() == [name for name in every if name not in ("search", "memory")]
    assert run.chosen(search=True) == [name for name in every if name != "memory"]
    assert run.chosen(["memory"]) == ["memory"]
    assert run.chosen(["memory"], search=True) == ["search", "memory"]


@pytest.mark.slow
def test_one_command(tmp_path: Path) -> None:
    """Every row but those of memory, of which it says that they were not run; goals are answered; table, JSON
    and pictures.
    """
    found, printed = ran(tmp_path, "--search")
    search = [row for row in found["rows"] if row["name"].startswith("search")]
    assert [(row["name"], sound(row), row["equal"]) for row in search] == [("search-lbfgs-1", True, None)]
    assert "P95" in search[0]["note"]
    found["rows"] = [row for row in found["rows"] if row not in search]
    rows = {row["name"]: row for row in found["rows"] if " gcc " not in row["name"]}
    compared = COMPARED | SERVER if programs() else COMPARED
    assert set(rows) == compared | {f"growth-{name.replace(' ', '-')}" for name in GROWTH}
    assert [name for name, row in rows.items() if not sound(row)] == []
    assert {name for name, row in rows.items() if row["equal"]} == compared
    assert all((row["goal"] is None) == (row["reached"] is None) for row in rows.values())
    assert tuple(found["growth"]) == GROWTH
    assert all(its["ratio"][0] == 1 and len(its["ratio"]) == 3 for its in found["growth"].values())
    assert found["machine"]["cores"] > 0
    assert {line["evidence"] for line in found["score"]["lines"]} == {"vectors", "self-test"}
    assert (len(found["score"]["breaks"]), len(found["score"]["bits"])) == (30, 20)
    assert set(found["not_run"]) == {"memory"}
    assert "not run" in printed
    assert "Load on the machine" in printed
    assert max(map(len, printed.splitlines())) <= 80
    for picture in ("ratios.svg", "growth.svg"):
        assert (tmp_path / picture).read_text(encoding="utf-8").count("<path") > 20


@pytest.mark.slow
def test_memory(tmp_path: Path) -> None:
    """Peaks of processes of their own, and what each million rows added. Named, it runs, and nothing else
    does; what an earlier run wrote is gone.
    """
    (tmp_path / "growth.svg").write_text("of an earlier run", encoding="utf-8")
    found, _ = ran(tmp_path, "--only", "memory")
    assert [row["name"] for row in found["rows"]] == [
        "memory-csv",
        "memory-parquet",
        "memory-checking",
        "memory-merging",
    ]
    assert all(sound(row) and " MB for " in row["note"] for row in found["rows"])
    assert found["not_run"] == {}
    assert found["score"] is None
    assert not (tmp_path / "growth.svg").exists()
