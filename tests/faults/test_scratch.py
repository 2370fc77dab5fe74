"""Folders for temporary work: left by killed commands and swept by the next; planted by others, not used."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from dataset.files.scratch import private_folder, scratch_folder, sweep_scratch

HOLD = """
import sys
from dataset.files.scratch import scratch_folder
with scratch_folder() as folder:
    (folder / "work").write_text("half done")
    print(folder, flush=True)
    sys.stdin.read()
"""
GONE = 2**22 + 1  # above the greatest number that Linux gives a process (proc(5), pid_max)


@pytest.fixture
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder for temporary files of the test's own."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    yield tmp_path
    monkeypatch.setattr(tempfile, "tempdir", None)


def test_what_a_killed_command_left_is_swept(temporary: Path) -> None:
    """By the next command, whatever that is; while its process runs it stays."""
    with subprocess.Popen(
        [sys.executable, "-P", "-c", HOLD], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        folder = Path(process.stdout.readline().strip())
        assert sweep_scratch() == []
        assert (folder / "work").read_text() == "half done"
        process.send_signal(signal.SIGKILL)
    left = folder.parent
    assert left.parent == temporary
    assert left.exists()
    subprocess.run(
        [sys.executable, "-P", "-c", "from innage.cli import main; main()", "--version"],
        check=True,
        capture_output=True,
        timeout=120,
    )
    assert not left.exists()


def test_only_ours_is_swept(temporary: Path) -> None:
    """Not what others may enter, what is no folder, what is called otherwise, or what somebody has locked."""
    outside = temporary / "outside"
    outside.mkdir(mode=0o700)
    (temporary / f"innage-{GONE}-link").symlink_to(outside)
    (temporary / f"innage-{GONE}-open").mkdir()
    (temporary / f"innage-{GONE}-open").chmod(0o755)
    (temporary / f"innage-{GONE}-file").write_text("")
    (temporary / f"innages-{GONE}-x").mkdir(mode=0o700)
    used = temporary / f"innage-{GONE}-used"
    used.mkdir(mode=0o700)
    before = sorted(path.name for path in temporary.iterdir())
    with (used / "in-use").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert sweep_scratch() == []
    assert sorted(path.name for path in temporary.iterdir()) == before
    assert sweep_scratch() == [used]


def test_a_folder_is_gone_when_the_work_ends(temporary: Path) -> None:
    """Nobody else may enter it."""
    with scratch_folder() as folder:
        assert folder.parent.stat().st_mode & 0o077 == 0
    assert list(temporary.iterdir()) == []


@pytest.mark.parametrize("planted", ["open", "link"])
def test_a_planted_cache_is_not_used(temporary: Path, planted: str) -> None:
    """The name can be known beforehand: what others may write to, or a link to elsewhere, is left alone."""
    own = private_folder("cache")
    assert own.stat().st_mode & 0o077 == 0
    assert private_folder("cache") == own
    own.rmdir()
    if planted == "open":
        own.mkdir()
        own.chmod(0o777)
    else:
        (temporary / "elsewhere").mkdir(mode=0o700)
        own.symlink_to(temporary / "elsewhere")
    other = private_folder("cache")
    assert other != own
    assert other.stat().st_mode & 0o077 == 0


def test_the_compiler_starts_without_a_home(temporary: Path) -> None:
    """Services and containers have none; the compiler's own cache then stands among the temporary files."""
    compile_one = (
        "from pathlib import Path; from export.compilers import zig; import sys;"
        "code, messages = zig.says(Path('.'), 'cc', '-c', 'a.c', '-o', 'a.o');"
        "print(messages, file=sys.stderr); sys.exit(code)"
    )
    (temporary / "a.c").write_text("int innage_answer(void);\nint innage_answer(void) { return 42; }\n")
    without = {
        name: value
        for name, value in os.environ.items()
        if name not in ("HOME", "XDG_CACHE_HOME", "ZIG_GLOBAL_CACHE_DIR")
    }
    run = subprocess.run(
        [sys.executable, "-P", "-c", compile_one],
        cwd=temporary,
        env=without,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    (cache,) = temporary.glob("innage-zig-cache-*")
    assert cache.stat().st_mode & 0o077 == 0
