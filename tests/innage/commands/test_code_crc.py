"""`innage crc` on a small firmware: what it says, its exit code, and the value filled in."""

from __future__ import annotations

import json
import zlib
from pathlib import Path

from firmware import firmware
from typer.testing import CliRunner

from innage.cli import app

CODE = bytes(range(40))


def test_a_value_is_filled_in_and_held(tmp_path: Path) -> None:
    """0 where the stored value agrees or none is stored, 1 where it is another, 0 once filled in."""
    run = CliRunner()
    linked, whole, bare = (tmp_path / f"{name}.elf" for name in ("linked", "whole", "bare"))
    linked.write_bytes(firmware(CODE, 0))
    bare.write_bytes(firmware(CODE, None))
    assert run.invoke(app, ["crc", str(linked)]).exit_code == 1
    assert run.invoke(app, ["crc", str(bare)]).exit_code == 0
    filled = run.invoke(app, ["crc", str(linked), "--out", str(whole), "--json"])
    assert filled.exit_code == 0
    facts = json.loads(filled.stdout)
    assert (facts["crc"], facts["length"], facts["agrees"]) == (f"0x{zlib.crc32(CODE):08x}", len(CODE), True)
    assert whole.read_bytes() == firmware(CODE, zlib.crc32(CODE))
    assert run.invoke(app, ["crc", str(whole)]).exit_code == 0


def test_what_is_missing_is_one_sentence(tmp_path: Path) -> None:
    """No file, and a place that cannot be written to, end with 2 and leave nothing."""
    run = CliRunner()
    linked = tmp_path / "linked.elf"
    linked.write_bytes(firmware(CODE, 0))
    for arguments in ([str(tmp_path / "none.elf")], [str(linked), "--out", str(linked / "below.elf")]):
        refused = run.invoke(app, ["crc", *arguments])
        assert (refused.exit_code, len(refused.stderr.strip().splitlines()) < 6) == (2, True)
    assert list(tmp_path.iterdir()) == [linked]
