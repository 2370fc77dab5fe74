"""Inputs without an end or far beyond any recording, in a process with bounded memory: refused in one short
sentence that says the bound.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from building import ON_ONE_PAD, one_pad_bench
from dataset.errors import MOST_QUOTED, InputError, quoted
from dataset.files.delimited import MOST_LINE, MOST_LINES, TextSheet
from dataset.files.disk import read_at_most
from dataset.files.sheets import MOST_COLUMNS
from dataset.store import Store

MEMORY_BYTES = 2 << 30
ZERO = Path("/dev/zero")
LOG = ("log", *ON_ONE_PAD)
EACH = """
import contextlib, io, json, sys
from innage.cli import main
for words in json.loads(sys.argv[1]):
    sys.argv, said, code = ["innage", *words], io.StringIO(), 0
    with contextlib.redirect_stderr(said):
        try:
            main()
        except SystemExit as ended:
            code = ended.code
    print(json.dumps([code, said.getvalue()]), flush=True)
"""


def ended_with(folder: Path, commands: Sequence[Sequence[str]]) -> list[tuple[int, str]]:
    """Exit code and sentence of each of the commands, one after another in one process with bounded memory;
    starting it takes longer than most of them.
    """
    run = subprocess.run(
        [sys.executable, "-P", "-c", EACH, json.dumps(commands)],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES)),
    )
    assert run.returncode == 0, run.stderr[-2000:]
    return [(code, said) for code, said in map(json.loads, run.stdout.splitlines())]


def refused(ended: tuple[int, str]) -> str:
    """The one short sentence that a command ended with."""
    code, said = ended
    assert code == 2, said[-2000:]
    assert said.count("\n") == 1
    assert len(said) < 1000
    return said


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store that files can be logged into."""
    folder = tmp_path_factory.mktemp("bench")
    with Store.open(folder / "innage.db") as store:
        one_pad_bench(store)
    return folder


READ = {
    "log": ((*LOG, "/dev/zero"), "at most 256 MiB"),
    "limits": (("limits", "add", "l", "--from", "/dev/zero"), "at most 16 MiB"),
    "rig": (("rig", "show", "/dev/zero"), "at most 16 MiB"),
    "trace": (("trace", "/dev/zero"), "at most 256 MiB"),
}


@pytest.fixture(scope="module")
def of_devices(bench: Path) -> dict[str, tuple[int, str]]:
    """How commands end that are given a device as a file."""
    return dict(zip(READ, ended_with(bench, [words for words, _ in READ.values()]), strict=True))


@pytest.mark.skipif(not ZERO.exists(), reason="a device that never ends")
@pytest.mark.parametrize("name", READ)
def test_a_device_that_never_ends(of_devices: dict[str, tuple[int, str]], name: str) -> None:
    """As many bytes as a recording may have are read, and not one more is waited for."""
    bound = READ[name][1]
    assert f"/dev/zero: more than {bound.removeprefix('at most ')}; expected {bound}" in refused(
        of_devices[name]
    )


SHEETS: dict[str, tuple[Callable[[], bytes], str]] = {
    "commas": (lambda: b"," * 50_000_000, f"line 1: more than {MOST_LINE} characters"),
    "short lines of commas": (
        lambda: (b"," * (MOST_LINE - 1) + b"\n") * 40,
        f"{MOST_LINE} columns; expected at most {MOST_COLUMNS}",
    ),
    "empty lines": (lambda: b"\n" * 50_000_000, f"50000000 lines; expected at most {MOST_LINES}"),
    "one cell": (
        lambda: b"t,p\n0," + b"9" * 100_000_000,
        f"line 2: more than {MOST_LINE} characters",
    ),
}


@pytest.fixture(scope="module")
def of_sheets(bench: Path) -> dict[str, tuple[int, str]]:
    """How logging these files ends."""
    paths = [bench / f"{name}.csv" for name in SHEETS]
    for path, (content, _) in zip(paths, SHEETS.values(), strict=True):
        path.write_bytes(content())
    ended = ended_with(bench, [(*LOG, str(path)) for path in paths])
    for path in paths:
        path.unlink()
    return dict(zip(SHEETS, ended, strict=True))


@pytest.mark.parametrize("name", SHEETS)
def test_more_cells_than_any_recording(of_sheets: dict[str, tuple[int, str]], name: str) -> None:
    """Counted before a line is cut into cells."""
    assert SHEETS[name][1] in refused(of_sheets[name])


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
