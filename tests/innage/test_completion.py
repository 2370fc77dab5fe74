"""Shell completion: names from the store that the line names, and nothing where there is none. The protocol
is that of Typer's own scripts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from stores import model_of
from typer import Context
from typer.main import get_command
from typer.testing import CliRunner

from building import SENSOR, bench_store, put
from dataset.records import GroupBy, Mounting, Role, Tank, Unit
from dataset.store import Store
from dataset.store.events.retirements import retire
from dataset.words import ModelStatus
from innage.cli import app

ANOTHER = (Tank("rinse-tank", 1, 81.0), SENSOR)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Two tanks, one of two revisions; two units, a liquid, a sensor, a mounting."""
    path = tmp_path_factory.mktemp("completion") / "innage.db"
    with Store.open(path) as store:
        canister = bench_store(store, unit="unit-1", mounting="bench").tank
        put(store, replace(canister, span_mm=120.0), Tank("rinse-tank", 0, 80.0), Unit("unit-2"))
    return path.read_bytes()


def complete(line: str) -> list[str]:
    """What bash is told for a line that ends where the cursor is."""
    words = line.split(" ")
    env = {"_INNAGE_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(words) - 1)}
    return CliRunner().invoke(app, [], env=env, prog_name="innage").stdout.split()


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("innage se", ["sensor", "sessions", "serve"]),
        ("innage tank show ", ["canister", "rinse-tank"]),
        ("innage tank show can", ["canister"]),
        ("innage log x.csv --unit unit-", ["unit-1", "unit-2"]),
        ("innage mounting add new --tank r", ["rinse-tank"]),
        ("innage train ", []),
        ("innage tank add ", []),
        ("innage trim list --un", ["--unit"]),
    ],
)
def test_names_come_from_the_store(line: str, found: list[str]) -> None:
    assert complete(line) == found


def test_what_is_retired_is_not_offered(store: Path) -> None:
    """A tank of two revisions when both are, a unit; what was taken back is offered again."""
    with Store.open(store) as opened:
        opened.retire("unit", "unit-1", "broken")
        opened.retire("tank", "canister@1", "another pump")
    assert complete("innage log x.csv --unit ") == ["unit-2"]
    assert complete("innage tank show ") == ["canister", "rinse-tank"]
    with Store.open(store) as opened:
        opened.retire("tank", "canister@2", "no longer made")
        opened.retire("mounting", "bench", "taken apart")
    assert complete("innage tank show ") == ["rinse-tank"]
    assert complete("innage log x.csv --mounting ") == []
    with Store.open(store) as opened:
        opened.take_back_retirement("unit", "unit-1", "mended")
        opened.take_back_retirement("tank", "canister@1", "sold again")
    assert complete("innage log x.csv --unit ") == ["unit-1", "unit-2"]
    assert complete("innage tank show ") == ["canister", "rinse-tank"]


def test_what_is_retired_is_known_by_what_it_is(store: Path) -> None:
    """A retirement of another record of the name, which this store does not have, hides nothing."""
    with Store.open(store) as opened:
        opened._write(lambda orm: retire(orm, "tank", Tank("rinse-tank", 1, 81.0), "of another bench"))
        opened._write(lambda orm: retire(orm, "mounting", Mounting("bench", *ANOTHER), "of another bench"))
    assert complete("innage tank show ") == ["canister", "rinse-tank"]
    assert complete("innage log x.csv --mounting ") == ["bench"]
    with Store.open(store) as opened:
        opened.retire("tank", "rinse-tank", "leaks")
    assert complete("innage tank show ") == ["canister"]


def test_retired_models_are_offered_where_they_are_looked_at(store: Path) -> None:
    """To be exported none is; its status and its report can be asked for."""
    store.unlink()
    with Store.open(store) as opened:
        (session,) = opened.add_sessions([bench_store(opened).session(1)])
        roles = {"15": Role.FIT, "25": Role.PROVE}
        opened.add_model(model_of(opened.freeze("set", [session], GroupBy.LEVEL, roles)))
    lines = ("innage export ", "innage status ", "innage report model ")
    assert [complete(line) for line in lines] == [["m"]] * 3
    with Store.open(store) as opened:
        opened.set_status("m", ModelStatus.RETIRED, "A. Bench", "reads foam as liquid")
    assert [complete(line) for line in lines] == [[], ["m"], ["m"]]
    with Store.open(store) as opened:
        opened.set_status("m", ModelStatus.CANDIDATE, "A. Bench", "it was the bench")
    assert [complete(line) for line in lines] == [["m"]] * 3


def completers(command: Any, path: str) -> Iterator[tuple[str, Any]]:
    """Every option and argument below a command, with the words that lead to it."""
    for parameter in command.params:
        yield f"{path} {parameter.name}", parameter
    for name in getattr(command, "list_commands", lambda _: ())(None):
        yield from completers(command.get_command(None, name), f"{path} {name}")


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_every_completion_can_be_asked_for() -> None:
    """No option asks for a kind of names that there is none of."""
    asked = 0
    command = get_command(app)
    for where, parameter in completers(command, "innage"):
        try:
            asked += bool(parameter.shell_complete(Context(command), ""))
        except LookupError as error:
            pytest.fail(f"{where}: {error!r}")
    assert asked > 30


def test_another_store_can_be_named_and_a_broken_one_says_nothing(tmp_path: Path, bench: bytes) -> None:
    other = tmp_path / "other.db"
    other.write_bytes(bench)
    assert complete(f"innage unit show --store {other} unit-1") == ["unit-1"]
    other.write_bytes(b"no store")
    assert complete(f"innage unit show --store {other} unit-1") == []
    assert complete(f"innage unit show --store {tmp_path / 'none.db'} u") == []
    assert not (tmp_path / "none.db").exists()
