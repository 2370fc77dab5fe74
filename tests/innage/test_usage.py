"""Small mistakes of a command line, each with the sentence that it draws."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calling import TWO_SENSORS, run, run_json, run_lines
from innage.cli import app
from innage.usage import store_behind


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with two sensors on a can."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        run_lines(TWO_SENSORS)
    return path.read_bytes()


BUDGET = "budget add b --core cortex-m3 --ram-bytes 64 --stack-bytes 128 --cycles 1000 --flash-bytes"
SENSOR = "sensor add s --pad p:0:10 --count-bits 16 --period-ms"
WRONG = {
    f"{BUDGET} 8k": "'--flash-bytes': '8k'; expected a whole number of bytes. Did you mean 8192?",
    f"{BUDGET} lots": "'--flash-bytes': 'lots'; expected a whole number of bytes",
    "tank add t --span-mm 20cm": "'--span-mm': '20cm'; expected a number in mm. Did you mean 200?",
    "tank add t --span-mm 0,2m": "'--span-mm': '0,2m'; expected a number in mm. Did you mean 200?",
    "liquid add l --conductivity-s-m 3mS/cm": "'3mS/cm'; expected a number in S/m. Did you mean 0.3?",
    "liquid add l --density-kg-m3 0.998g/ml": "'0.998g/ml'; expected a number in kg/m3. Did you mean 998?",
    f"{SENSOR} 0.1s --count-law rises": "'0.1s'; expected a whole number of ms. Did you mean 100?",
    f"{SENSOR} 100 --count-law rise": "'rise' is not one of 'rises', 'falls'. Did you mean 'rises'?",
    "sessions --weekday monday": "No such option: --weekday",
    "sessions --unti 2026-03-02": "No such option: --unti. Did you mean '--until' or '--unit'?",
    "liquid add l --like watr": "propylene-glycol, triolein. Did you mean 'water'?",
    "liquid add l --like alcohol": "See 'innage liquid common'",
    "freeze x --group units": "'level', 'temperature'. Did you mean 'unit'?",
}


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize("line", WRONG)
def test_a_value_that_cannot_be(line: str) -> None:
    """The unit of the option is named, what others come to is asked for, and the nearest word is offered."""
    result = CliRunner().invoke(app, line.split())
    assert result.exit_code == 2
    said = " ".join(result.stderr.split())
    assert WRONG[line] in said
    assert ("Did you mean" in said) == ("Did you mean" in WRONG[line])
    assert "Value error" not in said
    assert "Input should be" not in said


def test_several_units_in_one_call(store: Path, refused: Callable[..., str]) -> None:
    """All, or none: a name that is there or cannot be leaves no other behind."""
    assert run("unit", "add", "u1", "u2", "u3", "--note", "batch 7") == "unit u1\nunit u2\nunit u3\n"
    assert "unit u2: exists already" in refused("unit", "add", "u4", "u2")
    assert "unit u5: exists already" in refused("unit", "add", "u5", "u5")
    assert [unit["name"] for unit in run_json("unit", "list")] == ["u1", "u2", "u3"]
    assert store.is_file()
    assert run("operator", "add", "mk", "jo") == "operator mk\noperator jo\n"
    assert "operator mk: exists already" in refused("operator", "add", "ab", "mk")
    assert [operator["name"] for operator in run_json("operator", "list")] == ["jo", "mk"]


@pytest.mark.usefixtures("store")
def test_a_core_with_one_multiplier_need_not_say_it(refused: Callable[..., str]) -> None:
    """Where a core comes with either, the budget has to say which."""
    run(*f"{BUDGET} 8192".split())
    assert run_json("budget", "show", "b")["multiplier_cycles"] == 1
    other = f"{BUDGET} 8192".replace("cortex-m3", "cortex-m0plus").replace("add b", "add c").split()
    assert refused(*other) == (
        "innage: --multiplier-cycles: not given; expected 1 or 32, as the part's cortex-m0plus has it: "
        "fast or small\n"
    )
    assert "--core: m0; expected cortex-m0plus or" in refused(
        *[w.replace("cortex-m0plus", "m0") for w in other]
    )


def test_a_store_before_or_after_the_command(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is the same; without a command it is none."""
    monkeypatch.delenv("INNAGE_STORE")
    monkeypatch.chdir(tmp_path.parent)
    for before in (["--store", str(store)], [f"--store={store}"]):
        assert run(*before, "sensor", "list") == run("sensor", "list", "--store", store)
    assert store_behind(["--store", "x", "log", "a.csv", "--", "-b"]) == [
        "log",
        "a.csv",
        "--store",
        "x",
        "--",
        "-b",
    ]
    assert store_behind(["--store", "x"]) == ["--store", "x"]
    assert store_behind(["models", "--store", "x"]) == ["models", "--store", "x"]
    assert store_behind(["unit", "--store", "x", "list"]) == ["unit", "list", "--store", "x"]
    assert store_behind(["unit", "--store=x", "list", "--json"]) == ["unit", "list", "--json", "--store=x"]
    assert store_behind(["--version"]) == ["--version"]


def test_values_stand_over_those_of_a_mapping(
    store: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    """Units, uncertainty, encoding of this call count; columns named beside a mapping are refused by name."""
    run("unit", "add", "u1")
    pair = ["--mounting", "m-pair", "--unit", "u1", "--liquid", "water"]
    path = tmp_path / "run.csv"
    path.write_text("t,a,b,x\n0,1,2,0.5\n0.1,3,4,0.5\n")
    columns = ["--time", "t", "--time-unit", "s", "--level", "x", "--level-unit", "cm"]
    run("log", path, *pair, *columns, "--save-mapping", "bench")
    path.write_text("t,a,b,x\n0,5,2,50\n0.1,3,4,50\n")
    (logged,) = run_json("log", path, *pair, "--mapping", "bench", "--level-unit", "mm", "--level-u-mm", 0.25)
    (mark,) = run_json("show", logged["id"])["marks"]
    assert (mark["level_mm"], mark["u_mm"]) == (50.0, 0.25)
    said = refused("log", path, *pair, "--mapping", "bench", "--level", "x", "--count", "a", "--count", "b")
    assert (
        "--mapping: bench, which names the columns, and --count, --level beside it; expected one or" in said
    )
    assert run_json("mapping", "show", "bench")["level_unit"] == "cm"
    assert store.is_file()
