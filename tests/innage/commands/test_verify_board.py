"""``innage verify --port``: a bundle on a board, what is recorded of it, and where it is shown. The board is
the bundle's own image on the emulated core, behind a pseudo-terminal.
"""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boards import SOON, image_of
from typer.testing import CliRunner, Result

from building import CAN, WATER, bench_store, one_pad
from dataset.records import Budget, CountLaw, Frames, GroupBy, Mark, Role
from dataset.store import Store
from export.board.emulated import BoardImage, EmulatedBoard
from export.board.wires import on_pseudo_terminal
from export.bundle.build import build_bundle
from export.bundle.verify import read_folder
from innage.cli import app

CHECKED = {"C on the board", "cycles, board", "stack, board"}
VECTORS = 96
LEVELS = np.repeat(np.arange(10.0, 100.0, 10.0), 10)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A store and the bundle of its only model, which has few vectors, so that a board is through quickly."""
    folder = tmp_path_factory.mktemp("board")
    store = ("--store", folder / "innage.db")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("export.bundle.build.build_bundle", partial(build_bundle, vectors=VECTORS))
        patch.setattr("export.bundle.checks.LEAST_VECTORS", VECTORS)
        patch.setattr("export.bundle.checking.board.WAITS", SOON)
        with Store.open(folder / "innage.db") as opened:
            bench = bench_store(
                opened,
                tank=CAN,
                sensor=one_pad(CountLaw.RISES),
                liquid=WATER,
                unit=[f"u{k}" for k in range(5)],
            )
            opened.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
            counts = (1000 + 64 * LEVELS)[:, None].astype(np.uint32)
            marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 + 10 * k) for k in range(9))
            sessions = opened.add_sessions(
                [
                    bench.session(k, marks, unit=unit, frames=Frames(np.arange(90) * 100, counts + 10 * k))
                    for k, unit in enumerate(bench.units)
                ]
            )
            roles = {f"u{k}": Role.FIT if k < 3 else Role.CHOOSE if k < 4 else Role.PROVE for k in range(5)}
            opened.freeze("all", sessions, GroupBy.UNIT, roles)
        trained = innage("train", "all", "--name", "line", "--family", "line", *store)
        assert trained.exit_code == 0, trained.output
        out = ("--out", folder / "bundle", "--even-if-unproven")
        exported = innage("export", "line", "--budget", "roomy", *out, *store)
        assert exported.exit_code == 0, exported.output
        yield folder


@pytest.fixture(scope="module")
def image(folder: Path) -> BoardImage:
    """The image of the board."""
    return image_of(read_folder(folder / "bundle"), defines=('INNAGE_BOARD_NAME="sample 3"',))


def innage(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def facts(result: Result) -> Any:
    return json.loads(result.stdout)


def store_in(folder: Path, tmp_path: Path) -> Path:
    """A copy of the store."""
    return Path(shutil.copy(folder / "innage.db", tmp_path / "innage.db"))


@pytest.mark.longer
def test_what_a_board_measures_is_recorded_and_shown(folder: Path, image: BoardImage, tmp_path: Path) -> None:
    """Recorded once, however often the same is measured; shown by models, trace and report, with what the
    user and the firmware call the board.
    """
    store = store_in(folder, tmp_path)
    with on_pseudo_terminal(EmulatedBoard(image)) as port:
        words = ("verify", folder / "bundle", "--port", port, "--board", "desk, second <shelf>")
        for _ in range(2):
            done = innage(*words, "--store", store, "--json")
            assert done.exit_code == 0, done.output
    body = facts(done)
    assert body["recorded"] == "line"
    assert {c["name"] for c in body["checks"] if c["answer"] == "passed"} >= CHECKED
    measured = body["on_board"]
    assert measured["name"] == "sample 3"
    assert measured["cycles"] > 0
    rows = (folder / "bundle" / "vectors.csv").read_text(encoding="utf-8").splitlines()
    assert measured["vectors"] == sum(row[:1].isdigit() for row in rows) >= VECTORS

    (kept,) = facts(innage("models", "line", "--store", store, "--json"))["boards"]
    assert kept["board"] == "desk, second <shelf>"
    assert (kept["firmware"], kept["cycles"], kept["stack_bytes"], kept["vectors"]) == (
        "sample 3",
        measured["cycles"],
        measured["stack"],
        measured["vectors"],
    )
    assert facts(innage("models", "--store", store, "--json"))[0]["boards"] == [kept]
    traced = facts(innage("trace", folder / "bundle" / "innage.c", "--store", store, "--json"))
    assert [export["boards"] for export in traced["exports"]] == [[kept]]
    shown = innage("models", "line", "--store", store).stdout
    assert "measured on boards" in shown
    assert {"desk,", "<shelf>", str(measured["cycles"])} <= set(shown.split())
    told = innage("trace", folder / "bundle" / "innage.c", "--store", store).stdout
    assert {"desk,", "<shelf>", str(measured["cycles"])} <= set(told.split())
    page = tmp_path / "model.html"
    assert innage("report", "model", "line", "--out", page, "--store", store).exit_code == 0
    html = page.read_text(encoding="utf-8")
    assert "Measured on boards" in html
    assert "second &lt;shelf&gt;" in html
    assert innage("check", "--store", store).exit_code == 0


@pytest.mark.longer
def test_without_a_store_nothing_is_recorded(folder: Path, image: BoardImage) -> None:
    with on_pseudo_terminal(EmulatedBoard(image)) as port:
        done = innage("verify", folder / "bundle", "--port", port)
    assert done.exit_code == 0, done.output
    assert "is not recorded: name a store that has the model with --store" in done.stdout


@pytest.mark.longer
def test_a_store_without_the_model_records_nothing(folder: Path, image: BoardImage, tmp_path: Path) -> None:
    with Store.open(tmp_path / "other.db"):
        pass
    with on_pseudo_terminal(EmulatedBoard(image)) as port:
        done = innage("verify", folder / "bundle", "--port", port, "--store", tmp_path / "other.db")
    assert "the store lacks this model" in done.stdout


@pytest.mark.slow
def test_exit_codes_of_a_board(folder: Path, image: BoardImage, tmp_path: Path) -> None:
    """A damaged identity: 1. A counter that stands still, or nobody on the line: 3, and of the latter nothing
    is recorded.
    """
    store = store_in(folder, tmp_path)
    words = ("verify", folder / "bundle", "--store", store, "--json", "--port")
    boards = (
        (EmulatedBoard(image.flipped(image.symbols["innage_identity"] + 20, 1)), 1, None),
        (EmulatedBoard(image, counts_cycles=False), 3, "line"),
    )
    for board, code, recorded in boards:
        with on_pseudo_terminal(board) as port:
            done = innage(*words, port)
        assert done.exit_code == code, done.output
        assert facts(done)["recorded"] == recorded
    with closing(socket.create_server(("127.0.0.1", 0))) as silent:
        done = innage(*words, f"socket://127.0.0.1:{silent.getsockname()[1]}")
    assert done.exit_code == 3, done.output
    assert facts(done)["on_board"] is None
    (answer,) = (c["sentence"] for c in facts(done)["checks"] if c["name"] == "C on the board")
    assert "does not answer (12 times asked, 0.5 s each)" in answer
    (kept,) = facts(innage("models", "line", "--store", store, "--json"))["boards"]
    assert kept["cycles"] is None


@pytest.mark.longer
def test_a_board_is_played(folder: Path) -> None:
    """``innage rig board``, in a process of its own, says its port; a board there passes, and calls itself
    emulated. Ctrl-C ends it.
    """
    words = (
        sys.executable,
        "-P",
        "-m",
        "innage",
        "rig",
        "board",
        str(folder / "bundle"),
        "--core",
        "rv32imc",
    )
    heard = signal.signal(signal.SIGINT, signal.default_int_handler)  # what runs behind '&' ignores Ctrl-C
    try:
        playing = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    finally:
        signal.signal(signal.SIGINT, heard)
    with playing:
        assert playing.stdout is not None
        said = playing.stdout.readline()
        done = innage("verify", folder / "bundle", "--port", said.partition(":")[0], "--json")
        playing.send_signal(signal.SIGINT)
        assert playing.wait(60) == 0
    assert ": emulated rv32imc, " in said
    assert done.exit_code == 0, done.output
    assert facts(done)["on_board"]["name"] == "emulated rv32imc"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--port", "/dev/no-such-port"), "--port /dev/no-such-port: cannot be opened"),
        (("--port", "socket://127.0.0.1:1"), "--port socket://127.0.0.1:1: cannot be opened"),
        (("--board", "desk"), "--board: 'desk' without a port"),
        (("--port", "loop://", "--board", "two\nlines"), "--board: 'two\\nlines'"),
        (("--port", "loop://", "--board", "x" * 201), "one line of at most 200 printable characters"),
    ],
)
def test_wrong_calls(folder: Path, words: tuple[str, ...], told: str) -> None:
    """One sentence, exit code 2, nothing printed."""
    done = innage("verify", folder / "bundle", *words)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert told in done.stderr
