"""What a job is asked reaches the function that does it, whole."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import asdict
from types import SimpleNamespace
from typing import Any

import pytest

from dataset.pools import HERE
from innage.jobs import silent
from innage.runner.kind import Work
from innage.runner.kinds import fitting, judging, kind_of, writing
from innage.runner.settings import read, written


class CalledError(Exception):
    """The function was called, with these arguments."""


@pytest.mark.parametrize(
    ("module", "kind", "given", "of"),
    [
        (
            fitting,
            "train",
            {"seed": 3, "trim": "dry", "ablation": True, "date": "2026-01-31", "since_pour": True},
            "search",
        ),
        (fitting, "retrain", {"seed": 3, "steps": 7, "date": "2026-01-31"}, "refit"),
        (judging, "compare", {"frozen": "f", "role": "choose", "limits": "l", "budget": "b", "seed": 3}, 3),
        (judging, "study", {"trims": False, "role": "prove", "seed": 3}, 2),
        (
            writing,
            "export",
            {
                "prefix": "own",
                "optimise": "speed",
                "kernels": "auto",
                "assembly": True,
                "volume_table": True,
                "made_vectors_only": True,
                "uses": ["identity"],
                "fast_crc": True,
                "memory_check": True,
                "even_if_retired": True,
                "even_if_unproven": True,
            },
            "options",
        ),
    ],
)
def test_settings_reach_the_function(
    monkeypatch: pytest.MonkeyPatch, module: Any, kind: str, given: dict[str, Any], of: str | int
) -> None:
    def called(*words: Any, **named: Any) -> Any:
        raise CalledError(words, named)

    monkeypatch.setattr(module, kind, called)
    of_kind: Any = kind_of(kind)
    needed = {name: name for name in ("model", "frozen", "name", "budget", "first", "second")}
    taken = {name: name for name in needed if name in of_kind.settings.__dataclass_fields__}
    settings = read(kind, of_kind.settings, taken | given)
    store: Any = SimpleNamespace(said_of=lambda model: "nothing")
    with pytest.raises(CalledError) as seen:
        of_kind.run(Work(store, settings, silent, pool=HERE))
    words, named = seen.value.args
    record = words[of] if isinstance(of, int) else named[of]
    got = asdict(record)
    assert {name: list(v) if isinstance(v, tuple) else v for name, v in got.items() if name in given} == given
    assert getattr(record, "pool", HERE) is HERE
    assert getattr(record, "zipped", True)
    assert read(kind, of_kind.settings, written(settings)) == settings


def test_queueing_loads_nothing_that_only_the_work_needs() -> None:
    """Whoever queues a job does none of it."""
    heavy = {"numpy", "scipy", "sklearn", "pandas", "onnx"}
    asked = f"import sys, innage.runner.kinds; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-P", "-c", asked], capture_output=True, check=True, text=True, encoding="utf-8"
    )
    assert done.stdout == "[]\n"
