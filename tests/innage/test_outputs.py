"""Places that cannot be written to: one sentence, exit code 2, nothing half-written.

Tried are those that hold for root too: a file where a folder is wanted, a folder where a file is, a device
that is full (full(4)).
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from building import bench_store
from dataset.errors import InputError
from dataset.records import GroupBy, Role, Trim, TrimKind
from dataset.store import Store
from innage.jobs.stores import back_up
from innage.outputs import check_place, write_file

Refused = Callable[..., str]
FULL = Path("/dev/full")
WRITERS = {
    "backup": "backup {}",
    "report session": "report session {session} --out {}.html --replace",
    "report frozen": "report frozen set --out {}.html --replace",
    "show": "show {session} --picture {}.svg",
    "sensor show": "sensor show strip --picture {}.png",
    "gaps": "gaps --picture {}.svg",
    "mark propose": "mark propose {session} --min-frames 1 --out {}",
    "trim bytes": "trim bytes unit1 --out {}",
    "trim limits csv": "trim limits --mounting m1 --out {}.csv",
    "trim limits json": "trim limits --mounting m1 --out {}.json",
}
FOLDERS = {
    "text export": "text export {}",
    "store export": "store export {}",
    "demo": "demo --out {}",
    "demo of readings": "demo --real --out {}",
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("bench") / "s.db"
    with Store.open(path) as store:
        made = bench_store(store, unit=("unit1", "unit2"))
        (session,) = store.add_sessions([made.session(1)])
        store.freeze("set", [session], GroupBy.LEVEL, {"15": Role.FIT, "25": Role.PROVE})
        for k, unit in enumerate(made.units):
            store.add_trim(Trim(unit, made.mounting, TrimKind.DRY, (1000 + k, 1100), "2026-01-05", "bench"))
    return path.read_bytes()


@pytest.fixture
def words(store: Path, refused: Refused) -> Callable[[str, Path], str]:
    """Run a writer that must be refused, on a target."""
    with Store.open(store) as opened:
        (session,) = (session.id for session in opened.sessions())

    def run(line: str, target: Path) -> str:
        begin, _, rest = line.partition("{}")
        after = rest.removeprefix(suffix_of(line)).split()
        return refused(*begin.replace("{session}", session).split(), str(target), *after)

    return run


def suffix_of(line: str) -> str:
    """How the name of the file ends that a line has."""
    rest = line.partition("{}")[2]
    return rest.split()[0] if rest.startswith(".") else ""


def entries(folder: Path) -> Iterator[str]:
    return iter(sorted(str(path.relative_to(folder)) for path in folder.rglob("*")))


@pytest.mark.parametrize("name", [*WRITERS, *FOLDERS])
def test_a_file_where_a_folder_is_wanted(name: str, words: Callable[..., str], tmp_path: Path) -> None:
    """A file stands on the way: every command that writes says so, and the file stays as it is."""
    place = tmp_path / "place"
    place.mkdir()
    (place / "file").write_text("mine")
    line = (WRITERS | FOLDERS)[name]
    assert str(place / "file") in words(line, place / "file" / f"below{suffix_of(line)}")
    assert list(entries(place)) == ["file"]
    assert (place / "file").read_text() == "mine"


@pytest.mark.parametrize("name", WRITERS)
def test_a_folder_where_a_file_is_wanted(name: str, words: Callable[..., str], tmp_path: Path) -> None:
    line = WRITERS[name]
    target = tmp_path / "place" / f"folder{suffix_of(line)}"
    target.mkdir(parents=True)
    assert str(target) in words(line, target)
    assert list(entries(tmp_path / "place")) == [target.name]


@pytest.fixture
def full(tmp_path: Path) -> Path:
    """The device that is always full; for root, who could replace it, one of the test's own."""
    if not FULL.is_char_device():
        pytest.skip("the device that is always full is Linux's")
    if not os.access(FULL.parent, os.W_OK):
        return FULL
    own = tmp_path / "full"
    try:
        os.mknod(own, 0o600 | stat.S_IFCHR, FULL.stat().st_rdev)
        own.open("rb").close()
    except OSError as error:
        pytest.skip(f"no device can be made here ({error.strerror})")
    return own


@pytest.mark.longer
@pytest.mark.parametrize("name", [name for name in WRITERS if name != "backup"])
def test_a_device_that_is_full(name: str, words: Callable[..., str], tmp_path: Path, full: Path) -> None:
    """Through a link, since names of pages and pictures end as they must; the device stays a device."""
    line = WRITERS[name]
    link = tmp_path / "place" / f"link{suffix_of(line)}"
    link.parent.mkdir()
    link.symlink_to(full)
    assert "No space left on device" in words(line, link)
    assert full.is_char_device()
    assert list(entries(link.parent)) == [link.name]


def test_a_backup_whose_hash_cannot_be_written_is_none(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The copy goes again: a backup without its hash could not be restored as it is."""

    def failing(out: Path, content: bytes) -> None:
        raise InputError(str(out), "cannot be written (No space left on device)")

    monkeypatch.setattr("innage.jobs.stores.write_file", failing)
    (tmp_path / "place").mkdir()
    with pytest.raises(InputError, match="No space left"):
        back_up(store, tmp_path / "place" / "copy.db")
    assert list((tmp_path / "place").iterdir()) == []


def test_what_was_there_stays_when_the_disk_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither half of the new file, nor anything beside it."""
    out = tmp_path / "out.csv"
    out.write_text("before")

    def failing(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("innage.outputs.os.fsync", failing)
    with pytest.raises(InputError, match="No space left on device"):
        write_file(out, b"after")
    assert [entry.name for entry in tmp_path.iterdir()] == ["out.csv"]
    assert out.read_text() == "before"


def test_a_file_that_is_written_anew_keeps_its_mode(tmp_path: Path) -> None:
    """And a link to it stays one."""
    out, link = tmp_path / "out.csv", tmp_path / "link.csv"
    out.write_text("before")
    out.chmod(0o640)
    link.symlink_to(out)
    write_file(link, b"after")
    assert link.is_symlink()
    assert (out.read_text(), out.stat().st_mode & 0o777) == ("after", 0o640)


def test_what_may_not_be_written_to_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system is asked, by access(2), which grants root everything: here it is one who says no."""
    monkeypatch.setattr(os, "access", lambda path, mode: path != tmp_path.resolve())
    with pytest.raises(InputError, match="may not be written to"):
        check_place(tmp_path / "out.csv")


def test_a_name_that_is_too_long_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_file(tmp_path / ("x" * 300), b"")
