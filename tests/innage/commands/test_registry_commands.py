"""The registry as a user sees it on the command line."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dataset.errors import InputError
from innage.cli import app, main
from innage.commands.limits import read_row
from innage.pad_options import read_pads

SENSOR = (
    "sensor add strip --pad low:0:50:8 --pad high:50:50 --pad ref:-20:10 --reference ref "
    "--count-bits 16 --count-law rises --period-ms 100"
)
BUDGET = (
    "budget add small --core cortex-m0plus --multiplier-cycles 1 --flash-bytes 1536 "
    "--ram-bytes 64 --stack-bytes 128 --cycles 2000"
)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A path for a store, which the commands find by the environment."""
    path = tmp_path / "innage.db"
    monkeypatch.setenv("INNAGE_STORE", str(path))
    return path


def run(line: str) -> str:
    """Run a command that must succeed; what it printed."""
    result = CliRunner().invoke(app, line.split(), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def run_json(line: str) -> Any:
    return json.loads(run(line + " --json"))


def test_the_registry_end_to_end(store: Path) -> None:
    """Each thing that is added is listed and shown with its facts, and the sentence says what was added."""
    assert run("tank add can --span-mm 100") == "tank can@1: span 100 mm\n"
    added, exists = run("tank add can --span-mm 120").splitlines()
    assert added == "tank can@2: span 120 mm"
    assert exists.startswith("can exists: this is revision 2 of it, which 'can' means from now on")
    assert run("liquid add water --permittivity 80 --temperature-c 20") == "liquid water\n"
    assert run("unit add u1 --note first") == "unit u1\n"
    assert run(SENSOR) == "sensor strip@1: pads low, high, ref; 16 bits, count rises with C, 100 ms\n"
    assert (
        run("mounting add m1 --tank can@1 --sensor strip --offset-mm -2.5")
        == "mounting m1: sensor strip@1 on tank can@1, offset -2.5 mm\n"
    )
    assert (
        run(BUDGET)
        == "budget small: cortex-m0plus, 1536 B flash, 64 B RAM, 128 B stack, 2000 cycles a frame\n"
    )
    assert (
        run("limits add signed --row rmse_mm<=0.9 --row withheld_share<=0.1@foam#3")
        == "limits signed@1: rmse_mm <= 0.9 (all), withheld_share <= 0.1 (foam)\n"
    )
    assert [(t["name"], t["revision"], t["span_mm"]) for t in run_json("tank list")] == [
        ("can", 1, 100.0),
        ("can", 2, 120.0),
    ]
    assert run_json("liquid list")[0] | {"note": ""} == run_json("liquid show water")
    (bench,) = run_json("unit benches")
    known = {"name": "u1", "note": "first", "serial": None, "origin_name": "u1"}
    unit = run_json("unit show u1")
    assert unit == run_json("unit list")[0] | {"mountings": [], "sessions": [], "trims": [], "unions": []}
    assert unit.items() >= (known | {"bench": bench["identity"], "bench_name": bench["name"]}).items()
    assert [(p["name"], p["width_mm"], p["role"]) for p in run_json("sensor show strip")["pads"]] == [
        ("low", 8.0, "level"),
        ("high", None, "level"),
        ("ref", None, "reference"),
    ]
    assert run_json("mounting list")[0] == run_json("mounting show m1")
    assert run_json("mounting show m1")["tank"]["revision"] == 1
    assert run_json("budget show small")["ram_bytes"] == 64 == run_json("budget list")[0]["ram_bytes"]
    assert [
        (r["metric"], r["condition"], r["min_groups"]) for r in run_json("limits show signed")["rows"]
    ] == [
        ("rmse_mm", "all", 1),
        ("withheld_share", "foam", 3),
    ]
    assert run_json("limits list")[0]["revision"] == 1
    for line, fact in (
        ("tank list", "can@2"),
        ("liquid list", "water"),
        ("liquid show water", "80"),
        ("unit list", "first"),
        ("unit show u1", "first"),
        ("sensor list", "strip@1"),
        ("sensor show strip", "ref"),
        ("mounting list", "-2.5"),
        ("mounting show m1", "47.5"),  # the low pad's top, 50 mm, above the datum
        ("budget list", "1536"),
        ("budget show small", "2000"),
        ("limits list", "signed@1"),
        ("limits show signed", "foam"),
    ):
        assert fact in run(line), line


@pytest.mark.parametrize(
    "kind", ["tank", "liquid", "sensor", "mounting", "unit", "budget", "limits", "mapping"]
)
def test_empty_lists_say_what_to_try(store: Path, kind: str) -> None:
    """A list with nothing in it names the command that fills it; as JSON it is an empty list."""
    assert run(f"{kind} list").startswith(
        f"no {kind}s yet: try 'innage " if kind != "limits" else "no limits yet: try 'innage "
    )
    assert run_json(f"{kind} list") == []


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("tank show can", "innage: tank can: is not in the store. Add it with 'innage tank add'\n"),
        (
            "tank add can --span-mm -1",
            "innage: tank can, span: -1; expected more than 0 and at most 100000 mm\n",
        ),
        (
            "sensor add s --pad a:0 --count-bits 8 --count-law rises --period-ms 9",
            "innage: --pad: a:0; expected at least NAME:BOTTOM_MM:HEIGHT_MM, such as p0:0:12.5\n",
        ),
        (
            "mapping show tidy",
            "innage: mapping tidy: is not in the store. Save one with 'innage log ... --save-mapping NAME'\n",
        ),
    ],
)
def test_errors_are_one_sentence(
    store: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], line: str, sentence: str
) -> None:
    """An input that cannot be used ends with exit code 2 and one sentence on stderr."""
    monkeypatch.setattr(sys, "argv", ["innage", *line.split()])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert capsys.readouterr() == ("", sentence)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("rmse_mm<=2", ("rmse_mm", 2.0, "all", 1)),
        (" worst_group_rmse_mm <= 0.5 @ beyond #3 ", ("worst_group_rmse_mm", 0.5, "beyond", 3)),
        ("withheld_share<=1e-2#10", ("withheld_share", 0.01, "all", 10)),
    ],
)
def test_rows_of_limits(text: str, expected: tuple[str, float, str, int]) -> None:
    """METRIC<=BOUND[@CONDITION][#FEWEST_GROUPS], blanks allowed."""
    row = read_row(text)
    assert (row.metric, row.bound, row.condition, row.min_groups) == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        "rmse_mm",
        "rmse_mm<2",
        "rmse_mm<=",
        "rmse_mm<=x",
        "rmse_mm<=1@",
        "rmse_mm<=1#x",
        "rmse_mm<=1#2@foam",
        "<=1",
    ],
)
def test_rows_of_limits_refused(text: str) -> None:
    """Anything else is refused with the form that is meant."""
    with pytest.raises(InputError, match="expected METRIC<=BOUND"):
        read_row(text)


@pytest.mark.parametrize("text", ["a", "a:0", "a:0:x", "a:0:1:2:3:4", ""])
def test_pads_refused(text: str) -> None:
    """A pad is a name, a bottom, a height, and at most a width and a frequency."""
    with pytest.raises(InputError, match="NAME:BOTTOM_MM:HEIGHT_MM"):
        read_pads([text], [])


def test_a_reference_that_is_no_pad() -> None:
    """--reference names one of the pads."""
    with pytest.raises(InputError, match="expected one of a"):
        read_pads(["a:0:1"], ["b"])
