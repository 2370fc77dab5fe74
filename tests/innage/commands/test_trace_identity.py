"""``innage trace`` from a firmware, and from bytes read over a field bus, back to the sessions."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from bundles import stand_in_onnx
from typer.testing import CliRunner, Result

from building import CAN, WATER, bench_store, one_pad
from dataset.records import Budget, CountLaw, Frames, GroupBy, Limit, Limits, Mark, Model, Role
from dataset.store import Store
from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import Answer, read_folder, verify_files
from export.identity import IDENTITY_BYTES, find_identities
from innage import BundleOptions, export
from innage.cli import app
from training.program import digest, to_json
from training.program.builder import Builder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store whose model 'line', with a limit that is not met, was exported all the same."""
    folder = tmp_path_factory.mktemp("identity")
    b = Builder("line", count_bits=16, channels=1, period_ms=100, span=6400)
    level = b.node("clip", "counts", low=0, high=6400)
    program = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    with Store.open(folder / "innage.db") as store:
        bench = bench_store(store, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER)
        frames = Frames(np.arange(20, dtype=np.int64) * 100, np.arange(20, dtype=np.uint32)[:, None])
        marks = (Mark(0, 10, 10.0), Mark(10, 20, 60.0))
        (session,) = store.add_sessions([bench.session(1, marks, frames=frames)])
        frozen = store.freeze("monday", [session], GroupBy.LEVEL, {"10": Role.FIT, "60": Role.PROVE})
        limits = store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 0.1),)))
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        row = {"metric": "rmse_mm", "condition": "all", "bound": 0.1, "value": 0.8, "reason": "-"}
        texts = ("{}", "{}", json.dumps({"limits": [{**row, "answer": "not met"}]}), to_json(program))
        store.add_model(Model("line", digest(program), frozen, limits, *texts, stand_in_onnx()))
        export(store, "line", "roomy", folder / "bundle", anyway=True, options=BundleOptions())
    return folder


def identity_in(source: Path) -> bytes:
    """The bytes of the identity as the exported C has them."""
    (numbers,) = re.findall(
        r"innage_identity\[INNAGE_IDENTITY_BYTES\] = \{(.*?)\};", source.read_text(), re.S
    )
    return bytes(
        int(number.removesuffix("U"))
        for number in numbers.replace("\n", " ").split(",")
        for number in [number.strip()]
    )


def trace(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["trace", *words, "--store", str(folder / "innage.db")])


def test_an_image_of_the_flash_leads_to_the_sessions(folder: Path, tmp_path: Path) -> None:
    image = tmp_path / "flash.bin"
    image.write_bytes(b"\xff" * 301 + identity_in(folder / "bundle" / "innage.c") + b"\x00" * 40)
    done = trace(folder, str(image), "--json")
    assert done.exit_code == 0, done.output
    facts = json.loads(done.stdout)
    (identity,) = facts["identities"]
    assert (identity["models"], identity["gates"]) == (["line"], ["not_met"])
    assert [e["model"]["name"] for e in facts["exports"]] == ["line"]
    assert len(facts["exports"][0]["sessions"]) == 1
    shown = trace(folder, str(image)).stdout
    assert "a limit is not met" in shown
    assert "monday" in shown


def test_bytes_of_a_field_bus_do_the_same(folder: Path) -> None:
    content = identity_in(folder / "bundle" / "innage.c")
    assert len(content) == IDENTITY_BYTES
    done = trace(folder, "--identity", content.hex(" "), "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["identities"][0]["models"] == ["line"]
    damaged = trace(folder, "--identity", content[:-1].hex() + "00")
    assert (damaged.exit_code, "its CRC is not that of its bytes" in damaged.stderr) == (2, True)
    no_hex = trace(folder, "--identity", "not hex")
    assert (no_hex.exit_code, "bytes in hexadecimal" in no_hex.stderr) == (2, True)
    assert trace(folder).exit_code == 2


def test_a_model_of_another_store_is_named_but_not_found(folder: Path, tmp_path: Path) -> None:
    Store.open(tmp_path / "innage.db").close()
    done = trace(tmp_path, "--identity", identity_in(folder / "bundle" / "innage.c").hex())
    assert done.exit_code == 1
    assert "No model of this store has such a program" in done.stdout


def test_the_identity_follows_from_the_manifest(folder: Path) -> None:
    """What the firmware says of its export is what the manifest says."""
    body = json.loads((folder / "bundle" / "manifest.json").read_text())
    (identity,) = find_identities(identity_in(folder / "bundle" / "innage.c"))
    assert list(identity.gates) == body["c"]["gates"] == ["not_met"]
    assert body["c"]["limits_sha256"].startswith(identity.limits)
    assert body["model"]["sha256"].startswith(identity.program)


def test_a_manifest_that_hides_a_gate_is_refused(folder: Path) -> None:
    """The gates stated for the C are held to the limits, and the C to both."""
    files = read_folder(folder / "bundle")
    body = json.loads(files[MANIFEST])
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    body["c"]["gates"] = []
    (check,) = verify_files({**rest, MANIFEST: seal(body, rest)}, {"program"}).checks
    assert check.answer is Answer.FAILED
    (check,) = verify_files(files, {"program"}).checks
    assert check.answer is Answer.PASSED
