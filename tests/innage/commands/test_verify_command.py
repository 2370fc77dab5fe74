"""``innage verify``: figures against a store, and its exit codes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import onnx
import pytest
from bundles import stand_in_onnx
from typer.testing import CliRunner, Result

from building import WATER, bench_store
from dataset.records import (
    Budget,
    CountLaw,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Mark,
    Model,
    Pad,
    Role,
    Sensor,
    Tank,
)
from dataset.store import Store
from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import Answer, read_folder, verify_files
from export.report.page import render_report
from innage import BundleOptions, export
from innage.cli import app
from innage.jobs.models.verifying import recorded_in
from training.program import Builder, digest, to_json

BUNDLES = Path(__file__).parents[2] / "data" / "bundles"


def innage(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store and the bundle of its only model."""
    folder = tmp_path_factory.mktemp("exported")
    b = Builder("line", count_bits=12, channels=1, period_ms=100, span=6400)
    level = b.node("clip", "counts", low=0, high=6400)
    program = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    with Store.open(folder / "innage.db") as store:
        bench = bench_store(
            store,
            tank=Tank("canister", 0, 100.0),
            sensor=Sensor("one-pad", 0, (Pad(0, "pad0", 0.0, 100.0),), 12, CountLaw.RISES, 100),
            liquid=WATER,
        )
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        frames = Frames(np.arange(20, dtype=np.int64) * 100, np.arange(20, dtype=np.uint32)[:, None])
        new = bench.session(1, (Mark(0, 10, 10.0), Mark(10, 20, 60.0)), frames=frames)
        (session,) = store.add_sessions([new])
        frozen = store.freeze("monday", [session], GroupBy.LEVEL, {"10": Role.FIT, "60": Role.PROVE})
        limits = store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 0.9),)))
        metrics = json.dumps({"prove": {"integer": {"rmse_mm": 0.81, "groups": 1}}})
        texts = ("{}", "{}", metrics, to_json(program))
        store.add_model(Model("line", digest(program), frozen, limits, *texts, stand_in_onnx()))
        export(store, "line", "roomy", folder / "bundle", options=BundleOptions(even_if_unproven=True))
    return folder


def answer(files: dict[str, bytes], store: Path) -> tuple[Answer, str]:
    """What the check of figures says against a store."""
    with Store.open(store) as opened:
        report = verify_files(files, {"figures"}, recorded=lambda manifest: recorded_in(opened, manifest))
    (check,) = report.checks
    return check.answer, check.sentence


def changed(files: dict[str, bytes], **entries: object) -> dict[str, bytes]:
    """The bundle with other entries in its manifest, the report that follows, and hashes that fit."""
    body = json.loads(files[MANIFEST]) | entries
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    rest["report.html"] = render_report(body).encode()
    return {**rest, MANIFEST: seal(body, rest)}


def test_figures_are_those_of_the_store(exported: Path, tmp_path: Path) -> None:
    """With the store that has the model, figures as exported pass, changed ones fail by name, whatever hashes
    were made to fit; with another store they are as stated.
    """
    files, store = read_folder(exported / "bundle"), exported / "innage.db"
    said, sentence = answer(files, store)
    assert said is Answer.PASSED
    assert "metrics" in sentence
    better = {"prove": {"integer": {"rmse_mm": 0.18, "groups": 9}}}
    body = json.loads(files[MANIFEST])
    session = body["sessions"][0]
    for name, value in (
        ("metrics", better),
        ("sessions", [{**session, "frames": 10_000}]),
        ("sessions", [{**session, "void": "never was"}]),
        ("limits", {**body["limits"], "signer": "somebody"}),
        ("budget", {**body["budget"], "note": "another"}),
        ("model", {**body["model"], "name": "other"}),
        ("recipe", {"family": "other"}),
    ):
        forged = changed(files, **{name: value})
        assert answer(forged, store) == (Answer.FAILED, f"not what the store has on this model: {name}")
        (check,) = verify_files(forged, {"figures"}).checks
        assert check.answer is Answer.STATED
    assert answer(files, tmp_path / "empty.db")[0] is Answer.STATED


@pytest.mark.longer
def test_the_store_of_the_folder_is_compared_with(
    exported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without --store that is innage.db where the command runs; elsewhere figures are as stated."""
    monkeypatch.delenv("INNAGE_STORE", raising=False)

    def figures() -> str:
        facts = json.loads(innage("verify", exported / "bundle", "--json").stdout)
        (said,) = [check["answer"] for check in facts["checks"] if check["name"] == "figures"]
        return str(said)

    monkeypatch.chdir(exported)
    assert figures() == Answer.PASSED
    monkeypatch.chdir(tmp_path)
    assert figures() == Answer.STATED


def test_a_bundle_of_the_first_version_is_compared_in_what_it_states(exported: Path) -> None:
    """Format 2 had no hash of the whole model, and is no forgery without; a later one lacks it."""
    files = read_folder(exported / "bundle")
    body = json.loads(files[MANIFEST])
    bare = {name: value for name, value in body["model"].items() if name != "content_sha256"}
    assert answer(changed(files, model=bare), exported / "innage.db")[0] is Answer.FAILED
    assert answer(changed(files, model=bare, format=2), exported / "innage.db")[0] is Answer.PASSED


def test_a_session_voided_after_the_export_is_no_contradiction(exported: Path, tmp_path: Path) -> None:
    """A manifest cannot know what happens after it; what the store says later does not fail it."""
    store = tmp_path / "innage.db"
    shutil.copy(exported / "innage.db", store)
    with Store.open(store) as opened:
        opened.void(opened.sessions()[0].id, "the scale was not zeroed")
    assert answer(read_folder(exported / "bundle"), store)[0] is Answer.PASSED


def test_the_float_model_is_that_of_the_store(exported: Path) -> None:
    """Another float model, with all that is stated made to fit, is told from the store's."""
    files = read_folder(exported / "bundle")
    model = onnx.load_model_from_string(files["innage_float.onnx"])
    model.graph.node[0].name = "other"
    other = model.SerializeToString(deterministic=True)
    assert other != files["innage_float.onnx"]
    said, sentence = answer(changed({**files, "innage_float.onnx": other}), exported / "innage.db")
    assert (said, sentence) == (
        Answer.FAILED,
        "the float ONNX is not the one that the store has of this model",
    )


def test_exit_codes(exported: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """0, with what is stated said so; 2 for a store that is none; 3 for a bundle of the first version."""
    monkeypatch.delenv("INNAGE_STORE", raising=False)
    done = innage("verify", exported / "bundle")
    assert (done.exit_code, "what is 'stated' was not checked" in done.output) == (0, True)
    nowhere = innage("verify", exported / "bundle", "--store", exported / "nowhere.db")
    assert nowhere.exit_code == 2
    assert "is no store" in nowhere.stderr
    assert not (exported / "nowhere.db").exists()
    first = innage("verify", BUNDLES / "format2.zip")
    assert first.exit_code == 3
    assert "not enough evidence for this bundle" in first.output
    assert "FAILED" not in first.output


def test_a_budget_is_not_checked_with_c_of_another_version(exported: Path) -> None:
    """Measuring a bundle of the first version says in one sentence why it cannot be done."""
    done = innage("budget", "check", BUNDLES / "format2.zip", "--store", exported / "innage.db")
    assert done.exit_code == 2
    assert "not run: written by innage 0.1" in done.stderr


def test_a_changed_file_is_named(exported: Path, tmp_path: Path) -> None:
    """It gives exit code 1; the other checks are still made."""
    out = shutil.copytree(exported / "bundle", tmp_path / "b")
    source = (out / "innage.c").read_bytes()
    (out / "innage.c").write_bytes(source.replace(b"0xFFFFFFFFU", b"0xFFFFFFFEU"))
    assert (out / "innage.c").read_bytes() != source
    done = innage("verify", out, "--json")
    assert done.exit_code == 1
    found = json.loads(done.stdout)
    assert found["passed"] is False
    assert len(found["checks"]) == 14
    assert {c["name"] for c in found["checks"] if not c["passed"]} == {
        "files",
        "made again",
        "C on the core",
        "C on this host",
        "C, checked",
    }


def test_what_is_no_bundle(tmp_path: Path) -> None:
    """It is said in one sentence, with exit code 2."""
    done = innage("verify", tmp_path)
    assert done.exit_code == 2
    assert "holds no manifest.json; expected the folder of an exported bundle, or its zip file" in done.stderr
