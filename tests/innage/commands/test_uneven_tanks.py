"""A model of tanks that differ in height has the tallest one's span, and everything that hands it on says so:
firmware that closes an inlet by it overflows a lower tank.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from html import unescape
from pathlib import Path

import httpx
import numpy as np
import pytest
from bundles import resealed
from typer.testing import CliRunner, Result

from building import bench_store, one_pad
from dataset.records import Budget, Frames, GroupBy, Mark, Role, Tank
from dataset.store import Store
from doors import open_door
from export.bundle.checks import Known
from export.bundle.manifest import MANIFEST, Manifest
from export.bundle.verify import verify_bundle, verify_files
from innage.cli import app
from innage.jobs.models.reporting import model_page
from innage.jobs.models.verifying import recorded_in

SAID = (
    "the tanks of this model differ in height (low@1 90 mm, tall@1 120 mm), and its span is the tallest "
    "one's: give each tank a level of its own at which its inlet closes, or a lower tank overflows"
)
SPANS = {"low@1": 90.0, "tall@1": 120.0}
_EACH = 20  # frames a level


def _fill(store: Store, tank: Tank, levels_mm: Sequence[float]) -> str:
    """A session of a step-by-step fill on a tank; its id."""
    bench = bench_store(
        store, tank=tank, sensor=next(iter(store.sensors()), one_pad()), mounting=f"on-{tank.name}"
    )
    level = np.repeat(np.asarray(levels_mm), _EACH)
    counts = (50_000 - 200 * level + np.arange(len(level)) % 3).astype(np.uint32)[:, None]
    marks = tuple(Mark(k * _EACH, (k + 1) * _EACH, mm) for k, mm in enumerate(levels_mm))
    frames = Frames(np.arange(len(level), dtype=np.int64) * 100, counts)
    (session,) = store.add_sessions([bench.session(int(levels_mm[-1]), marks, frames=frames)])
    return session.id


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a set of two tanks, one of the tall one alone, and a model of each."""
    path = tmp_path_factory.mktemp("store") / "innage.db"
    with Store.open(path) as store:
        _fill(store, Tank("tall", 0, 120.0), (0, 20, 50, 80, 110))
        _fill(store, Tank("low", 0, 90.0), (0, 20, 50, 80))
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 8192, 512, 512, 20000))
        roles = {"0": Role.FIT, "20": Role.FIT, "50": Role.PROVE, "80": Role.FIT, "110": Role.FIT}
        both = store.sessions()
        tall = [s for s in both if s.mounting.tank.name == "tall"]
        store.freeze("both", both, GroupBy.LEVEL, roles)
        store.freeze("alone", tall, GroupBy.LEVEL, roles)
    return path


def innage(store: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--store", str(store)], env={"COLUMNS": "200"})


def _train(store: Path, frozen: str, *words: str) -> Result:
    return innage(store, "train", frozen, "--name", frozen, "--family", "line", *words)


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Path:
    """A copy for one test."""
    return Path(shutil.copy(filled, tmp_path / "innage.db"))


@pytest.mark.longer
def test_training_and_the_model_say_it(store: Path) -> None:
    """On standard error after the training; on the model's page, its JSON and its report ever after."""
    done = _train(store, "both")
    assert done.exit_code == 0, done.output
    assert done.stderr.splitlines()[-1] == f"warning: {SAID}"
    shown = " ".join(innage(store, "models", "both").stdout.split())
    assert f"Caution: {SAID}." in shown
    assert json.loads(innage(store, "models", "both", "--json").stdout)["uneven_spans_mm"] == SPANS
    with Store.open(store) as opened:
        assert f"<strong>Overflow:</strong> {SAID}." in unescape(model_page(opened, "both"))
        with open_door(opened) as url:
            sheet = httpx.get(f"{url}/models/both", headers={"Accept": "text/html"}).text
    assert f"Overflow: {SAID}." in unescape(sheet)


@pytest.mark.longer
def test_tanks_of_one_height_are_not_warned_of(store: Path, tmp_path: Path) -> None:
    """Neither by training nor by export, and the manifest has no entry of it."""
    trained, out = _train(store, "alone"), tmp_path / "b"
    done = innage(store, "export", "alone", "--budget", "roomy", "--out", str(out), "--even-if-unproven")
    assert done.exit_code == 0, done.output
    for said in (trained.output, done.output, (out / "report.html").read_text()):
        assert "differ in height" not in said
    assert json.loads(innage(store, "models", "alone", "--json").stdout)["uneven_spans_mm"] == {}
    assert "uneven_spans_mm" not in json.loads((out / MANIFEST).read_text())


@pytest.mark.longer
def test_the_bundle_says_it(store: Path, tmp_path: Path) -> None:
    """Export warns; manifest and report state the spans, and verification holds them against tanks, span and
    store.
    """
    assert _train(store, "both").exit_code == 0
    out = tmp_path / "b"
    options = ("--budget", "roomy", "--out", str(out), "--even-if-unproven", "--json")
    done = innage(store, "export", "both", *options)
    assert done.exit_code == 0, done.output
    assert f"warning: {SAID}" in done.stderr
    assert json.loads(done.stdout)["uneven_spans_mm"] == SPANS
    files = {path.name: path.read_bytes() for path in out.iterdir()}
    assert json.loads(files[MANIFEST])["uneven_spans_mm"] == SPANS
    assert SAID in unescape(files["report.html"].decode())
    only = {"manifest", "made again", "figures"}
    with Store.open(store) as opened:

        def recorded(manifest: Manifest) -> Known | None:
            return recorded_in(opened, manifest)

        assert verify_bundle(out, only, recorded=recorded).passed
        for spans in ({"low@1": 90.0, "tall@1": 121.0}, {"low@1": 90.0}, {"low@1": 120.0, "tall@1": 120.0}):
            odd = verify_files(resealed(files, uneven_spans_mm=spans), {"manifest"})
            assert "'uneven_spans_mm' does not follow" in odd.checks[0].sentence
        other = resealed(files, uneven_spans_mm={"low@1": 80.0, "tall@1": 120.0})
        report = verify_files(other, {"figures"}, recorded=recorded)
        assert report.checks[0].sentence == "not what the store has on this model: uneven_spans_mm"
