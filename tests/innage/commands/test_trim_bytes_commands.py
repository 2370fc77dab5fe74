"""Trims as bytes on the command line: written from the store, read back, refused when damaged."""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from trim_records import field_record
from typer.testing import CliRunner

from calling import TWO_SENSORS, run, run_json, run_lines
from dataset.canonical import sensor_key
from dataset.store import Store
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
    assert (len(content), content[:8]) == (80, b"ITRM\x02\x02\x02\x02")
    with Store.open(os.environ["INNAGE_STORE"]) as store:
        key = sensor_key(store.sensor("pair"))
    assert int.from_bytes(content[8:12], "little") == key
    assert content[14:32] == b"\x01\x00u1" + bytes(14)
    assert int.from_bytes(content[36:40], "little") == zlib.crc32(content[:36])
    assert {(r["format"], r["serial"], r["sensor_key"]) for r in made["records"]} == {
        (2, "u1", f"0x{key:08x}")
    }
    shown = run("trim", "read", out)
    assert "101, 201" in shown
    assert "u1" in shown


def test_the_serial_is_the_units_name_or_what_is_given(tmp_path: Path, refused: Callable[..., str]) -> None:
    """--serial is what the board calls itself. One that does not fit is refused in a sentence that names the
    option, and so is a unit's name; the file that stands there stays.
    """
    out = tmp_path / "u1.bin"
    made = run_json("trim", "bytes", "u1", "--serial", "SN 0042", "--out", out)
    assert [r["serial"] for r in made["records"]] == ["SN 0042"] * 2
    content = out.read_bytes()
    for serial in ("12345678901234567", "caf\u00e9", ""):
        sentence = refused("trim", "bytes", "u1", "--serial", serial, "--out", out)
        assert sentence.startswith(
            f"innage: --serial: '{serial}'; expected 1 to 16 printable ASCII characters"
        )
        assert out.read_bytes() == content
    name = "unit-of-the-first-run"
    run("unit", "add", name)
    run("trim", "add", "--unit", name, "--mounting", "m-pair", "--kind", "dry", "--counts", "100,200", *END)
    sentence = refused("trim", "bytes", name, "--out", out)
    assert sentence.startswith(
        f"innage: unit {name}, its name as serial: '{name}'; expected 1 to 16 printable"
    )
    assert "In --serial give what the board calls its own" in sentence
    run("trim", "bytes", name, "--serial", "r1-7", "--out", out)


def test_a_recorded_serial_is_taken(tmp_path: Path) -> None:
    """A unit's serial in the store goes before its name; that a name is used instead is told, and nothing is
    told of what was asked for.
    """
    out = tmp_path / "u1.bin"

    def written(*words: str) -> tuple[set[bytes], str]:
        done = CliRunner().invoke(app, ["trim", "bytes", "u1", "--out", str(out), *words])
        assert done.exit_code == 0, done.output
        content = out.read_bytes()
        return {content[at : at + 16].rstrip(b"\0") for at in (16, 56)}, " ".join(done.stderr.split())

    serials, told = written()
    assert serials == {b"u1"}
    assert "unit u1 has no serial in the store, so the records have its name" in told
    assert written("--serial", "SN 0042") == ({b"SN 0042"}, "")
    run("unit", "serial", "u1", "SN-0043", "--reason", "read off the board")
    assert written() == ({b"SN-0043"}, "")
    assert written("--serial", "SN 0042") == ({b"SN 0042"}, "")


def test_records_of_format_1_are_shown(tmp_path: Path) -> None:
    """Bytes of a unit in the field, which have no serial."""
    out = tmp_path / "field.bin"
    out.write_bytes(field_record(2, (100, 200)))
    (shown,) = run_json("trim", "read", out)
    assert (shown["format"], shown["serial"], shown["counts"]) == (1, None, [100, 200])
    assert "- (format 1)" in run("trim", "read", out)


def test_one_kind(tmp_path: Path) -> None:
    """--kind picks; a kind or a unit without trims is refused, and so is a mounting that must be named."""
    out = tmp_path / "u1.bin"
    assert "40 bytes, 40 a record" in run("trim", "bytes", "u1", "--kind", "full", "--out", out)
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
    content[72] ^= 1
    out.write_bytes(content)
    result = CliRunner().invoke(app, ["trim", "read", str(out)])
    assert result.exit_code != 0
    assert "byte 40, CRC" in str(result.exception) + result.output
    assert CliRunner().invoke(app, ["trim", "read", str(tmp_path / "none.bin")]).exit_code != 0
