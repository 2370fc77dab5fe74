"""Trims as bytes on the command line: written from the store, read back, refused when damaged."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calling import TWO_SENSORS, run, run_json, run_lines
from innage.cli import app

END = ["--date", "2026-01-31", "--stage", "end-of-line"]
U1 = "--unit u1 --mounting m-pair --date 2026-01-31 --stage end-of-line"
BESIDE = f"""unit add u1
unit add bare
mounting add m2 --tank can --sensor pair
trim add {U1} --kind dry --counts 100,200
trim add {U1} --kind dry --counts 101,201 --temperature-c 21.5
trim add {U1} --kind full --counts 1100,1200"""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with one unit that has two dry trims and a full one."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        run_lines(TWO_SENSORS)
        run_lines(BESIDE)
    return path.read_bytes()


@pytest.fixture(autouse=True)
def store(filled: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy of that store for each test."""
    (tmp_path / "innage.db").write_bytes(filled)
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "innage.db"))


def test_the_newest_trim_of_each_kind(tmp_path: Path) -> None:
    """Both kinds go into one file, the newest of each; read back they are the same; the layout is that of
    docs/firmware.md.
    """
    out = tmp_path / "u1.bin"
    made = run_json("trim", "bytes", "u1", "--out", out)
    assert [(r["kind"], r["counts"], r["temperature_c"]) for r in made["records"]] == [
        ("dry", [101, 201], 21.5),
        ("full", [1100, 1200], None),
    ]
    assert run_json("trim", "read", out) == made["records"]
    content = out.read_bytes()
    assert (len(content), content[:8]) == (48, b"ITRM\x01\x02\x02\x02")
    assert int.from_bytes(content[8:12], "little") == zlib.crc32(b"pair@1 channels=2 bits=12")
    assert int.from_bytes(content[20:24], "little") == zlib.crc32(content[:20])
    assert "101, 201" in run("trim", "read", out)


def test_one_kind(tmp_path: Path) -> None:
    """--kind picks; a kind or a unit without trims is refused, and so is a mounting that must be named."""
    out = tmp_path / "u1.bin"
    assert "24 bytes, 24 a record" in run("trim", "bytes", "u1", "--kind", "full", "--out", out)
    out.unlink()
    assert (
        CliRunner().invoke(app, ["trim", "bytes", "u1", "--kind", "board", "--out", str(out)]).exit_code != 0
    )
    assert CliRunner().invoke(app, ["trim", "bytes", "bare", "--out", str(out)]).exit_code != 0
    run("trim", "add", "--unit", "u1", "--mounting", "m2", "--kind", "full", "--counts", "900,901", *END)
    assert CliRunner().invoke(app, ["trim", "bytes", "u1", "--out", str(out)]).exit_code != 0
    assert not out.exists()
    run("trim", "bytes", "u1", "--mounting", "m2", "--out", out)


def test_damaged_bytes_are_refused(tmp_path: Path) -> None:
    """A flipped bit is named with its place; a file that is not there too."""
    out = tmp_path / "u1.bin"
    run("trim", "bytes", "u1", "--out", out)
    content = bytearray(out.read_bytes())
    content[40] ^= 1
    out.write_bytes(content)
    result = CliRunner().invoke(app, ["trim", "read", str(out)])
    assert result.exit_code != 0
    assert "byte 24, CRC" in str(result.exception) + result.output
    assert CliRunner().invoke(app, ["trim", "read", str(tmp_path / "none.bin")]).exit_code != 0
