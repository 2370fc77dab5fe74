"""Faults of the system, each made to happen: no room, no permission, a clock that runs back, two processes, a
store of a later version.
"""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from building import ON_ONE_PAD, one_pad_bench
from dataset.errors import InputError, StoreError
from dataset.store import Store
from dataset.store.whole.integrity import check_store
from innage.cli import app
from innage.jobs.folders import write_bundle
from innage.outputs import write_file

WHAT = (*ON_ONE_PAD, "--time", "t", "--count", "c")
OLDER = Path(__file__).parents[1] / "data" / "stores" / "0006_temperature.db"
NOBODY = 65534  # the overflow user of Linux (proc(5), overflowuid)
INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a registry."""
    path = tmp_path_factory.mktemp("bench") / "bench.db"
    with Store.open(path) as store:
        one_pad_bench(store)
    return path


@pytest.fixture
def store(bench: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(bench, tmp_path / "store.db"))


def readings(path: Path, frames: int = 50, seed: int = 0) -> Path:
    counts = np.random.default_rng(seed).integers(0, 1 << 16, frames)  # noise, which does not pack
    path.write_text("t,c\n" + "".join(f"{100 * k},{count}\n" for k, count in enumerate(counts)))
    return path


def innage(*words: object) -> Result:
    return CliRunner().invoke(app, [str(w) for w in words])


def sentence(result: Result) -> str:
    """What a refused command says: one line, and exit code 2."""
    assert result.exit_code == 2, result.output + str(result.exception)
    assert result.stderr.count("\n") == 1
    return result.stderr


@pytest.fixture
def small_files() -> Iterator[Callable[[int], None]]:
    """Limits how long a file may grow, in bytes; beyond, writing fails as on a full disk (getrlimit(2),
    RLIMIT_FSIZE).
    """
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    yield lambda size: resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mounts (or remounts) a small file system of its own with options; skips where that is not allowed."""
    place = tmp_path / "mounted"
    place.mkdir()

    def mount(options: str) -> Path:
        tool = shutil.which("mount")
        if (
            tool is None
            or subprocess.run(
                [tool, "-t", "tmpfs", "-o", options, "tmpfs", str(place)], capture_output=True, check=False
            ).returncode
        ):
            pytest.skip("mounting is not allowed here")
        return place

    yield mount
    subprocess.run([shutil.which("umount") or "umount", str(place)], capture_output=True, check=False)


@pytest.mark.slow
def test_a_file_that_cannot_grow(store: Path, tmp_path: Path, small_files: Callable[[int], None]) -> None:
    """Logging is refused in one sentence, nothing of it is in the store, and it goes on when
    there is room.
    """
    file = readings(tmp_path / "run.csv", 100_000)
    small_files(64_000)
    said = sentence(innage("log", file, *WHAT, "--store", store))
    small_files(1 << 40)
    assert "cannot be written" in said
    assert "free space" in said
    assert check_store(store).sound
    with Store.open(store) as opened:
        assert opened.sessions() == ()
    assert innage("log", file, *WHAT, "--store", store).exit_code == 0


def test_no_room_for_a_bundle_or_a_backup(
    store: Path, tmp_path: Path, small_files: Callable[[int], None]
) -> None:
    """The earlier bundle stays whole, and neither a new one nor half a backup is left."""
    write_bundle(tmp_path / "out", {"a.txt": b"old", "b.txt": b"old"})
    small_files(1000)
    with pytest.raises(InputError, match="cannot be written"):
        write_bundle(tmp_path / "out", {"a.txt": b"new", "b.txt": bytes(5000)})
    with pytest.raises(InputError, match="cannot be written"):
        write_file(tmp_path / "x.zip", bytes(5000))
    said = sentence(innage("backup", tmp_path / "b.db", "--store", store))
    small_files(1 << 40)
    assert "cannot be written" in said
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == {
        "a.txt": b"old",
        "b.txt": b"old",
    }
    assert sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith("store.db")) == ["out"]


@pytest.mark.longer
def test_a_full_disk(store: Path, tmp_path: Path, mounted: Callable[[str], Path]) -> None:
    """The same on a file system of 700 kB that is full."""
    place = mounted("size=700k")
    there = Path(shutil.copy(store, place / "store.db"))
    file = readings(tmp_path / "run.csv", 200_000)
    assert "cannot be written (database or disk is full)" in sentence(
        innage("log", file, *WHAT, "--store", there)
    )
    assert check_store(there).sound
    (place / "filler").write_bytes(bytes(os.statvfs(place).f_bavail * os.statvfs(place).f_frsize))
    with pytest.raises(InputError, match="No space left on device"):
        write_bundle(place / "out", {"a.txt": bytes(100_000)})
    assert not (place / "out").exists()
    assert sorted(p.name for p in place.iterdir() if p.name.startswith(".")) == []


def read_only(tmp_path: Path, mounted: Callable[[str], Path], source: Path) -> Path:
    """A folder with a copy of a store in which nothing can be written, not by root either."""
    place = mounted("size=2m")
    shutil.copy(source, place / "store.db")
    mounted("remount,ro")
    return place


def test_a_read_only_disk(store: Path, tmp_path: Path, mounted: Callable[[str], Path]) -> None:
    """What writes says so in one sentence, and nothing there changes."""
    place = read_only(tmp_path, mounted, store)
    before = (place / "store.db").read_bytes()
    for words in (
        ("log", readings(tmp_path / "run.csv"), *WHAT),
        ("unit", "add", "another"),
        ("backup", place / "b.db"),
    ):
        assert "cannot be written" in sentence(innage(*words, "--store", place / "store.db"))
    with pytest.raises(InputError, match="Read-only file system"):
        write_bundle(place / "out", {"a.txt": b""})
    assert (place / "store.db").read_bytes() == before


@pytest.fixture
def owned(bench: Path) -> Iterator[Path]:
    """A folder with a store; where the tests run as root, to whom nothing is denied, the test goes on as a
    user who owns it and no more.
    """
    with TemporaryDirectory() as folder:
        store = shutil.copy(bench, folder)
        root = os.geteuid() == 0
        if root:
            for path in (folder, store):
                os.chown(path, NOBODY, NOBODY)
            os.seteuid(NOBODY)
        yield Path(folder)
        if root:
            os.seteuid(0)


def test_permission_denied(owned: Path) -> None:
    """A store, a folder and a file of readings that may not be used are named."""
    store, closed = owned / "bench.db", owned / "closed"
    closed.mkdir()
    shutil.copy(store, closed / "store.db")
    (closed / "store.db").chmod(0o400)
    closed.chmod(0o500)
    assert "cannot be written" in sentence(innage("unit", "add", "another", "--store", closed / "store.db"))
    with pytest.raises(InputError, match="Permission denied"):
        write_bundle(closed / "out", {"a.txt": b""})
    file = readings(owned / "run.csv")
    file.chmod(0)
    assert "Permission denied" in sentence(innage("log", file, *WHAT, "--store", store))
    store.chmod(0)
    assert "Permission denied" in sentence(innage("sessions", "--store", store))
    closed.chmod(0o700)


@pytest.fixture
def closed(owned: Path) -> Iterator[Path]:
    """The store in a folder that can't be written, and nothing beside it."""
    folder = owned / "closed"
    folder.mkdir()
    with closing(sqlite3.connect(owned / "bench.db")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(owned / "bench.db", folder / "store.db")
    folder.chmod(0o500)
    yield folder / "store.db"
    folder.chmod(0o700)


def test_a_store_that_can_only_be_read(closed: Path, owned: Path) -> None:
    """It is listed, checked, shown, backed up and merged from; what would write says that it can't. Not a
    byte of it changes, and nothing is left beside it.
    """
    before = closed.read_bytes()
    for words in (("sessions",), ("unit", "list"), ("check",), ("backup", owned / "copy.db")):
        done = innage(*words, "--store", closed)
        assert done.exit_code == 0, done.output
    assert innage("merge", closed, "--store", owned / "bench.db").exit_code == 0
    assert "cannot be written" in sentence(innage("unit", "add", "another", "--store", closed))
    assert closed.read_bytes() == before
    assert [path.name for path in closed.parent.iterdir()] == ["store.db"]


def test_a_log_beside_a_store_that_can_only_be_read(closed: Path) -> None:
    """An empty one is nothing; one with entries would be left out, so the store is refused."""
    log = closed.with_name("store.db-wal")
    closed.parent.chmod(0o700)
    log.write_bytes(b"")
    closed.parent.chmod(0o500)
    assert innage("sessions", "--store", closed).exit_code == 0
    log.write_bytes(b"entries")
    for words in (("sessions",), ("check",)):
        assert "has entries in store.db-wal" in sentence(innage(*words, "--store", closed))


def test_an_older_store_that_can_only_be_read(closed: Path) -> None:
    """It would have to be upgraded: the sentence says to copy it first."""
    closed.parent.chmod(0o700)
    shutil.copyfile(OLDER, closed)
    closed.parent.chmod(0o500)
    assert (
        "copy it to a folder that can be written" in sentence(innage("sessions", "--store", closed)).lower()
    )


def test_files_that_are_no_store(tmp_path: Path, store: Path) -> None:
    """A list of sessions of an empty file, a stranger's and a damaged one is one sentence and exit code 2,
    as a table and as JSON, and leaves the file as it was.
    """
    empty, text, foreign, broken = (tmp_path / name for name in ("empty", "text", "foreign", "broken"))
    empty.write_bytes(b"")
    text.write_text("t,c\n" * 100)
    with closing(sqlite3.connect(foreign)) as connection:
        connection.execute("CREATE TABLE capture_session (id INTEGER)")
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'unit'").fetchone()
        (sessions,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'capture_session'"
        ).fetchone()
    content = bytearray(store.read_bytes())
    for page in (root, sessions):
        content[4096 * (page - 1) : 4096 * page] = b"\xff" * 4096
    broken.write_bytes(content)
    for file, word in ((empty, "is empty"), (text, "no"), (foreign, "not a store"), (broken, "damaged")):
        before = file.read_bytes()
        for words in (("sessions",), ("sessions", "--json")):
            assert word in sentence(innage(*words, "--store", file)), file.name
        assert file.read_bytes() == before


def test_the_host_clock_is_not_asked(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a host clock that runs back a day at each look, sessions get the hashes that they have without."""
    with Store.open(shutil.copy(store, tmp_path / "other.db")) as other:
        assert innage("log", readings(tmp_path / "run.csv"), *WHAT, "--store", other.path).exit_code == 0
        expected = [s.sha256 for s in other.sessions()]
    now = iter(range(2_000_000_000, 0, -86_400))
    monkeypatch.setattr("time.time", lambda: float(next(now)))
    assert innage("log", tmp_path / "run.csv", *WHAT, "--store", store).exit_code == 0
    with Store.open(store) as opened:
        assert [s.sha256 for s in opened.sessions()] == expected


def test_a_boards_clock_that_runs_back(store: Path, tmp_path: Path) -> None:
    """In a file it is refused by line, and nothing is stored."""
    (tmp_path / "back.csv").write_text("t,c\n0,30000\n100,30001\n50,30002\n")
    assert "line 4, column 't': time runs back from 100 to 50 ms" in sentence(
        innage("log", tmp_path / "back.csv", *WHAT, "--store", store)
    )
    with Store.open(store) as opened:
        assert opened.sessions() == ()


@pytest.mark.slow
def test_two_processes_write_at_once(store: Path, tmp_path: Path) -> None:
    """One waits for the other: both exit 0, and everything of both is there."""
    files = [
        [str(readings(tmp_path / f"run{who}{k}.csv", 2000, seed=1000 * who + k)) for k in range(3)]
        for who in range(2)
    ]
    running = [
        subprocess.Popen([*INNAGE, "log", *mine, *WHAT, "--store", str(store)], stdout=subprocess.DEVNULL)
        for mine in files
    ]
    assert [process.wait() for process in running] == [0, 0]
    with Store.open(store) as opened:
        assert {s.source.file for s in opened.sessions()} == {
            Path(name).name for mine in files for name in mine
        }
    assert check_store(store).sound


def test_a_store_of_a_later_version(store: Path, tmp_path: Path) -> None:
    """Refused by every command that is about whole stores, and not a byte of it changes."""
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999_later'")
        connection.commit()
        connection.execute("PRAGMA journal_mode=DELETE")
    before = store.read_bytes()
    for words in (
        ("check",),
        ("backup", tmp_path / "b.db"),
        ("text", "export", tmp_path / "text"),
        ("unit", "add", "another"),
    ):
        assert "was written by a newer version of innage (revision 9999_later)" in sentence(
            innage(*words, "--store", store)
        )
    with pytest.raises(StoreError, match="newer version"):
        Store.open(store)
    assert store.read_bytes() == before
    assert not (tmp_path / "text").exists()
