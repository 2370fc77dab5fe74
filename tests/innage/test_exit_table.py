"""The table of exit codes in docs/terminal.md: each code that it names is one that the command ends with, and
no command that it leaves out has a code of its own.
"""

from __future__ import annotations

import ast
import json
import re
import shutil
import zlib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from bundles import stand_in_onnx
from firmware import firmware
from stores import behind_the_back
from typer.testing import CliRunner, Result

import innage.commands
from building import CAN, WATER, bench_store, one_pad
from dataset.errors import InputError
from dataset.exchange.report import Exchanged, Held
from dataset.records import Budget, CountLaw, Frames, GroupBy, Limit, Limits, Mark, Model, Role, Scope
from dataset.store import Store
from dataset.words import JobState
from export.bundle.verify import Answer, Check, VerifyReport
from innage.cli import app
from innage.jobs.demo import Step
from innage.jobs.exchange.push import Pushed
from training.judging.figures import AnsweredLimit
from training.program import Program, digest, to_json
from training.program.builder import Builder
from training.search.metrics import read_metrics

ROOT = Path(__file__).parents[2]
LEVELS = np.repeat(np.arange(10.0, 100.0, 10.0), 10)
ANSWERS = {"good": "met", "bad": "not met", "open": "not enough evidence"}
# Each code of the table with command lines that end with it; '{}' is the folder of the fixture.
CASES = [
    ("audit verify", 0, "audit verify --store {}/team.db"),
    ("audit verify", 1, "audit verify --store {}/edited.db"),
    ("audit verify", 3, "audit verify"),
    ("budget check", 0, "budget check good --budget roomy"),
    ("budget check", 1, "budget check good --budget tight"),
    ("capture boards", 0, "capture boards {}/boards.csv"),
    ("capture boards", 1, "capture boards {}/boards.csv"),
    ("channel move", 0, "channel move one/stable {}/bundle --author x --reason y"),
    ("channel move", 1, "channel move two/stable {}/edited --author x --reason y"),
    ("channel move", 3, "channel move two/stable {}/lacking --author x --reason y"),
    ("check", 0, "check"),
    ("check", 1, "check --store {}/damaged.db"),
    ("compare", 0, "compare bad good"),
    ("compare", 0, "compare bad good --frozen few"),
    ("compare", 1, "compare good bad"),
    ("compare", 1, "compare good bad --strict"),
    ("compare", 3, "compare bad good --frozen few --strict"),
    ("crc", 0, "crc {}/whole.elf"),
    ("crc", 1, "crc {}/damaged.elf"),
    ("demo", 1, "demo --out {}/demo-1"),
    ("demo", 3, "demo --out {}/demo-3"),
    ("export", 0, "export good --budget roomy --out {}/new"),
    ("export", 0, "export open --budget roomy --out {}/unproven --even-if-unproven"),
    ("export", 1, "export bad --budget roomy --out {}/no"),
    ("export", 1, "export good --budget tight --out {}/no"),
    ("export", 3, "export open --budget roomy --out {}/no"),
    ("export", 3, "export open --budget roomy --out {}/no --anyway"),
    ("pull", 0, "pull http://127.0.0.1:9"),
    ("pull", 1, "pull http://127.0.0.1:9"),
    ("pull", 3, "pull --channel ready/stable --out {}/no"),
    ("push", 0, "push http://127.0.0.1:9"),
    ("push", 1, "push http://127.0.0.1:9"),
    ("replay", 0, "replay good {}/pad.csv {}/more.csv"),
    ("replay", 1, "replay good {}/pad.csv {}/other.csv"),
    ("runner", 0, "runner --once --store {}/queue.db"),
    ("runner", 1, "runner --once --store {}/queue.db"),
    ("store import", 0, "store import {}/open --store {}/new.db"),
    ("store import", 1, "store import {}/open --store {}/contrary.db"),
    ("sweep", 0, "sweep bad"),
    ("sweep", 1, "sweep bad --strict"),
    ("sweep", 3, "sweep good --strict"),
    ("train", 0, "train all --name x"),
    ("train", 1, "train all --name x --strict"),
    ("train", 3, "train all --name x --strict"),
    ("retrain", 0, "retrain good --frozen all --name x"),
    ("retrain", 1, "retrain good --frozen all --name x --strict"),
    ("retrain", 3, "retrain good --frozen all --name x --strict"),
    ("trace", 0, "trace {}/bundle/innage.c"),
    ("trace", 1, "trace {}/bundle.zip"),
    ("verify", 0, "verify {}/bundle"),
    ("verify", 1, "verify {}/edited"),
    ("verify", 1, "verify {}/bundle --store {}/damaged.db"),
    ("verify", 3, "verify {}/bundle.zip"),
]


def adds(name: str, off: int) -> Program:
    """Level = counts of the one pad less 1000, plus ``off``, in 1/64 mm."""
    b = Builder(name, count_bits=16, channels=1, period_ms=100, span=6400)
    level = b.node("clip", b.node("add", "counts", b.const(off - 1000)), low=0, high=6400, scale="1/64 mm")
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def answered(answer: str) -> dict[str, Any]:
    """An answer to a limit as metrics keep it."""
    return AnsweredLimit("p95_abs_mm", "all", 1.0, None, 1, None, answer, "-").to_json()


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with models that meet their limit, do not, and lack evidence, a bundle, and edited ones."""
    folder = tmp_path_factory.mktemp("exit")
    with Store.open(folder / "innage.db") as store:
        bench = bench_store(
            store, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER, unit=[f"u{k}" for k in range(5)]
        )
        marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 + 10 * k) for k in range(9))
        counts = (1000 + 64 * LEVELS)[:, None].astype(np.uint32)
        sessions = store.add_sessions(
            [
                bench.session(k, marks, unit=unit, frames=Frames(np.arange(90) * 100, counts + 10 * k))
                for k, unit in enumerate(bench.units)
            ]
        )
        roles = {"u0": Role.FIT, "u1": Role.CHOOSE, "u2": Role.PROVE, "u3": Role.PROVE, "u4": Role.PROVE}
        frozen = store.freeze("all", sessions, GroupBy.UNIT, roles)
        store.freeze("few", sessions[2:4], GroupBy.UNIT, {"u2": Role.PROVE, "u3": Role.PROVE})
        limits = store.add_limits(Limits("owner", 0, (Limit("p95_abs_mm", 1.0, min_groups=3),)))
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        store.add_budget(Budget("tight", "cortex-m0plus", 1, 100, 128, 256, 10))
        for name, off in (("good", 0), ("bad", 128), ("open", 1)):
            metrics = json.dumps({"limits": [answered(ANSWERS[name])]})
            program = adds(name, off)
            texts = ("{}", "{}", metrics, to_json(program))
            store.add_model(Model(name, digest(program), frozen, limits, *texts, stand_in_onnx()))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(folder / "innage.db"))
        assert run("export", "good", "--budget", "roomy", "--out", f"{folder}/bundle").exit_code == 0
        ready = ("ready/stable", f"{folder}/bundle", "--author", "x", "--reason", "y")
        assert run("channel", "move", *ready).exit_code == 0
        lacking = ("--out", f"{folder}/lacking", "--even-if-unproven")
        assert run("export", "open", "--budget", "roomy", *lacking).exit_code == 0
        assert run("store", "export", f"{folder}/open").exit_code == 0
    with Store.open(folder / "contrary.db") as contrary:
        contrary.add_budget(Budget("tight", "cortex-m0plus", 1, 101, 128, 256, 10))
    shutil.copytree(folder / "bundle", folder / "edited")
    (folder / "edited" / "innage.c").write_text("/* another */")
    shutil.copy(ROOT / "tests" / "data" / "bundles" / "format2.zip", folder / "bundle.zip")
    (folder / "pad.csv").write_text("pad\n1000\n1100\n")
    (folder / "more.csv").write_text("pad\n1200\n")
    (folder / "other.csv").write_text("another\n1200\n")
    (folder / "whole.elf").write_bytes(firmware(b"code", zlib.crc32(b"code")))
    (folder / "damaged.elf").write_bytes(firmware(b"cods", zlib.crc32(b"code")))
    shutil.copy(folder / "innage.db", folder / "damaged.db")
    shutil.copy(folder / "contrary.db", folder / "team.db")
    with Store.open(folder / "team.db") as team:
        team.add_token("somebody", [Scope.READ])
    shutil.copy(folder / "team.db", folder / "edited.db")
    shutil.copy(folder / "contrary.db", folder / "queue.db")
    edits = {
        "damaged.db": "UPDATE model SET metrics = replace(metrics, '1.0', '9.0') WHERE name = 'good'",
        "edited.db": "UPDATE audit SET who = 'another'",
    }
    for name, edit in edits.items():
        behind_the_back(folder / name, edit)
    return folder


@pytest.fixture
def stand_ins(monkeypatch: pytest.MonkeyPatch, folder: Path) -> Callable[[int], None]:
    """Training, retraining, the demo's steps, boards and a team's store, which take long: what they answer
    is given.
    """

    def stand_in(code: int) -> None:
        words = ({0: "not met", 1: "not met", 3: "not enough evidence"}[code], "met")
        given = [answered(word) for word in words]
        training = "innage.jobs.models.training"
        monkeypatch.setattr(f"{training}.train", lambda *_, **named: None)
        monkeypatch.setattr(
            f"{training}.model_facts", lambda model: {"metrics": {"limits": given}, "uneven_spans_mm": {}}
        )
        facts = SimpleNamespace(answers=read_metrics({"limits": given}).limits)
        monkeypatch.setattr(f"{training}.retrain", lambda *_, **named: facts)
        other = VerifyReport((Check("made again", Answer.UNPROVEN, "another version wrote it"),))
        monkeypatch.setattr("innage.jobs.releasing.pulling.verified", lambda *_: other)
        lines = {1: f"trace {folder}/bundle.zip", 3: "compare bad good --frozen few --strict"}
        board = SimpleNamespace(session=object(), fault="unplugged" if code else None)
        monkeypatch.setattr("innage.jobs.batch.boards.capture_boards", lambda *_, **named: [board])
        held = (Held("budget", "0" * 64, InputError("budget x", "is another")),) if code else ()
        monkeypatch.setattr("innage.jobs.exchange.push.push", lambda *_, **named: Pushed((), held))
        monkeypatch.setattr("innage.jobs.exchange.pull.pull", lambda *_, **named: Exchanged((), held, ()))
        ended = {JobState.FAILED if code else JobState.SUCCEEDED: 1}
        monkeypatch.setattr("innage.runner.running.run_jobs", lambda *_, **named: ended)
        step = Step("", tuple(lines.get(code, "models").split()), False)
        monkeypatch.setattr("innage.jobs.demo._steps", lambda *_: iter([step]))

    return stand_in


@pytest.mark.longer
@pytest.mark.parametrize(("command", "code", "line"), CASES, ids=[f"{c}: {line}" for _, c, line in CASES])
def test_a_command_line_ends_with_its_code(
    command: str,
    code: int,
    line: str,
    folder: Path,
    stand_ins: Callable[[int], None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert line.startswith(command)
    monkeypatch.setenv("INNAGE_STORE", str(folder / "innage.db"))
    monkeypatch.setattr("innage.commands.training.show_model", print)
    monkeypatch.setattr("innage.terminal.views.models.retraining.show_retraining", print)
    stand_ins(code)
    done = run(*line.replace("{}", str(folder)).split())
    assert done.exit_code == code, done.output
    assert not (folder / "no").exists()


def table() -> set[tuple[str, int]]:
    """The commands of the page's table with each code that they may end with."""
    text = (ROOT / "docs" / "terminal.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (`[^|]+) \| ([^|]*) ?\| ([^|]*) ?\|$", text, flags=re.MULTILINE)
    return {
        (name, code)
        for names, *cells in rows
        for name in re.findall(r"`([^`]+)`", names)
        for code, cell in zip((1, 3), cells, strict=True)
        if cell.strip()
    }


def test_the_table_names_each_code_that_is_tried() -> None:
    assert table() == {(command, code) for command, code, _ in CASES if code}


def test_no_other_command_ends_with_a_code_of_its_own() -> None:
    """By the functions that raise an exit with another code than 0."""
    ending = set()
    for path in Path(innage.commands.__path__[0]).glob("*.py"):
        for function in ast.parse(path.read_text(encoding="utf-8")).body:
            for node in ast.walk(function):
                if isinstance(node, ast.Call) and ast.unparse(node.func) == "typer.Exit":
                    zero = node.args and isinstance(node.args[0], ast.Constant) and node.args[0].value == 0
                    if isinstance(function, ast.FunctionDef) and node.args and not zero:
                        ending.add((path.stem, function.name))
    named = {("demo", "_run") if module == "demo" else (module, name.rstrip("_")) for module, name in ending}
    commands = {command.split()[-1] for command, _ in table()} - {"demo"}
    assert {name for _, name in named} == commands | {"_run"}
