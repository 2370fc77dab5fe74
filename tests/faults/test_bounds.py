"""Inputs without an end or far beyond any recording, in a process with bounded memory: refused in one short
sentence that says the bound.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from building import CAN, WATER, bench_store, one_pad
from dataset.errors import MOST_QUOTED, InputError, quoted
from dataset.files.disk import read_at_most
from dataset.files.sheets import MOST_COLUMNS, MOST_LINE, MOST_LINES, TextSheet
from dataset.store import Store

INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")
MEMORY_BYTES = 2 << 30
ZERO = Path("/dev/zero")
LOG = ("log", "--tank", "can", "--sensor", "pad", "--unit", "unit", "--liquid", "water")


def refused(folder: Path, *arguments: str) -> str:
    """The one sentence that a command with bounded memory ends with."""
    run = subprocess.run(
        [*INNAGE, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES)),
    )
    assert run.returncode == 2, run.stderr[-2000:]
    assert run.stderr.count("\n") == 1
    assert len(run.stderr) < 1000
    return run.stderr


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store that files can be logged into."""
    folder = tmp_path_factory.mktemp("bench")
    with Store.open(folder / "innage.db") as store:
        bench_store(store, tank=CAN, sensor=one_pad(), liquid=WATER, unit="unit", mounting="bench")
    return folder


@pytest.mark.skipif(not ZERO.exists(), reason="a device that never ends")
@pytest.mark.parametrize(
    ("words", "bound"),
    [
        ((*LOG, "/dev/zero"), "at most 256 MiB"),
        (("limits", "add", "l", "--from", "/dev/zero"), "at most 16 MiB"),
        (("rig", "show", "/dev/zero"), "at most 16 MiB"),
        (("trace", "/dev/zero"), "at most 256 MiB"),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else None,
)
def test_a_device_that_never_ends(bench: Path, words: tuple[str, ...], bound: str) -> None:
    """As many bytes as a recording may have are read, and not one more is waited for."""
    assert f"/dev/zero: more than {bound.removeprefix('at most ')}; expected {bound}" in refused(
        bench, *words
    )


def _commas() -> bytes:
    return b"," * 50_000_000


def _short_lines_of_commas() -> bytes:
    return (b"," * (MOST_LINE - 1) + b"\n") * 40


def _empty_lines() -> bytes:
    return b"\n" * 50_000_000


def _one_cell() -> bytes:
    return b"t,p\n0," + b"9" * 100_000_000


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (_commas, f"line 1: more than {MOST_LINE} characters"),
        (_short_lines_of_commas, f"{MOST_LINE} columns; expected at most {MOST_COLUMNS}"),
        (_empty_lines, f"50000000 lines; expected at most {MOST_LINES}"),
        (_one_cell, f"line 2: more than {MOST_LINE} characters"),
    ],
)
def test_more_cells_than_any_recording(bench: Path, content: Callable[[], bytes], sentence: str) -> None:
    """Counted before a line is cut into cells."""
    path = bench / "much.csv"
    path.write_bytes(content())
    assert sentence in refused(bench, *LOG, str(path))


def test_as_much_as_there_may_be(tmp_path: Path) -> None:
    """The bounds themselves are within: so many bytes, a line so long, so many columns."""
    path = tmp_path / "a.csv"
    path.write_bytes(b"0123456789")
    assert read_at_most(path, 10) == b"0123456789"
    with pytest.raises(InputError, match="more than 0 MiB"):
        read_at_most(path, 9)
    names = ",".join(f"c{k}" for k in range(MOST_COLUMNS))
    assert len(TextSheet(path, names.encode(), None, True).header) == MOST_COLUMNS
    with pytest.raises(InputError, match=f"{MOST_COLUMNS + 1} columns"):
        TextSheet(path, f"{names},d".encode(), None, True)
    line = b"a," + b"b" * (MOST_LINE - 2)
    assert len(TextSheet(path, line, None, True).header) == 2
    assert len(TextSheet(path, line + b"\n" + line, None, True).header) == 2
    with pytest.raises(InputError, match=f"line 2: more than {MOST_LINE}"):
        TextSheet(path, b"a,b\n" + line + b"b", None, True)


def test_an_error_quotes_little() -> None:
    """Whatever it is given: a text in quotation marks, a list of values, or a whole part of its sentence."""
    long = "x" * 10**6
    assert quoted("x" * MOST_QUOTED) == repr("x" * MOST_QUOTED)
    assert quoted(long) == f"'{'x' * MOST_QUOTED}'... (1000000 characters)"
    assert len(quoted([long])) < MOST_QUOTED + 10
    assert len(str(InputError(long, long, long, long))) < 5 * (MOST_QUOTED + 30)
    assert str(InputError("a", "b" * 2000)) == "a: " + "b" * 2000
